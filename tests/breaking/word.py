"""What a build keeps of its word, whatever it was given.

In: a district; where a build of it goes.
Out: the build, or the error that it ends with; assertions that fail where the word was not kept.
"""

from __future__ import annotations

import faulthandler
import json
import signal
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import openpyxl
import pandas as pd
import pyogrio
import shapely

from roofplat import build
from roofplat.district import District
from roofplat.errors import RoofplatError
from roofplat.ground import Ground
from roofplat.inventory import take_inventory
from roofplat.pipeline import draw_plans, gather
from roofplat.rules import load_rulebook
from tests.placing import laws, pitched_laws

__all__ = [
    "PLAN_TABLES",
    "REFUSALS",
    "bounded",
    "built",
    "planned",
    "same_plans",
]

RULES = load_rulebook()
BOUND_S = 60
# A refused feature has exactly one row with one of these.
REFUSALS = (
    "bad_coordinate",
    "duplicate_outline",
    "empty_geometry",
    "impossible_coordinates",
    "no_key",
    "null_geometry",
    "open_line",
    "overlapping_outline",
    "sliver",
    "tangled",
    "too_large",
    "too_many_corners",
    "unfinite_coordinates",
    "wrong_geometry",
    "zero_area",
)
PLAN_TABLES = (
    "sections",
    "walls",
    "planes",
    "members",
    "ladders",
    "paths",
    "checks",
    "openings",
    "cuts",
    "trenches",
)
_MOST_LETTERS = 400


@contextmanager
def bounded(seconds: int = BOUND_S) -> Iterator[None]:
    """Fail what takes longer of the processor; what hangs inside a library, or waits, kills the run."""

    def stop(*_: object) -> None:
        raise AssertionError(f"It takes longer than {seconds} s of the processor.")

    before = signal.signal(signal.SIGPROF, stop)
    signal.setitimer(signal.ITIMER_PROF, seconds)
    faulthandler.dump_traceback_later(15 * seconds, exit=True)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        faulthandler.cancel_dump_traceback_later()
        signal.signal(signal.SIGPROF, before)


def planned(
    district: District, *, lawful: bool = True
) -> tuple[dict[str, Any], pd.DataFrame, pd.DataFrame] | RoofplatError:
    """Tables, problems and counts of a district, in memory; or the error, which is one sentence."""
    rules = load_rulebook(district.rules, district.families)
    ground = Ground(rules.number("ground.foot_m"), district.mean_elevation_ft)
    with bounded():
        try:
            inputs = gather(district, rules)
            inventory = take_inventory(inputs, rules, ground, region=district.region)
            tables, problems = draw_plans(inputs, inventory, rules, ground, district)
        except RoofplatError as error:
            _one_sentence(error)
            return error
    _accounted(inputs.counts, problems, inputs.problems)
    assert len(tables["buildings"]) == inputs.counts["kept"].iloc[0]
    if lawful:
        _lawful(tables)
    return tables, problems, inputs.counts


def built(district: District, out: Path, *, lawful: bool = True, **choices: Any) -> Any:
    """The build, its files opened again by other programs; or the error, which is one sentence."""
    with bounded():
        try:
            made = build(district, out=out, **choices)
        except RoofplatError as error:
            _one_sentence(error)
            assert not any(path.is_file() for path in out.rglob("*") if ".tiles" not in path.parts)
            return error
    tables = made.tables
    _accounted(made.counts["read"], made.problems)
    assert len(tables["buildings"]) == made.counts["read"]["kept"].iloc[0]
    if lawful:
        _lawful(tables)
    _readable(made, tables)
    return made


def same_plans(one: Mapping[str, Any], other: Mapping[str, Any], ids: Sequence[str]) -> None:
    """Some buildings have the same plan in two builds, to the last bit."""
    for name in PLAN_TABLES:
        here, there = (_of(tables[name], ids) for tables in (one, other))
        pd.testing.assert_frame_equal(here, there, check_exact=True, obj=name)


def _of(table: Any, ids: Sequence[str]) -> pd.DataFrame:
    rows = table[table["building_id"].isin(list(ids))].reset_index(drop=True)
    frame = pd.DataFrame(rows)
    for name in frame.columns:
        if isinstance(frame[name].dtype, pd.CategoricalDtype):
            frame[name] = frame[name].astype("str")
    return frame.assign(geometry=shapely.to_wkb(rows.geometry.to_numpy()))


def _one_sentence(error: RoofplatError) -> None:
    words = str(error)
    assert words.strip() == words != ""
    assert words.isprintable(), words
    assert len(words) <= _MOST_LETTERS, words
    assert "Traceback" not in words
    assert "Error(" not in words


def _accounted(counts: pd.DataFrame, problems: pd.DataFrame, own: pd.DataFrame | None = None) -> None:
    """Read is kept and refused, and each that is refused has its row."""
    assert (counts["read"] == counts["kept"] + counts["refused"]).all()
    assert (counts[["read", "kept", "repaired", "refused"]] >= 0).all(axis=None)
    assert (counts["repaired"] <= counts["kept"]).all()
    told = problems if own is None else own
    for name in ("layer", "code", "message", "severity"):
        assert problems[name].notna().all()
        assert (problems[name].str.len() > 0).all()
    refused = told[told["code"].isin(REFUSALS) & (told["feature"] != "")]
    assert not refused.duplicated(["layer", "feature", "code", "message"]).any()
    by_layer = refused.groupby("layer").size()
    whole = set(told["layer"][(told["feature"] == "") & (told["severity"] == "error")])
    of_layer = counts.groupby("layer")[["refused", "read"]].sum()
    for label, line in of_layer.iterrows():
        if label not in whole:
            assert by_layer.get(label, 0) == line["refused"], (label, told.to_string())


def _lawful(tables: Mapping[str, Any]) -> None:
    """The invariants of every plan hold for what was planned."""
    at = laws.Measured(tables, RULES, Ground(RULES.number("ground.foot_m"), None))
    pitched = pitched_laws.Pitched(at)
    broken = dict(laws.broken(at))
    # Of what stands beyond a ridge a cut keeps off by no plan: it is measured on the roof, plane by plane.
    flat = {*broken.pop("openings_clear_of_obstacles", [])} - {roof.section_id for roof in pitched.roofs}
    assert (broken, flat) == ({}, set())
    assert pitched_laws.broken(pitched) == {}


def _readable(made: Any, tables: Mapping[str, Any]) -> None:
    """Each file opens, and holds what the tables hold."""
    for file in made.files:
        assert file.is_file(), file
        if file.suffix in (".html", ".json", ".csv", ".geojson"):
            text = file.read_text("utf-8")
            if file.suffix in (".json", ".geojson"):
                json.loads(text, parse_constant=_no_constant)
    package = next(file for file in made.files if file.name == "layers.gpkg")
    layers = dict(pyogrio.list_layers(package))
    for name in ("buildings", "sections", "ladders", "openings", "problems", "facts"):
        assert name in layers
        info = pyogrio.read_info(package, layer=name)
        expected = made.problems if name == "problems" else tables[name]
        assert info["features"] == len(expected), name
    ranking = pd.read_csv(next(file for file in made.files if file.name == "ranking.csv"))
    assert len(ranking) == len(tables["buildings"])
    problems = pd.read_csv(next(file for file in made.files if file.name == "problems.csv"))
    assert len(problems) == len(made.problems)
    workbook = openpyxl.load_workbook(next(file for file in made.files if file.suffix == ".xlsx"))
    assert workbook.sheetnames


def _no_constant(word: str) -> None:
    raise AssertionError(f"{word} is no JSON.")
