"""Who may ask, what may be asked, what an answer carries: attacks, each refused in a sentence."""

from __future__ import annotations

import base64
import json
import os
import re
import socket
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pyogrio
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pyogrio.errors import DataSourceError
from tests.serve.conftest import DEMO, ROOFPLAT

from roofplat.district import Service
from roofplat.serve.description import Route
from roofplat.serve.guard import (
    Guard,
    RefusedError,
    Wanted,
    accepted_format,
    inputs_of,
    parameters_of,
    plain_environ,
)
from roofplat.serve.setting import Serving

TOKEN = "kX7" * 12
JSON = {"Content-Type": "application/json"}
PLAN = "/processes/plan-roof/execution"
ASK = json.dumps({"inputs": {"building_id": "MB-0001"}}).encode()


def sentence(content: bytes) -> str:
    """The description of a refusal: one sentence, without a traceback or a path of the machine."""
    said = str(json.loads(content)["description"])
    assert said.endswith((".", "?")), said
    assert "Traceback" not in said
    assert "/tmp" not in said
    assert str(Path.home()) not in said
    return said


def raw(port: int, request: bytes) -> bytes:
    """Send bytes as they are; what comes back until the server closes."""
    with socket.create_connection(("127.0.0.1", port), timeout=30) as line:
        line.sendall(request)
        line.shutdown(socket.SHUT_WR)
        found = b""
        while more := line.recv(65536):
            found += more
        return found


# What is asked that is not there, or cannot be.


@pytest.mark.parametrize(
    "path",
    [
        "/../../etc/passwd",
        "/..%2f..%2fetc/passwd",
        "/%2e%2e/%2e%2e/etc/passwd",
        "/sheets/../build.json",
        "/build.json",
        "/layers.gpkg",
        "/planner.gpkg",
        "/ranking.csv",
        "/static/css/default.css",
        "/sheets/%5c..%5cbuild.json",
        "//etc/passwd",
        "/areas/",
        "/areas/../map.html",
        "/stac",
        "/jobs",
        "/jobs/1",
        "/jobs/1/results",
        "/TileMatrixSets",
        "/admin/config",
        "/schemas/../../etc/passwd",
        "/collections/buildings/coverage",
        "/collections/buildings/tiles",
        "/collections/buildings/map",
        "/collections/buildings/position",
        "/collections/buildings/",
        "/collections//buildings",
        "/collections/buildings/items//MB-0001",
        "/collections/buildings/items/MB-0001/",
        "/collections/roofs/items",
        "/collections/sqlite_master/items",
        "/collections/rtree_buildings_geom/items",
        "/processes/hello-world/execution",
        "/openapi%00",
        "/collections/%C3%28",
    ],
)
def test_what_is_not_described_is_not_there(demo_server: Any, path: str) -> None:
    status, _, content = demo_server.ask(path)
    assert status in (400, 404)
    sentence(content)
    assert b"root:" not in content


@pytest.mark.parametrize(
    "query",
    [
        "limit=0",
        "limit=-1",
        "limit=1e9",
        "limit=" + "9" * 5000,
        "limit=٣",
        "offset=-1",
        "offset=99999999999999999999",
        "bbox=1,2,3",
        "bbox=nan,nan,nan,nan",
        "bbox=-inf,-inf,inf,inf",
        "bbox=1,2,3,four",
        "bbox=0,80,1,10",
        "bbox=" + "1" * 400 + ",0,1,1",
        "bbox-crs=EPSG:4326&bbox=0,0,1,1",
        "crs=file:///etc/passwd",
        "sortby=",
        "sortby=nothing",
        "sortby=building_id;drop",
        "properties=nothing",
        "skipGeometry=perhaps",
        "resulttype=index",
        "f=jsonld",
        "f=csv",
        "f=",
        "limit=1&limit=2",
        "filter=building_id='MB-0001'",
        "filter-lang=cql-text",
        "lang=xx",
        "q=shed",
        "dispatch_ara=Kiln%20Yards",
        "building_id=%00",
        "building_id=%ff",
        "height_ft=tall",
        "storeys=1.5",
        "sprinklered=perhaps",
        "family_basis=guessed",
        "datetime=yesterday",
        "&".join(f"a{number}=1" for number in range(200)),
    ],
)
def test_a_value_that_cannot_be_is_refused(demo_server: Any, query: str) -> None:
    from urllib.parse import quote

    path = "/collections/buildings/items?" + quote(query, safe="=&%,;:/'")
    status, _, content = demo_server.ask(path)
    assert status in (400, 414), content[:300]
    sentence(content)


