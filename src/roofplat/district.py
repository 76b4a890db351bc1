"""The district file as a typed object: every setting enters here, once.

In: the path of a `district.toml`.
Out: a frozen `District` with every path made absolute; none leads out of the file's folder, unless whoever
    reads the file allows it.
"""

from __future__ import annotations

import datetime
import os
import re
import tomllib
from collections.abc import Iterator
from difflib import get_close_matches
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from roofplat.errors import DistrictFileError

__all__ = [
    "AttributeSource",
    "Crew",
    "District",
    "GroundSource",
    "Inspect",
    "LayerSource",
    "ObstacleSource",
    "Scale",
    "Scenario",
    "Service",
    "Sheets",
    "folder_of",
    "read_district",
]

_LARGEST_BYTES = 10_000_000
# A name of that many parts, with dots between them.
_DEEP_NAME = re.compile(rb"(?:[^\s.=\[\],]+\s*\.\s*){64}")

Basis = Literal["surveyed", "recorded", "drawn", "inferred", "assumed"]
Preset = Literal["plain", "osm", "overture"]
LengthUnit = Literal["ft", "m", "us_survey_ft"]
Azimuth = Annotated[float, Field(ge=0, le=360)]


class _Settings(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class LayerSource(_Settings):
    """One layer of one file."""

    file: Path
    layer: str | None = None
    crs: str | None = None
    """Only for a layer that does not name its own CRS."""
    preset: Preset = "plain"
    columns: dict[str, str] = {}
    """House name = the file's column, where the preset does not know it."""
    id: str | None = None
    """The file's column that identifies a feature."""
    unpacked_mb: Annotated[float, Field(gt=0, le=1_000_000)] = 200.0
    """What a packed file (a workbook) may unpack to at most, in millions of bytes."""


class FootprintSource(LayerSource):
    """The building outlines."""

    basis: Basis = "recorded"


class AttributeSource(LayerSource):
    """Facts about buildings, and how they find their building."""

    name: str
    how: Literal["key", "points", "parcels", "footprints"]
    basis: Basis = "recorded"
    date: str | None = None
    """ISO date for the whole source; `date_column` where each record has its own."""
    date_column: str | None = None
    units: dict[str, Literal["ft", "m", "us_survey_ft", "deg"]] = {}
    """House name = unit of the file's column, where it is not the house's own."""


class ObstacleSource(LayerSource):
    """Things on, under or over the roofs."""

    kind: str | None = None
    """One kind for the whole layer; otherwise a column `kind` is read."""
    basis: Basis = "recorded"
    units: dict[str, LengthUnit] = {}
    """Unit of the file's column that gives `height_ft`, where it is not feet."""


class GroundSource(LayerSource):
    """Ground on which no ladder base can stand."""

    kind: str | None = None
    """One kind for the whole layer; otherwise a column `kind` is read."""
    basis: Basis = "recorded"


class Scenario(_Settings):
    """What a standing plan assumes."""

    fires: LayerSource | None = None
    """Points, one in each building that has a stated fire spot."""
    wind_from_deg: Azimuth | None = None
    prevailing_wind_from_deg: Azimuth | None = None


class Sheets(_Settings):
    """The printed sheets."""

    paper: Literal["letter", "a4"] = "letter"
    with_build: bool = False
    """Whether a build writes a sheet of every building."""


class Inspect(_Settings):
    """Days of inspection, where the command does not say."""

    inspectors: Annotated[int, Field(ge=1)] = 1
    """How many go out each day, each alone."""
    hours: Annotated[float, Field(gt=0, le=24)] | None = None
    """Hours of an inspector's day, the break not counted; else as the rules say."""
    start: tuple[Annotated[float, Field(ge=-180, le=180)], Annotated[float, Field(ge=-90, le=90)]] | None = (
        None
    )
    """Longitude and latitude; else the first station by name."""
    must: tuple[str, ...] = ()
    """Ids of buildings that are visited whatever they are worth."""


class Crew(_Settings):
    """What the department's crew does in a minute, measured in a drill; in the place of rules `work.*`."""

    saws: Annotated[int, Field(ge=1, le=20)] | None = None
    """Saws that cut at once."""
    cut_ft_per_min: Annotated[float, Field(gt=0, le=1_000)] | None = None
    """Length that one saw cuts through a deck."""
    parts_per_min: Annotated[float, Field(gt=0, le=1_000)] | None = None
    """Panels pulled or louvers turned."""
    walk_ft_per_min: Annotated[float, Field(gt=0, le=10_000)] | None = None
    """Way over a roof, sounding ahead, with tools."""
    spell_min: Annotated[float, Field(gt=0, le=120)] | None = None
    """One planned spell of work; it says nothing of how long a roof stands."""
    measured_on: datetime.date | None = None
    """Day of the drill that measured the rates."""

    def rules(self) -> dict[str, Any]:
        """What is stated, by the ids of the rules whose place it takes.

        Examples
        --------
        >>> Crew(saws=3, measured_on=datetime.date(2026, 4, 11)).rules()
        {'work.saws': 3, 'work.measured_on': '2026-04-11'}
        """
        told = self.model_dump(exclude_none=True)
        return {
            f"work.{name}": value.isoformat() if isinstance(value, datetime.date) else value
            for name, value in told.items()
        }


class Service(_Settings):
    """The service: where it listens, from what it reads, and its bounds."""

    host: str = "127.0.0.1"
    """The address it listens on; any but this machine's own needs a token file."""
    port: Annotated[int, Field(ge=0, le=65535)] = 8321
    """0 takes any that is free."""
    url: str | None = None
    """What the outside calls it, as `https://plans.example.org`; else the address it listens on."""
    token_file: Path | None = None
    """A file that only its owner can read, with the token that each request must bring."""
    database: str | None = None
    """`postgresql://...` to read from; else the files of the build."""
    workers: Annotated[int, Field(ge=1, le=64)] = 2
    """Processes that answer."""
    threads: Annotated[int, Field(ge=1, le=64)] = 8
    """Requests that each process answers at once."""
    connections: Annotated[int, Field(ge=10, le=10_000)] = 500
    """Open connections of each process; more have to wait."""
    idle_seconds: Annotated[int, Field(ge=1, le=600)] = 30
    """How long a client may say or take nothing before its connection is closed."""
    page_items: Annotated[int, Field(ge=1, le=10_000)] = 100
    """Items of a page where the request does not say."""
    most_items: Annotated[int, Field(ge=1, le=10_000)] = 1_000
    """Items of a page at most."""
    query_seconds: Annotated[float, Field(gt=0, le=600)] = 10.0
    """How long one look into the data may take."""
    plan_seconds: Annotated[float, Field(gt=0, le=600)] = 10.0
    """How long one question waits for its plan."""
    waiting_plans: Annotated[int, Field(ge=1, le=10_000)] = 64
    """Questions that wait for a plan in each process; more are turned away."""
    kept_roofs: Annotated[int, Field(ge=1, le=100_000)] = 256
    """Framed buildings that each process keeps at hand."""
    body_bytes: Annotated[int, Field(ge=1_000, le=10_000_000)] = 65_536
    """Size of a request's body at most."""
    address_characters: Annotated[int, Field(ge=200, le=100_000)] = 4_000
    """Length of a request's address, parameters included, at most."""

    @model_validator(mode="after")
    def _page_fits(self) -> Service:
        if self.page_items > self.most_items:
            raise ValueError("page_items is more than most_items")
        return self


class Scale(_Settings):
    """How a big district is built: its tiles, and where files for people end."""

    tile_buildings: Annotated[int, Field(ge=10, le=1_000_000)] = 10_000
    """Buildings of a tile at most; a district of more is built in tiles."""
    workbook_rows: Annotated[int, Field(ge=1, le=1_000_000)] = 5_000
    """Rows of a list in the workbook at most, from the first; the CSV list has them all."""
    geojson_buildings: Annotated[int, Field(ge=0)] = 5_000
    """A dispatch area of more buildings gets no GeoJSON file; its layers are in the GeoPackage."""
    geopackage: bool = True
    """Write the GeoPackage of all layers, the largest file of a build."""
    worker_patience_s: Annotated[float, Field(ge=1, le=86_400)] = 60.0
    """Seconds that a build waits for a worker where its cluster has none."""
    map_buildings: Annotated[int, Field(ge=1, le=10_000_000)] = 200_000
    """Buildings on a page of the map at most; of more, `map.html` shows the areas, with links to pages."""


class District(_Settings):
    """Everything a build needs to know, with absolute paths."""

    name: str
    folder: Path
    out: Path | None = None
    record: Path | None = None
    """The record of surveys; else `inventory.gpkg` in the folder."""
    working_crs: str | None = None
    mean_elevation_ft: Annotated[float, Field(ge=-2_000, le=30_000)] | None = None
    region: Literal["west", "midwest", "east"] | None = None
    footprints: FootprintSource
    attributes: tuple[AttributeSource, ...] = ()
    streets: LayerSource | None = None
    areas: LayerSource | None = None
    stations: LayerSource | None = None
    obstacles: tuple[ObstacleSource, ...] = ()
    sections: LayerSource | None = None
    fire_walls: LayerSource | None = None
    expansion_joints: LayerSource | None = None
    """Lines that divide a roof but stop no fire."""
    ground: tuple[GroundSource, ...] = ()
    scenario: Scenario = Scenario()
    sheets: Sheets = Sheets()
    inspect: Inspect = Inspect()
    crew: Crew = Crew()
    service: Service = Service()
    scale: Scale = Scale()
    rules: dict[str, Any] = {}
    families: dict[str, Any] = {}
    """Roof families of the department's own."""

    @property
    def record_file(self) -> Path:
        """The file of the record of surveys, whether or not it exists."""
        return self.record or self.folder / "inventory.gpkg"


def read_district(path: str | Path, *, allow_outside: bool = False) -> District:
    """Read a district file.

    Parameters
    ----------
    path
        A TOML file; relative paths in it start at its own folder.
    allow_outside
        Let it read and write files outside of its folder. A district file may come from anybody, and cannot
        grant that to itself. Links count as what they lead to.

    Returns
    -------
    District

    Raises
    ------
    DistrictFileError
        The file is missing, is not TOML, or holds a setting that does not exist or a value
        of the wrong kind; or it leads out of its folder. All faults are named in one message.

    Examples
    --------
    >>> read_district("d.toml")
    Traceback (most recent call last):
        ...
    roofplat.errors.DistrictFileError: There is no district file d.toml; `roofplat start` writes a first one.
    """
    path = Path(path)
    try:
        document = _document(path)
    except FileNotFoundError:
        raise DistrictFileError(
            f"There is no district file {path}; `roofplat start` writes a first one."
        ) from None
    except IsADirectoryError:
        raise DistrictFileError(f"{path} is a folder; give the district file in it.") from None
    except OSError as error:
        raise DistrictFileError(f"{path} cannot be read ({error.strerror}); check its rights.") from None
    except UnicodeDecodeError:
        raise DistrictFileError(f"{path} is not text; give a district file, saved as UTF-8.") from None
    except tomllib.TOMLDecodeError as error:
        raise DistrictFileError(f"{path} is not valid TOML ({error}); mend that line.") from None
    except RecursionError:
        raise DistrictFileError(f"{path} is nested too deeply for a district file; mend it.") from None
    head = document.pop("district", {})
    overrides = document.pop("rules", {})
    if not isinstance(overrides, dict):
        raise DistrictFileError(f"{path}: `rules` must be a table; write [rules] with rule ids below it.")
    rules = _flatten(overrides)
    if not isinstance(head, dict):
        raise DistrictFileError(f"{path}: `district` must be a table; write [district] with a name below it.")
    folder = path.resolve().parent
    try:
        district = District.model_validate({**head, **document, "rules": rules, "folder": folder})
    except ValidationError as error:
        raise DistrictFileError(_sentence(path, error)) from None
    crew = district.crew.rules()
    twice = [name for name in crew if name in rules]
    if twice:
        raise DistrictFileError(f"{path}: {twice[0]} is stated in [crew] and in [rules]; keep one of them.")
    district = district.model_copy(update={"rules": {**rules, **crew}})
    absolute: District = _absolute(district, folder)
    _no_names(path, absolute)
    if not allow_outside:
        _refuse_outside(path, absolute)
    return absolute


def _document(path: Path) -> dict[str, Any]:
    if path.exists() and not (path.is_file() or path.is_dir()):
        raise DistrictFileError(f"{path} is a device or a pipe; give a district file.")
    with path.open("rb") as stream:
        data = stream.read(_LARGEST_BYTES + 1)
    if len(data) > _LARGEST_BYTES:
        raise DistrictFileError(f"{path} is larger than any district file; give another.")
    # The time and memory of the parser grow with the square of these.
    if _DEEP_NAME.search(data):
        raise DistrictFileError(f"{path} is nested too deeply for a district file; mend it.")
    return tomllib.loads(data.decode("utf-8").replace("\r\n", "\n"))


def folder_of(district: District, out: str | Path | None) -> Path:
    """The folder of a build: asked for, else the district's own, else one in `maps/`.

    Parameters
    ----------
    district
        From `read_district`.
    out
        What the command says; None where it says nothing.

    Returns
    -------
    Path
    """
    return Path(out) if out is not None else district.out or Path("maps") / district.folder.name


def _flatten(table: dict[str, Any], prefix: str = "") -> dict[str, Any]:
    """`[rules.ladder] step_ft = 4` and `[rules] "ladder.step_ft" = 4` mean the same."""
    flat: dict[str, Any] = {}
    for key, value in table.items():
        flat |= _flatten(value, f"{prefix}{key}.") if isinstance(value, dict) else {f"{prefix}{key}": value}
    return flat


def _absolute(model: Any, folder: Path) -> Any:
    """Return a copy of a settings object with its paths made absolute."""
    if isinstance(model, Path):
        return model if model.is_absolute() else folder / model
    if isinstance(model, tuple):
        return tuple(_absolute(entry, folder) for entry in model)
    if isinstance(model, BaseModel):
        fields = {key: _absolute(getattr(model, key), folder) for key in type(model).model_fields}
        return model.model_copy(update=fields)
    return model


def _paths(model: BaseModel, above: str = "") -> Iterator[tuple[str, Path]]:
    """Every path that the settings name, with the name of its setting."""
    for key in type(model).model_fields:
        value = getattr(model, key)
        for place, entry in enumerate(value) if isinstance(value, tuple) else ((None, value),):
            name = f"{above}{key}" if place is None else f"{above}{key}.{place}"
            if isinstance(entry, Path):
                yield name, entry
            elif isinstance(entry, BaseModel):
                yield from _paths(entry, f"{name}.")


def _no_names(path: Path, district: District) -> None:
    """Refuse what no file can be called."""
    wrong = [name for name, named in _paths(district) if "\0" in str(named)]
    if wrong:
        raise DistrictFileError(
            f"{path}: what {' and '.join(map(repr, wrong))} names cannot be a file, with a null character "
            "in it; write another name."
        )


def _refuse_outside(path: Path, district: District) -> None:
    """Refuse settings, and links in the district's folder, that lead out of it."""
    outside = {
        name: real
        for name, named in (*_paths(district), ("record", district.record_file))
        if name != "folder"
        for real in _led_to(named, district.folder)
        if not real.is_relative_to(district.folder)
    }
    if outside:
        name, real = next(iter(outside.items()))
        more = f" (so do {', '.join(map(repr, list(outside)[1:]))})" if len(outside) > 1 else ""
        raise DistrictFileError(
            f"{path}: {name!r} leads out of the folder of the district file, to {real}{more}; move the file "
            "into the folder, or give --allow-outside if you trust this district file."
        )


def _led_to(named: Path, folder: Path) -> Iterator[Path]:
    """Where a path really leads, and the links that stand with it: parts of a layer, folders of a build."""
    real = _real(named)
    yield real
    if not real.is_relative_to(folder):
        return
    if real.is_dir():
        # Where a build writes; folders below these it makes itself.
        entries = [entry for each in (real, real / ".tiles", real / "survey") for entry in _entries(each)]
        yield _real(real / "sheets" / "areas")
    else:
        # The other files of a Shapefile, the journals of a database.
        entries = [
            entry
            for each in sorted({named.parent, real.parent})
            for entry in _entries(each)
            if Path(entry.name).stem == named.stem or entry.name.startswith((named.name, real.name))
        ]
    yield from (_real(Path(entry.path)) for entry in entries if entry.is_symlink())


def _entries(folder: Path) -> list[os.DirEntry[str]]:
    try:
        with os.scandir(folder) as entries:
            return sorted(entries, key=lambda entry: entry.name)
    except OSError:
        return []


def _real(path: Path) -> Path:
    """Where a path leads once every link is followed; one that leads in a circle stays as it is."""
    return Path(os.path.realpath(path))


def _sentence(path: Path, error: ValidationError) -> str:
    parts = []
    for fault in error.errors():
        where = ".".join(str(step) for step in fault["loc"])
        if fault["type"] == "extra_forbidden":
            near = get_close_matches(str(fault["loc"][-1]), _setting_names(), n=1)
            parts.append(f"there is no setting {where!r}" + (f" (did you mean {near[0]!r}?)" if near else ""))
        elif fault["type"] == "missing":
            parts.append(f"the setting {where!r} is missing")
        else:
            parts.append(f"{where!r} is {fault['input']!r}: {fault['msg'][0].lower()}{fault['msg'][1:]}")
    return f"{path}: {'; '.join(parts)}. The README lists the settings."


def _setting_names() -> list[str]:
    models = (
        District,
        FootprintSource,
        AttributeSource,
        ObstacleSource,
        GroundSource,
        Scenario,
        Sheets,
        Inspect,
        Service,
        Scale,
    )
    return sorted({name for model in models for name in model.model_fields})
