"""The description of the service is what it does: every operation answers, and no other is there."""

from __future__ import annotations

from typing import Any

import pytest

from roofplat.serve.description import CONFORMS, routes_of
from roofplat.tables import TABLES


@pytest.fixture(scope="module")
def document(demo_server: Any) -> dict[str, Any]:
    found: dict[str, Any] = demo_server.json("/openapi")
    return found


def test_every_path_answers_as_described(demo_server: Any, document: dict[str, Any]) -> None:
    asked = 0
    for path, operations in document["paths"].items():
        if "get" not in operations:
            continue
        if "{featureId}" in path:
            page = demo_server.json(path.replace("/{featureId}", "?limit=1"))
            if not page["features"]:
                continue
            path = path.replace("{featureId}", str(page["features"][0]["id"]))
        described = operations["get"]["responses"]["200"]["content"]
        for accept in ("application/json", "text/html"):
            status, headers, _ = demo_server.ask(path, headers={"Accept": accept})
            assert status == 200, path
            kind = headers["content-type"].replace("; charset=utf-8", "")
            assert kind in described, (path, kind)
            asked += 1
    assert asked > 200


def test_every_column_can_be_asked_for(document: dict[str, Any]) -> None:
    for name in ("buildings", "sections", "ladders", "openings", "ranking"):
        asked = document["paths"][f"/collections/{name}/items"]["get"]["parameters"]
        named = {one["name"]: one for one in asked if "name" in one}
        for column, said in TABLES[name].columns.items():
            assert said.meaning in named[column]["description"]
            if said.allowed:
                assert named[column]["schema"]["enum"] == list(said.allowed)
        # OGC 17-069r4, requirement fc-limit-definition: a least, a most, and what holds without it.
        assert named["limit"]["schema"] == {"type": "integer", "minimum": 1, "maximum": 1000, "default": 100}


def test_processes_name_their_inputs(document: dict[str, Any]) -> None:
    body = document["paths"]["/processes/plan-roof/execution"]["post"]["requestBody"]
    inputs = body["content"]["application/json"]["schema"]["properties"]["inputs"]
    assert inputs["required"] == ["building_id"]
    assert set(inputs["properties"]) == {"building_id", "fire", "wind_from_deg", "method", "ladder"}
    assert inputs["additionalProperties"] is False


def test_only_reading_and_asking_is_described(document: dict[str, Any]) -> None:
    for path, operations in document["paths"].items():
        assert set(operations) == ({"post"} if path.endswith("/execution") else {"get"}), path
    assert not [path for path in document["paths"] if "/jobs" in path or "/stac" in path or "admin" in path]


def test_a_route_takes_no_more_than_its_path(document: dict[str, Any]) -> None:
    routes = {route.template: route for route in routes_of(document)}
    items = routes["/collections/walls/items"]
    assert items.pattern.fullmatch("/collections/walls/items")
    for path in ("/collections/walls/itemsx", "/collections/walls/items/", "/collections/wallsXitems", "/x"):
        assert not items.pattern.fullmatch(path)
    one = routes["/collections/walls/items/{featureId}"]
    assert one.pattern.fullmatch("/collections/walls/items/" + "a" * 200)
    assert not one.pattern.fullmatch("/collections/walls/items/" + "a" * 201)
    assert not one.pattern.fullmatch("/collections/walls/items/")


def test_what_it_keeps_to_is_the_same_everywhere(demo_server: Any) -> None:
    assert demo_server.json("/conformance") == {"conformsTo": list(CONFORMS)}
    assert demo_server.json("/conformance") == {"conformsTo": list(CONFORMS)}
