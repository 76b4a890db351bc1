"""What-ifs over HTTP: what is asked, what is answered, what is refused."""

from __future__ import annotations

import io
import json
import re
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import jsonschema
import pyogrio
import pytest
from tests.serve.conftest import Server

from roofplat.serve.answer import ANSWER_LAYERS
from roofplat.tables import CAUTION

FIRE = [-118.8873, 40.9173]
GEOJSON = "application/geo+json"


def plan(server: Server, **inputs: Any) -> Any:
    status, _, body = server.execute("plan-roof", **inputs)
    assert status == 200, body
    return json.loads(body)


def post(server: Server, document: Any, process: str = "plan-roof") -> tuple[int, dict[str, str], bytes]:
    body = document if isinstance(document, bytes) else json.dumps(document).encode("utf-8")
    return server.ask(
        f"/processes/{process}/execution",
        method="POST",
        body=body,
        headers={"Content-Type": "application/json"},
    )


def shapes_of(document: Any, layer: str) -> list[Any]:
    return [one["geometry"] for one in document["features"] if one["properties"]["layer"] == layer]


def test_a_question_is_answered_with_a_plan(demo_server: Server) -> None:
    status, headers, body = demo_server.execute(
        "plan-roof", building_id="MB-0001", fire=FIRE, wind_from_deg=225, method="fold_back"
    )
    assert status == 200
    assert headers["content-type"] == GEOJSON
    document = json.loads(body)
    assert document["caution"] == CAUTION
    assert document["scenario"]["fire"] == FIRE
    assert document["scenario"]["wind_from_deg"] == 225.0
    assert document["scenario"]["method"] == document["scenario"]["method_preferred"] == "fold_back"
    # GDAL as another program that reads it.
    read = pyogrio.read_dataframe(io.BytesIO(body))
    assert set(read["layer"]) <= set(ANSWER_LAYERS)
    assert set(read["building_id"]) == {"MB-0001"}


def test_the_answer_says_where_its_time_went(demo_server: Server) -> None:
    _, headers, _ = demo_server.execute("plan-roof", building_id="MB-0001")
    # W3C Server Timing: a name, then `dur` in milliseconds.
    metrics = dict(
        re.fullmatch(r"(\w+);dur=([\d.]+)", part.strip()).groups()  # type: ignore[union-attr]
        for part in headers["server-timing"].split(",")[:3]
    )
    assert list(metrics) == ["wait", "plan", "write"]
    assert float(metrics["plan"]) > 0.0
    assert headers["server-timing"].endswith('together;desc="1"')


def test_another_fire_and_another_wind_move_the_plan(demo_server: Server) -> None:
    standing = plan(demo_server, building_id="MB-0002")
    turned = plan(
        demo_server, building_id="MB-0002", wind_from_deg=(standing["scenario"]["wind_from_deg"] + 180) % 360
    )
    assert shapes_of(standing, "ladders") != shapes_of(turned, "ladders")
    assert shapes_of(standing, "walls") == shapes_of(turned, "walls")
    one = plan(demo_server, building_id="MB-0001", fire=[-118.8876, 40.9172], method="fold_back")
    other = plan(demo_server, building_id="MB-0001", fire=[-118.8873, 40.9177], method="fold_back")
    assert shapes_of(one, "openings")
    assert shapes_of(one, "openings") != shapes_of(other, "openings")


def test_a_point_may_come_as_geojson(demo_server: Server) -> None:
    point = {"type": "Point", "coordinates": FIRE}
    answers = [
        demo_server.execute("plan-roof", building_id="MB-0001", fire=fire)[2]
        for fire in (FIRE, point, {"value": point, "mediaType": GEOJSON})
    ]
    assert answers[0] == answers[1] == answers[2]


def test_what_is_opened_as_wished_or_why_not(demo_server: Server) -> None:
    refused = plan(demo_server, building_id="MB-0005", method="fold_back")
    assert refused["scenario"]["method"] != "fold_back"
    said = [one["message"] for one in refused["reasons"]["problems"] if one["code"].startswith("preferred")]
    assert len(said) == 1


def test_a_ladder_that_stands_is_the_first(demo_server: Server) -> None:
    standing = plan(demo_server, building_id="MB-0001")
    second = next(one for one in standing["features"] if one["id"] == "ladders.2")["properties"]
    spot = [second["base_lon"], second["base_lat"]]
    placed = plan(demo_server, building_id="MB-0001", ladder=spot)
    first = next(one for one in placed["features"] if one["id"] == "ladders.1")["properties"]
    assert first["rank"] == 1
    assert first["side"] == second["side"]
    assert placed["scenario"]["ladder"] == spot


