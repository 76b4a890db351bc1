"""Drawings by hand: laid on the walls, refused off them, kept once, replaced and taken away."""

from __future__ import annotations

import datetime
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import pytest
import shapely
from shapely import affinity

from roofplat.district import District
from roofplat.errors import LayerError
from roofplat.ground import Ground
from roofplat.intake import Inputs, read_inputs
from roofplat.record import append, open_record, read_record
from roofplat.record.drawn import Taken, standing, take_drawn
from roofplat.rules import Rulebook
from roofplat.tables import empty

X, Y = 500_000.0, 4_400_000.0
FT = 0.3048
SHED = shapely.box(X, Y, X + 40, Y + 20)


@pytest.fixture
def inputs(town: District, rules: Rulebook) -> Inputs:
    return read_inputs(town, rules)


class Desk:
    """Where drawings come in: files are written in WGS 84, as drawing programs write GeoJSON."""

    def __init__(self, folder: Path, inputs: Inputs, rules: Rulebook) -> None:
        self.folder, self.inputs, self.rules = folder, inputs, rules
        self.ground = Ground(rules.number("ground.foot_m"), None)
        self.record = open_record(folder / "inventory.gpkg", inputs.working_crs, rules)

    def file(self, *features: tuple[Any, dict[str, Any]], name: str = "drawn.geojson") -> Path:
        frame = gpd.GeoDataFrame(
            [said for _, said in features], geometry=[shape for shape, _ in features], crs="EPSG:32613"
        )
        frame.to_crs("EPSG:4326").to_file(self.folder / name, driver="GeoJSON", COORDINATE_PRECISION=13)
        return self.folder / name

    def take(self, layer: str, *features: tuple[Any, dict[str, Any]], **more: Any) -> Taken:
        drawn = read_record(self.record, crs=self.inputs.working_crs).drawn
        return take_drawn(self.file(*features), layer, self.inputs, drawn, self.rules, self.ground, **more)

    def keep(self, layer: str, *features: tuple[Any, dict[str, Any]], **more: Any) -> Taken:
        taken = self.take(layer, *features, **more)
        append(self.record, drawn=taken.rows)
        return taken

    def standing(self) -> gpd.GeoDataFrame:
        return standing(read_record(self.record, crs=self.inputs.working_crs).drawn)


@pytest.fixture
def desk(tmp_path: Path, inputs: Inputs, rules: Rulebook) -> Desk:
    return Desk(tmp_path, inputs, rules)


def codes(taken: Taken, severity: str = "error") -> list[str]:
    return taken.problems.loc[taken.problems["severity"] == severity, "code"].tolist()


def test_a_section_is_laid_on_its_building_with_what_it_says(desk: Desk) -> None:
    west = shapely.Polygon([(X - 0.4, Y + 0.3), (X + 25, Y - 0.5), (X + 25, Y + 20.4), (X + 0.6, Y + 19.5)])
    taken = desk.take(
        "sections",
        (west, {"framing_axis_deg": 90, "beam_spacing_ft": 24.5, "note": "seen from the ladder"}),
        who="Inspector 1",
        seen_on=datetime.date(2026, 3, 4),
    )
    (row,) = taken.rows.to_dict("records")
    assert row["geometry"].symmetric_difference(shapely.box(X, Y, X + 25, Y + 20)).area < 1e-6
    assert row["geometry"].exterior.distance(shapely.Point(X, Y)) < 1e-7
    assert (row["building_id"], row["layer"], row["basis"]) == ("B1", "sections", "drawn")
    assert json.loads(row["properties"]) == {"beam_spacing_ft": 24.5, "framing_axis_deg": 90.0}
    assert (row["who"], row["note"], row["file"]) == ("Inspector 1", "seen from the ladder", "drawn.geojson")
    assert row["seen_on"] == pd.Timestamp(2026, 3, 4)
    assert len(row["batch"]) == 64
    (change,) = taken.changes.to_dict("records")
    assert (change["then"], change["outside"]) == ("new", 0.0)
    # The corner of the drawing was sqrt(0.6^2 + 0.5^2) m from that of the wall.
    assert change["moved_ft"] == pytest.approx((0.6**2 + 0.5**2) ** 0.5 / FT, abs=0.02)
    assert codes(taken) == []


