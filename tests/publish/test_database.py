"""A build in a database: what stands there, who waits for whom, and what is left when it breaks."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import quote

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from shapely.geometry import LineString, Point, box
from tests.postgres import OWNER, Database, PostgresServer

from roofplat.errors import DatabaseError, DistrictFileError
from roofplat.publish.database import (
    StoredTable,
    check_database,
    connect,
    hold_tables,
    read_address,
    write_database,
)
from roofplat.tables import CAUTION

pytestmark = pytest.mark.database
CRS = "EPSG:32613"
ROOT = Path(__file__).parents[2]


def sheds(count: int = 3, word: str = "shed") -> dict[str, StoredTable]:
    """The frames as tables of a database."""
    frames = shed_frames(count, word)
    return {
        "buildings": StoredTable.of(frames["buildings"], "MultiPolygon", "Outlines"),
        "obstacles": StoredTable.of(frames["obstacles"], "Unknown", "Things"),
        "facts": StoredTable.of(frames["facts"], "", "Facts"),
    }


def shed_frames(count: int = 3, word: str = "shed") -> dict[str, pd.DataFrame]:
    """A small table of outlines, one of mixed shapes and one without shapes, of every type of column."""
    buildings = gpd.GeoDataFrame(
        {
            "building_id": pd.array([f"B{place}" for place in range(count)], dtype="str"),
            "name": pd.array([word, "", None, *[word] * (count - 3)], dtype="str"),
            "height_ft": [1 / 3, np.nan, -0.0, *[12.5] * (count - 3)],
            "storeys": pd.array([2, None, 1, *[1] * (count - 3)], dtype="Int64"),
            "sprinklered": pd.array([True, None, False, *[None] * (count - 3)], dtype="boolean"),
            "surveyed_on": pd.to_datetime(["2024-02-29", None, "1890-01-01", *[None] * (count - 3)]).astype(
                "datetime64[ms]"
            ),
            "alert": pd.Categorical(['a "b", c', "a\nb", None, *["\\N"] * (count - 3)]),
        },
        geometry=[box(500000 + 10 * place, 4e6, 500008 + 10 * place, 4e6 + 8) for place in range(count)],
        crs=CRS,
    )
    shapes = [box(500000, 4e6, 500001, 4e6 + 1), LineString([(0, 0), (1, 1)]), Point(500000.123456789, 1 / 3)]
    mixed = gpd.GeoDataFrame({"kind": ["unit", "overhead_line", "hatch"]}, geometry=shapes, crs=CRS)
    return {
        "buildings": buildings,
        "obstacles": mixed,
        "facts": pd.DataFrame({"order": [1, 2], "class": ["x", "y"]}),
    }


def read(database: Database, statement: str) -> list[str]:
    return database.sql(statement).splitlines()


def test_every_type_of_value_comes_back(database: Database) -> None:
    write_database(sheds(), read_address(database.url))
    assert read(
        database,
        "SELECT fid, building_id, name IS NULL, name = '', height_ft, storeys, sprinklered, surveyed_on, "
        "alert FROM roofplat.buildings WHERE fid <> 2 ORDER BY fid",
    ) == [
        '1|B0|f|f|0.3333333333333333|2|t|2024-02-29|a "b", c',
        "3|B2|t||-0|1|f|1890-01-01|",
    ]
    assert (
        database.sql("SELECT alert = E'a\\nb', name, height_ft IS NULL FROM roofplat.buildings WHERE fid = 2")
        == "t||t"
    )
    assert read(database, 'SELECT "order", class FROM roofplat.facts') == ["1|x", "2|y"]
    assert read(database, "SELECT f_table_name, type, srid FROM geometry_columns ORDER BY 1") == [
        "buildings|MULTIPOLYGON|32613",
        "obstacles|GEOMETRY|32613",
    ]
    stored = shapely.from_wkb(
        read(database, "SELECT encode(ST_AsBinary(geom), 'hex') FROM roofplat.obstacles ORDER BY fid")
    )
    assert shapely.equals_exact(stored, shed_frames()["obstacles"].geometry.to_numpy(), 0.0).all()


def names(database: Database, schema: str = "roofplat") -> list[str]:
    """Every relation of the schema, tables and indexes."""
    return read(
        database, f"SELECT relname FROM pg_class WHERE relnamespace = '{schema}'::regnamespace ORDER BY 1"
    )


def word_of(database: Database) -> str:
    """The word in all rows that have one: of one build alone."""
    return database.sql("SELECT string_agg(DISTINCT name, ' ') FROM roofplat.buildings WHERE name <> ''")


@contextlib.contextmanager
def session(database: Database, **settings: str) -> Iterator[Any]:
    with connect(read_address(database.url), settings=settings) as connection:
        yield connection


def test_tables_say_what_they_are_and_are_found_by_place_and_building(database: Database) -> None:
    write_database(sheds(), read_address(database.url))
    told = database.sql("SELECT obj_description('roofplat.buildings'::regclass)")
    assert told == f"roofplat: Outlines. {CAUTION}"
    assert names(database) == [
        "buildings",
        "buildings_fid_key",
        "buildings_geom_idx",
        "buildings_pkey",
        "facts",
        "facts_pkey",
        "obstacles",
        "obstacles_geom_idx",
        "obstacles_pkey",
    ]
    assert (
        database.sql(
            "SELECT amname FROM pg_class JOIN pg_am ON pg_am.oid = relam WHERE relname = 'buildings_geom_idx'"
        )
        == "gist"
    )
    # In the order of the bytes, whatever the language of the server.
    assert (
        database.sql(
            "SELECT collation_name FROM information_schema.columns "
            "WHERE table_name = 'buildings' AND column_name = 'name'"
        )
        == "C"
    )


def test_a_text_with_a_zero_in_it_loses_the_zero(database: Database) -> None:
    """PostgreSQL keeps none, and a name of a foreign layer may hold one."""
    write_database(sheds(word="a\0b"), read_address(database.url))
    assert word_of(database) == "ab"


def test_tables_without_rows_stand_empty(database: Database) -> None:
    """Types and kinds are there for whoever comes to read."""
    empty_ones = {
        name: StoredTable.of(shed_frames()[name].iloc[:0], table.kind, table.description)
        for name, table in sheds().items()
    }
    write_database(empty_ones, read_address(database.url))
    assert database.sql("SELECT count(*) FROM roofplat.buildings") == "0"
    assert read(database, "SELECT f_table_name, type, srid FROM geometry_columns ORDER BY 1") == [
        "buildings|MULTIPOLYGON|32613",
        "obstacles|GEOMETRY|32613",
    ]
    columns = "SELECT string_agg(data_type, ', ' ORDER BY ordinal_position) FROM information_schema.columns"
    assert database.sql(f"{columns} WHERE table_schema = 'roofplat' AND table_name = 'buildings'") == (
        "bigint, text, text, double precision, bigint, boolean, date, text, USER-DEFINED"
    )


def test_postgis_may_be_in_a_schema_of_any_name(database: Database, postgres_server: PostgresServer) -> None:
    apart = f"apart_{database.name}"
    postgres_server.sql(f"CREATE DATABASE {apart} TEMPLATE template0 OWNER {OWNER}")
    try:
        postgres_server.sql('CREATE SCHEMA "Geo Data"', apart)
        postgres_server.sql('CREATE EXTENSION postgis SCHEMA "Geo Data"', apart)
        postgres_server.sql(f'GRANT USAGE ON SCHEMA "Geo Data" TO {OWNER}', apart)
        address = read_address(database.url.replace(database.name, apart))
        write_database(sheds(), address)
        write_database(sheds(4), address)
        assert postgres_server.sql("SELECT count(*) FROM roofplat.buildings", apart) == "4"
        with connect(address) as connection, connection.cursor() as cursor:
            hold_tables(cursor, address, ["buildings"])
            cursor.execute("SELECT count(*) FROM buildings WHERE ST_XMin(geom) > 500005")
            assert cursor.fetchone() == (3,)
    finally:
        postgres_server.sql(f"DROP DATABASE {apart} WITH (FORCE)")


def test_a_second_build_takes_the_place_of_the_first(database: Database) -> None:
    address = read_address(database.url)
    write_database(sheds(5, "old"), address)
    before = names(database)
    write_database({name: table for name, table in sheds(4, "new").items() if name != "facts"}, address)
    assert word_of(database) == "new"
    assert names(database) == [name for name in before if not name.startswith("facts")]


def test_another_schema_leaves_the_first_alone(database: Database) -> None:
    write_database(sheds(word="south"), read_address(database.url))
    write_database(sheds(word="north"), read_address(f"{database.url}&schema=north"))
    assert word_of(database) == "south"
    assert database.sql("SELECT DISTINCT name FROM north.buildings WHERE name <> ''") == "north"


def test_tables_of_others_are_never_touched(database: Database) -> None:
    address = read_address(f"{database.url}&schema=town")
    database.sql(f"CREATE SCHEMA town AUTHORIZATION {OWNER}")
    database.sql(
        f"SET ROLE {OWNER}; CREATE TABLE town.streets AS SELECT 1 AS mine; "
        "CREATE TABLE town.facts AS SELECT 2"
    )
    with pytest.raises(DatabaseError, match="holds 'facts' that roofplat did not write; name another schema"):
        write_database(sheds(), address)
    with pytest.raises(DatabaseError, match="holds 'facts' that roofplat did not write"):
        check_database(address)
    assert names(database, "town") == ["facts", "streets"]
    database.sql(
        f"DROP TABLE town.facts; SET ROLE {OWNER}; CREATE TABLE town._next_of_mine AS SELECT 3 AS three"
    )
    write_database(sheds(), address)
    write_database(sheds(), address)
    assert database.sql("SELECT mine, three FROM town.streets, town._next_of_mine") == "1|3"


def test_readers_see_the_old_or_the_new_and_never_half(database: Database) -> None:
    """Looks without end at two tables while builds follow each other: each look is of one build."""
    address = read_address(database.url)
    write_database(sheds(40, "build-0"), address)
    looks: list[tuple[int, int, int, str]] = []
    done = threading.Event()
    faults: list[BaseException] = []

    def look() -> None:
        try:
            with session(database, default_transaction_read_only="on") as connection:
                connection.autocommit = True
                while not done.is_set():
                    with connection.cursor() as cursor:
                        cursor.execute(
                            "SELECT count(*), count(DISTINCT name), count(DISTINCT alert), max(name) "
                            "FROM roofplat.buildings WHERE fid > 3"
                        )
                        looks.append(cursor.fetchone())
        except BaseException as fault:
            faults.append(fault)

    readers = [threading.Thread(target=look) for _ in range(3)]
    for reader in readers:
        reader.start()
    for turn in range(1, 6):
        write_database(sheds(40 + turn, f"build-{turn}"), address)
    done.set()
    for reader in readers:
        reader.join()
    assert not faults
    assert {count - 37 for count, *_ in looks} == {int(word.removeprefix("build-")) for *_, word in looks}
    assert all(
        (words, alerts) == (1, 1) and word == f"build-{count - 37}" for count, words, alerts, word in looks
    )
    assert len({word for *_, word in looks}) > 1


def test_a_reader_that_looks_twice_sees_one_build_in_both_looks(database: Database) -> None:
    """A page and its count are two questions of one transaction: the swap waits for its end."""
    address = read_address(database.url)
    write_database(sheds(10, "old"), address)
    with session(database) as connection, connection.cursor() as cursor:
        cursor.execute("SELECT count(*) FROM roofplat.buildings")
        first = cursor.fetchone()
        writer = threading.Thread(target=write_database, args=(sheds(20, "new"), address))
        writer.start()
        while database.sql("SELECT count(*) FROM pg_locks WHERE NOT granted") == "0":
            time.sleep(0.02)
        cursor.execute("SELECT count(*), max(name) FROM roofplat.buildings")
        assert cursor.fetchone() == (*first, "old")
        connection.rollback()
        writer.join()
        cursor.execute("SELECT count(*), max(name) FROM roofplat.buildings")
        assert cursor.fetchone() == (20, "new")


def test_a_build_gives_readers_way_that_wait_behind_it(database: Database) -> None:
    """One reader that never ends may not lock out the others with the build's help."""
    address = read_address(database.url)
    write_database(sheds(10, "old"), address)
    with session(database) as slow, slow.cursor() as cursor:
        cursor.execute("SELECT count(*) FROM roofplat.buildings")
        writer = threading.Thread(target=write_database, args=(sheds(20, "new"), address))
        writer.start()
        while database.sql("SELECT count(*) FROM pg_locks WHERE NOT granted") == "0":
            time.sleep(0.02)
        # This one came after the build and gets through before it.
        assert word_of(database) == "old"
        assert writer.is_alive()
        slow.rollback()
        writer.join()
    assert word_of(database) == "new"


