"""`roofplat survey keep` and the builds around it: a new footprint file does not lose a survey."""

from __future__ import annotations

import datetime
import sqlite3
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest
import shapely
from click.testing import CliRunner, Result

from roofplat import pipeline
from roofplat.cli.main import main
from roofplat.district import District, read_district
from roofplat.errors import DistrictFileError
from roofplat.record import append, open_record, read_record
from roofplat.rules import load_rulebook

X, Y = 500_000.0, 4_400_000.0
MARCH = datetime.datetime(2026, 3, 1, 9, tzinfo=datetime.UTC)
MAY = datetime.datetime(2026, 5, 1, 9, tzinfo=datetime.UTC)


def shed(x: float, wide: float, deep: float = 20) -> shapely.Polygon:
    return shapely.box(X + x, Y, X + x + wide, Y + deep)


FIRST = {"B1": shed(0, 60), "B2": shed(200, 30), "B3": shed(300, 30)}
# B1 in two parts, B2 with a wing, B3 gone, one new; and a county that numbers anew.
SECOND = {"901": shed(36, 24), "902": shed(0, 36), "903": shed(200, 60), "904": shed(500, 30)}


@pytest.fixture
def town(tmp_path: Path) -> Path:
    file = tmp_path / "district.toml"
    file.write_text(
        '[district]\nname = "Sheds"\nregion = "west"\n[footprints]\nfile = "roofs.gpkg"\nid = "building_id"\n'
        '[[attributes]]\nname = "county"\nfile = "county.csv"\nhow = "key"\nid = "key"\n'
    )
    draw(tmp_path, FIRST)
    (tmp_path / "county.csv").write_text("key,name\nB1,Mill\nB2,Forge\n")
    return file


def draw(folder: Path, shapes: dict[str, shapely.Geometry]) -> None:
    frame = gpd.GeoDataFrame({"building_id": list(shapes)}, geometry=list(shapes.values()), crs="EPSG:32613")
    (folder / "roofs.gpkg").unlink(missing_ok=True)
    frame.to_file(folder / "roofs.gpkg", layer="roofs")


def keep(*words: str) -> Result:
    return CliRunner().invoke(main, ["survey", "keep", *words])


def survey(district: District, building_id: str, family: str) -> None:
    rows = pd.DataFrame({"building_id": [building_id]}).assign(
        section_id=None, field="roof_family", value=family, basis="surveyed", who="Inspector 1",
        seen_on=pd.Timestamp("2026-03-02"), file="survey.csv", batch="ab", note=None,
    )  # fmt: skip
    record = open_record(district.record_file, "EPSG:32613", load_rulebook())
    append(record, observations=rows, now=MARCH + datetime.timedelta(days=1))


def families(district: District, **choices: object) -> dict[str, str]:
    buildings = pipeline.rank(district, **choices).tables["buildings"]
    return dict(zip(buildings["building_id"], buildings["roof_family"], strict=True))


def test_it_writes_once_and_says_what_it_wrote(town: Path) -> None:
    dry = keep(str(town), "--dry-run")
    assert dry.exit_code == 0
    assert "new           3" in dry.output
    assert not (town.parent / "inventory.gpkg").exists()
    done = keep(str(town))
    assert "Wrote 3 events, 3 outlines and 0 roofs to look at again" in done.output
    assert "pre-incident planning" in done.output
    assert "has these footprints already" in keep(str(town)).output


