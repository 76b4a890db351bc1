"""Roof families of a department's own, as the commands take them.

In: a district file with `[families]` tables, and a table that names one.
Out: the family in the data and in the lists; one sentence for each thing that cannot be.
"""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import pytest
from click.testing import CliRunner, Result
from shapely.geometry import box

from roofplat.cli.main import main

OURS = '[families.our_sheds]\nlike = "sawn_joist_flat"\nlabel = "Sheds of 1950"\n'


@pytest.fixture
def district(tmp_path: Path) -> Path:
    frame = gpd.GeoDataFrame(
        {"building_id": ["a", "b"], "roof_family": ["our_sheds", "our_shed"]},
        geometry=[box(500_000, 4_300_000, 500_060, 4_300_030), box(500_100, 4_300_000, 500_130, 4_300_030)],
        crs="EPSG:32613",
    )
    frame.to_file(tmp_path / "roofs.gpkg")
    path = tmp_path / "district.toml"
    path.write_text('[district]\nname = "Sedge Flats"\n[footprints]\nfile = "roofs.gpkg"\n', "utf-8")
    return path


def _run(*words: str | Path) -> Result:
    return CliRunner().invoke(main, [*map(str, words)])


def _add(district: Path, text: str) -> Path:
    district.write_text(district.read_text("utf-8") + text, "utf-8")
    return district


def test_a_family_of_the_district_is_taken_in_its_data(district: Path) -> None:
    before = _run("check", district, "--all").stdout
    assert before.count("it is no roof family") == 2
    after = _run("check", _add(district, OURS), "--all").stdout
    assert after.count("it is no roof family") == 1
    assert "'our_shed': it is no roof family; the nearest are our_sheds" in after


def test_a_family_of_the_district_is_shown_and_changed_like_any_other(district: Path) -> None:
    _add(district, f'{OURS}rafter_spacing_ft = 2.0\n[rules]\n"family.our_sheds.severity" = 0.55\n')
    shown = _run("rules", "our_sheds", "--district", district)
    assert shown.exit_code == 0
    assert "Sheds of 1950" in shown.stdout
    one = _run("rules", "family.our_sheds.severity", "--district", district).stdout
    assert "value   0.55 share" in one
    assert "instead of 0.4 share" in one
    assert (
        "family.our_sheds.severity: 0.55 share instead of 0.4" in _run("rules", "--district", district).stdout
    )


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (OURS + "rafter_spacng_ft = 2.0\n", "[families.our_sheds] in the district file has no setting "
         "'rafter_spacng_ft'; did you mean rafter_spacing_ft?"),
        (OURS + "rafter_spacing_ft = 0.0\n", "a spacing is more than 0 ft"),
        (OURS + "slope_deg = 90.0\n", "a slope is from 0 up to 90 degrees"),
        ('[families.our_sheds]\nlike = "sawn_joist"\n', "is no roof family; did you mean sawn_joist_flat?"),
        ("[families]\nour_sheds = 3\n", "must be a table of settings"),
    ],
)  # fmt: skip
def test_a_family_that_cannot_be_is_one_sentence(district: Path, text: str, sentence: str) -> None:
    result = _run("check", _add(district, text))
    assert result.exit_code == 2
    assert result.stdout == ""
    assert result.stderr.count("\n") == 1
    assert sentence in result.stderr


def test_an_empty_ladder_stock_is_a_department_s_to_state(district: Path) -> None:
    _add(district, '[rules]\n"ladder.stock_ft" = []\n')
    assert _run("check", district).exit_code == 0
