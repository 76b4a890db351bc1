"""A build: plan the whole district and write every file.

In: a district and the choices of one build.
Out: `Built`: the tables, the counts, the problems and the files written.
"""

from __future__ import annotations

import datetime
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from roofplat.district import District
from roofplat.errors import LayerError
from roofplat.ground import Ground
from roofplat.intake.look import look
from roofplat.pipeline.planning import (
    check_area,
    folder_of,
    plan_district,
    record_of,
    silent,
    stock_rows,
    wind_of,
)
from roofplat.pipeline.tiles.keys import WORK_FOLDER, build_key, last_build, note_build
from roofplat.publish import write_outputs
from roofplat.publish.files import alone, writing
from roofplat.publish.parts import Parts
from roofplat.publish.record import check_inputs, input_state, read_outputs
from roofplat.publish.stock import stock_tables
from roofplat.record import has_record, in_crs
from roofplat.rules import load_rulebook

if TYPE_CHECKING:
    from roofplat.publish.database import DatabaseAddress

__all__ = [
    "Built",
    "build",
]


# What single buildings are planned by, beside the tables that people get.
_INNER = ("roofs", "drawn_walls", "fires", "yards")


@dataclass(frozen=True, slots=True)
class Built:
    """What a build made.

    parts
        The tables of the build, part after part; None where nothing was to be done.
    counts
        `read` by layer and `joined` by source.
    problems
        `tables.TABLES["problems"]`.
    out, files
        The folder and the files in it, none when nothing was to be written.
    errors
        How many of the problems are errors.
    earlier
        Files that an earlier build recorded in this folder and this one did not write. Those of
        dispatch areas are gone.
    tiles, planned
        How many tiles the district was built in, none where it was built in one piece; and how many of them
        were planned now.
    """

    parts: Parts | None
    counts: dict[str, pd.DataFrame]
    problems: pd.DataFrame
    out: Path
    files: list[Path]
    errors: int
    earlier: list[Path] = field(default_factory=list)
    tiles: int = 0
    planned: int = 0

    @property
    def unchanged(self) -> bool:
        """Whether the folder held already what would have been made."""
        return self.parts is None

    @property
    def tables(self) -> dict[str, Any]:
        """Frames by the names of `tables.TABLES`, and `streets`, `areas`, `stations`; working CRS.

        All of them in memory: of a district in tiles better ask `parts`.
        """
        return {} if self.parts is None else _for_people(self.parts)


