"""The OpenAPI document of the service: what may be asked, and nothing beside it.

In: pygeoapi's configuration, the fields of each collection, the description of each process.
Out: an OpenAPI 3.0 document that refers to nothing outside itself.

The guard lets through what this document names, so that the two cannot differ.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from copy import deepcopy
from typing import Any

from roofplat.serve.config import CRS84
from roofplat.tables import CAUTION

__all__ = ["CONFORMS", "OPENAPI", "Route", "describe", "routes_of"]

CONFORMS = (
    "http://www.opengis.net/spec/ogcapi-common-1/1.0/conf/core",
    "http://www.opengis.net/spec/ogcapi-common-1/1.0/conf/html",
    "http://www.opengis.net/spec/ogcapi-common-1/1.0/conf/json",
    "http://www.opengis.net/spec/ogcapi-common-1/1.0/conf/landing-page",
    "http://www.opengis.net/spec/ogcapi-common-1/1.0/conf/oas30",
    "http://www.opengis.net/spec/ogcapi-common-2/1.0/conf/collections",
    "http://www.opengis.net/spec/ogcapi-features-1/1.0/conf/core",
    "http://www.opengis.net/spec/ogcapi-features-1/1.0/conf/geojson",
    "http://www.opengis.net/spec/ogcapi-features-1/1.0/conf/html",
    "http://www.opengis.net/spec/ogcapi-features-1/1.0/conf/oas30",
    "http://www.opengis.net/spec/ogcapi-features-3/1.0/conf/queryables",
    "http://www.opengis.net/spec/ogcapi-features-3/1.0/conf/queryables-query-parameters",
    "http://www.opengis.net/spec/ogcapi-processes-1/1.0/conf/core",
    "http://www.opengis.net/spec/ogcapi-processes-1/1.0/conf/json",
    "http://www.opengis.net/spec/ogcapi-processes-1/1.0/conf/oas30",
    "http://www.opengis.net/spec/ogcapi-processes-1/1.0/conf/ogc-process-description",
)
"""What the service keeps to, of OGC 19-072, 20-024, 17-069r4, 19-079r2 and 18-062r2. Checked by owslib."""

LONGEST_ID = 200
_TYPES = {"string", "number", "integer", "boolean"}
_JSON, _HTML = "application/json", "text/html"
_GEOJSON, _SCHEMA = "application/geo+json", "application/schema+json"
OPENAPI = "application/vnd.oai.openapi+json;version=3.0"


class Route:
    """One path of the document: its methods, their parameters, and the values of those that list them."""

    def __init__(
        self,
        template: str,
        methods: Mapping[str, frozenset[str]],
        choices: Mapping[str, tuple[str, ...]] | None = None,
    ) -> None:
        self.template = template
        self.methods = methods
        self.choices = choices or {}
        parts = re.split(r"\{\w+\}", template)
        one = f"(.{{1,{LONGEST_ID}}}?)"
        self.pattern = re.compile(one.join(map(re.escape, parts)))


def routes_of(document: Mapping[str, Any]) -> list[Route]:
    """Read the routes of a document; plain paths come before those with a name in them.

    Examples
    --------
    >>> side = {"in": "query", "name": "side", "schema": {"enum": ["A", "B"]}}
    >>> (route,) = routes_of({"paths": {"/walls/{id}": {"get": {"parameters": [side]}}}})
    >>> bool(route.pattern.fullmatch("/walls/x")), route.methods, route.choices
    (True, {'get': frozenset({'side'})}, {'side': ('A', 'B')})
    """
    shared = document.get("components", {}).get("parameters", {})
    found = []
    for template, path in document["paths"].items():
        methods = {}
        choices: dict[str, tuple[str, ...]] = {}
        for method, operation in path.items():
            named = [
                shared[one["$ref"].rsplit("/", 1)[1]] if "$ref" in one else one
                for one in operation.get("parameters", ())
            ]
            asked = [one for one in named if one["in"] == "query"]
            methods[method] = frozenset(one["name"] for one in asked)
            # Of a list each word must be one of those.
            schemas = {one["name"]: one["schema"].get("items", one["schema"]) for one in asked}
            choices |= {name: tuple(schema["enum"]) for name, schema in schemas.items() if "enum" in schema}
        found.append(Route(template, methods, choices))
    return sorted(found, key=lambda route: ("{" in route.template, route.template))


def describe(
    config: Mapping[str, Any],
    fields: Mapping[str, Mapping[str, Mapping[str, Any]]],
    processes: Mapping[str, Mapping[str, Any]],
    *,
    dated: frozenset[str] = frozenset(),
) -> dict[str, Any]:
    """Make the document.

    Parameters
    ----------
    config
        From `api_config`.
    fields
        By collection: name of a column to its `type`, perhaps `format`, and `values` that it can have.
    processes
        By id: its description as OGC 18-062r2 has it, with `inputs` and `outputs`.
    dated
        Collections that can be asked by date.

    Returns
    -------
    dict
    """
    limits = config["server"]["limits"]
    identification = config["metadata"]["identification"]
    paths: dict[str, Any] = {
        "/": _get("Landing page, or the live map for a browser", "landing", "server"),
        "/api": _get("Landing page", "landing", "server", operation="getApi"),
        "/health": _get("Whether the service answers, and from which build", "health", "server", html=False),
        "/openapi": _get("This document", "anything", "server", media=OPENAPI),
        "/conformance": _get("What the service keeps to", "conformance", "server"),
        "/collections": _get("All layers", "collections", "server"),
    }
    for name, columns in fields.items():
        paths |= _collection(name, config["resources"][name], columns, limits, name in dated)
    if processes:
        processes_list = _get("All processes", "processes", "server")
        processes_list["get"]["parameters"].append(_limit(limits))
        paths["/processes"] = processes_list
    for name, process in processes.items():
        paths[f"/processes/{name}"] = _get(f"Description of {name}", "process", name)
        paths[f"/processes/{name}/execution"] = {"post": _execution(name, process)}
    return {
        "openapi": "3.0.3",
        "info": {
            "title": identification["title"],
            "description": identification["description"],
            "version": "1.0.0",
            "contact": {"name": config["metadata"]["contact"]["name"]},
            "license": {"name": config["metadata"]["license"]["name"]},
        },
        "servers": [{"url": config["server"]["url"], "description": identification["title"]}],
        "tags": [{"name": "server", "description": "The service itself"}]
        + [{"name": name, "description": config["resources"][name]["title"]} for name in fields]
        + [{"name": name, "description": one["title"]} for name, one in processes.items()],
        "paths": paths,
        "components": {"parameters": _PARAMETERS, "schemas": _SCHEMAS, "responses": _RESPONSES},
    }


def _collection(
    name: str,
    resource: Mapping[str, Any],
    columns: Mapping[str, Mapping[str, Any]],
    limits: Mapping[str, int],
    dated: bool,
) -> dict[str, Any]:
    title, base = resource["title"], f"/collections/{name}"
    items = _get(f"Items of: {title}", "items", name, media=_GEOJSON)
    items["get"]["description"] = resource["description"]
    crs = _crs("crs", "The coordinate reference system of the answer.", resource)
    own = [_column(column, schema) for column, schema in columns.items() if column not in _TAKEN]
    items["get"]["parameters"] += [
        {"$ref": "#/components/parameters/bbox"},
        _crs("bbox-crs", "The coordinate reference system of `bbox`.", resource),
        crs,
        _limit(limits),
        {"$ref": "#/components/parameters/offset"},
        {"$ref": "#/components/parameters/resulttype"},
        {"$ref": "#/components/parameters/skipGeometry"},
        *([{"$ref": "#/components/parameters/datetime"}] if dated else []),
        _list_of("sortby", "Columns to sort by; `-` before one sorts down.",
                 [sign + column for column in columns for sign in ("", "-", "+")]),
        _list_of("properties", "Columns that are wanted.", list(columns)),
        *own,
    ]  # fmt: skip
    item = _get(f"One item of: {title}", "item", name, media=_GEOJSON, operation=f"getItemOf_{name}")
    item["get"]["parameters"] += [
        crs,
        {
            "name": "featureId",
            "in": "path",
            "required": True,
            "description": "Id of an item.",
            "schema": {"type": "string", "minLength": 1, "maxLength": LONGEST_ID},
        },
    ]
    queryables = _get(f"What to filter by: {title}", "anything", name, media=_SCHEMA)
    return {
        base: _get(title, "collection", name),
        f"{base}/items": items,
        f"{base}/items/{{featureId}}": item,
        f"{base}/schema": _get(f"Columns of: {title}", "anything", name, media=_SCHEMA),
        f"{base}/queryables": queryables,
    }


# Words of the standard; a column of the same name cannot be filtered by.
_TAKEN = frozenset(
    {"f", "bbox", "bbox-crs", "crs", "limit", "offset", "resulttype", "skipGeometry", "datetime", "sortby"}
    | {"properties", "q", "lang", "filter", "filter-lang", "filter-crs"}
)


def _column(name: str, schema: Mapping[str, Any]) -> dict[str, Any]:
    kind = schema.get("type")
    plain: dict[str, Any] = {"type": kind if kind in _TYPES else "string"}
    if schema.get("values"):
        plain["enum"] = list(schema["values"])
    return {
        "name": name,
        "in": "query",
        "description": f"Only items with this {name}: {schema.get('description', 'a column of the layer')}.",
        "schema": plain,
    }


def _crs(name: str, description: str, resource: Mapping[str, Any]) -> dict[str, Any]:
    known = resource["providers"][0].get("crs") or [CRS84]
    return {
        "name": name,
        "in": "query",
        "description": description,
        "schema": {"type": "string", "format": "uri", "enum": list(known)},
    }


def _list_of(name: str, description: str, words: list[str]) -> dict[str, Any]:
    return {
        "name": name,
        "in": "query",
        "description": description,
        "style": "form",
        "explode": False,
        "schema": {"type": "array", "minItems": 1, "items": {"type": "string", "enum": words}},
    }


def _limit(limits: Mapping[str, int]) -> dict[str, Any]:
    most, usual = limits["max_items"], limits["default_items"]
    return {
        "name": "limit",
        "in": "query",
        "description": f"Items of a page; without it {usual}, never more than {most}.",
        "schema": {"type": "integer", "minimum": 1, "maximum": most, "default": usual},
    }


def _get(
    summary: str,
    schema: str,
    tag: str,
    *,
    media: str = _JSON,
    html: bool = True,
    operation: str | None = None,
) -> dict[str, Any]:
    content: dict[str, Any] = {media: {"schema": {"$ref": f"#/components/schemas/{schema}"}}}
    if html:
        content[_HTML] = {"schema": {"type": "string"}}
    name = operation or "get" + re.sub(r"\W+", "_", f"_{schema}_{summary}")
    return {
        "get": {
            "summary": summary,
            "tags": [tag],
            "operationId": name,
            "parameters": [{"$ref": "#/components/parameters/f"}] if html else [],
            "responses": {"200": {"description": summary, "content": content}, **_REFUSALS},
        }
    }


def _execution(name: str, process: Mapping[str, Any]) -> dict[str, Any]:
    inputs = {key: deepcopy(one["schema"]) for key, one in process["inputs"].items()}
    needed = [key for key, one in process["inputs"].items() if one.get("minOccurs", 1) > 0]
    schema: dict[str, Any] = {"type": "object", "properties": inputs, "additionalProperties": False}
    if needed:
        schema["required"] = needed
    by_value = {"type": "object", "properties": {"transmissionMode": {"type": "string", "enum": ["value"]}}}
    wanted = {key: {**by_value, "additionalProperties": False} for key in process["outputs"]}
    output = next(iter(process["outputs"].values()))["schema"]
    media = output.get("contentMediaType", _JSON)
    binary = media not in (_JSON, _GEOJSON)
    answer = {"type": "string", "format": "binary"} if binary else {"type": "object"}
    body: dict[str, Any] = {
        "type": "object",
        "required": ["inputs"],
        "additionalProperties": False,
        "properties": {
            "inputs": schema,
            "outputs": {"type": "object", "properties": wanted, "additionalProperties": False},
            "response": {"type": "string", "enum": ["raw", "document"], "default": "raw"},
        },
    }
    content: dict[str, Any] = {media: {"schema": answer}}
    content.setdefault(_JSON, {"schema": {"type": "object"}})
    described: dict[str, Any] = {_JSON: {"schema": body}}
    if process.get("example"):
        described[_JSON]["example"] = process["example"]
    return {
        "summary": process["title"],
        "description": process["description"],
        "tags": [name],
        "operationId": f"execute_{re.sub(r'[^a-z]', '_', name)}",
        "parameters": [{"$ref": "#/components/parameters/f"}],
        "requestBody": {"required": True, "content": described},
        "responses": {"200": {"description": process["title"], "content": content}, **_REFUSALS},
    }


_ARRAY_OF_LINKS = {"type": "array", "items": {"$ref": "#/components/schemas/link"}}
_SCHEMAS: dict[str, Any] = {
    "anything": {"type": "object"},
    "exception": {
        "type": "object",
        "required": ["code", "type", "description"],
        "properties": {
            "code": {"type": "string"},
            "type": {"type": "string"},
            "description": {"type": "string"},
        },
    },
    "link": {
        "type": "object",
        "required": ["href", "rel"],
        "properties": {
            "href": {"type": "string"},
            "rel": {"type": "string"},
            "type": {"type": "string"},
            "title": {"type": "string"},
            "hreflang": {"type": "string"},
        },
    },
    "landing": {
        "type": "object",
        "required": ["links"],
        "properties": {
            "title": {"type": "string"},
            "description": {"type": "string"},
            "links": _ARRAY_OF_LINKS,
        },
    },
    "health": {
        "type": "object",
        "required": ["status", "build"],
        "properties": {"status": {"type": "string", "enum": ["ok"]}, "build": {"type": "string"}},
    },
    "conformance": {
        "type": "object",
        "required": ["conformsTo"],
        "properties": {"conformsTo": {"type": "array", "items": {"type": "string"}}},
    },
    "collection": {
        "type": "object",
        "required": ["id", "links"],
        "properties": {
            "id": {"type": "string"},
            "title": {"type": "string"},
            "description": {"type": "string"},
            "links": _ARRAY_OF_LINKS,
            "extent": {"type": "object"},
            "itemType": {"type": "string"},
            "crs": {"type": "array", "items": {"type": "string"}},
            "storageCrs": {"type": "string"},
        },
    },
    "collections": {
        "type": "object",
        "required": ["links", "collections"],
        "properties": {
            "links": _ARRAY_OF_LINKS,
            "collections": {"type": "array", "items": {"$ref": "#/components/schemas/collection"}},
        },
    },
    "geometry": {
        "type": "object",
        "nullable": True,
        "required": ["type"],
        "properties": {"type": {"type": "string"}, "coordinates": {"type": "array", "items": {}}},
    },
    "item": {
        "type": "object",
        "required": ["type", "geometry", "properties"],
        "properties": {
            "type": {"type": "string", "enum": ["Feature"]},
            "id": {"oneOf": [{"type": "string"}, {"type": "integer"}]},
            "geometry": {"$ref": "#/components/schemas/geometry"},
            "properties": {"type": "object", "nullable": True},
            "links": _ARRAY_OF_LINKS,
        },
    },
    "items": {
        "type": "object",
        "required": ["type", "features"],
        "properties": {
            "type": {"type": "string", "enum": ["FeatureCollection"]},
            "features": {"type": "array", "items": {"$ref": "#/components/schemas/item"}},
            "links": _ARRAY_OF_LINKS,
            "timeStamp": {"type": "string"},
            "numberMatched": {"type": "integer", "minimum": 0},
            "numberReturned": {"type": "integer", "minimum": 0},
        },
    },
    "process": {
        "type": "object",
        "required": ["id", "version"],
        "properties": {
            "id": {"type": "string"},
            "version": {"type": "string"},
            "title": {"type": "string"},
            "description": {"type": "string"},
            "inputs": {"type": "object"},
            "outputs": {"type": "object"},
            "links": _ARRAY_OF_LINKS,
        },
    },
    "processes": {
        "type": "object",
        "required": ["processes", "links"],
        "properties": {
            "processes": {"type": "array", "items": {"$ref": "#/components/schemas/process"}},
            "links": _ARRAY_OF_LINKS,
        },
    },
}
_RESPONSES = {
    "refused": {
        "description": "Refused, or failed: one sentence says why. " + CAUTION,
        "content": {
            _JSON: {"schema": {"$ref": "#/components/schemas/exception"}},
            _HTML: {"schema": {"type": "string"}},
        },
    }
}
_REFUSALS = {
    status: {"$ref": "#/components/responses/refused"}
    for status in ("400", "401", "403", "404", "413", "414", "415", "421", "500", "503", "504")
}
_PARAMETERS: dict[str, Any] = {
    "f": {
        "name": "f",
        "in": "query",
        "description": "`json` or `html`; without it, what the client says it accepts.",
        "schema": {"type": "string", "enum": ["json", "html"]},
    },
    "bbox": {
        "name": "bbox",
        "in": "query",
        "description": "Only items that meet this box: west, south, east, north.",
        "style": "form",
        "explode": False,
        "schema": {"type": "array", "minItems": 4, "maxItems": 6, "items": {"type": "number"}},
    },
    "offset": {
        "name": "offset",
        "in": "query",
        "description": "Items to leave out at the start.",
        "schema": {"type": "integer", "minimum": 0, "default": 0},
    },
    "resulttype": {
        "name": "resulttype",
        "in": "query",
        "description": "`hits` counts only.",
        "schema": {"type": "string", "enum": ["results", "hits"]},
    },
    "skipGeometry": {
        "name": "skipGeometry",
        "in": "query",
        "description": "Leave the geometry out.",
        "schema": {"type": "boolean", "default": False},
    },
    "datetime": {
        "name": "datetime",
        "in": "query",
        "description": "A day or an interval, as RFC 3339 writes them.",
        "schema": {"type": "string"},
    },
}
