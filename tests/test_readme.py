"""What the README says is so: its example runs, its links lead somewhere, and it leaves nothing out."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import click
import pytest
from pydantic import BaseModel

from roofplat.cli.main import main
from roofplat.district import (
    AttributeSource,
    Crew,
    District,
    FootprintSource,
    Inspect,
    LayerSource,
    ObstacleSource,
    Scale,
    Scenario,
    Service,
    Sheets,
)
from roofplat.publish import CAUTION
from roofplat.rules import load_rulebook
from roofplat.tables import (
    ATTRIBUTES,
    AXIS_BASES,
    BASES,
    OBSTACLE_KINDS,
    RECORD_TABLES,
    SCENARIO_BASES,
    TABLES,
)

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text("utf-8")
CODED = set(re.findall(r"`([^`\n]+)`", README))
SETTINGS: tuple[type[BaseModel], ...] = (
    District,
    LayerSource,
    FootprintSource,
    AttributeSource,
    ObstacleSource,
    Scenario,
    Sheets,
    Inspect,
    Crew,
    Service,
    Scale,
)


def rows(title: str) -> dict[str, list[str]]:
    """The table rows below a heading by their first cell; the heading's subheadings end it."""
    body = README.split(f"\n{title}\n", 1)[1]
    body = re.split(r"\n#{2,} ", body, maxsplit=1)[0]
    cells = [[cell.strip() for cell in line.strip("|").split(" | ")] for line in body.splitlines()
             if line.startswith("| `")]  # fmt: skip
    return {row[0].strip("| ").strip("`"): row[1:] for row in cells}


def test_it_opens_with_the_job_a_picture_and_the_two_commands() -> None:
    marks = [
        "![The map of the demo district",
        "python -m pip install . && roofplat build data/demo/district.toml",
        "python -m pip install '.[test]' && python -m pytest",
        "**The roof officer or pre-incident planner.**",
        "**The dispatch-area officer.**",
        "**The fire marshal's office.**",
        "## Cautions",
        "## Your own data",
    ]
    places = [README.index(mark) for mark in marks]
    assert places == sorted(places)
    assert README[: places[0]].count("\n\n") == 2, "one title, one paragraph, then the picture"
    for command in marks[1:3]:
        assert f"```\n{command}\n```" in README


def test_it_carries_the_caution() -> None:
    caution = CAUTION.split(" A standing plan")[0].replace("An aid", "an aid")
    assert caution in " ".join(README.split())


def test_its_links_lead_to_files() -> None:
    links = re.findall(r"\]\(([^)#]+)\)", README)
    assert "maps/demo-map.png" in links
    assert "maps/demo-plan.png" in links
    for link in links:
        assert (ROOT / link).is_file(), link


@pytest.mark.parametrize("name", ["demo-map.png", "demo-plan.png"])
def test_the_pictures_are_small_and_whole(name: str) -> None:
    data = (ROOT / "maps" / name).read_bytes()
    assert data.startswith(b"\x89PNG\r\n")
    assert data.endswith(b"IEND\xaeB`\x82")
    assert len(data) < 250_000


@pytest.mark.parametrize("model", SETTINGS, ids=lambda model: model.__name__)
def test_every_setting_is_documented(model: type[BaseModel]) -> None:
    for setting in model.model_fields:
        assert setting in CODED or f"[{setting}]" in CODED or f"[[{setting}]]" in CODED, setting


def test_settings_of_the_tables_are_listed_where_they_belong() -> None:
    head = {"footprints", "attributes", "streets", "areas", "stations", "obstacles", "sections"}
    head |= {"fire_walls", "expansion_joints", "ground", "scenario", "sheets", "rules", "families"}
    head |= {"folder", "inspect", "crew", "service", "scale"}
    assert set(rows("### `[district]`")) == set(District.model_fields) - head
    layers = rows("### Layers")
    own = set(LayerSource.model_fields)
    more = set(AttributeSource.model_fields) | set(ObstacleSource.model_fields) | own
    assert more <= set(layers)
    assert set(rows("### `[scenario]`")) == set(Scenario.model_fields)
    assert set(rows("### `[sheets]`")) == set(Sheets.model_fields)
    assert set(rows("### `[inspect]`")) == set(Inspect.model_fields)
    assert set(rows("### `[crew]`")) == set(Crew.model_fields)
    assert set(rows("### `[service]`")) == set(Service.model_fields)
    assert set(rows("### `[scale]`")) == set(Scale.model_fields)


