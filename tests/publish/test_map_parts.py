"""Pages made of parts: what they show is what a page of the whole district shows."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from roofplat.errors import LayerError
from roofplat.publish.map_data import MAP_FILE, pack_part
from roofplat.publish.map_pages import flatten_page
from roofplat.publish.map_parts import PackedPart, late_of, page_of
from roofplat.publish.parts import Parts, save_part

from .test_map_data import ids_of, many, page_texts, read_blocks, texts_of
from .test_packing import read_column

ONCE = ("ranking", "survey_next", "areas", "stations", "family_odds", "problems")
ODDS = ("p_lightweight", "odds", "local_roofs")


@pytest.fixture(scope="module")
def district(tables: dict[str, Any]) -> dict[str, Any]:
    return many(tables)


@pytest.fixture(scope="module")
def parts(district: dict[str, Any], tmp_path_factory: pytest.TempPathFactory) -> Parts:
    """The district in three tiles; what is only known of the whole is not in them."""
    folder = tmp_path_factory.mktemp("tiles")
    buildings = district["buildings"]
    tile_of = pd.Series(np.arange(len(buildings)) * 3 // len(buildings), index=buildings["building_id"])
    for tile in range(3):
        tables = {}
        for name, frame in district.items():
            if name in ONCE:
                continue
            if "building_id" in frame:
                # What belongs to nobody is at home in the last tile.
                own = frame[frame["building_id"].map(tile_of).fillna(2) == tile]
            else:
                own = frame.iloc[tile::3]
            tables[name] = own.reset_index(drop=True)
        for column in ODDS:
            cells = tables["buildings"][column]
            tables["buildings"][column] = pd.Series([None] * len(cells), dtype=cells.dtype)
        place = folder / f"t{tile}"
        place.mkdir()
        save_part(tables, place)
        (place / "key.txt").write_text(f"key {tile}")
        (place / MAP_FILE).write_bytes(pack_part(tables))
    late = {"buildings": pd.DataFrame(buildings[["building_id", *ODDS]])}
    once = {name: district[name] for name in ONCE if name in district}
    return Parts.open(folder, ["t0", "t1", "t2"], once, late)


def tiled_texts(parts: Parts, area: str | None = None) -> tuple[bytes, bytes]:
    packed = [PackedPart.of(parts.file(number, MAP_FILE) or b"") for number in range(len(parts))]
    return texts_of(parts, packed, area)


def rows_of(overview: bytes, plans: bytes) -> dict[str, list[str]]:
    """All rows of all layers of a page, each with the id of its building; in the order of their words."""
    head, data, blocks = read_blocks(overview, plans)
    ids = ids_of(head, data)
    found: dict[str, list[str]] = {}
    for name, layer in head["layers"].items():
        columns = {column: read_column(held, data) for column, held in sorted(layer["columns"].items())}
        found[f"overview {name}"] = [repr(row) for row in zip(*columns.values(), strict=True)]
    for layers in blocks:
        for name, layer in layers.items():
            columns = [values for _, values in sorted(layer["columns"].items())]
            shapes = layer.get("shapes", [[]] * layer["rows"])
            found.setdefault(name, []).extend(
                # A step is rounded here or there where another polynomial was fitted.
                repr([ids[owner], *values, [np.round(curve, 6).shape for curve in shape]])
                for owner, shape, *values in zip(layer["owner"], shapes, *columns, strict=True)
            )
    return {name: sorted(rows) for name, rows in found.items()}


@pytest.mark.parametrize("area", [None, "North Side", "No dispatch area"])
def test_a_page_of_tiles_has_the_rows_of_a_page_of_the_whole(
    district: dict[str, Any], parts: Parts, area: str | None
) -> None:
    whole, tiled = rows_of(*page_texts(district, area)), rows_of(*tiled_texts(parts, area))
    assert whole.keys() == tiled.keys()
    assert len(whole["overview buildings"]) > 50
    for name, rows in whole.items():
        assert rows == tiled[name], name


def test_shapes_of_tiles_lie_where_those_of_the_whole_lie(district: dict[str, Any], parts: Parts) -> None:
    found = []
    for texts in (page_texts(district), tiled_texts(parts)):
        head, data, blocks = read_blocks(*texts)
        ids = ids_of(head, data)
        found.append(
            {
                (ids[owner], place): np.concatenate(curves)
                for layers in blocks
                if "walls" in layers
                for owner in dict.fromkeys(layers["walls"]["owner"])
                for place, curves in enumerate(
                    shape
                    for of, shape in zip(layers["walls"]["owner"], layers["walls"]["shapes"], strict=True)
                    if of == owner
                )
            }
        )
    whole, tiled = found
    assert whole.keys() == tiled.keys()
    assert len(whole) > 500
    for key, shape in whole.items():
        np.testing.assert_allclose(tiled[key], shape, atol=1.01e-7, rtol=0)


def test_the_texts_of_an_area_are_those_of_the_district(parts: Parts) -> None:
    _, plans = tiled_texts(parts)
    overview, own = tiled_texts(parts, "North Side")
    head, _, blocks = read_blocks(overview, own)
    starts = head["blocks"]["starts"]
    assert len(blocks) >= 3  # one of each tile at least
    for place in range(len(starts) - 1):
        assert own[starts[place] : starts[place + 1]] in plans


def test_a_part_that_is_not_that_of_the_tables_is_refused(district: dict[str, Any]) -> None:
    fewer = {**district, "buildings": district["buildings"].iloc[1:].reset_index(drop=True)}
    packed = [PackedPart.of(pack_part(district))]
    with pytest.raises(LayerError, match="not those of the tables; build with --anew"):
        late_of(Parts.of(fewer), packed, {})
    others = district["buildings"].assign(building_id=district["buildings"]["building_id"].iloc[::-1].array)
    parts = Parts.of({**district, "buildings": others})
    with pytest.raises(LayerError, match="not those of the tables; build with --anew"):
        flatten_page(page_of(packed), packed, late_of(parts, packed, {}))


def test_a_damaged_file_is_told_in_one_sentence(tmp_path: Path) -> None:
    (tmp_path / MAP_FILE).write_bytes(b"\x05\0\0\0\0\0\0\0{")
    with pytest.raises(LayerError, match=r"map\.bin cannot be read .*; build with --anew\.$"):
        PackedPart.of(tmp_path / MAP_FILE)
    with pytest.raises(LayerError, match="cannot be read"):
        PackedPart.of(tmp_path / "nothing.bin")


@pytest.mark.parametrize("count", [0, 1])
def test_a_part_of_one_building_or_of_none(district: dict[str, Any], count: int) -> None:
    few = set(district["buildings"]["building_id"].iloc[:count])
    tables = {
        name: frame[frame["building_id"].isin(few)].reset_index(drop=True)
        if "building_id" in frame
        else frame
        for name, frame in district.items()
    }
    head, data, blocks = read_blocks(*page_texts(tables))
    assert ids_of(head, data) == sorted(few)
    assert len(blocks) == count
    assert head["layers"]["streets"]["rows"] == len(district["streets"])
    nowhere = {**tables, "areas": district["areas"].iloc[:0], "buildings": district["buildings"].iloc[:0]}
    assert read_blocks(*page_texts(nowhere))[0]["bounds"] is None
