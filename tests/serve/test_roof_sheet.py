"""Sheets of what-ifs: the plan that `roofplat sheet` prints for the scenario, marked as none that stands."""

from __future__ import annotations

import base64
import json
import shutil
from concurrent.futures import FIRST_EXCEPTION, ThreadPoolExecutor, wait
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from tests.publish.sheet.readback import Page, fonts_without_a_file, read_pages
from tests.serve.conftest import DEMO, Server

from roofplat.district import read_district
from roofplat.pipeline import build
from roofplat.pipeline.printing import draw_sheets
from roofplat.pipeline.scenarios import Planner, Scenario
from roofplat.publish.stock import FileStock
from roofplat.serve import roof_sheet
from roofplat.serve.around import open_layers, rows_around
from roofplat.serve.manager import RefusedError
from roofplat.serve.roof_sheet import RoofSheet, what_if_words

FIRE = (-118.8873, 40.9173)
CAUTION_START = "An aid for pre-incident planning and training."


def definition(folder: Path, database: str | None = None) -> dict[str, Any]:
    return {
        "name": "roof-sheet",
        "folder": str(folder),
        "database": database,
        "plan_seconds": 60.0,
        "waiting_plans": 8,
        "kept_roofs": 16,
        "query_seconds": 10.0,
    }


def sheet(folder: Path, database: str | None = None, **inputs: Any) -> Page:
    media, content = RoofSheet(definition(folder, database)).execute(inputs)
    assert media == "application/pdf"
    (page,) = read_pages(content)
    return page


def block(page: Page, title: str, until: str) -> str:
    """The words of one block."""
    _, found, rest = page.text.partition(f" {title} ")
    assert found, title
    return rest.partition(f" {until} ")[0]


def test_it_prints_what_the_command_prints_for_the_same_scenario(demo_build: Path, tmp_path: Path) -> None:
    drawn = draw_sheets(
        read_district(DEMO), ["MB-0001"], out=tmp_path, fire=FIRE, wind_from_deg=40.0, paper="a4"
    )
    (theirs,) = read_pages(drawn.sheets["MB-0001"].read_bytes())
    mine = sheet(demo_build, building_id="MB-0001", fire=list(FIRE), wind_from_deg=40, paper="a4")
    assert (mine.width, mine.height) == (theirs.width, theirs.height)
    assert mine.points_per_foot == theirs.points_per_foot
    for title, until in (
        ("Scenario", "Roof"),
        ("Ladder spots", "Path and checks"),
        ("Openings, in order", "Trench"),
    ):
        assert block(mine, title, until) == block(theirs, title, until), title
    assert "What if" not in theirs.text


def test_it_is_marked_as_a_what_if_in_a_dashed_frame(demo_build: Path) -> None:
    page = sheet(demo_build, building_id="MB-0001", fire=list(FIRE), wind_from_deg=40)
    head = next(run for run in page.runs if run.text.startswith("What if"))
    assert head.text == "What if, not the standing plan: fire spot and wind from 40\u00b0 as asked"
    frames = [
        mark for mark in page.marks if mark.dashed and mark.width > 1.5 and mark.area.contains(head.box)
    ]
    assert len(frames) == 1
    assert "What-if plan, data as of" in page.text
    assert "Standing plan, data as of" not in page.text
    assert CAUTION_START in page.text


def test_a_sheet_on_which_nothing_was_asked_is_none_that_stands_either(demo_build: Path) -> None:
    page = sheet(demo_build, building_id="MB-0001")
    assert "What if, not the standing plan: nothing else asked" in page.text


@pytest.mark.parametrize(("paper", "size"), [("letter", (612, 792)), ("a4", (595, 842))])
def test_it_fits_the_paper_asked_for(demo_build: Path, paper: str, size: tuple[int, int]) -> None:
    page = sheet(demo_build, building_id="MB-0012", paper=paper)
    assert (round(page.width), round(page.height)) == size


