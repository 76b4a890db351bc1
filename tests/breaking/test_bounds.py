"""What the program stands on: bounded below and above, under licences that are known and listed.

In: `pyproject.toml`, `NOTICE`, and the metadata of what is installed.
Out: no requirement without both bounds, none outside of them, no licence that is unknown or not listed.
    That the lower bounds work is shown by `.ci/run`, which tests on them.
"""

from __future__ import annotations

import re
import tomllib
from importlib.metadata import PackageNotFoundError, distribution, version
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name
from packaging.version import Version

from tests.licences import STRONG, licence_of, what_comes_with

ROOT = Path(__file__).resolve().parents[2]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
GROUPS = {"always": PROJECT["dependencies"], **PROJECT["optional-dependencies"]}
# Every direct requirement but those of the project's own extras, by group and name.
DIRECT = {
    (group, canonicalize_name(wanted.name)): wanted
    for group, lines in GROUPS.items()
    for wanted in map(Requirement, lines)
    if wanted.name != PROJECT["name"]
}
# Extras that nothing that runs is part of.
TESTS_ALONE = {"reference"}


def _listed() -> dict[tuple[str, str], str]:
    rows = re.findall(
        r"^    ([a-z]+) +(\S+) +(\S+)$", (ROOT / "NOTICE").read_text("utf-8"), flags=re.MULTILINE
    )
    return {(group, name): licence for group, name, licence in rows}


@pytest.mark.parametrize("wanted", DIRECT.values(), ids=str)
def test_a_requirement_is_bounded_on_both_sides(wanted: Requirement) -> None:
    bounds: dict[str, list[Version]] = {}
    for part in wanted.specifier:
        bounds.setdefault(part.operator, []).append(Version(part.version))
    if "==" in bounds:
        return
    assert set(bounds) == {">=", "<"}, f"{wanted} needs a lower and an upper bound"
    assert bounds[">="] < bounds["<"]


@pytest.mark.parametrize("wanted", DIRECT.values(), ids=str)
def test_what_is_installed_lies_within_the_bounds(wanted: Requirement) -> None:
    try:
        there = version(wanted.name)
    except PackageNotFoundError:
        pytest.skip("not installed here")
    assert wanted.specifier.contains(there, prereleases=True)


def test_the_notice_lists_every_direct_requirement_and_no_other() -> None:
    assert list(_listed()) == list(DIRECT)


@pytest.mark.parametrize(("group", "name"), DIRECT)
def test_a_listed_licence_is_that_of_the_metadata(group: str, name: str) -> None:
    try:
        there = distribution(name)
    except PackageNotFoundError:
        pytest.skip("not installed here")
    assert licence_of(there) == _listed()[group, name]


def test_what_always_comes_along_has_a_licence_that_lets_the_program_keep_its_own() -> None:
    """Also what comes along with what is asked for."""
    every = what_comes_with(PROJECT["name"])
    assert {name for group, name in DIRECT if group == "always"} <= set(every)
    licences = {name: licence_of(there) for name, there in every.items()}
    assert [name for name, licence in licences.items() if licence is None] == []
    assert [name for name, licence in licences.items() if licence in (*STRONG, "LGPL")] == []


def test_no_extra_that_runs_asks_for_all_of_the_program_in_return() -> None:
    strong = {group for (group, _), licence in _listed().items() if licence in STRONG}
    assert strong <= TESTS_ALONE


@pytest.mark.parametrize(
    ("text", "licence"),
    [
        ("GPL-3.0-or-later", "GPL"),
        ("LGPL with exceptions", "LGPL"),
        ("License :: OSI Approved :: GNU Affero General Public License v3", "AGPL"),
        ("BSD-3-Clause AND 0BSD AND MIT", "BSD-3-Clause"),
        ("as the lawyers say", None),
    ],
)
def test_a_licence_is_told_by_its_words(text: str, licence: str | None, tmp_path: Path) -> None:
    """Of a distribution as pip leaves one, read as any other."""
    folder = tmp_path / "thing-1.0.dist-info"
    folder.mkdir()
    (folder / "METADATA").write_text(f"Metadata-Version: 2.1\nName: thing\nVersion: 1.0\nLicense: {text}\n")
    from importlib.metadata import PathDistribution

    assert licence_of(PathDistribution(folder)) == licence
