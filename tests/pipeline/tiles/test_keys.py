"""Keys: what must be made again has another one, and nothing else has."""

from __future__ import annotations

import datetime
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

import roofplat
from roofplat.district import District, read_district
from roofplat.ground import Ground
from roofplat.inventory import take_inventory
from roofplat.pipeline.planning import draw_rows, gather, wind_of, without_geometry
from roofplat.pipeline.tiles import keys
from roofplat.pipeline.tiles.keys import (
    build_key,
    cut_key,
    last_build,
    note_build,
    planning_digest,
    tile_key,
)
from roofplat.publish.record import input_sums
from roofplat.ranking import measure_buildings
from roofplat.rules import Rulebook, load_rulebook

DEMO = Path(__file__).resolve().parents[3] / "data" / "demo"
DAY = datetime.date(2026, 1, 1)


@pytest.fixture
def town(tmp_path: Path) -> Path:
    folder = tmp_path / "town"
    shutil.copytree(DEMO, folder)
    return folder


def planning(district: District, **other: Any) -> str:
    said: dict[str, Any] = {"wind_from_deg": 250.0, "wind_basis": "prevailing"} | other
    rules = load_rulebook(district.rules, district.families)
    return planning_digest(district, rules, **said)


def whole(district: District, **other: Any) -> str:
    said: dict[str, Any] = {"day": DAY, "as_of": None, "area": None} | other
    return build_key(input_sums(district), district, load_rulebook(district.rules, district.families), **said)


def changed(district: District, **other: Any) -> District:
    return district.model_copy(update=other)


def test_a_tile_depends_on_rules_wind_and_elevation() -> None:
    demo = read_district(DEMO / "district.toml")
    other = [
        planning(demo),
        planning(demo, wind_from_deg=251.0),
        planning(demo, wind_basis="given"),
        planning(changed(demo, mean_elevation_ft=(demo.mean_elevation_ft or 0.0) + 1.0)),
        planning(changed(demo, rules={**demo.rules, "ladder.tip_above_edge_ft": 4.5})),
        planning(changed(demo, rules={**demo.rules, "family.panelized_wood.beam_spacing_ft": 21.0})),
        planning(changed(demo, footprints=changed(demo.footprints, id="another"))),  # type: ignore[arg-type]
    ]
    assert len(set(other)) == len(other)


@pytest.mark.parametrize(
    ("line", "other"),
    [
        ("cut_ft_per_min = 9.0", "cut_ft_per_min = 11.0"),
        ("measured_on = 2026-04-11", ""),
        ("[crew]", "[crew]\nsaws = 1"),
    ],
)
def test_a_tile_depends_on_what_the_crew_does(town: Path, line: str, other: str) -> None:
    file = town / "district.toml"
    before = planning(read_district(file))
    text = file.read_text("utf-8")
    assert text.count(line) == 1
    file.write_text(text.replace(line, other), "utf-8")
    assert planning(read_district(file)) != before


def test_a_tile_does_not_depend_on_what_comes_after_it() -> None:
    demo = read_district(DEMO / "district.toml")
    for other in (
        changed(demo, name="Another name"),
        changed(demo, out=Path("elsewhere")),
        changed(demo, region="east" if demo.region != "east" else "west"),
        changed(demo, service=demo.service.model_copy(update={"port": 1})),
        changed(demo, scale=demo.scale.model_copy(update={"tile_buildings": 11})),
        changed(demo, rules={**demo.rules, "days.work_days": ["mon"]}),
        changed(demo, rules={**demo.rules, "ranking.weight.severity": 0.5}),
        changed(demo, rules={**demo.rules, "odds.prior_roofs": 3.0}),
    ):
        assert planning(other) == planning(demo)


def test_rules_that_do_not_count_for_a_tile_are_read_by_none() -> None:
    """A rule that is left out of the key and read all the same would leave stale tiles."""
    demo = read_district(DEMO / "district.toml")
    every = load_rulebook(demo.rules, demo.families)
    left = {name: rule for name, rule in every.rules.items() if not name.startswith(keys.LATER_RULES)}
    assert 0 < len(left) < len(every.rules)
    rules = Rulebook(left, every.families)
    ground = Ground(rules.number("ground.foot_m"), demo.mean_elevation_ft)
    inputs = gather(demo, rules)
    inventory = take_inventory(inputs, rules, ground, whole=False)
    rows, _ = draw_rows(inputs, inventory, rules, ground, wind=wind_of(demo, rules, None))
    tables = {name: without_geometry(table) for name, table in rows.items()}
    assert len(measure_buildings({**tables, "roofs": inventory.roofs}, rules)) == len(inventory.buildings)


