"""Kill -9 and gentler signals at any moment of a build and of a survey: nothing is lost, nothing half done.

In: a small town and the same a day later; commands that are cut off at moments that nobody chose.
Out: every file of the one state or of the other, a log with all of an import or none of it, and a next run
    that ends as if nothing had been.
"""

from __future__ import annotations

import shutil
import signal
import sqlite3
from contextlib import closing
from pathlib import Path

import geopandas as gpd
import pytest

from roofplat.record import has_record, open_record, read_record
from roofplat.rules import load_rulebook
from tests.breaking.faults import (
    TILED,
    Launcher,
    Moments,
    Town,
    check_whole,
    contents,
    form,
    report,
    rubbish,
)
from tests.breaking.tries import tries
from tests.postgres import Database

pytestmark = pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="signals are those of POSIX")
RULES = load_rulebook()
# After so many kills in a row the next run is let end.
_IN_A_ROW = 3


def kill_builds(
    launcher: Launcher, words: list[object], old: Path, new: Path, many: int, moments: Moments, what: str
) -> None:
    """Kill a build so many times, look at its folder after each, and let the next one end now and then."""
    out = Path(str(words[3]))
    before, after = contents(old), contents(new)
    killed = row = 0
    shutil.copytree(old, out)
    for attempt in range(5 * many):
        in_time = moments.cut_off(launcher.start(*words), signal.SIGKILL, group=bool(attempt % 2))
        state = check_whole(out, before, after)
        if in_time:
            report(f"killed: {what}", state)
            killed += 1
            row += 1
        else:
            assert state == "after"
        if row == _IN_A_ROW or state == "after" or killed == many:
            launcher.run(*words)
            assert contents(out) == after
            assert rubbish(out) == []
            if killed == many:
                return
            row = 0
            shutil.rmtree(out)
            shutil.copytree(old, out)
    raise AssertionError(f"killed {killed} times only")


def test_a_build_that_is_killed_leaves_whole_files_and_the_next_one_ends_well(
    launcher: Launcher, town: Town, tmp_path: Path
) -> None:
    words = town.build("after", tmp_path / "out")
    moments = Moments(1, town.takes_s["whole"])
    kill_builds(launcher, words, town.built / "before", town.built / "after", tries(4), moments, "build")


def test_a_build_in_tiles_that_is_killed_goes_on_where_it_was(
    launcher: Launcher, town: Town, tmp_path: Path
) -> None:
    """Two workers, which end with the process that is killed."""
    words = town.build("after", tmp_path / "out", *TILED, "--workers", 2)
    # Workers load the program anew.
    moments = Moments(2, town.takes_s["tiled"] * 1.5)
    old, new = town.built / "tiled before", town.built / "tiled after"
    kill_builds(launcher, words, old, new, tries(2), moments, "build in tiles")


@pytest.mark.parametrize("command", ["in", "keep"])
def test_an_import_that_is_killed_is_in_the_log_whole_or_not_at_all(
    command: str, launcher: Launcher, town: Town, tmp_path: Path
) -> None:
    folder = tmp_path / "town"
    shutil.copytree(town.before.parent, folder)
    district, record = folder / "district.toml", folder / "inventory.gpkg"
    ids = gpd.read_file(folder / "footprints.gpkg")["building_id"].tolist()
    second = form(tmp_path, "second.csv", ids[:5], "OSB")
    words: list[object] = ["survey", "in", district, second]
    launcher.run(*words)
    first_of_all = log_of(record)
    record.unlink()
    launcher.run("survey", "in", district, form(tmp_path, "first.csv", ids, "plywood"))
    if command == "keep":
        shutil.copy(town.after.parent / "footprints.gpkg", folder / "footprints.gpkg")
        words = ["survey", "keep", district]
    old = tmp_path / "old.gpkg"
    shutil.copy(record, old)
    takes_s = launcher.timed(*words)
    before, after = log_of(old), log_of(record)
    assert {} != before != after != first_of_all
    moments = Moments(3, takes_s)
    killed = 0
    many = tries(4 if command == "in" else 2)
    for attempt in range(5 * many):
        shutil.copy(old, record)
        states = {"before": before, "after": after}
        # Every fourth time there is no record yet.
        if attempt % 4 == 3 and command == "in":
            record.unlink()
            states = {"before": {}, "after": first_of_all}
        in_time = moments.cut_off(launcher.start(*words), signal.SIGKILL)
        state = log_of(record)
        assert state in states.values()
        if in_time:
            killed += 1
            report(f"killed: survey {command}", "before" if state == states["before"] else "after")
        else:
            assert state == states["after"]
        if attempt % 2:
            launcher.run(*words)
            state = log_of(record)
            assert state == states["after"]
        # A journal that was only begun says nothing and may stay until somebody writes again.
        assert not list(folder.glob("inventory.gpkg-*")) or log_of(record) == state
        if killed == many:
            return
    raise AssertionError(f"killed {killed} times only")