def test_fonts_are_inside_and_the_same_question_gives_the_same_bytes(demo_build: Path) -> None:
    process = RoofSheet(definition(demo_build))
    one = process.execute({"building_id": "MB-0019", "wind_from_deg": 5})[1]
    assert process.execute({"building_id": "MB-0019", "wind_from_deg": 5})[1] == one
    assert not fonts_without_a_file(one)


def test_what_came_of_a_wish_is_said(demo_build: Path) -> None:
    with closing(FileStock.open(demo_build / "planner.gpkg")) as stock:
        (answer,) = Planner(stock).plan(
            [Scenario("MB-0005", method="fold_back", ladder=(-118.9, 40.9), wind_from_deg=1.0)]
        )
    words = what_if_words(answer)  # type: ignore[arg-type]
    assert words[0] == (
        "What if, not the standing plan: wind from 1\u00b0 as asked; method asked for not taken; "
        "ladder left out"
    )
    assert words[1] == "Method preferred: fold-back."
    assert words[2] == "Ladder placed already: lon -118.900000, lat 40.900000."
    assert len(words) == 5
    assert words[3].startswith("The method preferred, ")
    assert "family.unknown" not in words[3]
    assert "farther than" in words[4]
    page = sheet(
        demo_build, building_id="MB-0005", method="fold_back", ladder=[-118.9, 40.9], wind_from_deg=1
    )
    for sentence in words:
        assert sentence.split(":")[0] in page.text


def test_what_was_followed_is_said_as_asked(demo_build: Path) -> None:
    with closing(FileStock.open(demo_build / "planner.gpkg")) as stock:
        planner = Planner(stock)
        (standing,) = planner.plan([Scenario("MB-0001")])
        spot = standing.tables["ladders"].iloc[0]  # type: ignore[union-attr]
        asked = Scenario(
            "MB-0001", method="fold_back", ladder=(spot["base_lon"], spot["base_lat"]), fire=FIRE
        )
        (answer,) = planner.plan([asked])
    words = what_if_words(answer)  # type: ignore[arg-type]
    assert words[0] == "What if, not the standing plan: fire spot, method and ladder as asked"
    assert words[1] == "Method preferred: fold-back."


def test_rows_around_a_building_are_those_of_the_layers(demo_build: Path) -> None:
    with (
        closing(FileStock.open(demo_build / "planner.gpkg")) as stock,
        open_layers(demo_build, query_seconds=10.0) as layers,
    ):
        assert layers.build == stock.setting.build
        rows = rows_around(layers, "MB-0083", stock.setting)
    assert set(rows["facts"]["building_id"]) == {"MB-0083"}
    assert len(rows["facts"]) == 28
    assert rows["facts"]["date"].dtype == "datetime64[ms]"
    assert rows["ranking"]["building_id"].tolist() == ["MB-0083"]
    assert "MB-0083" in set(rows["buildings"]["building_id"])
    assert 1 < len(rows["buildings"]) < 200
    assert rows["obstacles"]["building_id"].isna().all()
    assert rows["streets"].crs == rows["buildings"].crs == stock.setting.crs


@pytest.mark.database
def test_a_database_gives_the_same_sheet_as_the_files_of_the_same_build(demo_database: tuple) -> None:
    database, folder = demo_database
    asked = {"building_id": "MB-0001", "wind_from_deg": 77, "fire": list(FIRE)}
    here = RoofSheet(definition(folder)).execute(asked)
    there = RoofSheet(definition(folder, database.url)).execute(asked)
    assert here == there


def test_it_is_served(demo_server: Server) -> None:
    status, headers, body = demo_server.execute("roof-sheet", building_id="MB-0001", paper="a4")
    assert status == 200
    assert headers["content-type"] == "application/pdf"
    assert headers["content-disposition"] == 'inline; filename="what-if-MB-0001.pdf"'
    assert body.startswith(b"%PDF-")
    assert read_pages(body)


def test_what_cannot_be_printed_is_refused_in_a_sentence(demo_server: Server) -> None:
    for inputs, sentence in (
        ({"building_id": "MB-0001", "paper": "a3"}, '`paper` is "a3"; give one of letter, a4.'),
        ({"building_id": "MB-0001", "fire": [0, 0]}, "does not lie in building"),
        ({"building_id": "nobody"}, "There is no building 'nobody'"),
    ):
        status, _, body = demo_server.execute("roof-sheet", **inputs)
        assert status == 400
        assert sentence in json.loads(body)["description"]


