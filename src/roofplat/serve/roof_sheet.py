"""The process `roof-sheet`: the plan of a what-if on one page of paper.

In: what `plan-roof` takes, and a paper.
Out: the sheet as a PDF, marked as a what-if with its scenario.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Mapping
from http import HTTPStatus
from pathlib import Path
from typing import Any

import pandas as pd
from pygeoapi.process.base import BaseProcessor

from roofplat.errors import LayerError, QuestionError, RoofplatError
from roofplat.pipeline.scenarios import Answer
from roofplat.publish.sheet import sheet_files, what_if_sheet
from roofplat.publish.wording import METHOD_WORDS, reason_sentence
from roofplat.serve.answer import scenario_of
from roofplat.serve.around import open_layers, rows_around
from roofplat.serve.desk import Reply
from roofplat.serve.manager import RefusedError
from roofplat.serve.plan_roof import UNREADABLE, asked, timing
from roofplat.serve.question import question_inputs, read_word
from roofplat.tables import CAUTION

__all__ = ["PDF", "RoofSheet", "what_if_words"]

PDF = "application/pdf"
_PAPERS = ("letter", "a4")
# Codes of problems that say that a ladder stated is not in the plan.
_LEFT_OUT = ("placed_ladder_too_far", "placed_ladder_no_building")
# A build that comes between the plan and the rest: both are taken again.
_TRIES = 2

_METADATA: dict[str, Any] = {
    "version": "1.0.0",
    "id": "roof-sheet",
    "title": "What if, on paper: the sheet of one roof for a fire spot and a wind",
    "description": "Plans one building as plan-roof does and draws the plan on one page to print, marked as "
    f"a what-if with its scenario. {CAUTION}",
    "keywords": ["what if", "roof", "sheet", "print", "training"],
    "jobControlOptions": ["sync-execute"],
    "outputTransmission": ["value"],
    "links": [],
    "inputs": question_inputs(
        paper={
            "title": "Paper",
            "description": "The paper to draw on. Without it: that of the district.",
            "schema": {"type": "string", "enum": list(_PAPERS)},
            "minOccurs": 0,
            "maxOccurs": 1,
        }
    ),
    "outputs": {
        "sheet": {
            "title": "Sheet",
            "description": "A PDF of one page.",
            "schema": {"type": "string", "contentEncoding": "binary", "contentMediaType": PDF},
        }
    },
    "example": {"inputs": {"building_id": "MB-0001", "wind_from_deg": 225, "paper": "letter"}},
}
_log = logging.getLogger(__name__)
# Fonts belong to the whole process, and one page takes all of a processor anyway. Those who wait their turn
# hold threads that others want to be answered by: they are few.
_one_at_a_time = threading.Lock()
_MOST_DRAWN = 3
_room = threading.BoundedSemaphore(_MOST_DRAWN)


class RoofSheet(BaseProcessor):  # type: ignore[misc]
    """Prints the answer to one what-if.

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
        """Plan what is asked and draw it.

        Parameters
        ----------
        data
            The inputs: `question.INPUTS` and `paper`.
        outputs
            Not asked; there is one output.

        Returns
        -------
        media type, PDF

        Raises
        ------
        RefusedError
            One sentence with the HTTP status that fits it.
        """
        del outputs
        try:
            paper = read_word("paper", data, _PAPERS)
        except QuestionError as fault:
            raise RefusedError(HTTPStatus.BAD_REQUEST, str(fault)) from None
        if not _room.acquire(blocking=False):
            raise RefusedError(
                HTTPStatus.SERVICE_UNAVAILABLE, "Too many sheets are being drawn; ask again in a moment."
            )
        try:
            reply, around = self._plan(data)
            setting, name = reply.setting, reply.answer.scenario.building_id
            with _one_at_a_time:
                drawn = what_if_sheet(
                    _tables(around, reply.answer),
                    name,
                    district=setting.district,
                    rules=setting.rules,
                    ground=setting.ground,
                    as_of=setting.as_of,
                    paper=paper or setting.paper,
                    what_if=what_if_words(reply.answer),
                )
        finally:
            _room.release()
        self.headers["Server-Timing"] = timing(reply)
        file = Path(sheet_files([name])[name]).name
        self.headers["Content-Disposition"] = f'inline; filename="what-if-{file}"'
        return PDF, drawn

    def _plan(self, data: object) -> tuple[Reply, dict[str, Any]]:
        """The plan, and what else the sheet shows, both of one build."""
        definition = self._definition
        for _ in range(_TRIES):
            reply = asked(definition, data, more=("paper",))
            try:
                with open_layers(
                    Path(definition["folder"]),
                    definition["database"],
                    query_seconds=definition["query_seconds"],
                ) as layers:
                    if layers.build == reply.setting.build:
                        return reply, rows_around(layers, reply.answer.scenario.building_id, reply.setting)
            except LayerError as fault:
                _log.warning("%s", fault)
                raise RefusedError(HTTPStatus.SERVICE_UNAVAILABLE, UNREADABLE) from None
            except RoofplatError as fault:
                # A build of one dispatch area can plan its neighbours, and says nothing else of them.
                raise RefusedError(HTTPStatus.BAD_REQUEST, str(fault)) from None
        raise RefusedError(
            HTTPStatus.SERVICE_UNAVAILABLE, "The district is being built anew; ask again in a moment."
        )


def what_if_words(answer: Answer) -> list[str]:
    """Say what was asked of a plan.

    Parameters
    ----------
    answer
        The plan.

    Returns
    -------
    list of str
        First what stands in the head of the sheet; then sentences: the method preferred, the ladder placed,
        and what came of them where a rule speaks against it.
    """
    scenario = answer.scenario
    said = scenario_of(answer)
    problems = answer.tables["problems"]
    about = problems[problems["layer"] == "scenario"]
    method_taken = said["method"] == scenario.method
    ladder_taken = not about["code"].isin(_LEFT_OUT).any()
    given = {
        "fire spot": scenario.fire is not None,
        f"wind from {said['wind_from_deg']:g}\u00b0": scenario.wind_from_deg is not None,
        "method": scenario.method is not None and method_taken,
        "ladder": scenario.ladder is not None and ladder_taken,
    }
    words = [word for word, taken in given.items() if taken]
    head = [f"{_and(words)} as asked"] if words else []
    if scenario.method is not None and not method_taken:
        head.append("method asked for not taken")
    if scenario.ladder is not None and not ladder_taken:
        head.append("ladder left out")
    sentences = []
    if scenario.method is not None:
        sentences.append(f"Method preferred: {METHOD_WORDS[scenario.method]}.")
    if scenario.ladder is not None:
        lon, lat = scenario.ladder
        sentences.append(f"Ladder placed already: lon {lon:.6f}, lat {lat:.6f}.")
    sentences += [reason_sentence(message) for message in about["message"]]
    return [f"What if, not the standing plan: {'; '.join(head) or 'nothing else asked'}", *sentences]


def _and(words: list[str]) -> str:
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)


def _tables(around: Mapping[str, Any], answer: Answer) -> dict[str, Any]:
    """The rows near the building and those of its plan."""
    tables = {**around, **{name: frame for name, frame in answer.tables.items() if name != "obstacles"}}
    obstacles = [answer.tables["obstacles"], around["obstacles"]]
    held = [frame for frame in obstacles if len(frame)] or obstacles[:1]
    tables["obstacles"] = held[0] if len(held) == 1 else pd.concat(held, ignore_index=True)
    return tables