@pytest.mark.parametrize(
    "value",
    [
        "' OR 1=1 --",
        "MB-0001'; DROP TABLE buildings; --",
        '" OR ""="',
        "MB-0001) UNION SELECT * FROM sqlite_master --",
        "{{7*7}}",
        "${7*7}",
        "<script>alert(1)</script>",
        "../../etc/passwd",
        "%",
        "_",
        "*",
    ],
)
def test_a_value_is_never_a_statement_or_a_template(demo_server: Any, value: str) -> None:
    from urllib.parse import quote

    for form in ("json", "html"):
        path = f"/collections/buildings/items?f={form}&building_id={quote(value, safe='')}"
        status, _, content = demo_server.ask(path)
        assert status == 200
        assert form == "json" or b"<script" not in content
        if form == "json":
            assert json.loads(content)["numberMatched"] == 0
        else:
            assert b"0 of 0 items" in content
        status, _, content = demo_server.ask(f"/collections/buildings/items/{quote(value, safe='')}?f={form}")
        assert status == 404
        assert form == "json" or b"<script" not in content
    assert demo_server.json("/collections/buildings/items?resulttype=hits")["numberMatched"] > 500


def test_a_larger_page_than_the_most_is_the_most(demo_server: Any) -> None:
    """OGC 17-069r4, requirement fc-limit-response-1: no error, but no more than the server's own most."""
    page = demo_server.json("/collections/facts/items?limit=999999")
    assert page["numberReturned"] == len(page["features"]) == Service().most_items < page["numberMatched"]
    assert len(demo_server.json("/collections/facts/items")["features"]) == Service().page_items


def test_a_long_address_is_refused(demo_server: Any) -> None:
    status, _, content = demo_server.ask("/collections/buildings/items?building_id=" + "a" * 5000)
    assert status == 414
    assert "4000 characters" in sentence(content)


@pytest.mark.parametrize("method", ["PUT", "PATCH", "DELETE", "TRACE", "CONNECT", "PROPFIND"])
def test_only_reading_and_asking(demo_server: Any, method: str) -> None:
    for path in ("/", "/collections/buildings/items", "/collections/buildings/items/MB-0001", PLAN):
        status, headers, content = demo_server.ask(path, method=method)
        assert status in (400, 405)
        if status == 405:
            assert headers["allow"] in ("GET, HEAD, OPTIONS", "POST, OPTIONS")
            sentence(content)
    status, _, _ = demo_server.ask("/collections/buildings/items", method="POST", body=b"{}", headers=JSON)
    assert status == 405
    assert demo_server.ask(PLAN)[0] == 405


def test_options_and_head(demo_server: Any) -> None:
    status, headers, content = demo_server.ask("/collections/buildings/items", method="OPTIONS")
    assert (status, headers["allow"], content) == (204, "GET, HEAD, OPTIONS", b"")
    assert "access-control-allow-origin" not in headers
    for path in ("/health", "/collections/buildings/items", "/openapi", "/"):
        status, headers, content = demo_server.ask(path, method="HEAD")
        assert (status, content) == (200, b"")
        assert int(headers["content-length"]) > 0