def test_a_section_outside_its_building_is_refused_with_the_share_outside(desk: Desk) -> None:
    beside = shapely.box(X + 60, Y, X + 80, Y + 20)
    mostly = shapely.box(X + 36, Y, X + 46, Y + 20)
    wrong = shapely.box(X, Y, X + 20, Y + 20)
    taken = desk.take("sections", (beside, {}), (mostly, {}), (wrong, {"building_id": "B2"}))
    assert len(taken.rows) == 0
    assert codes(taken) == ["section_outside_building"] * 3
    assert taken.changes["then"].tolist() == ["refused"] * 3
    assert taken.changes["outside"].tolist() == pytest.approx([1.0, 0.6, 1.0], abs=1e-6)
    messages = taken.problems["message"].tolist()
    assert any(
        "100 percent of the section is outside every building; it is refused." in one for one in messages
    )
    assert any("60 percent of the section is outside building B1; it is refused." in one for one in messages)
    assert any("outside building B2, which it names" in one for one in messages)


def test_a_section_that_sticks_out_a_little_is_clipped_and_says_so(desk: Desk) -> None:
    taken = desk.take("sections", (shapely.box(X + 20, Y, X + 45, Y + 20), {}))
    inside = shapely.box(X + 20, Y, X + 40, Y + 20)
    assert taken.rows.geometry.iloc[0].symmetric_difference(inside).area < 1e-6
    assert codes(taken, "info") == ["section_clipped"]
    assert (
        "20.0 percent" in taken.problems.loc[taken.problems["code"] == "section_clipped", "message"].iloc[0]
    )


def test_a_name_that_does_not_exist_is_told_and_the_place_decides(desk: Desk) -> None:
    taken = desk.take("sections", (shapely.box(X, Y, X + 20, Y + 20), {"building_id": "B9"}))
    assert codes(taken, "warning") == ["building_id_unknown"]
    assert taken.rows["building_id"].tolist() == ["B1"]
    named = desk.take("sections", (shapely.box(X, Y, X + 20, Y + 20), {"building_id": " b1"}))
    assert named.rows["building_id"].tolist() == ["B1"]


def test_sections_meet_without_gap_or_overlap_and_a_real_overlap_is_reported(desk: Desk) -> None:
    west = shapely.box(X, Y, X + 24.8, Y + 20)
    east = shapely.box(X + 25.3, Y, X + 40, Y + 20)
    met = desk.take("sections", (west, {}), (east, {}))
    one, other = met.rows.geometry
    assert one.intersection(other).area == 0.0
    assert SHED.difference(shapely.union(one, other)).area < 1e-6
    assert codes(met, "warning") == []
    over = desk.take("sections", (shapely.box(X, Y, X + 30, Y + 20), {}), (east, {}))
    assert codes(over, "warning") == ["sections_overlap"]
    # 4.7 m by 20 m on a plane that is short by 4 in 10,000.
    message = over.problems["message"].iloc[-1]
    assert f"overlaps row 1 in {4.7 * 20 / (0.9996 * FT) ** 2:,.0f} ft2" in message
    # Also with one that is in the record.
    desk.keep("sections", (west, {}))
    late = desk.take("sections", (shapely.box(X + 15, Y, X + 40, Y + 20), {}))
    assert codes(late, "warning") == ["sections_overlap"]
    assert "overlaps drawing 1 in" in late.problems["message"].iloc[-1]


def test_a_drawing_that_names_no_building_is_a_neighbour_where_it_lies(desk: Desk) -> None:
    """So are drawings of a building that was split since."""
    desk.keep("sections", (shapely.box(X, Y, X + 25, Y + 20), {}))
    kept = read_record(desk.record, crs=desk.inputs.working_crs).drawn.assign(building_id=None)
    kept["building_id"] = kept["building_id"].astype("str")
    file = desk.file(
        (shapely.box(X + 25.4, Y, X + 40, Y + 20), {}), (shapely.box(X + 20, Y + 1.5, X + 39, Y + 20), {})
    )
    taken = take_drawn(file, "sections", desk.inputs, kept, desk.rules, desk.ground)
    assert taken.rows.geometry.iloc[0].bounds[0] == pytest.approx(X + 25, abs=1e-6)
    over = taken.problems.loc[taken.problems["code"] == "sections_overlap", "message"]
    assert over.str.contains("overlaps drawing 1 in").sum() == 1


