"""The application of one worker process: the guard, our own pages, and pygeoapi behind them.

In: one run of the service.
Out: a WSGI application. What it says of the layers is made anew when they change underneath it.
"""

from __future__ import annotations

import html
import json
import logging
import os
import tempfile
import threading
import time
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any
from wsgiref.util import FileWrapper

from roofplat.errors import RoofplatError
from roofplat.serve.config import api_config
from roofplat.serve.description import CONFORMS, OPENAPI, Route, describe, routes_of
from roofplat.serve.guard import Answer, Environ, Guard, RefusedError, Wanted, plain_environ
from roofplat.serve.pages import BuiltFiles, could_be_shown, page_policy, render
from roofplat.serve.setting import Serving
from roofplat.serve.source import source_of

__all__ = ["make_app"]

_LOG = logging.getLogger(__name__)
# After a try that failed, the layers are left alone for so long.
_PAUSE_S = 1.0
_FILE_ROUTE = Route("/{name}", {"get": frozenset()})


@dataclass(frozen=True, slots=True)
class _State:
    """What is said of one state of the layers."""

    identity: Any
    build: str
    config: dict[str, Any]
    document: dict[str, Any]
    document_json: bytes
    routes: list[Route]
    api: Any


def make_app(serving: Serving) -> Guard:
    """Make the application.

    Raises
    ------
    RoofplatError
        The layers cannot be read.
    """
    return _Site(serving).guard


class _Site:
    """Holds what is said of the layers now, and answers checked requests."""

    def __init__(self, serving: Serving) -> None:
        self._serving = serving
        self._source = source_of(serving)
        self._flask = _flask_app(serving)
        self._files = BuiltFiles(serving.folder)
        self._policy = page_policy()
        self._lock = threading.Lock()
        self._not_before = 0.0
        self._state = self._look()
        if serving.database is None:
            # What cannot be served is said at the start.
            self._files.names()
        self._flask.api_ = self._state.api
        self.guard = Guard(serving, self._answer, self._refusal, self._route_of)

    def _look(self) -> _State:
        from pygeoapi.api import API
        from pygeoapi.plugin import load_plugin

        serving = self._serving
        # Before the layers are read: a change while they are read is found by the next request.
        identity = self._source.identity()
        build = self._source.build()
        config = api_config(serving, self._source.collections(), build=build)
        fields = {}
        processes = {}
        dated = set()
        for name, resource in config["resources"].items():
            if resource["type"] == "process":
                processes[name] = load_plugin("process", resource["processor"]).metadata
                # The pages of the server name a process as they name a collection.
                resource |= {"title": processes[name]["title"], "description": processes[name]["description"]}
            else:
                provider = load_plugin("provider", resource["providers"][0])
                fields[name] = dict(provider.fields)
                if provider.time_field:
                    dated.add(name)
        document = describe(config, fields, processes, dated=frozenset(dated))
        config["roofplat"]["fields"] = fields
        text = json.dumps(document, separators=(",", ":")).encode("utf-8")
        return _State(identity, build, config, document, text, routes_of(document), API(config, document))

    def _refresh(self) -> None:
        """Look at the layers again where they are others; one request does it, the rest go on."""
        now = time.monotonic()
        if now < self._not_before or not self._lock.acquire(blocking=False):
            return
        try:
            if self._source.identity() != self._state.identity:
                self._state = self._look()
                self._flask.api_ = self._state.api
        except RoofplatError as error:
            # The old description stands; a request for items says itself that they are gone.
            self._not_before = now + _PAUSE_S
            _LOG.warning("%s", error)
        except Exception:
            self._not_before = now + _PAUSE_S
            _LOG.exception("The layers could not be looked at again.")
        finally:
            self._lock.release()

    def _route_of(self, path: str) -> Route | None:
        self._refresh()
        for route in self._state.routes:
            if route.pattern.fullmatch(path):
                return route
        try:
            return _FILE_ROUTE if path[1:] in self._files.names() else None
        except RoofplatError:
            # Whether there is such a file is not known; the answer says so.
            return _FILE_ROUTE if could_be_shown(path[1:]) else None

    def _answer(self, wanted: Wanted, environ: Environ) -> Answer:
        state = self._state
        try:
            if wanted.template == "/" and wanted.format == "html":
                return self._page(*self._files.live())
            if wanted.template == "/health":
                self._source.identity()
                return _json_answer({"status": "ok", "build": state.build})
            if wanted.template == "/openapi":
                if wanted.format == "html":
                    return self._own("openapi.html", state.document)
                return _bytes_answer(state.document_json, OPENAPI)
            if wanted.template == "/conformance":
                says = {"conformsTo": list(CONFORMS)}
                return self._own("conformance.html", says) if wanted.format == "html" else _json_answer(says)
            if wanted.template == _FILE_ROUTE.template:
                file, size, media, policy = self._files.open(wanted.path[1:])
                headers = [("Content-Type", media), ("Content-Length", str(size))]
                headers += [("Content-Security-Policy", policy)] if policy else []
                # The server sends it piece by piece: a map can be large.
                return "200 OK", headers, environ.get("wsgi.file_wrapper", FileWrapper)(file)
        except RoofplatError as error:
            raise RefusedError(503, str(error).replace(f"{self._serving.folder}{os.sep}", "")) from None
        if wanted.template == "/api":
            wanted = replace(wanted, path="/")
        return self._ask_pygeoapi(wanted, environ)

    def _ask_pygeoapi(self, wanted: Wanted, environ: Environ) -> Answer:
        begun: list[tuple[str, list[tuple[str, str]]]] = []

        def start(status: str, headers: list[tuple[str, str]], exc_info: Any = None) -> None:
            del exc_info
            begun.append((status, headers))

        parts: Iterable[bytes] = self._flask.APP(plain_environ(environ, wanted), start)
        status, headers = begun[-1]
        kind = next((value for name, value in headers if name.lower() == "content-type"), "")
        if kind.startswith("text/html"):
            headers = [*headers, ("Content-Security-Policy", self._policy)]
        elif status.startswith("200") and "/items" in wanted.template and kind.startswith("application/json"):
            others = [(name, value) for name, value in headers if name.lower() != "content-type"]
            headers = [*others, ("Content-Type", "application/geo+json")]
        if not status.startswith(("4", "5")):
            return status, headers, parts
        # A sentence may name a file; where it lies is nobody's business.
        content = _without(b"".join(parts), f"{self._serving.folder}{os.sep}")
        others = [(name, value) for name, value in headers if name.lower() != "content-length"]
        return status, [*others, ("Content-Length", str(len(content)))], [content]

    def _own(self, template: str, data: Any) -> Answer:
        return self._page(render(template, self._state.config, data).encode("utf-8"), self._policy)

    def _page(self, content: bytes, policy: str | None) -> Answer:
        status, headers, parts = _bytes_answer(content, "text/html; charset=utf-8")
        return status, headers + ([("Content-Security-Policy", policy)] if policy else []), parts

    def _refusal(self, status: int, code: str, sentence: str) -> tuple[str, str]:
        data = {"status": status, "code": code, "description": sentence}
        return render("exception.html", self._state.config, data), self._policy


