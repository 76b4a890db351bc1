"""What a survey takes along: forms to fill in on a screen, in a list and on paper.

In: the tables of a build, the buildings of an area, the rules, a paper.
Out: `survey/<area>/`: `survey.gpkg`, `survey.csv`, `help.csv`, `survey.pdf`, `README.txt`.
"""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd

from roofplat.ground import Ground
from roofplat.publish.files import CAUTION, area_files, write_whole
from roofplat.publish.lists import write_list
from roofplat.publish.sheet.building import split_buildings
from roofplat.publish.sheet.paper import find_paper
from roofplat.publish.survey.package import write_package
from roofplat.publish.survey.pages import survey_pdf
from roofplat.publish.survey.questions import survey_questions
from roofplat.publish.survey.rows import (
    asked_of,
    form_rows,
    help_rows,
    known_facts,
    section_rows,
    survey_order,
)
from roofplat.publish.survey.styles import survey_styles
from roofplat.rules import Rulebook

__all__ = ["SURVEY", "survey_order", "write_survey"]

SURVEY = "survey"
"""Folder of the surveys in the folder of a build."""

_EVERYWHERE = "Whole district"
_WALL_COLUMNS = (
    "building_id",
    "section_id",
    "side",
    "kind",
    "kind_basis",
    "length_ft",
    "azimuth_deg",
    "geometry",
)
_README = """\
Roof survey: {area}, {district}
{count} written {as_of}, those first that a survey is worth most.

The files
  survey.pdf    a page for each building: tick, write and draw
  survey.csv    the same questions as a list, for an office program
  survey.gpkg   the same on a map, for a GIS: fill in the empty columns of buildings
                and, of roofs in several sections, of sections
  help.csv      what each column means and what may stand in it

Fill in one of survey.csv and survey.gpkg, or a part in each. The pages are for the way; write what they
say into one of the two.

How to fill in
  Answer what was seen, and leave empty what was not. An empty box says nothing; it is never a no.
  What is on record stands beside the questions and need not be written again.
  Write the day in seen_on and who saw it in who.
  Lengths are in feet; 5'6" and 24 in are understood in the list. Directions are degrees from true north.
  Leave building_id as it is. Rows may be sorted, taken out or copied, columns moved.
  For one section of a roof in several, give its id in section_id.

How to bring it back
  roofplat survey in DISTRICT.toml survey.csv survey.gpkg --dry-run    shows what would change
  roofplat survey in DISTRICT.toml survey.csv survey.gpkg              takes it into the record
  What was drawn on a page (sections, fire walls, expansion joints, obstacles, walls) is drawn again in a
  GIS, saved as GeoJSON, and brought back with --as, as in
  roofplat survey in DISTRICT.toml units.geojson --as obstacles

{caution}
"""


def write_survey(
    tables: Mapping[str, Any],
    ids: Sequence[str],
    *,
    district: str,
    area: str | None,
    areas: Sequence[str],
    rules: Rulebook,
    ground: Ground,
    as_of: datetime.date,
    paper: str,
    out: Path,
) -> tuple[pd.DataFrame, list[Path]]:
    """Write the forms of a survey.

    Parameters
    ----------
    tables
        `buildings`, `roofs`, `walls`, `obstacles`, `facts`, `ranking`, `survey_next`, and `family_odds`,
        `streets` where there are any; one working CRS.
    ids
        The buildings in the order of the survey, from `survey_order`.
    district, area, areas
        Names of the district, of the area (None for all of it), and of all areas of the district: folders are
        named by them.
    rules, ground
        What the plans were made with.
    as_of
        The date on which ages were counted.
    paper
        A name in `paper.PAPERS`.
    out
        Folder of the build.

    Returns
    -------
    rows
        From `form_rows`.
    files
        What was written, in `survey/<area>/`.

    Raises
    ------
    DistrictFileError
        There is no such paper, or the folder cannot be written.
    """
    sheet = find_paper(paper)
    area = _EVERYWHERE if area is None else area
    folder = out / SURVEY / area_files([*areas, _EVERYWHERE])[area]
    questions = survey_questions(rules, as_of)
    asked = asked_of(ids, tables, questions, rules)
    known = known_facts(ids, tables["facts"], questions, rules)
    rows = form_rows(ids, tables, questions, asked, known, rules)
    sections = section_rows(ids, tables["roofs"], questions, asked)
    crs = tables["buildings"].crs
    outlines = tables["buildings"].drop_duplicates("building_id").set_index("building_id").geometry
    layers = {"buildings": gpd.GeoDataFrame(rows, geometry=outlines.reindex(list(ids)).array, crs=crs)}
    if len(sections):
        layers["sections"] = gpd.GeoDataFrame(sections, geometry="geometry", crs=crs)
    walls = tables["walls"]
    walls = walls[walls["building_id"].isin(list(ids)) & walls["side"].notna()]
    layers["walls"] = gpd.GeoDataFrame(walls[list(_WALL_COLUMNS)], geometry="geometry", crs=crs)
    columns = [*rows.columns, *(["part"] if len(sections) else [])]
    help_ = help_rows(questions, columns)
    meaning = dict(zip(help_["column"], help_["meaning"], strict=True))
    files = [
        write_package(layers, questions, meaning, survey_styles(questions, meaning), folder / "survey.gpkg"),
        write_list(rows, folder / "survey.csv", marked=True),
        write_list(help_, folder / "help.csv", marked=True),
    ]
    keys = {str(name): own.tolist() for name, own in asked.groupby("building_id", sort=False)["key"]}
    records = {
        str(name): dict(zip(own["field"], own["said"], strict=True))
        for name, own in known.groupby("building_id")
    }
    leaves = split_buildings(tables, ids, ground=ground)
    pages = survey_pdf(
        rows, leaves, questions, keys, records, paper=sheet, district=district, area=area, as_of=as_of
    )
    files.append(write_whole(folder / "survey.pdf", pages))
    count = f"{len(ids):,} {'building' if len(ids) == 1 else 'buildings'},"
    text = _README.format(area=area, district=district, count=count, as_of=as_of, caution=CAUTION)
    files.append(write_whole(folder / "README.txt", text))
    return rows, files
