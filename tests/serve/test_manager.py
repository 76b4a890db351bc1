"""How processes are executed, whatever stands before: nobody is called back, refusals are sentences."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from pygeoapi.process.manager.base import UnknownProcessError
from pygeoapi.util import JobStatus, RequestedProcessExecutionMode, Subscriber

from roofplat.serve.manager import Manager, RefusedError

ASKED = {"building_id": "MB-0001"}


@pytest.fixture
def manager(demo_build: Path) -> Manager:
    shared = {
        "folder": str(demo_build),
        "database": None,
        "plan_seconds": 60.0,
        "waiting_plans": 8,
        "kept_roofs": 8,
        "query_seconds": 10.0,
    }
    processes = {
        name: {"type": "process", "processor": {"name": f"roofplat.serve.{dotted}", **shared}}
        for name, dotted in {"plan-roof": "plan_roof.PlanRoof", "roof-sheet": "roof_sheet.RoofSheet"}.items()
    }
    return Manager({"name": "roofplat.serve.manager.Manager", "processes": processes})


def test_an_answer_is_given_at_once_with_its_headers(manager: Manager) -> None:
    job, media, body, status, headers = manager.execute_process("plan-roof", ASKED)
    assert (media, status) == ("application/geo+json", JobStatus.successful)
    assert json.loads(body)["scenario"]["building_id"] == "MB-0001"
    assert "Server-Timing" in headers
    assert job


def test_nothing_runs_on_after_the_answer(manager: Manager) -> None:
    # OGC 18-062r2, requirement process-execute-auto-execution-mode: who knows synchronous execution alone
    # executes so, whatever the client prefers.
    status = manager.execute_process(
        "plan-roof", ASKED, execution_mode=RequestedProcessExecutionMode.respond_async
    )[3]
    assert status == JobStatus.successful
    assert manager.get_jobs() == {"jobs": [], "numberMatched": 0}
    assert not manager.is_async


@pytest.mark.parametrize(
    ("more", "sentence"),
    [
        ({"subscriber": Subscriber("http://127.0.0.1:1/", None, None)}, "calls nobody"),
        ({"requested_response": "all"}, "`response` can be raw or document"),
        ({"requested_response": 7}, "`response` can be raw or document"),
        ({"requested_outputs": {"map": {}}}, "The only output is plan"),
        ({"requested_outputs": ["plan", "map"]}, "The only output is plan"),
        ({"requested_outputs": 7}, "The only output is plan"),
        ({"requested_outputs": {"plan": {"transmissionMode": "reference"}}}, "by value alone"),
    ],
)
def test_what_is_not_done_is_refused(manager: Manager, more: dict[str, Any], sentence: str) -> None:
    with pytest.raises(RefusedError) as refused:
        manager.execute_process("plan-roof", ASKED, **more)
    assert refused.value.http_status_code == 400
    assert refused.value.ogc_exception_code == "InvalidParameterValue"
    assert sentence in refused.value.message


@pytest.mark.parametrize(
    "outputs", [None, {}, {"plan": {}}, {"plan": {"transmissionMode": "value"}}, ["plan"]]
)
def test_the_one_output_may_be_named(manager: Manager, outputs: Any) -> None:
    assert manager.execute_process("plan-roof", ASKED, requested_outputs=outputs)[3] == JobStatus.successful


def test_there_are_no_other_processes(manager: Manager) -> None:
    with pytest.raises(UnknownProcessError):
        manager.execute_process("hello-world", ASKED)
