"""The service as clients see it that others wrote: owslib, GDAL and schemathesis.

owslib is a client of OGC API - Features (OGC 17-069r4) and - Processes (OGC 18-062r2); GDAL's OAPIF driver
reads Features; schemathesis asks whatever the description allows and holds the answers to it.
"""

from __future__ import annotations

import io
import json
import subprocess
import sys
from collections import Counter
from pathlib import Path
from typing import Any

import geopandas as gpd
import pyogrio
import pypdf
import pytest
from owslib.ogcapi.features import Features
from owslib.ogcapi.processes import Processes
from shapely.geometry import box, shape

from roofplat.tables import CAUTION

JSON = {"Accept": "application/json"}


@pytest.fixture(scope="module")
def features(demo_server: Any) -> Features:
    return Features(f"{demo_server.url}/", headers=JSON)


@pytest.fixture(scope="module")
def layers(demo_build: Path) -> Path:
    return demo_build / "layers.gpkg"


def test_owslib_finds_every_layer_of_the_build(features: Features, layers: Path) -> None:
    named = {name for name, _ in pyogrio.list_layers(layers)}
    assert {one["id"] for one in features.collections()["collections"]} == named
    assert set(features.feature_collections()) == named


def test_what_it_says_it_keeps_to_has_links_that_lead_there(features: Features, demo_server: Any) -> None:
    classes = features.conformance()["conformsTo"]
    assert "http://www.opengis.net/spec/ogcapi-features-1/1.0/conf/core" in classes
    assert "http://www.opengis.net/spec/ogcapi-processes-1/1.0/conf/core" in classes
    assert not [
        name for name in classes if "replace-delete" in name or "callback" in name or "job-list" in name
    ]
    # Every link of every document that describes the service can be followed.
    seen: set[str] = set()
    waiting = [f"{demo_server.url}/?f=json"]
    while waiting:
        address = waiting.pop()
        if address in seen or not address.startswith(demo_server.url):
            continue
        seen.add(address)
        path = address.removeprefix(demo_server.url)
        path = path if path.startswith("/") else f"/{path}"
        if path.startswith(("/processes/plan-roof/execution", "/processes/roof-sheet/execution")):
            continue
        status, headers, content = demo_server.ask(path)
        assert status == 200, (address, content)
        if "/items" not in path and "json" in headers["content-type"]:
            document = json.loads(content)
            parts = [document, *document.get("collections", []), *document.get("processes", [])]
            waiting += [link["href"] for part in parts for link in part.get("links", [])]
    assert any(address.endswith("/collections/ladders?f=html") for address in seen)
    assert len(seen) > 150


def test_owslib_pages_through_a_layer_once(features: Features, layers: Path) -> None:
    rows = gpd.read_file(layers, layer="sections")
    seen: list[Any] = []
    while True:
        page = features.collection_items("sections", limit=100, offset=len(seen))
        assert page["numberMatched"] == len(rows)
        assert page["numberReturned"] == len(page["features"])
        seen += [one["properties"]["section_id"] for one in page["features"]]
        if not [link for link in page["links"] if link["rel"] == "next"]:
            break
    assert Counter(seen) == Counter(rows["section_id"])


def test_a_box_selects_what_meets_it(features: Features, layers: Path) -> None:
    rows = gpd.read_file(layers, layer="buildings").to_crs("OGC:CRS84")
    west, south, east, north = rows.total_bounds
    middle = [west + (east - west) * 0.4, south + (north - south) * 0.4]
    middle += [west + (east - west) * 0.6, south + (north - south) * 0.6]
    page = features.collection_items("buildings", bbox=middle, limit=1000)
    expected = set(rows.loc[rows.intersects(box(*middle)), "building_id"])
    assert 0 < len(expected) < len(rows)
    assert {one["properties"]["building_id"] for one in page["features"]} == expected


def test_an_area_and_a_value_select(features: Features, layers: Path) -> None:
    rows = gpd.read_file(layers, layer="buildings")
    page = features.collection_items("buildings", dispatch_area="Kiln Yards", limit=1000)
    expected = rows[rows["dispatch_area"] == "Kiln Yards"]
    assert {one["properties"]["building_id"] for one in page["features"]} == set(expected["building_id"])
    ladders = gpd.read_file(layers, layer="ladders")
    page = features.collection_items("ladders", dispatch_area="Kiln Yards", rank=1, limit=1000)
    inside = ladders["building_id"].isin(expected["building_id"]) & (ladders["rank"] == 1)
    assert page["numberMatched"] == inside.sum() > 0


def test_an_item_is_the_row_of_the_layer(features: Features, layers: Path) -> None:
    rows = gpd.read_file(layers, layer="buildings").to_crs("OGC:CRS84").set_index("building_id")
    item = features.collection_item("buildings", "MB-0004")
    assert item["properties"]["building_id"] == "MB-0004"
    assert item["properties"]["roof_family"] == rows.loc["MB-0004", "roof_family"]
    # Within the rounding of 7 decimals, which is about 1 cm.
    assert shape(item["geometry"]).hausdorff_distance(rows.loc["MB-0004", "geometry"]) < 1e-7