@pytest.mark.parametrize(
    ("inputs", "sentence"),
    [
        ({"building_id": "MB-00011"}, "There is no building 'MB-00011'; the nearest are "),
        ({"building_id": "'; DROP TABLE roofs; --"}, "There is no building "),
        ({"building_id": "../../etc/passwd"}, "There is no building '../../etc/passwd'"),
        ({"building_id": "{{7*7}}"}, "There is no building '{{7*7}}'"),
        ({"building_id": "MB-0001", "fire": [0, 0]}, "does not lie in building 'MB-0001'"),
        ({"building_id": "MB-0001", "fire": [180, 90]}, "does not lie in building 'MB-0001'"),
        ({"building_id": "MB-0001", "fire": [-118.8873]}, "give [longitude, latitude]"),
        ({"building_id": "MB-0001", "wind_from_deg": 400}, "`wind_from_deg` is 400; give a number"),
        ({"building_id": "MB-0001", "method": "chop"}, '`method` is "chop"; give one of'),
        ({"building_id": "MB-0001", "when": "now"}, 'There is no input "when"'),
        ({"building_id": "x" * 201}, "1 to 200 characters"),
        ({"wind_from_deg": 9}, "`building_id` is missing"),
    ],
)
def test_what_cannot_be_answered_is_refused_in_a_sentence(
    demo_server: Server, inputs: dict[str, Any], sentence: str
) -> None:
    status, headers, body = demo_server.execute("plan-roof", **inputs)
    assert status == 400
    assert headers["content-type"].startswith("application/json")
    document = json.loads(body)
    assert sentence in document["description"]
    assert document["code"] == "InvalidParameterValue"


@pytest.mark.parametrize(
    "document",
    [
        b"",
        b"{",
        b"[]",
        b'{"inputs": {"building_id": "MB-0001", "wind_from_deg": NaN}}',
        {"inputs": [1]},
        {"inputs": "MB-0001"},
        {},
        {"inputs": {"building_id": "MB-0001"}, "response": "both"},
        {"inputs": {"building_id": "MB-0001"}, "outputs": {"map": {}}},
        {"inputs": {"building_id": "MB-0001"}, "outputs": {"plan": {"transmissionMode": "reference"}}},
        {"inputs": {"building_id": "MB-0001"}, "subscriber": {"successUri": "http://127.0.0.1:1/"}},
    ],
)
def test_a_body_that_is_none_is_refused(demo_server: Server, document: Any) -> None:
    status, _, body = post(demo_server, document)
    assert 400 <= status < 500
    said = json.loads(body)["description"]
    assert said.endswith(".")
    assert "Error executing process" not in said


def test_the_answer_may_come_in_a_document(demo_server: Server) -> None:
    asked = {"inputs": {"building_id": "MB-0001"}}
    raw = json.loads(post(demo_server, asked)[2])
    status, headers, body = post(demo_server, {**asked, "response": "document", "outputs": {"plan": {}}})
    assert status == 200
    assert headers["content-type"].startswith("application/json")
    # OGC 18-062r2, requirement process-execute-sync-document: an object with a member for each output.
    assert json.loads(body) == {"plan": raw}


def test_the_description_describes_what_is_asked_and_answered(demo_server: Server) -> None:
    described = demo_server.json("/processes/plan-roof?f=json")
    assert CAUTION in described["description"]
    assert set(described["inputs"]) == {"building_id", "fire", "wind_from_deg", "method", "ladder"}
    for one in [*described["inputs"].values(), *described["outputs"].values()]:
        jsonschema.Draft7Validator.check_schema(one["schema"])
    assert described["jobControlOptions"] == ["sync-execute"]
    answer = plan(demo_server, **described["example"]["inputs"])
    jsonschema.validate(answer, described["outputs"]["plan"]["schema"])


def test_a_crowd_gets_each_its_own_answer(demo_server: Server) -> None:
    ids = [f"MB-{number:04d}" for number in range(1, 31)]
    with ThreadPoolExecutor(10) as pool:
        crowd = list(
            pool.map(lambda name: demo_server.execute("plan-roof", building_id=name, wind_from_deg=300), ids)
        )
    assert {status for status, _, _ in crowd} == {200}
    assert [json.loads(body)["scenario"]["building_id"] for _, _, body in crowd] == ids
    for place in (0, 7, 29):
        assert (
            demo_server.execute("plan-roof", building_id=ids[place], wind_from_deg=300)[2] == crowd[place][2]
        )