def log_of(record: Path) -> dict[str, list[tuple[str, ...]]]:
    """The rows of a record, but for the moment of logging; looking undoes what was half done."""
    if not has_record(record, RULES):
        return {}
    tables = read_record(open_record(record, "EPSG:32613", RULES))
    with closing(sqlite3.connect(record)) as base:
        assert base.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    rows = {}
    for name in ("observations", "outlines", "lineage", "current"):
        frame = getattr(tables, name)
        kept = frame.drop(columns=frame.columns.intersection(["logged_at", "geometry"]))
        rows[name] = [tuple(map(str, row)) for row in kept.itertuples(index=False)]
    return rows if any(rows.values()) else {}


@pytest.mark.database
def test_a_build_into_a_database_that_is_killed_leaves_the_old_tables_or_the_new(
    launcher: Launcher, town: Town, tmp_path: Path, database: Database
) -> None:
    out = tmp_path / "out"
    launcher.run(*town.build("before", out, "--to", database.url))
    words = town.build("after", out, "--to", database.url)
    takes_s = town.takes_s["whole"] * 1.5
    before, after = contents(town.built / "before"), contents(town.built / "after")
    moments = Moments(4, takes_s)
    many = tries(2)
    killed = 0
    for _ in range(5 * many):
        in_time = moments.cut_off(launcher.start(*words), signal.SIGKILL)
        check_whole(out, before, after)
        state = "after" if _stored(database) == 11 else "before"
        if in_time:
            killed += 1
            report("killed: build into a database", state)
        else:
            assert state == "after"
        if killed == many:
            break
    launcher.run(*words)
    assert contents(out) == after
    assert _stored(database) == 11
    assert killed == many


def _stored(database: Database) -> int:
    """How many buildings the tables hold, all of one build; what a build left half made would be seen."""
    names = database.sql("SELECT tablename FROM pg_tables WHERE schemaname = 'roofplat'").split()
    assert names
    assert not [name for name in names if name.startswith("_")]
    told = database.sql("SELECT count(*), count(DISTINCT building_id) FROM roofplat.buildings")
    roofs = database.sql("SELECT count(DISTINCT building_id) FROM roofplat.planner_roofs")
    rows, ids = map(int, told.split("|"))
    assert rows == ids == int(roofs)
    return rows


@pytest.mark.parametrize(
    ("number", "group", "more"),
    [
        pytest.param(signal.SIGTERM, False, (), id="terminated"),
        pytest.param(signal.SIGINT, True, (*TILED, "--workers", 2), id="interrupted, with workers"),
        pytest.param(signal.SIGHUP, True, (*TILED, "--workers", 2), id="hung up, with workers"),
    ],
)
def test_a_build_that_is_stopped_says_so_and_leaves_nothing_half_written(
    number: signal.Signals,
    group: bool,
    more: tuple[object, ...],
    launcher: Launcher,
    town: Town,
    tmp_path: Path,
) -> None:
    old, new = ("tiled before", "tiled after") if more else ("before", "after")
    out = tmp_path / "out"
    shutil.copytree(town.built / old, out)
    before, after = contents(town.built / old), contents(town.built / new)
    moments = Moments(int(number), town.takes_s["tiled" if more else "whole"])
    for turn in range(tries(1)):
        command = launcher.start(*town.build("after", out, *more))
        # As a terminal does it, to all processes; else to the command alone.
        in_time = moments.cut_off(command, number, group=group and not turn % 2)
        check_whole(out, before, after)
        assert rubbish(out) == []
        assert "Traceback" not in command.err
        if in_time:
            report(f"stopped by {number.name}", "in tiles" if more else "whole")
            assert command.code == 128 + number
            assert command.sentence.startswith("Error: The command was stopped before it was done")
