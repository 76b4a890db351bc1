"""Every error a user can cause, as one small tree.

In: the words of a fault (what, where, what to do).
Out: exceptions whose text is one sentence for the person at the keyboard.

    RoofplatError
    ├── DistrictFileError   the command or the district file is wrong (exit code 2)
    ├── RuleError           a rule or an override is wrong            (exit code 2)
    ├── QuestionError       a question to the service cannot be asked
    └── LayerError          a file or layer cannot be used at all     (exit code 1)
        ├── RecordError     the record of surveys cannot be read or written
        ├── DatabaseError   a database cannot be reached, read or written
        ├── CrsError        it has no usable coordinate reference system
        └── FieldError      a column is missing or of the wrong type
"""

__all__ = [
    "CrsError",
    "DatabaseError",
    "DistrictFileError",
    "FieldError",
    "LayerError",
    "QuestionError",
    "RecordError",
    "RoofplatError",
    "RuleError",
]


class RoofplatError(Exception):
    """Root of every error roofplat raises on purpose."""

    exit_code = 1


class DistrictFileError(RoofplatError, ValueError):
    """The command line or the district file asks for something that cannot be."""

    exit_code = 2


class RuleError(RoofplatError, KeyError):
    """A rule id does not exist, or a value given for it is of the wrong kind."""

    exit_code = 2

    def __str__(self) -> str:
        # KeyError would quote the sentence.
        return str(self.args[0]) if self.args else ""


class QuestionError(RoofplatError, ValueError):
    """A question to the service asks for something that cannot be."""


class LayerError(RoofplatError, OSError):
    """A file or a layer is missing, unreadable or empty."""


class RecordError(LayerError):
    """The record of surveys is busy, is something else, or is damaged."""


class DatabaseError(LayerError):
    """A database is out of reach, refuses something, or holds no build."""


class CrsError(LayerError):
    """A layer does not say where its coordinates are, or says something impossible."""


class FieldError(LayerError):
    """A column is missing or holds the wrong type throughout."""