def test_a_survey_outlives_a_county_that_numbers_anew(town: Path) -> None:
    district = read_district(town)
    pipeline.survey_keep(district, now=MARCH)
    survey(district, "B1", "panelized_wood")
    survey(district, "B2", "bowstring_truss")
    draw(town.parent, SECOND)
    (town.parent / "county.csv").write_text("key,name\n902,Mill\n903,Forge\nB1,Stale\n")
    wanted = {"904": "unknown", "B1": "panelized_wood", "B1.2": "panelized_wood", "B2": "bowstring_truss"}
    ranked = pipeline.rank(district)
    buildings = ranked.tables["buildings"].set_index("building_id")
    assert buildings["roof_family"].to_dict() == wanted, "matched anew while nothing is written down"
    assert buildings["name"].fillna("").to_dict() == {"904": "", "B1": "Mill", "B1.2": "", "B2": "Forge"}
    codes = ranked.problems[ranked.problems["layer"] == "footprints"].groupby("code")["feature"].apply(list)
    assert codes.loc[["outline_changed", "outline_gone", "outline_split"]].to_dict() == {
        "outline_changed": ["B2"], "outline_gone": ["B3"], "outline_split": ["B1", "B1.2"],
    }  # fmt: skip

    kept = pipeline.survey_keep(district, now=MAY)
    assert kept.counts.set_index("event")["buildings"].to_dict() == {
        "changed": 1, "split": 2, "new": 1, "gone": 1,
    }  # fmt: skip
    assert (kept.events, kept.outlines, kept.marks) == (5, 7, 3)
    told = kept.problems.groupby("code")["feature"].apply(list).to_dict()
    assert told == {"outline_changed": ["B2"], "outline_gone": ["B3"], "outline_split": ["B1", "B1.2"]}
    assert buildings["file_id"].astype(object).where(buildings["file_id"].notna(), None).to_dict() == {
        "904": None,
        "B1": "902",
        "B1.2": "901",
        "B2": "903",
    }
    assert families(district) == wanted, "and the same ids once it is"
    told = pipeline.rank(district).problems
    assert not told["code"].str.startswith("outline_").any()
    with sqlite3.connect(district.record_file) as connection:
        marks = connection.execute(
            "SELECT building_id, value FROM current WHERE field = 'look_again'"
        ).fetchall()
    connection.close()
    assert sorted(marks) == [("B1", "outline split"), ("B1.2", "outline split"), ("B2", "outline changed")]


def test_the_record_of_a_day_before_knows_the_buildings_of_that_day(town: Path) -> None:
    district = read_district(town)
    pipeline.survey_keep(district, now=MARCH)
    survey(district, "B1", "panelized_wood")
    draw(town.parent, SECOND)
    pipeline.survey_keep(district, now=MAY)
    draw(town.parent, FIRST)
    before = families(district, as_of=datetime.date(2026, 4, 30))
    assert before == {"B1": "panelized_wood", "B2": "unknown", "B3": "unknown"}
    record = open_record(district.record_file, "EPSG:32613", load_rulebook())
    assert read_record(record, datetime.date(2026, 4, 30)).lineage["event"].tolist() == ["new"] * 3


def test_most_buildings_gone_must_be_meant(town: Path) -> None:
    district = read_district(town)
    pipeline.survey_keep(district, now=MARCH)
    draw(town.parent, {"B3": FIRST["B3"]})
    with pytest.raises(DistrictFileError, match=r"2 of the 3 buildings .* nothing was changed\."):
        pipeline.survey_keep(district, now=MAY)
    refused = keep(str(town))
    assert refused.exit_code == 2
    assert "give --gone" in refused.output
    assert keep(str(town), "--dry-run").exit_code == 0
    assert "Wrote 3 events, 2 outlines" in keep(str(town), "--gone").output


def test_the_first_survey_writes_the_outlines_too(town: Path) -> None:
    form = town.parent / "form.csv"
    form.write_text("building_id,roof_family\nB1,panelized_wood\n")
    district = replace_record(read_district(town), town.parent / "other.gpkg")
    pipeline.survey_in(district, [form], who="Inspector 1", seen_on=datetime.date(2026, 3, 1), now=MARCH)
    draw(town.parent, SECOND)
    assert families(district)["B1.2"] == "panelized_wood"


def test_a_survey_of_a_new_building_stays_with_it(town: Path) -> None:
    """It used to go to whatever the next file called so, where nobody had written the layer down between."""
    district = read_district(town)
    pipeline.survey_keep(district, now=MARCH)
    draw(town.parent, {**FIRST, "77": shed(500, 30), "78": shed(600, 30)})
    form = town.parent / "form.csv"
    form.write_text("building_id,roof_family\n77,panelized_wood\n")
    pipeline.survey_in(district, [form], who="Inspector 1", seen_on=datetime.date(2026, 3, 1), now=MAY)
    draw(town.parent, {**FIRST, "78": shed(500, 30), "77": shed(600, 30)})
    found = families(district)
    assert {name: family for name, family in found.items() if name[0] == "7"} == {
        "77": "panelized_wood", "77-2": "unknown",
    }  # fmt: skip
    placed = pipeline.rank(district).tables["buildings"].set_index("building_id").geometry.centroid.x
    assert placed["77"] == X + 515
    assert placed["77-2"] == X + 615
    kept = pipeline.survey_keep(district, now=MAY + datetime.timedelta(days=1))
    assert kept.counts.set_index("event")["buildings"].to_dict() == {"same": 4, "new": 1}
    assert families(district) == found


def replace_record(district: District, file: Path) -> District:
    made: District = district.model_copy(update={"record": file})
    return made