def test_defaults_are_the_real_ones() -> None:
    layers = rows("### Layers")
    assert layers["preset"][-1].strip("`") == LayerSource.model_fields["preset"].default
    assert layers["basis"][-1].strip("`") == AttributeSource.model_fields["basis"].default
    assert layers["basis"][-1].strip("`") == FootprintSource.model_fields["basis"].default
    sheets = rows("### `[sheets]`")
    assert sheets["paper"][-1].strip(" |`") == Sheets.model_fields["paper"].default
    assert sheets["with_build"][-1].strip(" |`") == str(Sheets.model_fields["with_build"].default).lower()
    for name, row in rows("### `[service]`").items():
        default = Service.model_fields[name].default
        said = row[-1].strip(" |`")
        assert said == "none" if default is None else type(default)(said) == default, name
    for name, row in rows("### `[scale]`").items():
        default = Scale.model_fields[name].default
        said = row[-1].strip(" |`")
        assert said == (str(default).lower() if isinstance(default, bool) else str(default)), name
    rules = load_rulebook()
    wind = rows("### `[scenario]`")["prevailing_wind_from_deg"][-1]
    assert f"{rules.number('plan.no_wind_from_deg'):g}" in wind
    assert f"{rules.number('join.point_reach_ft'):g} ft" in layers["points"][0]
    assert rules.number("join.parcel_share") == 0.5
    assert "by half or more" in layers["parcels"][0]


def test_every_attribute_is_listed_with_its_unit() -> None:
    listed = rows("### Attributes")
    assert list(listed) == list(ATTRIBUTES)
    for name, column in ATTRIBUTES.items():
        if column.unit:
            assert listed[name][-1].strip(" |") == column.unit, name


def test_every_allowed_word_is_named() -> None:
    words = {*BASES, *AXIS_BASES, *SCENARIO_BASES, *OBSTACLE_KINDS, *load_rulebook().families}
    assert words <= CODED
    assert list(rows("## How a value is known")) == list(BASES)


def test_every_layer_is_described() -> None:
    described = rows("## What a build writes")
    names = {name.strip("` ") for row in described for name in row.split(",")}
    assert set(TABLES) - {"roofs"} <= names


def test_every_layer_of_the_record_is_described() -> None:
    assert set(RECORD_TABLES) <= set(rows("## The record of surveys"))
    assert load_rulebook().number("record.wait_s") > 0
    assert "record.wait_s" in CODED


def test_every_command_and_option_is_described() -> None:
    assert isinstance(main, click.Group)
    commands: dict[str, click.Command] = {}
    for name, command in main.commands.items():
        inner = command.commands if isinstance(command, click.Group) else {}
        commands |= {f"{name} {word}": own for word, own in inner.items()} or {name: command}
    for name, command in commands.items():
        (row,) = [line for line in README.splitlines() if line.startswith(f"| `roofplat {name} ")]
        for parameter in command.params:
            if isinstance(parameter, click.Option) and parameter.name not in ("help", "allow_outside"):
                assert any(option in row for option in parameter.opts), (name, parameter.name)
    # Told once of all commands that read a district file.
    assert "`--allow-outside`" in README
    for option in main.params:
        assert any(word in README for word in option.opts)


def test_every_command_in_a_code_block_exists() -> None:
    blocks = re.findall(r"```\n(.*?)```", README, flags=re.DOTALL)
    named = re.findall(r"^roofplat (\w+)", "\n".join(blocks), flags=re.MULTILINE)
    assert {"start", "check", "build", "rules", "sheet", "rank", "inspect", "serve", "survey"} == set(named)
    for words in re.findall(r"^roofplat rules (\S+)", "\n".join(blocks), flags=re.MULTILINE):
        rules = load_rulebook().rules
        assert words == "all" or words in rules or any(rule.startswith(f"{words}.") for rule in rules)


def test_the_overrides_and_the_family_are_ones_that_work() -> None:
    blocks = re.findall(r"```toml\n(.*?)```", README, flags=re.DOTALL)
    document = tomllib.loads("\n".join(blocks))
    overrides, families = document["rules"], document["families"]
    rulebook = load_rulebook(overrides, families)
    assert {rule.id for rule in rulebook.overridden} == set(overrides)
    (name,) = families
    assert rulebook.families[name].number("rafter_spacing_ft") == 4.0
    assert rulebook.families[name].methods == rulebook.families["sawn_rafter_pitched"].methods


def test_the_example_runs(tmp_path: Path) -> None:
    (example,) = re.findall(r"```python\n(.*?)```", README, flags=re.DOTALL)
    assert len([line for line in example.splitlines() if line.strip()]) <= 5
    shutil.copytree(ROOT / "data" / "demo", tmp_path / "data" / "demo")
    ran = subprocess.run(
        [sys.executable, "-W", "error", "-c", example],
        cwd=tmp_path, check=False, capture_output=True, text=True,
    )  # fmt: skip
    assert ran.returncode == 0, ran.stderr
    assert "lightweight roof" in ran.stdout
    assert re.search(r"warning\s+\d+", ran.stdout)
    # The folder is where the README says that builds go.
    assert (tmp_path / "maps" / "demo" / "map.html").is_file()
