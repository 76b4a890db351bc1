"""What stands in the texts of a page is what the tables say: unpacked here row by row, and compared."""

from __future__ import annotations

import base64
import gzip
import json
from typing import Any

import numpy as np
import pandas as pd
import pytest
import shapely

from roofplat.publish.map_data import pack_part
from roofplat.publish.map_pages import block_texts, flatten_page, overview_text
from roofplat.publish.map_parts import PackedPart, late_of, page_of, places_of, visit_bands
from roofplat.publish.map_place import STEPS_PER_DEGREE
from roofplat.publish.parts import Parts

from .test_packing import read_column, read_counts, unpack

PLACES = 300


def page_texts(tables: dict[str, Any], area: str | None = None, **frames: Any) -> tuple[bytes, bytes]:
    """The overview and the plans of the page of a district, or of one of its areas."""
    parts = Parts.of(tables)
    packed = [PackedPart.of(pack_part(part)) for part in parts]
    return texts_of(parts, packed, area, **frames)


def texts_of(
    parts: Parts, packed: list[PackedPart], area: str | None = None, **frames: Any
) -> tuple[bytes, bytes]:
    page = page_of(packed, area)
    flat = flatten_page(page, packed, late_of(parts, packed, {}))
    overview = overview_text(page, flat, packed, places_of(parts, packed), frames=frames, named=area)
    return overview, b"".join(block_texts(page, flat, packed))


def read_block(text: bytes) -> tuple[dict[str, Any], bytes]:
    block = gzip.decompress(base64.b64decode(text))
    length = int.from_bytes(block[:4], "little")
    return json.loads(block[4 : 4 + length]), block[4 + length :]


def read_blocks(
    overview: bytes, plans: bytes
) -> tuple[dict[str, Any], bytes, list[dict[str, dict[str, Any]]]]:
    """The overview, and for each block its layers: owners, columns and shapes."""
    head, data = read_block(overview)
    blocks = []
    starts, firsts = head["blocks"]["starts"], head["blocks"]["buildings"]
    assert len(starts) == 3 * (len(firsts) - 1) + 1
    assert starts[-1] == len(plans)
    for number in range(len(firsts) - 1):
        layers: dict[str, dict[str, Any]] = {}
        for place in range(3 * number, 3 * number + 3):
            part, own = read_block(plans[starts[place] : starts[place + 1]])
            for name, packed in part["layers"].items():
                layer = layers.setdefault(name, {"columns": {}, "rows": packed["rows"]})
                assert layer["rows"] == packed["rows"] > 0
                if "owners" in packed:
                    counts = read_counts(own, packed["owners"], firsts[number + 1] - firsts[number])
                    layer["owner"] = np.repeat(np.arange(firsts[number], firsts[number + 1]), counts)
                if "shapes" in packed:
                    layer["shapes"] = unpack(packed["shapes"], own, packed["rows"])
                for column, held in packed["columns"].items():
                    assert column not in layer["columns"]
                    layer["columns"][column] = read_column(held, own)
        blocks.append(layers)
    return head, data, blocks


