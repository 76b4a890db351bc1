"""Venting: what openings do to the smoke.

In: heights and areas of sections, openings, the rules; the plan.
Out: `vent_rows`, the table `venting`; `flow_rows` and `prescribed_ft2`, in feet; `CAUTION` and `wind_words`,
    which stand wherever these figures do.
"""

from roofplat.venting.flow import FLOW_COLUMNS, flow_rows, prescribed_ft2
from roofplat.venting.rows import vent_rows
from roofplat.venting.words import CAUTION, wind_words

__all__ = ["CAUTION", "FLOW_COLUMNS", "flow_rows", "prescribed_ft2", "vent_rows", "wind_words"]
