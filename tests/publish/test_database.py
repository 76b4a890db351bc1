"""A build in a database."""

from __future__ import annotations

import pytest
from tests.postgres import Database, PostgresServer

pytestmark = pytest.mark.database


def test_the_servers_own_programs_answer(database: Database, postgres_server: PostgresServer) -> None:
    assert database.sql("SELECT postgis_lib_version() IS NOT NULL") == "t"
