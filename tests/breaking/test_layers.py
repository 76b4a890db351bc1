"""Layers as nobody should send them: a build ends in one sentence, or accounts for each feature.

In: shapes of every kind, beside buildings that nothing is wrong with, in every format and every role.
Out: no traceback and no hang, counts that agree, a problem for each refusal, plans that keep the laws; and
    the buildings that nothing is wrong with get the plan that they get alone.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

import hypothesis.strategies as st
import numpy as np
import pytest
import shapely
from hypothesis import HealthCheck, Phase, given, note, settings

from roofplat.district import District
from roofplat.errors import CrsError, RoofplatError
from roofplat.rules import load_rulebook
from tests.breaking.strategies import (
    FORMATS,
    GOOD,
    PLACES,
    SHAPES,
    UNMADE,
    Bad,
    binary_of,
    comb,
    layers,
    ring,
    write_layer,
)
from tests.breaking.tries import tries
from tests.breaking.word import built, planned, same_plans

FAMILIES = list(load_rulebook().families)
OFF_THE_GLOBE = {"as large as the world", "as far as numbers go"}
# Shapes larger than a county touch everything, and are refused for it.
ROLES = ("streets", "areas", "stations", "sections", "fire_walls", "expansion_joints")


def _settings(ordinary: int) -> Any:
    return settings(
        max_examples=tries(ordinary),
        # A smaller example is not worth minutes of a shared machine.
        phases=[Phase.explicit, Phase.reuse, Phase.generate],
        suppress_health_check=[
            HealthCheck.too_slow,
            HealthCheck.data_too_large,
            HealthCheck.function_scoped_fixture,
        ],
    )


def _all_shapes(place: str, families: list[str]) -> Bad:
    """Every shape once, so far apart that none touches another, but for those as large as a town."""
    names = (*SHAPES, *UNMADE)
    shapes = tuple(
        binary_of(name, PLACES[place], by=(1500.0 * (row % 9), 1500.0 * (row // 9)))
        for row, name in enumerate(names)
    )
    kinds = [families[row % len(families)] for row in range(len(names))]
    return Bad(PLACES[place], shapes, {"roof_family": kinds, "name": list(names)}, names)


def _finite(binary: bytes) -> bool:
    with np.errstate(invalid="ignore"):
        shape = shapely.from_wkb(binary, on_invalid="ignore")
    return shape is not None and bool(np.isfinite(shapely.get_coordinates(shape)).all())


def _district(folder: Path, file: Path, **settings: Any) -> District:
    return District(name="Strange", folder=folder, footprints={"file": file}, **settings)


@cache
def _alone(place: str, folder: Path) -> Any:
    """The plans of the good buildings where nothing stands beside them; None where there can be none."""
    bad = Bad(PLACES[place], ()).beside_good(bad=False)
    file = write_layer(bad, folder / f"{place.replace(' ', '-')}.gpkg")
    found = planned(_district(folder, file))
    return None if isinstance(found, RoofplatError) else found[0]


@pytest.fixture(scope="session")
def alone(tmp_path_factory: pytest.TempPathFactory) -> Any:
    folder = tmp_path_factory.mktemp("good")
    return lambda place: _alone(place, folder)


def _place_of(bad: Bad) -> str:
    return next(name for name, place in PLACES.items() if place == bad.place)


@pytest.mark.parametrize("end", FORMATS)
def test_every_shape_in_every_format(end: str, tmp_path: Path, alone: Any) -> None:
    bad = _all_shapes("metres", ["panelized_wood", "plate_truss_pitched", "sawn_joist_flat"])
    if end == "shp":
        # A shapefile holds one kind of shape, and no other reaches it.
        solid = [
            row
            for row, binary in enumerate(bad.shapes)
            if binary is None or (binary[1:5] in (b"\3\0\0\0", b"\6\0\0\0") and _finite(binary))
        ]
        bad = Bad(
            bad.place,
            tuple(bad.shapes[row] for row in solid),
            {name: [cells[row] for row in solid] for name, cells in bad.columns.items()},
        )
    whole = bad.beside_good()
    file = write_layer(whole, tmp_path / f"shapes.{end}")
    # The plans are the same in every format, so that one of them is held to the laws.
    found = planned(_district(tmp_path, file), lawful=end == "gpkg")
    assert not isinstance(found, RoofplatError), found
    tables, _, counts = found
    assert counts["read"].iloc[0] == len(whole.shapes)
    assert counts["kept"].iloc[0] > 30
    if end != "geojson":
        # Which is text, and rounds.
        same_plans(alone("metres"), tables, [*GOOD])


def test_every_shape_in_a_whole_build(tmp_path: Path) -> None:
    every = _all_shapes("degrees", FAMILIES)
    # A third of them in an ordinary run: each family stands on another shape in the long one.
    rows = range(0, len(every.shapes), 1 if tries(1) > 1 else 3)
    some = Bad(
        every.place,
        tuple(every.shapes[row] for row in rows),
        {name: [cells[row] for row in rows] for name, cells in every.columns.items()},
    )
    file = write_layer(some.beside_good(), tmp_path / "shapes.gpkg")
    made = built(_district(tmp_path, file), tmp_path / "out", lawful=False)
    assert not isinstance(made, RoofplatError), made
    tiled = built(_district(tmp_path, file), tmp_path / "tiled", lawful=False, tile_buildings=15)
    assert not isinstance(tiled, RoofplatError), tiled
    assert tiled.counts["read"].equals(made.counts["read"])
    same_plans(made.tables, tiled.tables, [*GOOD])


@_settings(5)
@given(data=st.data())
def test_any_layer_beside_good_buildings(data: st.DataObject, tmp_path_factory: Any, alone: Any) -> None:
    bad = data.draw(layers())
    families = data.draw(
        st.lists(st.sampled_from(FAMILIES), min_size=len(bad.kinds), max_size=len(bad.kinds))
    )
    bad = Bad(bad.place, bad.shapes, {"roof_family": families}, bad.kinds)
    end = data.draw(st.sampled_from(["gpkg", "parquet"]))
    note(f"{_place_of(bad)}: {bad.kinds} as {end}")
    folder = tmp_path_factory.mktemp("any")
    file = write_layer(bad.beside_good(), folder / f"shapes.{end}")
    found = planned(_district(folder, file))
    before = alone(_place_of(bad))
    if isinstance(found, RoofplatError):
        # Where many places of a layer lie off the globe or beyond the date line nobody can tell which CRS it
        # is in: it is refused whole.
        beyond = not OFF_THE_GLOBE.isdisjoint(bad.kinds) or bad.place == PLACES["date line"]
        assert before is None or (beyond and isinstance(found, CrsError)), found
    else:
        assert before is not None
        same_plans(before, found[0], [*GOOD])


@_settings(1)
@given(layers())
def test_any_layer_in_a_whole_build(tmp_path_factory: Any, bad: Bad) -> None:
    note(f"{_place_of(bad)}: {bad.kinds}")
    folder = tmp_path_factory.mktemp("whole")
    file = write_layer(bad, folder / "shapes.gpkg")
    built(_district(folder, file), folder / "out")


@_settings(3)
@given(data=st.data())
def test_any_layer_in_any_other_role(data: st.DataObject, tmp_path_factory: Any) -> None:
    folder = tmp_path_factory.mktemp("roles")
    place = PLACES[data.draw(st.sampled_from(["metres", "feet", "degrees"]))]
    file = write_layer(Bad(place, ()).beside_good(bad=False), folder / "good.gpkg")
    settings: dict[str, Any] = {}
    for role in (*ROLES, "obstacles", "ground", "points", "parcels", "footprints", "fires"):
        if not data.draw(st.booleans()):
            continue
        kinds = data.draw(st.lists(st.sampled_from([*SHAPES, *UNMADE]), min_size=1, max_size=6))
        note(f"{role}: {kinds}")
        # On the good buildings, where they count.
        spots = [shape.centroid.coords[0] for shape in GOOD.values()]
        shapes = tuple(binary_of(kind, place, by=spots[row % 4]) for row, kind in enumerate(kinds))
        columns = {"name": kinds, "kind": ["solar"] * len(kinds), "height_ft": [20.0] * len(kinds)}
        source: dict[str, Any] = {"file": write_layer(Bad(place, shapes, columns), folder / f"{role}.gpkg")}
        if role in ("obstacles", "ground"):
            settings[role] = [source]
        elif role in ("points", "parcels", "footprints"):
            settings.setdefault("attributes", []).append({**source, "name": role, "how": role})
        elif role == "fires":
            settings["scenario"] = {"fires": source}
        else:
            settings[role] = source
    found = planned(_district(folder, file, **settings))
    assert not isinstance(found, RoofplatError), found


def test_rings_of_a_hundred_thousand_corners(tmp_path: Path, alone: Any) -> None:
    """A circle is a building; a star, a comb and a scribble are none, and are told so."""
    scribble = np.random.default_rng(1).uniform(-50, 50, (100_000, 2))
    rings = {
        "circle": shapely.Polygon(ring(100_000, 50.0)),
        "star": shapely.Polygon(ring(100_000, inner=25.0)),
        "comb": comb(25_000, 400.0),
        "scribble": shapely.Polygon(scribble),
    }
    shapes = tuple(
        shapely.to_wkb(PLACES["metres"].put(shapely.affinity.translate(shape, 600.0 * place)))
        for place, shape in enumerate(rings.values())
    )
    columns = {"roof_family": ["panelized_wood"] * len(rings), "name": [*rings]}
    every = Bad(PLACES["metres"], shapes, columns).beside_good()
    # The laws ask each corner of each roof by itself, and would take minutes.
    district = _district(tmp_path, write_layer(every, tmp_path / "rings.gpkg"))
    made = built(district, tmp_path / "out", lawful=False)
    assert not isinstance(made, RoofplatError), made
    tiled = built(district, tmp_path / "tiled", lawful=False, tile_buildings=2)
    for name in ("bad-0", *GOOD):
        same_plans(made.tables, tiled.tables, [name])
    refused = made.problems[made.problems["code"] == "too_many_corners"]
    assert refused["feature"].tolist() == ["bad-1", "bad-2", "bad-3"]
    assert "bad-0" in set(made.tables["buildings"]["building_id"])
    same_plans(alone("metres"), made.tables, [*GOOD])