def test_nobody_is_waited_for_without_end(database: Database, monkeypatch: pytest.MonkeyPatch) -> None:
    """A reader that never ends and a build that never ends are each named, and nothing is changed."""
    address = read_address(database.url)
    write_database(sheds(word="old"), address)
    for bound in ("_WAIT_S", "_READERS_S", "_READERS_TIMES"):
        monkeypatch.setattr(f"roofplat.publish.database.{bound}", 1)
    with session(database) as other, other.cursor() as cursor:
        cursor.execute("SELECT count(*) FROM roofplat.buildings")
        with pytest.raises(DatabaseError, match=r"A program has been reading the tables .* too long; end it"):
            write_database(sheds(word="new"), address)
        other.rollback()
        cursor.execute("SELECT pg_advisory_xact_lock(hashtext('roofplat build'), hashtext('roofplat'))")
        with pytest.raises(
            DatabaseError, match=r"Another build has been written to .* look what became of it"
        ):
            write_database(sheds(word="new"), address)
    assert word_of(database) == "old"


def _kill(database: Database, victim: str, at: str, rows: int) -> None:
    """Start a build in a process of its own; kill it, or its server process, when it is at some statement."""
    code = (
        "from tests.publish.test_database import sheds, read_address, write_database\n"
        f"write_database(sheds({rows}, 'lost'), read_address({database.url!r}))\n"
    )
    child = subprocess.Popen([sys.executable, "-c", code], stderr=subprocess.PIPE, text=True, cwd=ROOT)
    at_work = (
        "SELECT pid FROM pg_stat_activity WHERE application_name = 'roofplat' "
        f"AND datname = '{database.name}' AND query LIKE '{at}%'"
    )
    pid = ""
    while not pid:
        assert child.poll() is None, child.stderr.read()
        pid = database.sql(at_work).partition("\n")[0]
    os.kill(child.pid if victim == "client" else int(pid), signal.SIGKILL)
    child.communicate()
    assert child.returncode