@pytest.mark.parametrize(
    ("body", "headers", "wanted"),
    [
        (b"", JSON, 400),
        (b"not json", JSON, 400),
        (b"[]", JSON, 400),
        (b"null", JSON, 400),
        (b'{"inputs": []}', JSON, 400),
        (b'{"inputs": {"building_id": NaN}}', JSON, 400),
        (b'{"inputs": {"wind_from_deg": 1e999, "building_id": "MB-0001"}}', JSON, 400),
        (b'{"inputs": {"building_id": "a", "building_id": "b"}}', JSON, 400),
        (b'{"inputs": ' + b'{"a":' * 5000 + b"1" + b"}" * 5000 + b"}", JSON, 400),
        (b"[" * 60000, JSON, 400),
        (b'{"inputs": {"building_id": "MB-0001"}, "subscriber": {"successUri": "http://a/"}}', JSON, 400),
        (b'{"inputs": {"building_id": "MB-0001"}, "mode": "async"}', JSON, 400),
        (b'{"inputs": {"building_id": "MB-0001"}, "response": "file"}', JSON, 400),
        (b'{"inputs": {"building_id": "\xff"}}', JSON, 400),
        (b'{"inputs": {"building_id": "' + b"a" * 70000 + b'"}}', JSON, 413),
        (b'{"inputs": {"building_id": "' + b"a" * 900000 + b'"}}', JSON, 413),
        (ASK, {"Content-Type": "text/plain"}, 415),
        (ASK, {"Content-Type": "application/x-www-form-urlencoded"}, 415),
        (ASK, {"Content-Type": "multipart/form-data; boundary=a"}, 415),
        (ASK, {}, 415),
    ],
)  # fmt: skip
def test_a_body_that_cannot_be_is_refused(
    demo_server: Any, body: bytes, headers: dict[str, str], wanted: int
) -> None:
    status, _, content = demo_server.ask(PLAN, method="POST", body=body, headers=headers)
    assert status == wanted, content[:300]
    sentence(content)


def test_a_request_that_is_no_http_is_refused(demo_server: Any) -> None:
    host = f"Host: 127.0.0.1:{demo_server.port}\r\n".encode()
    read, post = b"GET /health HTTP/1.1\r\n" + host, f"POST {PLAN} HTTP/1.1\r\n".encode() + host
    for request in (
        b"GET\r\n\r\n",
        read + b"Bad Header: 1\r\n\r\n",
        post + b"Content-Length: 5\r\nContent-Length: 6\r\n\r\n",
        post + b"Content-Length: -5\r\n\r\n",
        post + b"Transfer-Encoding: gzip, chunked\r\n\r\n0\r\n\r\n",
    ):
        answer = raw(demo_server.port, request)
        head, _, content = answer.partition(b"\r\n\r\n")
        assert re.match(rb"HTTP/1\.[01] (4\d\d|501) ", head), (request[:60], answer[:300])
        assert b"waitress" not in answer.lower()
        assert b"Content-Security-Policy: default-src 'none'" in head
        sentence(content)
    assert demo_server.ask("/health")[0] == 200


def test_endless_headers_are_cut_off(demo_server: Any) -> None:
    with socket.create_connection(("127.0.0.1", demo_server.port), timeout=30) as line:
        line.sendall(f"GET /health HTTP/1.1\r\nHost: 127.0.0.1:{demo_server.port}\r\n".encode())
        with pytest.raises(OSError, match=r"reset|pipe"):
            line.sendall((b"X: " + b"a" * 10_000 + b"\r\n") * 10_000)
    assert demo_server.ask("/health")[0] == 200


def test_two_requests_cannot_hide_in_one(demo_server: Any) -> None:
    """A body that two readers could count differently never reaches the application (request smuggling)."""
    host = f"Host: 127.0.0.1:{demo_server.port}\r\n".encode()
    hidden = b"GET /collections HTTP/1.1\r\n" + host + b"\r\n"
    both = b"Content-Length: %d\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n" % (len(hidden) + 5)
    answer = raw(demo_server.port, b"POST " + PLAN.encode() + b" HTTP/1.1\r\n" + host + both + hidden)
    assert answer.count(b'"collections":[') <= 1
    assert answer.startswith(b"HTTP/1.1 4")
    for line in (b"X: a\r\nb: c\nSet-Cookie: d\r\n", b"X: a\x00b\r\n"):
        answer = raw(demo_server.port, b"GET /health HTTP/1.1\r\n" + host + line + b"\r\n")
        assert b"Set-Cookie: d" not in answer.partition(b"\r\n\r\n")[0]


