"""`roofplat start`: a first district file for somebody's own data.

In: a folder and a layer of building outlines.
Out: DIR/district.toml, ready to build, with every further table as a commented hint; a copy of the outlines
    beside it where they lie elsewhere, because a district file may name nothing outside of its folder.
"""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path
from typing import TYPE_CHECKING

import click

from roofplat.cli.manners import say
from roofplat.errors import DistrictFileError, LayerError

if TYPE_CHECKING:
    from roofplat.intake.look import Look

__all__ = ["start"]

# Columns that give away whose words a layer uses.
_OSM_COLUMNS = ("building", "roof:shape", "roof_shape", "osm_id", "building:levels")
_OVERTURE_COLUMNS = ("sources", "subtype", "num_floors", "has_parts")


@click.command()
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path, file_okay=False))
@click.option(
    "--footprints",
    metavar="FILE",
    required=True,
    type=click.Path(path_type=Path, exists=True),
    help="The layer of building outlines.",
)
@click.option("--layer", metavar="NAME", help="The layer in FILE, where it holds several.")
@click.option("--name", metavar="NAME", help="What the district is called. Without it: the folder's name.")
@click.option(
    "--in-place",
    is_flag=True,
    help="Do not copy FILE into DIR; the commands that read the district file then need --allow-outside.",
)
def start(folder: Path, footprints: Path, layer: str | None, name: str | None, in_place: bool) -> None:
    """Write a first district.toml into DIR for your own data, and copy FILE there where it lies elsewhere."""
    target = folder / "district.toml"
    if target.exists():
        raise DistrictFileError(f"{target} is there already and stays as it is; give another folder.")
    found = _look(footprints, layer)
    copied = not in_place and not footprints.resolve().is_relative_to(folder.resolve())
    named = folder / footprints.name if copied else footprints
    text = _district_toml(
        name or folder.resolve().name or "district", found, _from_folder(named, folder), folder
    )
    folder.mkdir(parents=True, exist_ok=True)
    if copied:
        _copy(footprints, folder)
    # "x": a file that came in between is not overwritten either.
    with target.open("x", encoding="utf-8", newline="\n") as file:
        file.write(text)
    say(f"Looked into {found.label}: {found.count:,} features, {found.geometry}, {found.driver}.")
    if copied:
        say(f"Copied {footprints} to {named}")
    say(f"Wrote {target}")
    allowed = "" if copied or named.resolve().is_relative_to(folder.resolve()) else " --allow-outside"
    say(f"Next: roofplat check {target}{allowed}")


def _copy(file: Path, folder: Path) -> None:
    """Copy a layer with the files that belong to it."""
    # The parts of a Shapefile, the journals of a database.
    parts = [
        part
        for part in sorted(file.parent.iterdir())
        if part == file
        or part.name.startswith(f"{file.name}-")
        or (file.suffix.lower() == ".shp" and part.name.startswith(f"{file.stem}.") and part.is_file())
    ]
    there = [part.name for part in parts if (folder / part.name).exists()]
    if there:
        raise DistrictFileError(
            f"{folder / there[0]} is there already and stays as it is; give another folder, or --in-place."
        )
    for part in parts:
        (shutil.copytree if part.is_dir() else shutil.copyfile)(part, folder / part.name)


def _look(footprints: Path, layer: str | None) -> Look:
    # Here and not above: the help of a command does not wait for the rooms to load.
    from roofplat.intake.look import layers_of, look

    try:
        names = layers_of(footprints)
        if layer is None and len(names) > 1:
            outlines = [each for each in names if _holds_outlines(look(footprints, each))]
            if len(outlines) != 1:
                listed = ", ".join(outlines or names)
                raise DistrictFileError(
                    f"{footprints} holds {len(outlines)} layers of outlines; choose with --layer: {listed}."
                )
            layer = outlines[0]
        found = look(footprints, layer)
    except LayerError as error:
        # On the command line a file that cannot be used is a wrong command.
        raise DistrictFileError(str(error)) from None
    # Rings drawn as closed lines are outlines too; `check` names the lines that do not close.
    if not _holds_outlines(found) and not _kind(found).startswith("linestring"):
        raise DistrictFileError(
            f"{found.label} holds {found.geometry or 'no geometry'}, not building outlines; "
            "give a layer of polygons."
        )
    return found


def _kind(found: Look) -> str:
    return (found.geometry or "").removeprefix("2.5D ").removeprefix("Measured ").removeprefix("3D ").lower()


def _holds_outlines(found: Look) -> bool:
    return _kind(found).startswith(
        ("polygon", "multipolygon", "unknown", "geometrycollection", "curvepolygon")
    )