@pytest.mark.parametrize("victim", ["client", "server process"])
def test_a_build_that_is_killed_leaves_the_old_tables_and_nothing_else(
    database: Database, postgres_server: PostgresServer, victim: str
) -> None:
    address = read_address(database.url)
    write_database(sheds(5, "old"), address)
    before = names(database)
    if victim == "client":
        _kill(database, victim, "COPY", 100_000)
    else:
        with contextlib.suppress(DatabaseError), session(database) as reader, reader.cursor() as cursor:
            # The new tables stand and wait for this reader.
            cursor.execute("SELECT count(*) FROM roofplat.buildings")
            _kill(database, victim, "LOCK", 5)
            # The server ends all sessions when one of its processes dies.
            cursor.execute("SELECT 1")
    postgres_server.wait()
    assert (word_of(database), names(database)) == ("old", before)
    write_database(sheds(6, "next"), address)
    assert (word_of(database), names(database)) == ("next", before)


def test_two_builds_at_once_come_one_after_the_other(database: Database) -> None:
    address = read_address(database.url)
    said: list[str] = []
    with session(database) as first, first.cursor() as cursor:
        # What the first of two builds holds until its end.
        cursor.execute("SELECT pg_advisory_xact_lock(hashtext('roofplat build'), hashtext('roofplat'))")
        second = threading.Thread(
            target=write_database, args=(sheds(4, "second"), address), kwargs={"say": said.append}
        )
        second.start()
        while not said:
            time.sleep(0.02)
        assert second.is_alive()
        first.commit()
        second.join()
    assert said == [f"Another build is being written to {address}; waiting until it is done"]
    builds = [
        threading.Thread(target=write_database, args=(sheds(30 + turn, f"b{turn}"), address))
        for turn in range(4)
    ]
    for build in builds:
        build.start()
    for build in builds:
        build.join()
    count, word = database.sql(
        "SELECT count(*), string_agg(DISTINCT name, ' ') FILTER (WHERE name <> '') FROM roofplat.buildings"
    ).split("|")
    assert word == f"b{int(count) - 30}"