def test_every_queryable_filters(demo_server: Any) -> None:
    """OGC 19-079r2, requirement queryables-query-parameters: each one listed is a parameter."""
    queryables = demo_server.json("/collections/sections/queryables")["properties"]
    first = demo_server.json("/collections/sections/items?limit=1")["features"][0]["properties"]
    asked = 0
    for name, value in first.items():
        if value is not None and not isinstance(value, float):
            assert name in queryables
            word = json.dumps(value) if isinstance(value, bool) else str(value)
            page = demo_server.json(f"/collections/sections/items?limit=5&{name}={word.replace(' ', '%20')}")
            assert page["numberMatched"] >= 1, name
            assert all(one["properties"][name] == value for one in page["features"]), name
            asked += 1
    assert asked >= 8


def test_owslib_describes_and_runs_the_processes(demo_server: Any) -> None:
    processes = Processes(f"{demo_server.url}/", headers=JSON)
    assert {one["id"] for one in processes.processes()} == {"plan-roof", "roof-sheet"}
    described = processes.process("plan-roof")
    assert {"building_id", "fire", "wind_from_deg", "method", "ladder"} <= set(described["inputs"])
    assert described["jobControlOptions"] == ["sync-execute"]
    answer = processes.execute("plan-roof", {"building_id": "MB-0004", "wind_from_deg": 90})["plan"]
    assert answer["type"] == "FeatureCollection"
    assert answer["caution"] == CAUTION
    assert answer["scenario"]["wind_from_deg"] == 90.0
    assert {one["properties"]["layer"] for one in answer["features"]} >= {"walls", "ladders"}


def test_the_sheet_is_a_pdf(demo_server: Any) -> None:
    status, headers, content = demo_server.execute("roof-sheet", building_id="MB-0004", wind_from_deg=90)
    assert (status, headers["content-type"]) == (200, "application/pdf")
    assert len(pypdf.PdfReader(io.BytesIO(content)).pages) == 1


def test_a_document_holds_the_same_answer(demo_server: Any) -> None:
    """OGC 18-062r2, section 7.11.2: `response` raw or document."""
    headers = {"Content-Type": "application/json"}
    answers = []
    for response in ("raw", "document"):
        asked = {"inputs": {"building_id": "MB-0001"}, "response": response}
        status, _, content = demo_server.ask(
            "/processes/plan-roof/execution", method="POST", body=json.dumps(asked).encode(), headers=headers
        )
        assert status == 200, content
        answers.append(json.loads(content))
    assert answers[1] == {"plan": answers[0]}


def test_gdal_reads_a_layer(demo_server: Any, layers: Path) -> None:
    source = f"OAPIF:{demo_server.url}/"
    named = {name for name, _ in pyogrio.list_layers(source)}
    assert {"buildings", "ladders", "openings"} <= named
    rows = gpd.read_file(layers, layer="ladders").to_crs("OGC:CRS84")
    read = gpd.read_file(source, layer="ladders", engine="pyogrio")
    assert len(read) == len(rows)
    same = read.set_crs("OGC:CRS84", allow_override=True).total_bounds - rows.total_bounds
    assert abs(same).max() < 1e-6
    assert Counter(read["building_id"]) == Counter(rows["building_id"])


def test_the_description_refers_to_nothing_outside_itself(demo_server: Any) -> None:
    status, headers, content = demo_server.ask("/openapi")
    assert (status, headers["content-type"]) == (200, "application/vnd.oai.openapi+json;version=3.0")
    text = content.decode("utf-8")
    assert '"$ref":"http' not in text
    document = json.loads(text)
    assert document["servers"][0]["url"] == demo_server.url
    assert document["info"]["description"] == CAUTION
    names = [operation["operationId"] for path in document["paths"].values() for operation in path.values()]
    assert len(names) == len(set(names))


@pytest.mark.parametrize(
    ("paths", "examples"),
    [
        (r"^/(api|health|openapi|conformance|collections|processes)?$", 10),
        (r"^/collections/ladders(/.*)?$", 30),
        (r"^/processes/", 30),
    ],
)
def test_schemathesis_finds_no_fault(demo_server: Any, tmp_path: Path, paths: str, examples: int) -> None:
    """Values that the description allows and ones that it does not: no 5xx, always what is described."""
    checks = (
        "not_a_server_error,status_code_conformance,content_type_conformance,response_schema_conformance,"
        "response_headers_conformance,unsupported_method,missing_required_header"
    )
    command = ["run", f"{demo_server.url}/openapi", "--include-path-regex", paths, "--checks", checks]
    command += ["--phases", "examples,coverage,fuzzing", "--mode", "all", "--max-examples", str(examples)]
    command += ["--generation-deterministic", "--request-timeout", "120", "--suppress-health-check", "all"]
    command += ["--continue-on-failure", "--no-color", "--warnings", "off"]
    ran = subprocess.run(
        [sys.executable, "-m", "schemathesis.cli", *command],
        check=False, capture_output=True, text=True, cwd=tmp_path,
    )  # fmt: skip
    assert ran.returncode == 0, ran.stdout[-8000:] + ran.stderr[-2000:]
    assert "No issues found" in ran.stdout