def test_a_district_that_was_moved_with_its_files_keeps_its_keys(town: Path) -> None:
    there = read_district(town / "district.toml")
    town.rename(town.parent / "moved")
    moved = read_district(town.parent / "moved" / "district.toml")
    assert planning(moved) == planning(there)


def test_the_key_of_a_tile_joins_what_it_holds_and_what_all_share() -> None:
    assert len({tile_key(one, other) for one in "ab" for other in "ab"}) == 4


def test_a_build_depends_on_every_source_setting_rule_day_and_choice(town: Path) -> None:
    demo = read_district(town / "district.toml")
    first = whole(demo)
    assert whole(demo) == first
    seen = {
        first,
        whole(demo, day=DAY + datetime.timedelta(days=1)),
        whole(demo, as_of=DAY),
        whole(demo, area="Kiln Yards"),
        whole(changed(demo, name="Another name")),
        whole(changed(demo, rules={**demo.rules, "days.work_days": ["mon"]})),
    }
    assert len(seen) == 6
    for number, source in enumerate(input_sums(demo)):
        with (town / str(source["file"])).open("ab") as stream:
            stream.write(b"\n")
        seen.add(whole(demo))
        assert len(seen) == 7 + number, source


def test_a_cut_depends_on_the_sources_and_on_how_big_a_tile_is(town: Path) -> None:
    demo = read_district(town / "district.toml")
    rules = load_rulebook(demo.rules, demo.families)
    sums = input_sums(demo)
    first = cut_key(sums, demo, rules, 100, as_of=None)
    assert cut_key(sums, changed(demo, name="Another"), rules, 100, as_of=None) == first
    assert cut_key(sums, demo, rules, 101, as_of=None) != first
    assert cut_key([{**sums[0], "sha256": "0"}, *sums[1:]], demo, rules, 100, as_of=None) != first


@pytest.mark.parametrize(("file", "counts"), [("framing/axis.py", True), ("serve/app.py", False)])
def test_an_edited_program_makes_everything_again(tmp_path: Path, file: str, counts: bool) -> None:
    """The version alone does not tell: of a copy that somebody works on it stays the same."""
    shutil.copytree(Path(roofplat.__file__).parent, tmp_path / "roofplat")
    script = (
        "from roofplat import __file__ as own\n"
        "from roofplat.pipeline.tiles.keys import code_digest\n"
        "print(own, code_digest(), code_digest(assets=True))\n"
    )

    def told() -> list[str]:
        given = {**os.environ, "PYTHONPATH": str(tmp_path)}
        ran = subprocess.run(
            [sys.executable, "-c", script], env=given, capture_output=True, text=True, check=True
        )
        return ran.stdout.split()

    before = told()
    assert before[0].startswith(str(tmp_path))
    with (tmp_path / "roofplat" / file).open("a") as stream:
        stream.write("# edited\n")
    after = told()
    assert [one != other for one, other in zip(before[1:], after[1:], strict=True)] == [counts, counts]


def test_the_last_build_counts_as_long_as_its_files_are_untouched(tmp_path: Path) -> None:
    files = [tmp_path / name for name in ("map.html", "build.json")]
    for file in files:
        file.write_text("as built")
    note_build(tmp_path, "key", files, errors=2)
    found = last_build(tmp_path, "key")
    assert found is not None
    assert (set(found.files), found.errors) == (set(files), 2)
    assert last_build(tmp_path, "another key") is None
    os.utime(files[0], ns=(1, 1))
    assert last_build(tmp_path, "key") is None
    note_build(tmp_path, "key", files, errors=0)
    files[1].unlink()
    assert last_build(tmp_path, "key") is None


@pytest.mark.parametrize("text", ["", "{", "[]", '{"key": "key"}', '{"key": "key", "files": 3, "errors": 0}'])
def test_a_note_that_cannot_be_read_counts_for_nothing(tmp_path: Path, text: str) -> None:
    (tmp_path / keys.WORK_FOLDER).mkdir()
    (tmp_path / keys.WORK_FOLDER / "built.json").write_text(text)
    assert last_build(tmp_path, "key") is None