# From where it is asked.


@pytest.mark.parametrize(
    "host",
    ["evil.example", "127.0.0.1.evil.example", "localhost.evil.example", "", "a b", "[::1", "127.0.0.2"],
)
def test_a_foreign_name_is_refused(demo_server: Any, host: str) -> None:
    """DNS rebinding: a foreign site's name that is made to lead to this machine."""
    for method, path in (("GET", "/"), ("GET", "/collections"), ("POST", PLAN)):
        answer = raw(
            demo_server.port,
            f"{method} {path} HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n".encode(),
        )
        assert re.match(rb"HTTP/1\.1 (421|400) ", answer), answer[:200]
        assert b"Mallow" not in answer
    answer = raw(demo_server.port, b"GET /collections HTTP/1.0\r\n\r\n")
    assert answer.startswith(b"HTTP/1.0 421")


@pytest.mark.parametrize("host", ["localhost", "LOCALHOST:1", "127.0.0.1", "[::1]:80"])
def test_its_own_names_are_not(demo_server: Any, host: str) -> None:
    answer = raw(
        demo_server.port, f"GET /health HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n".encode()
    )
    assert answer.startswith(b"HTTP/1.1 200")


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "https://evil.example"},
        {"Origin": "null"},
        {"Origin": "http://127.0.0.1:1"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
    ],
)
def test_another_sites_page_cannot_ask(demo_server: Any, headers: dict[str, str]) -> None:
    status, answered, content = demo_server.ask(PLAN, method="POST", body=ASK, headers={**JSON, **headers})
    assert status == 403
    assert "access-control-allow-origin" not in answered
    sentence(content)


def test_its_own_page_can(demo_server: Any) -> None:
    own = {**JSON, "Origin": demo_server.url, "Sec-Fetch-Site": "same-origin"}
    assert demo_server.ask(PLAN, method="POST", body=ASK, headers=own)[0] == 200


def test_every_answer_carries_the_headers(demo_server: Any) -> None:
    asked = ["/", "/api?f=html", "/api", "/health", "/nothing", "/nothing?f=html", "/report.html"]
    asked += ["/areas/kiln-yards.html", "/collections/buildings/items", "/collections/buildings/items?f=html"]
    asked += ["/collections/buildings/items/none", "/collections/buildings/items?limit=0"]
    for path in asked:
        accept = "text/html" if path == "/" else "*/*"
        _, headers, _ = demo_server.ask(path, headers={"Accept": accept})
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["x-frame-options"] == "DENY"
        assert headers["referrer-policy"] == "no-referrer"
        assert headers["cross-origin-resource-policy"] == "same-origin"
        assert headers["cache-control"] == "no-store"
        assert "geolocation=(self)" in headers["permissions-policy"]
        policy = headers["content-security-policy"]
        assert policy.startswith("default-src 'none'")
        assert "frame-ancestors 'none'" in policy
        assert "unsafe" not in policy
        assert "*" not in policy
        assert not {"server", "x-powered-by", "set-cookie", "access-control-allow-origin"} & set(headers)


# The token.


@pytest.fixture
def token_file(tmp_path: Path) -> Path:
    path = tmp_path / "token"
    path.write_text(f"{TOKEN}\n", "ascii")
    path.chmod(0o600)
    return path


