"""Record: what was seen of the roofs, by whom and when, kept over years and several hands.

In: observations, outlines, drawn features and the lineage of outlines, as they come in.
Out: one GeoPackage that only grows; its tables as of any day.
"""

from roofplat.record.log import current_values, known_on
from roofplat.record.store import (
    Appended,
    Record,
    RecordTables,
    append,
    has_record,
    in_crs,
    open_record,
    read_record,
)
from roofplat.record.take_up import SURVEY_LOG, with_record

__all__ = [
    "SURVEY_LOG",
    "Appended",
    "Record",
    "RecordTables",
    "append",
    "current_values",
    "has_record",
    "in_crs",
    "known_on",
    "open_record",
    "read_record",
    "with_record",
]
