"""Compose the rooms: the only place that knows their order.

In: a district and the choices of one command.
Out: what each command makes: see the modules; `planning` is what they share.
"""

from roofplat.pipeline.building import Built, build
from roofplat.pipeline.comparing import Changed, changes_of_builds, changes_since
from roofplat.pipeline.inspecting import Scheduled, inspect_days
from roofplat.pipeline.planning import draw_plans, gather
from roofplat.pipeline.printing import Drawn, draw_sheets
from roofplat.pipeline.ranking import Ranked, rank
from roofplat.pipeline.surveying import (
    DrawnIn,
    Fed,
    KeptFootprints,
    SurveyForms,
    TakenIn,
    survey_drawn,
    survey_feed,
    survey_in,
    survey_keep,
    survey_out,
)

__all__ = [
    "Built",
    "Changed",
    "Drawn",
    "DrawnIn",
    "Fed",
    "KeptFootprints",
    "Ranked",
    "Scheduled",
    "SurveyForms",
    "TakenIn",
    "build",
    "changes_of_builds",
    "changes_since",
    "draw_plans",
    "draw_sheets",
    "gather",
    "inspect_days",
    "rank",
    "survey_drawn",
    "survey_feed",
    "survey_in",
    "survey_keep",
    "survey_out",
]
