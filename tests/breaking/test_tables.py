"""Tables as nobody should send them: a build ends in one sentence, or accounts for each record.

In: columns of any name and cells of any kind, as CSV, workbook, Parquet, and beside outlines.
Out: no traceback and no hang, counts that agree, a problem for each record refused; and buildings of which no
    record speaks have the plan that they have without it.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import hypothesis.strategies as st
import pytest
from click.testing import CliRunner
from hypothesis import HealthCheck, Phase, example, given, note, settings

from roofplat.cli.main import main
from roofplat.district import District
from roofplat.errors import RoofplatError
from tests.breaking.strategies import (
    FIELDS,
    GOOD,
    PLACES,
    RESERVED,
    Bad,
    cells,
    names,
    tables,
    write_layer,
    write_table,
)
from tests.breaking.tries import tries
from tests.breaking.word import built, planned

_IDS = [*GOOD, "Good-1", " good-2 ", "nobody"]


def _settings(ordinary: int) -> Any:
    return settings(
        max_examples=tries(ordinary),
        # A smaller example is not worth minutes of a shared machine.
        phases=[Phase.explicit, Phase.reuse, Phase.generate],
        suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
    )


@pytest.fixture(scope="session")
def roofs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    bad = Bad(PLACES["metres"], ()).beside_good(bad=False)
    return write_layer(bad, tmp_path_factory.mktemp("roofs") / "roofs.gpkg")


def _district(folder: Path, roofs: Path, table: Path) -> District:
    source = {"name": "Table", "file": table, "how": "key", "id": "key"}
    return District(name="Strange", folder=folder, footprints={"file": roofs}, attributes=[source])


@pytest.mark.parametrize("end", ["csv", "xlsx", "parquet"])
def test_any_table(end: str, roofs: Path, tmp_path_factory: pytest.TempPathFactory) -> None:
    @_settings(4)
    @given(tables(_IDS))
    @example({"key": ["good-1"], **{name: ["1e999"] for name in FIELDS}})
    @example({"key": ["good-1", "good-1"], **{name: ["\u202ex", "\x00"] for name in FIELDS}})
    @example({"key": ["good-1"], **{name: [-(2**80)] for name in FIELDS}})
    @example({"key": ["good-1"], **{name: ["x"] for name in RESERVED if name != "key"}})
    def hold(columns: dict[str, list[Any]]) -> None:
        note(f"{columns}")
        folder = tmp_path_factory.mktemp("table")
        if end == "parquet":
            columns = {name.replace("\0", ""): values for name, values in columns.items()}
        table = write_table(columns, folder / f"table.{end}")
        found = planned(_district(folder, roofs, table), lawful=False)
        assert not isinstance(found, RoofplatError), found
        _, problems, counts = found
        faults = problems[(problems["severity"] == "error") & (problems["layer"] == f"table.{end}")]
        if faults.empty and end != "csv":
            # A line of a CSV table that holds nothing at all is none.
            assert counts["read"].iloc[1] == len(columns["key"])

    hold()


def test_any_columns_beside_outlines(tmp_path_factory: pytest.TempPathFactory) -> None:
    @_settings(4)
    @given(
        st.dictionaries(
            st.one_of(st.sampled_from(FIELDS), st.sampled_from(RESERVED), names),
            st.lists(cells, min_size=3, max_size=3),
            max_size=6,
        ),
        st.sampled_from(["gpkg", "geojson", "parquet"]),
    )
    def hold(columns: dict[str, list[Any]], end: str) -> None:
        note(f"{columns} as {end}")
        folder = tmp_path_factory.mktemp("columns")
        whole = Bad(PLACES["metres"], ()).beside_good(bad=False)
        columns = {
            name.replace("\0", ""): [*values, None]
            for name, values in columns.items()
            if name.lower() not in ("fid", "ogc_fid", "geom", "shape") and name.strip("\0")
        }
        file = folder / f"roofs.{end}"
        if len({name.lower() for name in columns}) < len(columns):
            # A GeoPackage is a database, whose columns differ by more than case.
            file = folder / "roofs.parquet"
        found = planned(
            District(
                name="Strange",
                folder=folder,
                footprints={"file": write_layer(Bad(whole.place, whole.shapes, columns), file)},
            ),
            lawful=False,
        )
        assert not isinstance(found, RoofplatError), found
        assert found[2]["read"].tolist() == [4]
        assert found[2]["kept"].tolist() == [4]

    hold()


def test_any_table_in_a_whole_build_and_a_check(
    roofs: Path, tmp_path_factory: pytest.TempPathFactory
) -> None:
    @_settings(1)
    @given(tables(_IDS))
    @example(
        {
            "key": ["good-1"],
            "name": ["\u202e\u2066\x1b[31m🔥\ud7ff"],
            "alert": ["=1+1"],
            "address": ["ﷺ" * 90],
        }
    )
    def hold(columns: dict[str, list[Any]]) -> None:
        note(f"{columns}")
        folder = tmp_path_factory.mktemp("whole")
        table = write_table(columns, folder / "table.csv")
        made = built(_district(folder, roofs, table), folder / "out")
        assert not isinstance(made, RoofplatError), made
        (folder / "district.toml").write_text(
            '[district]\nname = "Strange"\n[footprints]\nfile = "roofs.gpkg"\n'
            '[[attributes]]\nname = "Table"\nfile = "table.csv"\nhow = "key"\nid = "key"\n',
            "utf-8",
        )
        (folder / "roofs.gpkg").write_bytes(roofs.read_bytes())
        said = CliRunner().invoke(main, ["check", str(folder / "district.toml"), "--all"])
        assert said.exception is None or isinstance(said.exception, SystemExit), said.exception
        assert said.exit_code == int(made.errors > 0)
        assert "Traceback" not in said.output

    hold()


@pytest.mark.parametrize(
    "head",
    [
        "key,height_ft,height_ft",
        "key,Height_ft,HEIGHT_FT",
        "key,key,height_ft",
        "KEY,key,height_ft",
        "key,,",
        "key,height_ft,\u200bheight_ft",
        "key;height_ft,x",
    ],
)
def test_columns_of_one_name(head: str, roofs: Path, tmp_path: Path) -> None:
    table = tmp_path / "table.csv"
    table.write_text(f"{head}\ngood-1,30,40\ngood-2,1,2,3\n\n,,\n", "utf-8")
    found = planned(_district(tmp_path, roofs, table), lawful=False)
    assert not isinstance(found, RoofplatError), found
