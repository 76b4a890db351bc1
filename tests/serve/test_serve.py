"""The service as a whole: it starts, says where it is, answers, and ends."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any


def test_it_starts_says_where_and_ends(serve: Callable[..., Any]) -> None:
    server = serve("--workers", "2")
    assert server.said[0].startswith("An aid for pre-incident planning")
    assert server.said[-1] == f"Serving Mallow Bench at {server.url}/"
    status, headers, body = server.ask("/health")
    assert (status, headers["content-type"]) == (200, "application/json")
    assert json.loads(body)["status"] == "ok"
