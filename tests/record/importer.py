"""A program that imports into a record, to be run beside another of its kind, or to be killed.

In: `importer.py RECORD WHO FIRST COUNT ROWS`: batches FIRST to FIRST + COUNT of so many rows each.
Out: the number of each batch on a line of its own, once it is in; the rows added and known at the end.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pandas as pd

from roofplat.record import append, open_record
from roofplat.rules import load_rulebook

__all__ = ["batch", "main"]


def batch(number: int, rows: int, who: str) -> pd.DataFrame:
    """Observations of a batch; the same for the same words."""
    return pd.DataFrame(
        {
            "building_id": [f"B{number}-{row}" for row in range(rows)],
            "field": "deck",
            "value": f"deck of batch {number}",
            "basis": "surveyed",
            "who": who,
            "seen_on": pd.Timestamp("2026-02-27"),
            "note": "a note that makes the row longer " * 5,
        }
    )


def main(path: str, who: str, first: int, count: int, rows: int) -> None:
    """Import the batches one after the other."""
    record = open_record(Path(path), "EPSG:32613", load_rulebook())
    added = known = 0
    for number in range(first, first + count):
        done = append(record, observations=batch(number, rows, who))
        added, known = added + done.added["observations"], known + done.already_known["observations"]
        sys.stdout.write(f"{number}\n")
        sys.stdout.flush()
    sys.stdout.write(f"added {added} known {known}\n")


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2], *(int(word) for word in sys.argv[3:]))
