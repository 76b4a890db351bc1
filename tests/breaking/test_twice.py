"""Two at once: builds in one folder, imports into one record, a source that is replaced while it is read.

In: a small town and the same later; commands that run at the same time.
Out: each ends well or in one sentence; the files are of one state, and `build.json` says of which.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import time
from pathlib import Path

import geopandas as gpd
import pytest

from tests.breaking.faults import (
    TILED,
    Launcher,
    Moments,
    Town,
    contents,
    form,
    report,
    rubbish,
)
from tests.breaking.test_killed import log_of
from tests.breaking.tries import tries


def test_of_two_builds_in_one_folder_one_is_refused(launcher: Launcher, town: Town, tmp_path: Path) -> None:
    for number in range(tries(1)):
        more = TILED if number % 2 else ()
        out = tmp_path / f"out {number}"
        both = [launcher.start(*town.build(state, out, *more)) for state in ("before", "after")]
        codes = [command.wait() for command in both]
        assert rubbish(out) == []
        assert sorted(codes) == [0, 2], [command.err for command in both]
        refused = both[codes.index(2)]
        assert refused.sentence.startswith(f"Error: Another build is at work in {out}")
        sums = _sums(out)
        won = (town.before, town.after)[codes.index(0)]
        assert sums["footprints.gpkg"] == _sum(won.parent / "footprints.gpkg")
        # Neither is in the way of the next.
        alone = launcher.run(*town.build(("before", "after")[codes.index(0)], out, *more))
        assert "Nothing has changed" in alone.out


def _sums(out: Path) -> dict[str, str]:
    told = json.loads((out / "build.json").read_text("utf-8"))
    return {Path(row["file"]).name: row["sha256"] for row in told["inputs"]}


def _sum(file: Path) -> str:
    return hashlib.sha256(file.read_bytes()).hexdigest()


def test_two_imports_at_once_are_both_in_the_log_once(launcher: Launcher, town: Town, tmp_path: Path) -> None:
    """Also where there was no record yet, and where both say the same."""
    folder = tmp_path / "town"
    shutil.copytree(town.before.parent, folder)
    ids = gpd.read_file(folder / "footprints.gpkg")["building_id"].tolist()
    forms = [form(tmp_path, f"{deck}.csv", ids[:4], deck) for deck in ("plywood", "OSB")]
    record = folder / "inventory.gpkg"
    for pair in (forms, [forms[0]] * 2):
        record.unlink(missing_ok=True)
        both = [launcher.start("survey", "in", folder / "district.toml", path) for path in pair]
        assert [command.wait() for command in both] == [0, 0], [command.err for command in both]
        rows = log_of(record)["observations"]
        decks = [row for row in rows if "deck" in row]
        assert len(decks) == 4 * len(set(pair))
        outlines = [row[0] for row in log_of(record)["outlines"]]
        assert sorted(outlines) == sorted(ids)
        assert not list(folder.glob("inventory.gpkg-*"))


def test_a_build_beside_imports_knows_all_of_one_or_nothing(
    launcher: Launcher, town: Town, tmp_path: Path
) -> None:
    folder = tmp_path / "town"
    shutil.copytree(town.before.parent, folder)
    district = folder / "district.toml"
    ids = gpd.read_file(folder / "footprints.gpkg")["building_id"].tolist()
    launcher.run("survey", "in", district, form(tmp_path, "first.csv", ids[:1], "plywood"))
    moments = Moments(5, town.takes_s["whole"] / 2)
    for number in range(tries(1)):
        answers = form(tmp_path, f"{number}.csv", ids[1:6], f"deck {number}")
        earlier = tmp_path / f"earlier {number}.gpkg"
        shutil.copy(folder / "inventory.gpkg", earlier)
        building = launcher.start("build", district, "--out", tmp_path / f"out {number}")
        moments.wait(building)
        importing = launcher.start("survey", "in", district, answers)
        assert importing.wait() == 0, importing.err
        code = building.wait()
        assert code in (0, 2), building.err
        if code:
            report("build beside an import", "refused")
            assert building.sentence == "Error: inventory.gpkg was changed while it was read; build again."
            assert not (tmp_path / f"out {number}").exists()
            continue
        states = {_sum(file): file for file in (earlier, folder / "inventory.gpkg")}
        read = states[_sums(tmp_path / f"out {number}")["inventory.gpkg"]]
        roofs = gpd.read_file(tmp_path / f"out {number}" / "layers.gpkg", layer="section_facts")
        said = set(roofs.loc[roofs["source"] == "survey log", "value"].astype(str))
        assert (f"deck {number}" in said) == (read != earlier), said
        report("build beside an import", "built")


def _replace(place: Path, content: bytes, how: str) -> None:
    """Put another file in the place of one: at once, byte by byte in place, or only the beginning of it."""
    if how == "renamed":
        beside = place.with_name("beside")
        beside.write_bytes(content)
        beside.replace(place)
        return
    with place.open("r+b") as file:
        file.truncate(0)
        size = len(content) if how == "written" else len(content) // 2
        for start in range(0, size, 8192):
            file.write(content[start : min(start + 8192, size)])
            file.flush()
            os.fsync(file.fileno())
            time.sleep(0.002)


@pytest.mark.parametrize("how", ["renamed", "written", "shortened", "there and back"])
def test_a_source_that_is_replaced_while_it_is_read_gives_one_plan_or_a_sentence(
    how: str, launcher: Launcher, town: Town, tmp_path: Path
) -> None:
    folder = tmp_path / "town"
    old, new = ((state.parent / "footprints.gpkg").read_bytes() for state in (town.before, town.after))
    moments = Moments(len(how), town.takes_s["whole"] / 2)
    for number in range(tries(1)):
        shutil.rmtree(folder, ignore_errors=True)
        shutil.copytree(town.before.parent, folder)
        out = tmp_path / f"out {number}"
        command = launcher.start("build", folder / "district.toml", "--out", out, "--as-of", "2026-01-01")
        moments.wait(command)
        if how == "there and back":
            for content in (new, old) * 3:
                _replace(folder / "footprints.gpkg", content, "renamed")
                time.sleep(0.05)
        else:
            _replace(folder / "footprints.gpkg", new, how)
        code = command.wait()
        if code:
            report(f"source {how}", command.sentence)
            assert command.sentence, command.err
            assert not out.exists()
            continue
        read = _sums(out)["footprints.gpkg"]
        with (out / "ranking.csv").open(encoding="utf-8") as ranking:
            rows = sum(1 for _ in ranking) - 1
        if read == hashlib.sha256(old).hexdigest():
            report(f"source {how}", "the old plan")
            assert contents(out) == contents(town.built / "before")
        else:
            report(f"source {how}", "the new plan")
            assert read == _sum(folder / "footprints.gpkg")
            assert rows == 11 or how == "shortened"