def test_whoever_could_read_the_old_tables_can_read_the_new(database: Database) -> None:
    address = read_address(database.url)
    write_database(sheds(), address)
    reader = f"reader_{database.name}"
    database.sql(f"CREATE ROLE {reader} LOGIN")
    try:
        database.sql(
            f"GRANT USAGE ON SCHEMA roofplat TO {reader}; GRANT SELECT ON roofplat.buildings TO {reader}; "
            "GRANT SELECT ON roofplat.facts TO PUBLIC"
        )
        write_database(sheds(), address)
        held = "SELECT has_table_privilege('{0}', 'roofplat.{1}', '{2}')"
        assert database.sql(held.format(reader, "buildings", "SELECT")) == "t"
        assert database.sql(held.format(reader, "facts", "SELECT")) == "t"
        assert database.sql(held.format(reader, "obstacles", "SELECT")) == "f"
        assert database.sql(held.format(reader, "buildings", "DELETE")) == "f"
        # What is new is for whoever may read the buildings; a log of who said what is not.
        extra = sheds()["facts"]
        write_database({**sheds(), "cuts": extra, "observations": extra}, address)
        assert database.sql(held.format(reader, "cuts", "SELECT")) == "t"
        assert database.sql(held.format(reader, "observations", "SELECT")) == "f"
    finally:
        database.sql(f"DROP OWNED BY {reader}; DROP ROLE {reader}")