def test_with_a_token_every_request_needs_it(serve: Callable[..., Any], token_file: Path) -> None:
    server = serve("--token-file", str(token_file), "--workers", "1")
    basic = base64.b64encode(f"anyone:{TOKEN}".encode()).decode()
    right = [{"Authorization": f"Bearer {TOKEN}"}, {"Authorization": f"Basic {basic}"},
             {"Authorization": f"bearer {TOKEN}"}]  # fmt: skip
    wrong = [
        {},
        {"Authorization": TOKEN},
        {"Authorization": "Bearer"},
        {"Authorization": "Bearer " + TOKEN[:-1]},
        {"Authorization": f"Bearer {TOKEN}a"},
        {"Authorization": "Bearer é"},
        {"Authorization": "Basic " + base64.b64encode(TOKEN.encode()).decode()},
        {"Authorization": "Basic !!!"},
        {"Authorization": f"Digest {TOKEN}"},
        {"X-Token": TOKEN},
    ]
    paths = ["/", "/health", "/api", "/collections/buildings/items", "/report.html", "/nothing", "/openapi"]
    for path in paths:
        for headers in wrong:
            status, answered, content = server.ask(
                path, headers={k: v.encode("latin-1") for k, v in headers.items()}
            )
            assert status == 401, (path, headers)
            assert answered["www-authenticate"].startswith(("Basic", "Bearer"))
            sentence(content)
        for headers in right:
            assert server.ask(path, headers=headers)[0] == (404 if path == "/nothing" else 200)
        assert server.ask(f"{path}?token={TOKEN}&access_token={TOKEN}")[0] == 401
    with pytest.raises(DataSourceError):
        pyogrio.list_layers(f"OAPIF:{server.url}/")
    pyogrio.set_gdal_config_options({"GDAL_HTTP_USERPWD": f"anyone:{TOKEN}"})
    try:
        assert "ladders" in {name for name, _ in pyogrio.list_layers(f"OAPIF:{server.url}/")}
    finally:
        pyogrio.set_gdal_config_options({"GDAL_HTTP_USERPWD": None})
    assert server.ask(PLAN, method="POST", body=ASK, headers=JSON)[0] == 401
    assert server.ask(PLAN, method="POST", body=ASK, headers={**JSON, **right[0]})[0] == 200
    assert TOKEN not in server.errors()
    command = Path(f"/proc/{server.process.pid}/cmdline")
    assert not command.exists() or TOKEN.encode() not in command.read_bytes()


def refused(folder: Path, *options: str) -> str:
    """What the command says that does not start."""
    ran = subprocess.run(
        [*ROOFPLAT, "serve", str(DEMO), "--out", str(folder), "--port", "0", *options],
        check=False, capture_output=True, text=True, timeout=300,
    )  # fmt: skip
    assert ran.returncode in (1, 2), ran.stdout
    assert "Traceback" not in ran.stderr
    assert ran.stderr.startswith("Error: ")
    assert ran.stderr.count("\n") == 1
    return ran.stderr


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "0", "0x0"])
def test_no_other_machine_without_a_token(demo_build: Path, host: str) -> None:
    assert "token file" in refused(demo_build, "--host", host)


@pytest.mark.parametrize(("host", "address"), [("::1", "[::1]"), ("localhost", "localhost")])
def test_other_names_of_this_machine_need_none(serve: Callable[..., Any], host: str, address: str) -> None:
    server = serve("--host", host, "--workers", "1")
    assert server.url == f"http://{address}:{server.port}"
    links = [link["href"] for link in server.json("/api")["links"]]
    assert all(link.startswith(server.url) for link in links)
    assert server.ask("/api", headers={"Host": "evil.example"})[0] == 421


def test_every_address_needs_a_name(demo_build: Path, token_file: Path) -> None:
    assert "--url" in refused(demo_build, "--host", "0.0.0.0", "--token-file", str(token_file))


def test_a_token_that_is_none_is_refused(demo_build: Path, token_file: Path) -> None:
    if os.name == "posix":
        token_file.chmod(0o640)
        assert "chmod 600" in refused(demo_build, "--token-file", str(token_file))
        token_file.chmod(0o600)
    for text in ("", "short", "a" * 31, "two words of which none is a token at all", "ä" * 40):
        token_file.write_text(text, "utf-8")
        said = refused(demo_build, "--token-file", str(token_file))
        assert "32 characters" in said
        assert not text or text not in said
    assert "cannot be read" in refused(demo_build, "--token-file", str(token_file.with_name("none")))


