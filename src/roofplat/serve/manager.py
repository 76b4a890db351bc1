"""How the server executes a process: at once, in the request's own thread, with errors of one sentence.

In: what the API read of a request.
Out: media type, body and headers of the answer; or an error with its HTTP status.

The library's own manager turns every fault into "Error executing process" and calls addresses that a request
names when it is done; this one does neither.
"""

from __future__ import annotations

import base64
import json
import uuid
from collections.abc import Mapping
from http import HTTPStatus
from typing import Any

from pygeoapi.process.base import BaseProcessor, ProcessorExecuteError
from pygeoapi.process.manager.base import BaseManager
from pygeoapi.util import JobStatus

__all__ = ["Manager", "RefusedError"]


class RefusedError(ProcessorExecuteError):  # type: ignore[misc]
    """A request that is not answered: status, the code of the standard, one sentence."""

    def __init__(self, status: HTTPStatus, sentence: str) -> None:
        super().__init__(user_msg=sentence)
        self.http_status_code = status
        self.ogc_exception_code = "InvalidParameterValue" if status < 500 else "NoApplicableCode"


class Manager(BaseManager):  # type: ignore[misc]
    """Executes processes synchronously and keeps no jobs."""

    def __init__(self, manager_def: dict[str, Any]) -> None:
        super().__init__(manager_def)
        self.is_async = False

    def get_jobs(self, status: object = None, limit: object = None, offset: object = None) -> dict[str, Any]:
        """No jobs: every answer is given at once."""
        del status, limit, offset
        return {"jobs": [], "numberMatched": 0}

    def execute_process(
        self,
        process_id: str,
        data_dict: object,
        execution_mode: object = None,
        requested_outputs: object = None,
        subscriber: object = None,
        requested_response: object = "raw",
    ) -> tuple[str, str, Any, JobStatus, dict[str, str]]:
        """Execute a process and hand on its answer.

        Parameters
        ----------
        process_id
            A process of the configuration.
        data_dict
            The `inputs` of the request.
        execution_mode
            Not asked: every answer is given at once, as OGC 18-062r2 lets a server do that knows no other.
        requested_outputs, requested_response
            `outputs` and `response` of the request: each process has one output, as it is (`raw`) or in a
            JSON object (`document`).
        subscriber
            Refused: this server calls nobody.

        Returns
        -------
        job, media type, body, status, headers

        Raises
        ------
        RefusedError
            The request cannot be answered.
        """
        del execution_mode
        if subscriber is not None:
            raise RefusedError(
                HTTPStatus.BAD_REQUEST,
                "`subscriber` is not supported: this service answers at once and calls nobody; leave it out.",
            )
        if requested_response not in ("raw", "document"):
            raise RefusedError(HTTPStatus.BAD_REQUEST, "`response` can be raw or document; give one of them.")
        processor: BaseProcessor = self.get_processor(process_id)
        name = next(iter(processor.metadata["outputs"]))
        _check_outputs(requested_outputs, name)
        media_type, body = processor.execute(data_dict)
        headers = dict(processor.headers)
        if requested_response == "document":
            body = {name: _in_document(media_type, body)}
        return str(uuid.uuid4()), media_type, body, JobStatus.successful, headers


def _check_outputs(wanted: object, name: str) -> None:
    """Refuse to leave out the one output, and to give what is not there."""
    if wanted is None or wanted == {}:
        return
    names = list(wanted) if isinstance(wanted, Mapping | list) else []
    if names != [name]:
        raise RefusedError(
            HTTPStatus.BAD_REQUEST, f"The only output is {name}; leave `outputs` out or name that alone."
        )
    how = wanted[name] if isinstance(wanted, Mapping) else {}
    if isinstance(how, Mapping) and how.get("transmissionMode", "value") != "value":
        raise RefusedError(
            HTTPStatus.BAD_REQUEST, "Outputs are given by value alone; leave `transmissionMode` out."
        )


def _in_document(media_type: str, body: bytes) -> Any:
    """A value as it stands in a JSON object of results."""
    if media_type.endswith("json"):
        return json.loads(body)
    text = base64.b64encode(body).decode("ascii")
    return {"value": text, "mediaType": media_type, "encoding": "base64"}