def test_several_builders_take_turns_where_a_common_role_owns_the_schema(database: Database) -> None:
    office, other = f"office_{database.name}", f"other_{database.name}"
    database.sql(
        f"CREATE ROLE {office}; CREATE ROLE {other} LOGIN; GRANT {office} TO {OWNER}, {other}; "
        f"CREATE SCHEMA roofplat AUTHORIZATION {office}"
    )
    try:
        write_database(sheds(word="one"), read_address(database.url))
        write_database(sheds(word="two"), read_address(database.url.replace(OWNER, other)))
        write_database(sheds(word="three"), read_address(database.url))
        assert word_of(database) == "three"
        assert (
            database.sql("SELECT DISTINCT tableowner FROM pg_tables WHERE schemaname = 'roofplat'") == office
        )
    finally:
        database.sql(
            f"DROP SCHEMA roofplat CASCADE; DROP OWNED BY {office}, {other}; DROP ROLE {office}, {other}"
        )


def test_a_view_of_others_is_named_and_stays(database: Database) -> None:
    address = read_address(database.url)
    write_database(sheds(word="old"), address)
    database.sql("CREATE VIEW public.mine AS SELECT * FROM roofplat.buildings")
    with pytest.raises(
        DatabaseError, match=r"hangs on a table that is to be replaced \(view mine depends on"
    ):
        write_database(sheds(word="new"), address)
    assert word_of(database) == "old"
    assert database.sql("SELECT count(*) FROM public.mine") == "3"