def many(tables: dict[str, Any]) -> dict[str, Any]:
    """The district side by side with itself until it fills several blocks, its ids numbered."""
    copies = int(np.ceil(PLACES / len(tables["buildings"])))
    made = {}
    for name, frame in tables.items():
        parts = []
        for copy in range(copies):
            part = frame.copy()
            for column in ("building_id", "section_id"):
                if column in part:
                    part[column] = part[column].where(
                        part[column].isna(), f"{copy}." + part[column].astype("str")
                    )
            if hasattr(part, "geometry") and name != "areas":
                part = part.set_geometry(part.geometry.translate(250.0 * (copy % 10), 200.0 * (copy // 10)))
            parts.append(part)
        made[name] = pd.concat(parts, ignore_index=True)
    return made


@pytest.fixture(scope="module", params=["tables", "mixed"])
def district(request: pytest.FixtureRequest) -> dict[str, Any]:
    return many(request.getfixturevalue(request.param))


@pytest.fixture(scope="module")
def unpacked(district: dict[str, Any]) -> tuple[dict[str, Any], bytes, list[dict[str, dict[str, Any]]]]:
    return read_blocks(*page_texts(district, title="Invented"))


def ids_of(head: dict[str, Any], data: bytes) -> list[str]:
    return read_column(head["layers"]["buildings"]["columns"]["building_id"], data)


def test_every_building_stands_once_and_every_row_of_every_layer_in_its_block(
    district: dict[str, Any], unpacked: Any
) -> None:
    head, data, blocks = unpacked
    ids = ids_of(head, data)
    assert len(blocks) > 1
    assert sorted(ids) == sorted(district["buildings"]["building_id"])
    assert head["blocks"]["buildings"][-1] == len(ids)
    for name, rows in head["plan_layers"].items():
        found = [ids[row] for layers in blocks if name in layers for row in layers[name]["owner"]]
        assert len(found) == rows
        if name in ("fires", "details", "solar_access"):
            continue
        if name not in district:
            assert rows == 0
            continue
        frame = district[name]
        frame = frame[frame["current"].astype(bool)] if name == "facts" else frame
        wanted = frame["building_id"].dropna()
        assert sorted(found) == sorted(wanted[wanted.isin(ids)]), name


@pytest.mark.parametrize(
    ("layer", "columns"),
    [
        ("ladders", ["rank", "apparatus", "usng", "in_collapse_zone", "base_setback_ft"]),
        ("openings", ["seq", "method", "why"]),
        ("walls", ["kind", "kind_basis"]),
        ("members", ["kind", "count", "basis"]),
        ("facts", ["field", "value", "source"]),
    ],
)
def test_columns_drawn_and_columns_read_are_those_of_the_tables(
    district: dict[str, Any], unpacked: Any, layer: str, columns: list[str]
) -> None:
    head, data, blocks = unpacked
    ids = ids_of(head, data)
    frame = district.get(layer, pd.DataFrame(columns=["building_id", *columns]))
    rows = [
        (ids[owner], *values)
        for layers in blocks
        if layer in layers
        for owner, *values in zip(
            layers[layer]["owner"], *(layers[layer]["columns"][name] for name in columns), strict=True
        )
    ]
    wanted = frame[["building_id", *columns]].astype(object)
    wanted = wanted.where(wanted.notna(), None)
    assert sorted(map(repr, rows)) == sorted(map(repr, wanted.itertuples(index=False, name=None)))


def test_the_overview_has_what_the_filter_asks_for_and_a_card_the_rest(
    district: dict[str, Any], unpacked: Any
) -> None:
    head, data, blocks = unpacked
    ids = ids_of(head, data)
    ranking = district["ranking"].set_index("building_id").loc[ids]
    overview = head["layers"]["buildings"]["columns"]
    for name in ("rank", "class", "due_state"):
        assert read_column(overview[name], data) == ranking[name].tolist(), name
    details = {
        name: [value for layers in blocks for value in layers["details"]["columns"][name]]
        for name in (
            "rank_low",
            "rank_high",
            "unknown_facts",
            "odds",
            "local_roofs",
            "visit_order",
            "visit_why",
        )
    }
    buildings = district["buildings"].set_index("building_id").loc[ids]
    visits = district["survey_next"].set_index("building_id").reindex(ids)
    for name, column in (
        *((name, ranking[name]) for name in ("rank_low", "rank_high", "unknown_facts")),
        *((name, buildings[name]) for name in ("odds", "local_roofs")),
        ("visit_order", visits["order"]),
        ("visit_why", visits["reason"]),
    ):
        held = column.astype(object)
        assert details[name] == held.where(held.notna(), None).tolist(), name
    band = [
        "1 to 25" if one == one else None for one in visits["order"].to_numpy(dtype=float, na_value=np.nan)
    ]
    assert read_column(overview["visit_band"], data) == band


def test_places_on_the_list_fall_into_steps() -> None:
    assert visit_bands(pd.Series([1, 25, 26, 100, 101, 9000])).tolist() == [
        "1 to 25", "1 to 25", "26 to 100", "26 to 100", "101 and later", "101 and later",
    ]  # fmt: skip
    assert visit_bands(pd.Series([], dtype="Int64")).tolist() == []


def test_shapes_come_back_where_the_tables_have_them(district: dict[str, Any], unpacked: Any) -> None:
    head, data, blocks = unpacked
    ids = ids_of(head, data)
    for name, within_steps in {"walls": 1.0, "members": 4.0, "paths": 1.0, "openings": 1.0}.items():
        if name not in district:
            continue
        frame = district[name].to_crs("EPSG:4326")
        wanted: dict[str, list[Any]] = {}
        for building, shape in zip(frame["building_id"], frame.geometry, strict=True):
            wanted.setdefault(building, []).append(shape)
        compared = 0
        for layers in blocks:
            if name not in layers:
                continue
            for owner, curves in zip(layers[name]["owner"], layers[name]["shapes"], strict=True):
                shape = wanted[ids[owner]].pop(0)
                ends = shapely.get_coordinates(shape if name != "openings" else shape.exterior)
                found = np.concatenate(curves)
                ends = ends[: len(found)]
                assert np.abs(found - ends).max() * STEPS_PER_DEGREE <= within_steps, name
                compared += 1
        assert compared == len(frame)


def test_an_area_is_cut_from_the_whole(district: dict[str, Any]) -> None:
    name = "North Side" if "North Side" in set(district["buildings"]["dispatch_area"]) else "East"
    chosen = district["buildings"]["dispatch_area"] == name
    here = {
        key: frame[frame["building_id"].isin(district["buildings"]["building_id"][chosen])]
        if key not in ("obstacles", "ground") and "building_id" in frame
        else frame
        for key, frame in district.items()
    }
    head, data, blocks = read_blocks(*page_texts(district, name))
    other, other_data, others = read_blocks(*page_texts(here))
    ids, other_ids = ids_of(head, data), ids_of(other, other_data)
    assert sorted(ids) == sorted(other_ids)
    for layer in ("walls", "ladders", "openings", "facts", "details", "obstacles"):
        rows = [
            sorted(
                repr([names[owner], *values])
                for layers in some
                if layer in layers
                for owner, *values in zip(
                    layers[layer]["owner"], *layers[layer]["columns"].values(), strict=True
                )
            )
            for names, some in ((ids, blocks), (other_ids, others))
        ]
        assert rows[0] == rows[1], layer


def test_the_same_tables_give_the_same_texts(district: dict[str, Any]) -> None:
    assert page_texts(district) == page_texts(district)
