"""The process `plan-roof`: the fire is here and the wind from there; what then.

In: a building, and what is assumed of it: fire spot, wind, method to prefer, a ladder already placed.
Out: the plan as GeoJSON with its reasons.
"""

from __future__ import annotations

from collections.abc import Sequence
from http import HTTPStatus
from pathlib import Path
from typing import Any

from pygeoapi.process.base import BaseProcessor

from roofplat.errors import LayerError, RoofplatError
from roofplat.pipeline.scenarios import Scenario
from roofplat.serve.desk import DeskBusyError, DeskLateError, Reply, desk_of
from roofplat.serve.manager import RefusedError
from roofplat.serve.question import question_inputs, read_question
from roofplat.tables import CAUTION

__all__ = ["GEOJSON", "UNREADABLE", "PlanRoof", "asked", "timing"]

GEOJSON = "application/geo+json"
UNREADABLE = "The build that plans are made from cannot be read now; the log of the service says why."
"""What is said of a build that is damaged or away."""

_EXAMPLE = {"inputs": {"building_id": "MB-0001", "wind_from_deg": 225}}

_METADATA: dict[str, Any] = {
    "version": "1.0.0",
    "id": "plan-roof",
    "title": "What if: the plan of one roof for a fire spot and a wind",
    "description": "Plans one building anew for the fire spot, the wind, the method to prefer and the ladder "
    f"already placed that are given; what is not given is as in the standing plan. {CAUTION}",
    "keywords": ["what if", "roof", "ladder", "ventilation", "training"],
    "jobControlOptions": ["sync-execute"],
    "outputTransmission": ["value"],
    "links": [],
    "inputs": question_inputs(),
    "outputs": {
        "plan": {
            "title": "Plan",
            "description": "A GeoJSON FeatureCollection: walls, planes, members, obstacles, ladders, paths, "
            "checks, openings, cuts, trenches and collapse zones of the building, and without geometry what "
            "the openings do for the smoke and cost in work (venting), each feature with its layer; and the "
            "cautions, the scenario and the reasons beside them.",
            "schema": {
                "type": "object",
                "properties": {
                    "type": {"type": "string", "enum": ["FeatureCollection"]},
                    "caution": {"type": "string"},
                    "venting_caution": {"type": "string"},
                    "district": {"type": "string"},
                    "build": {"type": "string"},
                    "scenario": {"type": "object"},
                    "reasons": {"type": "object"},
                    "features": {"type": "array", "items": {"type": "object"}},
                },
                "required": ["type", "caution", "scenario", "reasons", "features"],
                "contentMediaType": GEOJSON,
            },
        }
    },
    "example": _EXAMPLE,
}


class PlanRoof(BaseProcessor):  # type: ignore[misc]
    """Answers one what-if.

    Parameters
    ----------
    processor_def
        As `config.api_config` makes it.
    """

    def __init__(self, processor_def: dict[str, Any]) -> None:
        super().__init__(processor_def, _METADATA)
        self.supports_outputs = False
        self._definition = processor_def
        self.headers: dict[str, str] = {}

    def execute(self, data: object, outputs: object = None) -> tuple[str, bytes]:
        """Plan what is asked.

        Parameters
        ----------
        data
            The inputs, as `question.INPUTS` has them.
        outputs
            Not asked; there is one output.

        Returns
        -------
        media type, GeoJSON

        Raises
        ------
        RefusedError
            One sentence with the HTTP status that fits it.
        """
        del outputs
        reply = asked(self._definition, data)
        self.headers["Server-Timing"] = timing(reply)
        return GEOJSON, reply.text


def asked(definition: dict[str, Any], data: object, *, more: Sequence[str] = ()) -> Reply:
    """Put a question to the desk of this process.

    Parameters
    ----------
    definition
        Of the processor.
    data
        The inputs of the request.
    more
        Inputs that are read elsewhere.

    Raises
    ------
    RefusedError
        400 for what cannot be asked, 503 where the desk is busy or the district cannot be read, 504 where
        the plan took too long, 500 for a defect.
    """
    try:
        scenario: Scenario = read_question(data, more=more)
        desk = desk_of(
            Path(definition["folder"]),
            definition["database"],
            plan_seconds=definition["plan_seconds"],
            waiting_plans=definition["waiting_plans"],
            kept_roofs=definition["kept_roofs"],
            query_seconds=definition["query_seconds"],
        )
        return desk.ask(scenario)
    except DeskLateError as fault:
        raise RefusedError(HTTPStatus.GATEWAY_TIMEOUT, str(fault)) from None
    except DeskBusyError as fault:
        raise RefusedError(HTTPStatus.SERVICE_UNAVAILABLE, str(fault)) from None
    except LayerError:
        # The desk has written down where and why; that is nothing for who asks from outside.
        raise RefusedError(HTTPStatus.SERVICE_UNAVAILABLE, UNREADABLE) from None
    except RoofplatError as fault:
        raise RefusedError(HTTPStatus.BAD_REQUEST, str(fault)) from None
    except Exception:
        # The desk has written down what happened.
        raise RefusedError(
            HTTPStatus.INTERNAL_SERVER_ERROR,
            "The plan could not be made because of a defect; the log of the service says more.",
        ) from None


def timing(reply: Reply) -> str:
    """Where the time went, as W3C Server Timing has it.

    Parameters
    ----------
    reply
        Of the desk.

    Returns
    -------
    str
        The value of a header `Server-Timing`, milliseconds: waiting for the desk, planning, writing.
    """
    parts = (("wait", reply.wait_ms), ("plan", reply.plan_ms), ("write", reply.write_ms))
    times = ", ".join(f"{name};dur={milliseconds:.1f}" for name, milliseconds in parts)
    return f'{times}, together;desc="{reply.together}"'