def test_what_cannot_be_is_said_before_the_work(database: Database, postgres_server: PostgresServer) -> None:
    said = str(read_address(database.loopback_url))
    postgres_server.sql(f"CREATE DATABASE plain_{database.name} TEMPLATE template0 OWNER {OWNER}")
    try:
        with pytest.raises(DatabaseError, match="has no PostGIS; let its owner run CREATE EXTENSION postgis"):
            check_database(read_address(database.url.replace(database.name, f"plain_{database.name}")))
    finally:
        postgres_server.sql(f"DROP DATABASE plain_{database.name}")
    with pytest.raises(
        DatabaseError, match=rf"^The database {said} cannot be reached \(.*\); check that it runs"
    ):
        check_database(read_address(database.loopback_url))
    nowhere = database.loopback_url.replace(str(postgres_server.port), "1")
    with pytest.raises(
        DatabaseError, match=r"cannot be reached \(.*Connection refused\); check that it runs"
    ):
        check_database(read_address(nowhere))
    reader = f"weak_{database.name}"
    database.sql(f"CREATE ROLE {reader} LOGIN; CREATE SCHEMA taken")
    try:
        weak = database.url.replace(OWNER, reader)
        with pytest.raises(DatabaseError, match=r"does not allow it \(permission denied for database"):
            check_database(read_address(weak))
        database.sql(f"GRANT USAGE ON SCHEMA taken TO {reader}")
        with pytest.raises(DatabaseError, match="gives no right to make tables in the schema taken"):
            check_database(read_address(f"{weak}&schema=taken"))
    finally:
        database.sql(f"DROP OWNED BY {reader}; DROP ROLE {reader}")
    # A look leaves nothing behind.
    check_database(read_address(database.url))
    assert database.sql("SELECT count(*) FROM pg_namespace WHERE nspname = 'roofplat'") == "0"


def test_a_crs_of_ones_own_is_refused(database: Database) -> None:
    own = shed_frames()["buildings"].set_crs(
        "+proj=tmerc +lat_0=40 +lon_0=-105 +datum=WGS84 +units=us-ft", allow_override=True
    )
    with pytest.raises(
        DistrictFileError, match="needs a CRS with an EPSG code, and there is the working CRS"
    ):
        write_database(
            {"buildings": StoredTable.of(own, "MultiPolygon", "Outlines")}, read_address(database.url)
        )


def test_a_password_is_taken_from_where_libpq_looks_and_never_told(
    database: Database, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    secret = quote(database.password, safe="")
    with_password = database.loopback_url.replace(f"{OWNER}@", f"{OWNER}:{secret}@")
    address = read_address(with_password)
    check_database(address)
    assert database.password not in f"{address} {address!r}"
    assert secret not in f"{address} {address!r}"
    wrong = read_address(database.loopback_url.replace(f"{OWNER}@", f"{OWNER}:tell-nobody@"))
    with pytest.raises(DatabaseError, match="password authentication failed") as fault:
        check_database(wrong)
    assert "tell-nobody" not in str(fault.value)
    monkeypatch.setenv("PGPASSWORD", database.password)
    check_database(read_address(database.loopback_url))
    monkeypatch.delenv("PGPASSWORD")
    passes = tmp_path / "pgpass"
    passes.write_text(f"127.0.0.1:*:*:{OWNER}:{database.password}\n")
    passes.chmod(0o600)
    monkeypatch.setenv("PGPASSFILE", str(passes))
    check_database(read_address(database.loopback_url))


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("mysql://u:hidden@h/d", "must start with postgresql://"),
        ("postgresql://u:hidden@h/d?schema=Roof-Plat", "'Roof-Plat' cannot be the name of a schema"),
        ("postgresql://u:hidden@h/d?schema=pg_catalog", "'pg_catalog' cannot be the name of a schema"),
        ("postgresql://u:hidden@h/d?schema=a%22;drop", "cannot be the name of a schema"),
        (
            "postgresql://u:hidden@h/d?nothing=1",
            "cannot be read; write it as postgresql://USER@HOST/DATABASE",
        ),
        ("postgresql://u:hidden@h:port/d", "cannot be read; write it as postgresql://USER@HOST/DATABASE"),
        ("", "must start with postgresql://"),
    ],
)
def test_an_address_that_is_none_is_refused_and_not_repeated(text: str, sentence: str) -> None:
    with pytest.raises(DistrictFileError, match=sentence) as fault:
        read_address(text)
    assert "hidden" not in str(fault.value)
