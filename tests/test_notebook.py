"""The notebooks run from their first cell to their last, and are committed without outputs."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import nbformat
import pytest
from nbclient import NotebookClient

ROOT = Path(__file__).resolve().parents[1]
DEMO = ROOT / "notebooks" / "demo.ipynb"
VENTING = ROOT / "notebooks" / "venting.ipynb"


def run(path: Path, folder: Path) -> list[Any]:
    """The cells of a notebook after a run in a folder."""
    notebook = nbformat.read(path, as_version=4)
    NotebookClient(
        notebook, timeout=120, kernel_name="python3", resources={"metadata": {"path": str(folder)}}
    ).execute()
    cells: list[Any] = notebook.cells
    return cells


@pytest.fixture(scope="module")
def ran(tmp_path_factory: pytest.TempPathFactory) -> list[Any]:
    """The cells after a run on a copy of the demo, so that nothing can be written beside the original."""
    folder = tmp_path_factory.mktemp("notebook")
    shutil.copytree(ROOT / "data" / "demo", folder / "data" / "demo")
    (folder / "notebooks").mkdir()
    return run(DEMO, folder / "notebooks")


@pytest.fixture(scope="module")
def vented(tmp_path_factory: pytest.TempPathFactory) -> list[Any]:
    """The cells of the notebook on venting, which reads no file."""
    return run(VENTING, tmp_path_factory.mktemp("vented"))


def _data(cells: list[Any], words: str) -> dict[str, str]:
    """What the one cell that holds these words showed."""
    (cell,) = [cell for cell in cells if cell.cell_type == "code" and words in cell.source]
    shown = [output["data"] for output in cell.outputs if "data" in output]
    return dict(shown[-1])


@pytest.mark.parametrize("path", [DEMO, VENTING], ids=lambda path: str(path.stem))
def test_the_committed_notebook_has_no_outputs(path: Path) -> None:
    notebook = nbformat.read(path, as_version=4)
    nbformat.validate(notebook)
    code = [cell for cell in notebook.cells if cell.cell_type == "code"]
    assert len(code) >= 10
    assert not any(cell.outputs or cell.execution_count for cell in code)


@pytest.mark.parametrize("name", ["ran", "vented"])
def test_no_cell_warns_or_fails(name: str, request: pytest.FixtureRequest) -> None:
    code = [cell for cell in request.getfixturevalue(name) if cell.cell_type == "code"]
    assert [cell.execution_count for cell in code] == list(range(1, len(code) + 1))
    spoken = [output for cell in code for output in cell.outputs if output.output_type == "stream"]
    assert not [output.text for output in spoken if output.name == "stderr"]


def test_the_shed_is_drawn(ran: list[Any]) -> None:
    assert len(_data(ran, "of_shed(plan.trenches)")["image/png"]) > 10_000


def test_an_override_changes_the_plan(ran: list[Any]) -> None:
    lines = _data(ran, "opening.crew_limit")["text/plain"].splitlines()
    # The last number of a line is by the department's rules, the one before by the demo's.
    before, after = zip(*(map(float, line.split()[-2:]) for line in lines[1:]), strict=True)
    openings, area_ft2, ground_ladders, aerials = (b - a for b, a in zip(before, after, strict=True))
    assert openings > 0
    assert area_ft2 > 0
    assert ground_ladders > 0
    assert aerials < 0


def test_the_first_of_the_ranking_are_shown_with_reasons(ran: list[Any]) -> None:
    shown = _data(ran, 'built.tables["ranking"]')["text/html"]
    assert shown.count("<tr") == 9
    assert "lightweight roof" in shown


def test_odds_spans_and_the_roofs_to_survey_are_shown(ran: list[Any]) -> None:
    odds = _data(ran, "family_odds")["text/html"]
    assert "MB-0117, west / 1950 to 1969 / A / up to 5,000 ft2: lightweight with a chance of" in odds
    assert odds.count("<tr") == 7
    assert len(_data(ran, '"rank_low", "rank_high"')["text/html"]) > 1000
    assert len(_data(ran, "axes.hlines")["image/png"]) > 10_000
    visits = _data(ran, "survey_next")["text/html"]
    assert visits.count("A survey would move it") == 6


def test_every_family_says_why(ran: list[Any]) -> None:
    shown = _data(ran, "methods_rejected")["text/html"]
    for word in (
        "fold_back",
        "near_ridge",
        "do_not_cut",
        "glazing",
        "none drawn",
        "opening.existing_reach_ft",
    ):
        assert word in shown, word


def test_the_pitched_house_is_drawn_with_every_kind_of_line(ran: list[Any]) -> None:
    shown = _data(ran, "HOUSE = ")
    assert len(shown["image/png"]) > 10_000


def test_the_failing_arrays_stand_with_rule_and_distance(ran: list[Any]) -> None:
    shown = _data(ran, "audit_solar(")["text/html"]
    assert shown.count("<tr") > 5
    assert "solar.house_pathway_in" in shown
    assert "solar.smoke_way_ft" in shown


def test_the_shed_is_planned_for_four_winds(ran: list[Any]) -> None:
    shown = _data(ran, "Planner(stock)")["text/plain"]
    rows = [line for line in shown.splitlines() if line.lstrip()[:1].isdigit()]
    # The first ladder stands on the side that the wind comes from: it moves with the wind.
    assert len(rows) >= 4
    assert len({row.split()[2] for row in rows[:4]}) > 1


def test_every_curve_of_venting_stands_over_the_caution(vented: list[Any]) -> None:
    """A figure is finished by the one function that writes the caution below it."""
    drawn = [cell for cell in vented if cell.cell_type == "code" and "plt.subplots" in cell.source]
    assert len(drawn) == 6
    for cell in drawn:
        assert cell.source.splitlines()[-1] == "finished(figure)"
        (shown,) = [output["data"] for output in cell.outputs if "data" in output]
        assert len(shown["image/png"]) > 20_000
    (finished,) = [cell for cell in vented if "def finished" in cell.source]
    assert "{CAUTION} {wind_words(RULES)}" in finished.source
    last = vented[-1].outputs[0]["data"]["text/plain"]
    assert "no water, no wind; a planning aid, not a prediction" in last
    assert "wind above 10 mph" in last


def test_the_tenth_is_too_much_for_the_shed_and_too_little_for_the_shop(vented: list[Any]) -> None:
    lines = _data(vented, "SIZES = ")["text/plain"].splitlines()
    # The columns of the first block: number, roof, height, a tenth, by flow.
    rows = {float(line.split()[1]): [float(part) for part in line.split()[3:5]] for line in lines[1:8]}
    tenth, by_flow = rows[40_000.0]
    assert by_flow < tenth / 10
    tenth, by_flow = rows[1_000.0]
    assert by_flow > tenth