def test_the_sections_of_the_district_file_are_neighbours_too(desk: Desk) -> None:
    west = gpd.GeoDataFrame(
        {"building_id": pd.Series([None], dtype="str"), "basis": ["drawn"]},
        geometry=[shapely.box(X, Y, X + 25, Y + 20)], crs="EPSG:32613",
    )  # fmt: skip
    desk.inputs = replace(desk.inputs, sections=west)
    met = desk.take("sections", (shapely.box(X + 25.4, Y, X + 40, Y + 20), {}))
    assert met.rows.geometry.iloc[0].bounds[0] == pytest.approx(X + 25, abs=1e-6)
    assert codes(met, "warning") == []
    # One that is drawn over it follows the hand, and says what it takes.
    over = desk.take("sections", (shapely.box(X, Y, X + 24.5, Y + 20), {}))
    assert over.changes["then"].tolist() == ["new"]
    assert over.rows.geometry.iloc[0].bounds[2] == pytest.approx(X + 24.5, abs=1e-6)
    assert codes(over, "warning") == []
    (message,) = over.problems.loc[over.problems["code"] == "section_takes_over", "message"]
    area_ft2 = 24.5 * 20 / (0.9996 * FT) ** 2
    assert message.startswith(f"The section takes {area_ft2:,.0f} ft2 of one in the district's own layer")


def test_the_same_file_twice_adds_nothing(desk: Desk) -> None:
    drawing = (shapely.box(X, Y, X + 25, Y + 20), {"deck": "plywood"})
    desk.keep("sections", drawing)
    again = desk.keep("sections", drawing)
    assert again.changes["then"].tolist() == ["same"]
    assert len(again.rows) == 0
    assert len(desk.standing()) == 1


def test_a_drawing_takes_the_place_of_the_one_before_it(desk: Desk) -> None:
    desk.keep(
        "sections", (shapely.box(X, Y, X + 25, Y + 20), {}), (shapely.box(X + 25, Y, X + 40, Y + 20), {})
    )
    taken = desk.keep("sections", (shapely.box(X, Y, X + 22, Y + 20), {"deck": "steel"}))
    assert taken.changes["then"].tolist() == ["replaces"]
    assert taken.changes["replaces"].tolist() == [1]
    rows = desk.standing()
    assert rows["number"].tolist() == [2, 3]
    # What it replaced is no neighbour to follow: the border is where it was drawn last.
    assert rows.geometry.iloc[1].bounds[2] == pytest.approx(X + 22, abs=1e-6)
    # The log keeps what was.
    assert len(read_record(desk.record).drawn) == 3


def test_a_drawing_can_be_taken_away_and_only_where_there_is_one(desk: Desk) -> None:
    desk.keep("sections", (shapely.box(X, Y, X + 25, Y + 20), {}))
    gone = desk.keep("sections", (shapely.box(X, Y, X + 25, Y + 20), {"gone": "yes"}))
    assert gone.changes["then"].tolist() == ["takes away"]
    assert len(desk.standing()) == 0
    again = desk.take("sections", (shapely.box(X, Y, X + 25, Y + 20), {"gone": "yes"}))
    assert codes(again) == ["nothing_to_take_away"]
    assert len(again.rows) == 0
    unclear = desk.take("sections", (shapely.box(X, Y, X + 25, Y + 20), {"gone": "perhaps"}))
    assert codes(unclear) == ["wrong_type"]
    assert len(unclear.rows) == 0


def test_the_ends_of_fire_walls_and_joints_meet_the_walls(desk: Desk) -> None:
    wall = shapely.LineString([(X + 20, Y + 0.7), (X + 20, Y + 19.5)])
    for layer in ("fire_walls", "expansion_joints"):
        taken = desk.take(layer, (wall, {}))
        end, other = shapely.get_coordinates(taken.rows.geometry.iloc[0])
        assert end[1] == pytest.approx(Y, abs=1e-6)
        assert other[1] == pytest.approx(Y + 20, abs=1e-6)
        assert taken.rows["building_id"].tolist() == ["B1"]
        assert taken.changes["moved_ft"].iloc[0] == pytest.approx(0.7 / FT, abs=0.01)
    stray = desk.take("fire_walls", (affinity.translate(wall, 60), {}))
    assert codes(stray) == ["fire_wall_outside_building"]


def test_a_wall_runs_along_an_outline_and_says_what_it_does(desk: Desk) -> None:
    south = shapely.LineString([(X - 0.5, Y - 0.6), (X + 40.3, Y + 0.4)])
    inner = shapely.LineString([(X, Y + 10), (X + 40, Y + 10)])
    taken = desk.take(
        "walls", (south, {"kind": "Bearing"}), (inner, {"kind": "bearing"}), (south, {"kind": "thick"}),
        (south, {"kind": None}),
    )  # fmt: skip
    assert len(taken.rows) == 1
    assert json.loads(taken.rows["properties"].iloc[0]) == {"kind": "bearing"}
    expected = shapely.LineString([(X, Y), (X + 40, Y)])
    assert taken.rows.geometry.iloc[0].hausdorff_distance(expected) < 1e-6
    assert sorted(codes(taken)) == ["unknown_kind", "unknown_kind", "wall_off_outline"]