def _district_toml(name: str, found: Look, file: str, folder: Path) -> str:
    lines = [
        "# The district file: every setting of roofplat enters here. Paths start at this file's folder.",
        "# A line that starts with # is a hint: take the # away, and put your own file in.",
        "",
        "[district]",
        f"name = {_toml(name)}",
        '# out = "maps"                  # where builds go, from this file; without it:',
        f"#                               # maps/{_comment(folder.resolve().name)} below the current folder",
        "# mean_elevation_ft = 5280.0    # lengths are scaled to the ground there",
        '# region = "west"               # west, midwest or east',
        "",
        "[footprints]                    # the building outlines",
        f"file = {_toml(file)}",
    ]
    if len(found.layers) > 1:
        others = ", ".join(each for each in found.layers if each != found.layer)
        lines += [f"layer = {_toml(found.layer)}", f"# other layers of this file: {_comment(others)}"]
    if found.crs is None:
        lines.append("# The layer does not say where its coordinates are; name its CRS:")
        lines.append('# crs = "EPSG:26913"')
    preset = _preset(found)
    lines.append(f'preset = "{preset}"                # plain, osm or overture: whose column names these are')
    by_name = {field.lower(): field for field in reversed(list(found.fields))}
    identifier = next((by_name[column] for column in _id_columns() if column in by_name), None)
    if identifier is not None:
        lines.append(f"id = {_toml(identifier)}")
    else:
        lines.append('# id = "..."                    # the column that identifies a building')
    lines.append("# columns of the layer: " + (_comment(", ".join(found.fields)) or "none"))
    lines.append(
        '# columns = { year_built = "YR_BLT" }   # ours = the file\'s, where the preset does not know it'
    )
    return "\n".join([*lines, _HINTS])


def _id_columns() -> tuple[str, ...]:
    from roofplat.intake.columns import PLAIN_IDS

    # Not fid and objectid: programs number anew when they save, and tables then find other buildings.
    return (*PLAIN_IDS, "osm_id", "gers_id", "uid")


def _preset(found: Look) -> str:
    columns = set(found.fields)
    if len(columns.intersection(_OVERTURE_COLUMNS)) >= 2:
        return "overture"
    return "osm" if columns.intersection(_OSM_COLUMNS) else "plain"


def _from_folder(file: Path, folder: Path) -> str:
    try:
        return Path(os.path.relpath(file.resolve(), folder.resolve())).as_posix()
    except ValueError:  # another drive
        return file.resolve().as_posix()


def _toml(text: str) -> str:
    """Quote text as TOML; JSON's escapes are a subset, except for DEL."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007F")


def _comment(text: str) -> str:
    """Keep text from a file on its comment line."""
    return "".join(character if character.isprintable() else " " for character in text)


_HINTS = """
# [[attributes]]                 # facts about buildings, as many tables as you have
# name = "assessor"
# file = "assessor.csv"
# how = "key"                    # key: the column `id` below is the building's id
# id = "PARCEL"
# basis = "recorded"             # surveyed, recorded, drawn, inferred or assumed
# date = "2024-06-30"

# [[attributes]]
# name = "roof survey"
# file = "survey.geojson"
# how = "points"                 # points, parcels or footprints: joined by place
# basis = "surveyed"
# date_column = "seen_on"
# columns = { roof_family = "roof", beam_spacing_ft = "beams" }

# [streets]                      # they give side A, the address side
# file = "streets.gpkg"
# columns = { name = "STREET" }

# [areas]                        # dispatch areas: one map layer for each
# file = "areas.geojson"

# [stations]
# file = "stations.geojson"

# [[obstacles]]                  # units, skylights, solar, overhead lines, things hung from a roof
# file = "rooftop_units.geojson"
# kind = "unit"

# [[obstacles]]                  # lines along the roof edge, with how far they stand above it
# file = "parapets.geojson"
# kind = "parapet"
# columns = { height_ft = "HEIGHT" }

# [[ground]]                     # ground on which no ladder can stand
# file = "ponds.geojson"
# kind = "water"                 # water, pool, fence, steep or other

# [sections]                     # parts of a roof that are framed on their own, drawn by hand
# file = "sections.geojson"

# [fire_walls]
# file = "fire_walls.geojson"

# [expansion_joints]             # lines that divide a roof but stop no fire
# file = "joints.geojson"

# [scenario]                     # what a standing plan assumes
# prevailing_wind_from_deg = 270.0

# [scenario.fires]               # stated fire spots, one point in a building
# file = "fires.geojson"

# [rules]                        # a department's own values; `roofplat rules` lists them all
# "ladder.stock_ft" = [14.0, 16.0, 24.0, 35.0]
# "ladder.stock_count" = [2, 1, 2, 1]

# [families.our_shed_roof]       # a roof family of your own; `roofplat rules sawn_joist_flat` shows one
# like = "sawn_joist_flat"
# label = "Shed roof of 1950, sawn joists"
# rafter_spacing_ft = 2.0
"""
