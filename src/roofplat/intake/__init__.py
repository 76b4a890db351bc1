"""Intake: every layer of a district, read, renamed, repaired and accounted for.

In: a district file's layers and tables, as departments have them.
Out: `Inputs`, with a problem row for everything that was mended, left out or refused.
"""

from roofplat.intake.gather import Drawing, read_drawing, read_inputs
from roofplat.intake.inputs import AttributeRecords, Inputs
from roofplat.intake.look import Look, look

__all__ = ["AttributeRecords", "Drawing", "Inputs", "Look", "look", "read_drawing", "read_inputs"]