def test_what_is_served_under_a_name_answers_to_it(serve: Callable[..., Any], token_file: Path) -> None:
    server = serve("--host", "0.0.0.0", "--token-file", str(token_file), "--url", "https://Plans.example.org/",
                   "--workers", "1", address="http://127.0.0.1")  # fmt: skip
    right = {"Authorization": f"Bearer {TOKEN}"}
    status, _, content = server.ask("/api", headers={**right, "Host": "plans.example.org"})
    assert status == 200
    links = [link["href"] for link in json.loads(content)["links"]]
    assert links
    assert all(link.startswith("https://plans.example.org") for link in links)
    assert server.ask("/api", headers={**right, "Host": "other.example.org"})[0] == 421
    own = {**JSON, **right, "Host": "plans.example.org", "Origin": "https://plans.example.org"}
    assert server.ask(PLAN, method="POST", body=ASK, headers=own)[0] == 200


# The parts by themselves.


@given(st.text(max_size=60), st.text(max_size=60))
def test_parameters_are_read_or_refused(name: str, value: str) -> None:
    try:
        found = parameters_of(f"{name}={value}")
    except RefusedError as error:
        found = {"status": str(error.status)}
    assert found == {"status": "400"} or "\x00" not in "".join([*found, *found.values()])


@given(st.binary(max_size=200))
def test_a_body_is_read_or_refused(body: bytes) -> None:
    try:
        found = inputs_of(body)
    except RefusedError as error:
        found = {"status": error.status}
    assert isinstance(found, dict)
    assert found.get("status", 400) == 400


@given(st.text(max_size=80))
def test_any_word_of_what_is_accepted_is_read(accept: str) -> None:
    assert accepted_format(None, accept) in ("json", "html")


@pytest.mark.parametrize(
    ("accept", "wanted"),
    [
        ("", "json"),
        ("*/*", "json"),
        ("text/html", "html"),
        ("application/geo+json", "json"),
        ("text/html;q=0", "json"),
        ("application/json;q=0.9, text/html", "html"),
        ("text/html;q=0.5, application/json", "json"),
        ("text/html,application/xhtml+xml,application/xml;q=0.9,image/avif,*/*;q=0.8", "html"),
        (";;;,,q=2", "json"),
    ],
)
def test_what_the_client_likes_better(accept: str, wanted: str) -> None:
    assert accepted_format(None, accept) == wanted


def test_a_mistake_of_ours_is_a_sentence(caplog: pytest.LogCaptureFixture) -> None:
    """A defect behind the guard is logged, and the client hears one sentence and no traceback."""

    def breaks(wanted: Wanted, environ: dict[str, Any]) -> Any:
        raise ZeroDivisionError(wanted.path)

    serving = Serving("Demo", Path(), None, "http://127.0.0.1", frozenset({"127.0.0.1"}), None, Service())
    guard = Guard(serving, breaks, lambda *_: ("", ""), lambda path: Route(path, {"get": frozenset()}))
    begun: list[Any] = []
    environ = {"REQUEST_METHOD": "GET", "PATH_INFO": "/secret", "HTTP_HOST": "127.0.0.1", "QUERY_STRING": ""}
    parts = guard(environ, lambda status, headers: begun.append((status, headers)))
    assert begun[0][0] == "500 Internal Server Error"
    said = sentence(b"".join(parts))
    assert "secret" not in said
    assert "ZeroDivisionError" in caplog.text


def test_the_application_behind_sees_only_what_was_checked() -> None:
    wanted = Wanted("/collections", "/collections", {"bbox": "1,2,3,4"}, "json", b"")
    environ = {"HTTP_HOST": "localhost", "REQUEST_METHOD": "GET", "QUERY_STRING": "lang=xx"}
    environ |= {"HTTP_X_FORWARDED_HOST": "evil", "HTTP_COOKIE": "a", "HTTP_ACCEPT": "q;q=0"}
    environ |= {"HTTP_AUTHORIZATION": "Bearer secret", "HTTP_ACCEPT_LANGUAGE": "xx"}
    plain = plain_environ(environ, wanted)
    assert "secret" not in str(plain)
    assert not {"HTTP_X_FORWARDED_HOST", "HTTP_COOKIE", "HTTP_ACCEPT_LANGUAGE"} & set(plain)
    assert plain["QUERY_STRING"] == "bbox=1%2C2%2C3%2C4&f=json"