def test_obstacles_keep_their_place_and_parapets_lie_on_the_wall(desk: Desk) -> None:
    unit = shapely.box(X + 10, Y + 0.3, X + 12, Y + 3)
    parapet = shapely.LineString([(X, Y - 0.5), (X + 40, Y - 0.5)])
    overhead = shapely.LineString([(X - 50, Y + 30), (X + 90, Y + 30)])
    yard = shapely.Point(X + 100, Y)
    taken = desk.take(
        "obstacles",
        (unit, {"kind": "HVAC unit", "note": "on steel"}),
        (parapet, {"kind": "parapet", "height_ft": 3.5}),
        (overhead, {"kind": "power line", "voltage_kv": 12}),
        (yard, {"kind": "unit"}),
    )
    assert taken.rows["building_id"].tolist()[:2] == ["B1", "B1"]
    assert taken.rows["building_id"].isna().tolist() == [False, False, True, True]
    said = [json.loads(text) for text in taken.rows["properties"]]
    assert said == [
        {"kind": "unit"}, {"height_ft": 3.5, "kind": "parapet"},
        {"kind": "overhead_line", "voltage_kv": 12.0}, {"kind": "unit"},
    ]  # fmt: skip
    assert taken.rows["note"].tolist()[0] == "on steel"
    shapes = taken.rows.geometry
    assert shapes.iloc[0].symmetric_difference(unit).area < 1e-6
    assert shapes.iloc[1].hausdorff_distance(shapely.LineString([(X, Y), (X + 40, Y)])) < 1e-6
    assert shapes.iloc[2].hausdorff_distance(overhead) < 1e-6
    assert codes(taken, "warning") == ["obstacle_outside_buildings"]


def test_no_feature_vanishes(desk: Desk) -> None:
    bow = shapely.Polygon([(X, Y), (X + 20, Y + 20), (X + 20, Y), (X, Y + 20)])
    taken = desk.take(
        "sections",
        (shapely.box(X, Y, X + 20, Y + 20), {}),
        (shapely.Point(X + 1, Y + 1), {}),
        (bow, {}),
        (
            shapely.MultiPolygon(
                [shapely.box(X + 20, Y, X + 30, Y + 20), shapely.box(X + 31, Y, X + 40, Y + 20)]
            ),
            {},
        ),
    )
    refused = taken.problems[taken.problems["code"] == "wrong_geometry"]
    assert refused["feature"].tolist() == ["row 2"]
    assert refused["severity"].tolist() == ["error"]
    told = set(taken.changes["feature"]) | set(refused["feature"])
    assert told == {"row 1", "row 2", "row 3", "row 4"}
    added = taken.changes["then"].isin(["new", "replaces", "takes away"])
    assert int(added.sum()) == len(taken.rows)


def test_a_file_that_is_none_is_one_sentence(desk: Desk) -> None:
    args = (desk.inputs, empty("drawn", desk.inputs.working_crs), desk.rules, desk.ground)
    with pytest.raises(LayerError, match="there is no file"):
        take_drawn(desk.folder / "no.geojson", "sections", *args)
    (desk.folder / "bad.geojson").write_text("not a drawing")
    with pytest.raises(LayerError):
        take_drawn(desk.folder / "bad.geojson", "sections", *args)
    with pytest.raises(ValueError, match="no layer that is drawn"):
        take_drawn(desk.file((SHED, {})), "roofs", *args)


def test_tolerances_are_ground_feet_wherever_the_district_lies(desk: Desk) -> None:
    # 2.9 ft is within the reach of 3 ft, 3.1 ft is not.
    for gap_ft, snaps in ((2.9, True), (3.1, False)):
        inside = shapely.box(X + gap_ft * FT, Y + gap_ft * FT, X + 20, Y + 20 - gap_ft * FT)
        taken = desk.take("sections", (inside, {}))
        corner = taken.rows.geometry.iloc[0].distance(shapely.Point(X, Y))
        # A corner is farther off than the walls: the walls are met, each on its own.
        assert (taken.rows.geometry.iloc[0].bounds[0] < X + 1e-6) is snaps, corner
