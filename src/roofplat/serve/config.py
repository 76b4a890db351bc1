"""What pygeoapi is told: where the layers are, which processes there are, and how much one may ask for.

In: one run of the service, the collections of its layers.
Out: the dictionary that pygeoapi takes as its configuration.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from roofplat.serve.setting import Serving
from roofplat.tables import CAUTION

__all__ = ["CRS84", "LICENCE", "PROCESSES", "TEMPLATES", "api_config"]

CRS84 = "http://www.opengis.net/def/crs/OGC/1.3/CRS84"
TEMPLATES = Path(__file__).parent / "templates"
LICENCE = "The department's own data"
PROCESSES = {
    "plan-roof": "roofplat.serve.plan_roof.PlanRoof",
    "roof-sheet": "roofplat.serve.roof_sheet.RoofSheet",
}
"""The processes by their ids; each takes what `api_config` says of a processor."""


def api_config(
    serving: Serving,
    collections: Sequence[Mapping[str, Any]],
    processes: Mapping[str, str] = PROCESSES,
    *,
    build: str = "",
) -> dict[str, Any]:
    """Make pygeoapi's configuration.

    Parameters
    ----------
    serving
        The run.
    collections
        Each with `id`, `title`, `description`, `extent` (west, south, east, north; degrees, CRS84) and
        `provider` (what pygeoapi's `load_plugin` takes).
    processes
        Id to dotted name. Each processor is made from a dictionary with `folder` (of the build),
        `database` (an address or None), `plan_seconds`, `waiting_plans`, `kept_roofs` and `query_seconds`.
    build
        Names the state of the layers; pages show it.

    Returns
    -------
    dict
        Its part `roofplat` is ours: the templates read the caution from it.
    """
    service = serving.service
    shared = {
        "folder": str(serving.folder),
        "database": serving.database,
        "plan_seconds": service.plan_seconds,
        "waiting_plans": service.waiting_plans,
        "kept_roofs": service.kept_roofs,
        "query_seconds": service.query_seconds,
    }
    resources: dict[str, Any] = {one["id"]: _collection(one) for one in collections}
    for name, dotted in processes.items():
        resources[name] = {"type": "process", "processor": {"name": dotted, **shared}}
    return {
        "server": {
            "bind": {"host": "127.0.0.1", "port": 0},
            "url": serving.url,
            "mimetype": "application/json; charset=UTF-8",
            "encoding": "utf-8",
            "gzip": False,
            "languages": ["en-US"],
            "cors": False,
            "pretty_print": False,
            "admin": False,
            "limits": {
                "default_items": service.page_items,
                "max_items": service.most_items,
                # OGC 17-069r4, requirement fc-limit-response-1: no more than the server's own most, no error.
                "on_exceed": "throttle",
            },
            "templates": {"path": str(TEMPLATES)},
            "map": {"url": "", "attribution": ""},
            "manager": {"name": "roofplat.serve.manager.Manager", "connection": None, "output_dir": None},
        },
        "logging": {"level": "CRITICAL"},
        "metadata": {
            "identification": {
                "title": f"{serving.district}: roof plans",
                "description": CAUTION,
                "keywords": ["roofs", "pre-incident planning"],
                "keywords_type": "theme",
                "terms_of_service": CAUTION,
                "url": f"{serving.url}/api",
            },
            "license": {"name": LICENCE, "url": f"{serving.url}/api"},
            "provider": {"name": serving.district, "url": f"{serving.url}/api"},
            "contact": {"name": serving.district, "url": f"{serving.url}/api"},
        },
        "resources": resources,
        "roofplat": {"caution": CAUTION, "build": build, "district": serving.district},
    }


def _collection(one: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "type": "collection",
        "title": one["title"],
        "description": one["description"],
        "keywords": list(one.get("keywords", ())),
        "links": [],
        "extents": {"spatial": {"bbox": list(one["extent"]), "crs": CRS84}},
        "providers": [{"crs": [CRS84], **one["provider"]}],
    }