def build(
    district: District,
    *,
    out: str | Path | None = None,
    area: str | None = None,
    wind_from_deg: float | None = None,
    sheets: bool | None = None,
    workers: int = 1,
    as_of: datetime.date | None = None,
    to: str | None = None,
    tile_buildings: int | None = None,
    scheduler: str | None = None,
    anew: bool = False,
    skip_unchanged: bool = False,
    report: Callable[[str], None] | None = None,
) -> Built:
    """Turn a district's layers into an inventory, standing plans, a map and a ranked list.

    A district of more buildings than `tile_buildings` in `[scale]` of its file is built in tiles: what it
    takes of memory depends on the tile, a build that was killed goes on where it was, and tiles of which
    nothing has changed are not planned again. The rows are the same, those of a layer tile by tile.

    Parameters
    ----------
    district
        From `read_district`.
    out
        Folder of the build; else the district's own, else `maps/` and the name of the folder
        that holds the district file.
    area
        Write one dispatch area only. Neighbours and ranks are those of the whole district.
    wind_from_deg
        Wind of the scenario, degrees from true north; else the district's.
    sheets
        Write a sheet of every building too; else as the district file says.
    workers
        Processes that plan tiles and draw sheets; without tiles, threads that place plans.
    as_of
        The date on which ages are counted; today when not given. With it, the record of surveys is as it was
        at the end of that day; the layers of the district file are as they are.
    to
        Address of a database that gets the tables too, when all files are written.
    tile_buildings
        Build in tiles of so many buildings at most, whatever the district's size.
    scheduler
        Address of a Dask scheduler whose workers plan the tiles.
    anew
        Plan every tile and write every file whole, whatever is done already.
    skip_unchanged
        Do nothing where the folder holds what the same build has written, and neither a source nor a rule,
        a setting or the program has changed since: `Built.unchanged`.
    report
        Called with a line of progress.

    Returns
    -------
    Built

    Raises
    ------
    RoofplatError
        The district, a rule or the footprint layer is wrong, a file was changed while it was read, another
        build is at work in the folder, or the database cannot be written to; nothing is written then. What
        goes wrong with the database later leaves its old tables, and the new files.

    Examples
    --------
    >>> from roofplat import build, read_district
    >>> build(read_district("data/demo/district.toml"))  # doctest: +SKIP
    """
    say = report or silent
    folder = folder_of(district, out)
    day = as_of or datetime.date.today()
    with alone(folder):
        address = None if to is None else _ready_database(to)
        rules = load_rulebook(district.rules, district.families)
        with_sheets = district.sheets.with_build if sheets is None else sheets
        wind = wind_of(district, rules, wind_from_deg)
        # Before its checksum is taken: this look undoes what an import that was killed left half written.
        has_record(district.record_file, rules)
        state = input_state(district)
        choices = {"area": area, "sheets": with_sheets, "tiles": tile_buildings, "wind": wind}
        key = build_key(state.sums, district, rules, day=day, as_of=as_of, **choices)
        if skip_unchanged and address is None and (last := last_build(folder, key)) is not None:
            return Built(None, {}, pd.DataFrame(), folder, last.files, last.errors)
        record = None
        if address is not None:
            # Read now: at the end it may know more than the plans do.
            record = record_of(district, None, rules, as_of)
            check_inputs(district, state)
        if scheduler is not None:
            # Here and not above: without a cluster nobody waits for its libraries.
            from roofplat.pipeline.tiles.cluster import check_cluster

            check_cluster(scheduler)
        ground = Ground(rules.number("ground.foot_m"), district.mean_elevation_ft)
        most = tile_buildings or district.scale.tile_buildings
        if tile_buildings is not None or scheduler is not None or _count_footprints(district) > most:
            # Here and not above: a build in one piece does not wait for what cuts one.
            from roofplat.pipeline.tiles.whole import build_tiles

            with writing(folder / WORK_FOLDER):
                tiled = build_tiles(
                    district,
                    rules,
                    ground,
                    folder / WORK_FOLDER,
                    tile_buildings=most,
                    wind=wind,
                    day=day,
                    as_of=as_of,
                    workers=workers,
                    anew=anew,
                    scheduler=scheduler,
                    state=state,
                    say=say,
                )
            parts, counts, problems = tiled.parts, tiled.counts, tiled.problems
            tiles, planned_tiles = tiled.tiles, tiled.planned
        else:
            planned = plan_district(
                district,
                area=area,
                wind_from_deg=wind_from_deg,
                workers=workers,
                day=day,
                as_of=as_of,
                state=state,
                say=say,
            )
            parts = Parts.of({**stock_tables(stock_rows(planned)), **planned.rows})
            counts = {"read": planned.inputs.counts, "joined": planned.inventory.counts}
            problems, tiles, planned_tiles = planned.problems, 0, 0
        shown = parts
        if area is not None:
            check_area(area, parts.whole(["areas"])["areas"])
            shown = Parts.of(parts.of_area(area))
        before = [folder / name for name in read_outputs(folder / "build.json")]
        say(f"Writing {folder}")
        files = write_outputs(
            shown,
            district=district,
            rules=rules,
            ground=ground,
            counts=counts,
            as_of=day,
            out=folder,
            scenario={"wind_from_deg": wind[0], "wind_basis": wind[1]},
            stock=parts,
            inputs=state.sums,
            sheets=with_sheets,
            all_ids=parts.narrow("buildings", ["building_id"])["building_id"].tolist(),
            workers=workers,
            work=folder / WORK_FOLDER,
            anew=anew,
            report=say,
        )
        errors = int((problems["severity"] == "error").sum())
        note_build(folder, key, files, errors=errors)
        if address is not None:
            # Here and not above: a build without a database does not wait for what writes one.
            from roofplat.publish.database import stored_tables, write_database
            from roofplat.publish.stock import setting_told

            say(f"Writing {address}")
            told = setting_told(folder / "planner.gpkg")
            kept = None if record is None or parts.crs is None else in_crs(record, parts.crs)
            write_database(stored_tables(shown, parts, told, kept), address, say=say)
        earlier = [file for file in before if file not in files]
        return Built(shown, counts, problems, folder, files, errors, earlier, tiles, planned_tiles)


def _count_footprints(district: District) -> int:
    """How many buildings the outlines hold; none where they cannot be read: whoever reads them says why."""
    try:
        source = district.footprints
        return look(source.file, source.layer, unpacked_mb=source.unpacked_mb).count
    except LayerError:
        return 0


def _for_people(parts: Parts) -> dict[str, Any]:
    """The tables of a build, without those that single buildings are planned by."""
    return parts.whole([name for name in parts.names if name not in _INNER])


def _ready_database(to: str) -> DatabaseAddress:
    """Look before the long work whether the database can be written to."""
    from roofplat.publish.database import check_database, read_address

    address = read_address(to)
    check_database(address)
    return address