def test_a_sheet_may_come_in_a_document(demo_server: Server) -> None:
    body = json.dumps({"inputs": {"building_id": "MB-0001"}, "response": "document"}).encode("utf-8")
    status, _, content = demo_server.ask(
        "/processes/roof-sheet/execution",
        method="POST",
        body=body,
        headers={"Content-Type": "application/json"},
    )
    assert status == 200
    told = json.loads(content)["sheet"]
    assert (told["mediaType"], told["encoding"]) == ("application/pdf", "base64")
    assert base64.b64decode(told["value"]).startswith(b"%PDF-")


def test_what_cannot_be_read_is_said_without_its_place(
    demo_build: Path, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    folder = tmp_path / "out"
    shutil.copytree(demo_build, folder)
    process = RoofSheet(definition(folder))
    (folder / "layers.gpkg").write_bytes(b"rubbish" * 1000)
    for name in ("layers.gpkg", "planner.gpkg"):
        with pytest.raises(RefusedError) as refused:
            process.execute({"building_id": "MB-0001"})
        assert refused.value.http_status_code == 503
        assert str(tmp_path) not in str(refused.value)
        assert name in caplog.text
        (folder / "planner.gpkg").unlink(missing_ok=True)


def test_layers_of_another_build_are_not_shown_beside_a_plan(demo_build: Path, tmp_path: Path) -> None:
    folder = tmp_path / "out"
    shutil.copytree(demo_build, folder)
    process = RoofSheet(definition(folder))
    assert process.execute({"building_id": "MB-0001"})[1]
    build(read_district(DEMO), out=tmp_path / "next", wind_from_deg=10.0)
    # In a build the layers come first, what plans are made from a moment later.
    shutil.copy(tmp_path / "next" / "layers.gpkg", folder)
    with pytest.raises(RefusedError, match="being built anew") as refused:
        process.execute({"building_id": "MB-0001"})
    assert refused.value.http_status_code == 503
    shutil.copy(tmp_path / "next" / "planner.gpkg", folder)
    (page,) = read_pages(process.execute({"building_id": "MB-0001"})[1])
    assert "Wind from N" in page.text


def test_a_build_of_one_area_prints_no_sheet_of_another(tmp_path: Path) -> None:
    build(read_district(DEMO), out=tmp_path, area="Kiln Yards")
    process = RoofSheet(definition(tmp_path))
    assert process.execute({"building_id": "MB-0001"})[1]
    with closing(FileStock.open(tmp_path / "planner.gpkg")) as stock:
        assert len(stock.around(["MB-0400"], 0.0).roofs)
    with pytest.raises(RefusedError, match="There is no building 'MB-0400'") as refused:
        process.execute({"building_id": "MB-0400"})
    assert refused.value.http_status_code == 400


def test_who_waits_for_a_sheet_leaves_room_for_others(demo_build: Path) -> None:
    # Each that waited held a thread of the server: a few dozen sheets kept everybody else from the layers.
    process = RoofSheet(definition(demo_build))
    asked = {"building_id": "MB-0001"}
    one = process.execute(asked)[1]
    with roof_sheet._one_at_a_time, ThreadPoolExecutor(8) as pool:
        crowd = [pool.submit(process.execute, asked) for _ in range(8)]
        refused, waiting = wait(crowd, timeout=60.0, return_when=FIRST_EXCEPTION)
        while len(refused) < 5:
            refused, waiting = wait(crowd, timeout=1.0)
        assert len(waiting) == 3
        roof_sheet._one_at_a_time.release()
        drawn = [sheet.result()[1] for sheet in waiting]
        roof_sheet._one_at_a_time.acquire()
    assert drawn == [one] * 3
    for sheet_ in refused:
        with pytest.raises(RefusedError, match="Too many sheets") as fault:
            sheet_.result()
        assert fault.value.http_status_code == 503
    assert process.execute(asked)[1] == one