def _without(content: bytes, word: str) -> bytes:
    """Leave a word out of a page or of JSON, however it is written there.

    Examples
    --------
    >>> _without(b'{"description":"There is no /srv/plans/layers.gpkg."}', "/srv/plans/")
    b'{"description":"There is no layers.gpkg."}'
    """
    for written in (word, json.dumps(word)[1:-1], html.escape(word)):
        content = content.replace(written.encode("utf-8"), b"")
    return content


def _json_answer(value: Any) -> Answer:
    return _bytes_answer(json.dumps(value, separators=(",", ":")).encode("utf-8"), "application/json")


def _bytes_answer(content: bytes, media: str) -> Answer:
    return "200 OK", [("Content-Type", media), ("Content-Length", str(len(content)))], [content]


def _flask_app(serving: Serving) -> Any:
    """Import pygeoapi's own Flask application, with an empty configuration: the real one comes after.

    It reads two files that the environment names while it is imported.
    """
    empty = api_config(serving, [], {})
    with tempfile.TemporaryDirectory(prefix="roofplat-") as folder:
        files = {"PYGEOAPI_CONFIG": "config.yml", "PYGEOAPI_OPENAPI": "openapi.json"}
        named = {variable: Path(folder) / file for variable, file in files.items()}
        named["PYGEOAPI_CONFIG"].write_text(json.dumps(_plain_config(empty)), "utf-8")
        named["PYGEOAPI_OPENAPI"].write_text(json.dumps(describe(empty, {}, {})), "utf-8")
        os.environ |= {name: str(path) for name, path in named.items()}
        try:
            from pygeoapi import flask_app
        finally:
            for name in named:
                del os.environ[name]
    import pygeoapi.api as core
    from pygeoapi.api import itemtypes, processes

    for module in (core, itemtypes, processes):
        module.to_json = _write_json
    flask_app.APP.register_error_handler(Exception, _flask_failure)
    # What the handler raises reaches our guard.
    flask_app.APP.config["PROPAGATE_EXCEPTIONS"] = True
    return flask_app


def _plain_config(config: dict[str, Any]) -> dict[str, Any]:
    """Without texts of the district: pygeoapi would look for names of the environment in them."""
    identification = config["metadata"]["identification"] | {"title": "roofplat"}
    named = {"name": "roofplat", "url": "http://localhost"}
    metadata = config["metadata"] | {"identification": identification, "provider": named, "contact": named}
    return {key: value for key, value in config.items() if key != "roofplat"} | {"metadata": metadata}


# pygeoapi names these in its links whether or not they are served.
_NOT_SERVED = ("f=jsonld", "/jobs", "/TileMatrixSets")


def _write_json(document: Any, pretty: bool = False) -> str:
    """Stand in for pygeoapi's writer: without links to what is not served, compact.

    Examples
    --------
    >>> _write_json({"links": [{"href": "http://a/jobs?f=json"}, {"href": "http://a/api"}]})
    '{"links":[{"href":"http://a/api"}]}'
    """
    del pretty
    from pygeoapi.util import json_serial

    if isinstance(document, dict):
        document = _without_dead_links(document)
    return json.dumps(document, default=json_serial, separators=(",", ":"), allow_nan=False)


def _without_dead_links(document: dict[str, Any]) -> dict[str, Any]:
    changed = dict(document)
    if isinstance(document.get("links"), list):
        changed["links"] = [
            link for link in document["links"]
            if not any(word in str(link.get("href", "")) for word in _NOT_SERVED)
        ]  # fmt: skip
    for name in ("collections", "processes"):
        if isinstance(document.get(name), list):
            changed[name] = [_without_dead_links(one) for one in document[name]]
    return changed


def _flask_failure(error: Exception) -> Any:
    """What went wrong in Flask or pygeoapi: our guard says it."""
    from werkzeug.exceptions import HTTPException

    if isinstance(error, HTTPException) and error.code is not None and error.code < 500:
        raise RefusedError(error.code, "This cannot be asked; /openapi lists what can.") from None
    raise error
