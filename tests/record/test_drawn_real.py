"""Halves of real outlines, drawn with a shaky hand: the outlines of Bubenec that come with momepy."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import momepy
import numpy as np
import pytest
import shapely

from roofplat.district import District, read_district
from roofplat.ground import Ground, local_planes
from roofplat.intake import read_inputs
from roofplat.record.drawn import take_drawn
from roofplat.rules import Rulebook
from roofplat.tables import empty


@pytest.fixture
def bubenec(tmp_path: Path) -> District:
    roofs = gpd.read_file(momepy.datasets.get_path("bubenec"), layer="buildings")
    roofs = roofs.to_crs("EPSG:32633")[["uID", "geometry"]]
    roofs.to_file(tmp_path / "roofs.gpkg", layer="roofs")
    (tmp_path / "district.toml").write_text(
        '[district]\nname = "Bubenec"\n[footprints]\nfile = "roofs.gpkg"\nid = "uID"\n'
    )
    return read_district(tmp_path / "district.toml")


def test_halves_of_real_outlines_follow_their_walls(
    bubenec: District, rules: Rulebook, tmp_path: Path
) -> None:
    inputs = read_inputs(bubenec, rules)
    outlines = np.asarray(inputs.footprints.geometry.array, dtype=object)
    ids = inputs.footprints["building_id"].to_numpy(dtype=object)
    ground = Ground(rules.number("ground.foot_m"), None)
    centre = shapely.centroid(outlines)
    planes = local_planes(shapely.get_x(centre), shapely.get_y(centre), inputs.working_crs, ground)
    ft_per_unit = np.sqrt(planes.area_ft2_per_unit2())
    # The west half of each, its corners simplified as a hand would and missed by up to a foot and a half.
    x, south, east, north = shapely.bounds(outlines).T
    halves = shapely.intersection(outlines, shapely.box(x, south, (x + east) / 2, north))
    simple = shapely.simplify(halves, 1.0 / ft_per_unit)
    one = (shapely.get_type_id(simple) == shapely.GeometryType.POLYGON) & (
        shapely.get_num_interior_rings(simple) == 0
    )
    one &= shapely.area(halves) * ft_per_unit**2 > 400
    random = np.random.default_rng(7)
    coordinates, owner = shapely.get_coordinates(shapely.get_exterior_ring(simple[one]), return_index=True)
    turn, far = random.uniform(0, 2 * np.pi, len(owner)), random.uniform(0, 1.5, len(owner))
    shift = (far / ft_per_unit[one][owner])[:, None] * np.stack([np.cos(turn), np.sin(turn)], axis=1)
    rings = shapely.linearrings((coordinates + shift)[:, :2], indices=owner)
    drawn = shapely.make_valid(shapely.polygons(rings))
    solid = shapely.get_type_id(drawn) == shapely.GeometryType.POLYGON
    rows = np.flatnonzero(one)[solid]
    assert len(rows) > 90
    frame = gpd.GeoDataFrame({"building_id": ids[rows]}, geometry=drawn[solid], crs=inputs.working_crs)
    frame.to_file(tmp_path / "drawn.gpkg")
    taken = take_drawn(
        tmp_path / "drawn.gpkg", "sections", inputs, empty("drawn", inputs.working_crs), rules, ground
    )
    assert taken.changes["then"].eq("new").all(), taken.problems["message"].tolist()
    assert taken.rows["building_id"].tolist() == ids[rows].tolist()
    shapes = np.asarray(taken.rows.geometry.array, dtype=object)
    assert shapely.is_valid(shapes).all()
    # Nothing is outside, by more than rounding.
    assert (shapely.area(shapely.difference(shapes, outlines[rows])) < 1e-6).all()
    # Where its border runs near the wall it runs on it: the border off the wall is the inner edge alone.
    wall = shapely.buffer(shapely.boundary(outlines[rows]), 1e-6)
    off = shapely.length(shapely.difference(shapely.boundary(shapes), wall)) * ft_per_unit[rows]
    drawn_off = shapely.length(shapely.difference(shapely.boundary(drawn[solid]), wall)) * ft_per_unit[rows]
    middle = ((x + east) / 2)[rows]
    inner = shapely.intersection(
        outlines[rows],
        shapely.linestrings(
            np.stack([np.stack([middle, south[rows]], 1), np.stack([middle, north[rows]], 1)], 1)
        ),
    )
    cut_ft = shapely.length(inner) * ft_per_unit[rows]
    assert (off < cut_ft + 16).mean() > 0.95
    assert np.median(off / np.maximum(cut_ft, 1)) == pytest.approx(1.0, abs=0.1)
    # Before, next to nothing of it lay on the wall.
    assert off.sum() < 0.35 * drawn_off.sum()
