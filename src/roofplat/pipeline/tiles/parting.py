"""Part the rows of a layer that is too big for memory among a few groups.

In: tables batch by batch, each with the groups that its rows go to.
Out: the rows of one group after the other, in the order in which they came.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pyarrow as pa

__all__ = ["GROUP_ROWS", "Parting"]

GROUP_ROWS = 200_000
"""Rows that are held at once."""


class Parting:
    """Files of the groups while they are filled; what fits in memory never gets to one.

    Parameters
    ----------
    folder
        Where the files go; they are gone when their rows were taken.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._held: dict[int, list[pa.Table]] = {}
        self._writers: dict[int, pa.RecordBatchStreamWriter] = {}
        self._rows = 0

    def put(self, group: int, table: pa.Table) -> None:
        """Add rows to a group; all tables are of one schema."""
        self._held.setdefault(group, []).append(table)
        self._rows += table.num_rows
        if self._rows > GROUP_ROWS:
            for one, parts in self._held.items():
                if one not in self._writers:
                    self._writers[one] = pa.ipc.new_stream(str(self._path(one)), table.schema)
                for part in parts:
                    self._writers[one].write_table(part)
            self._held, self._rows = {}, 0

    def take(self) -> Iterator[pa.Table]:
        """Hand out the groups, by rising number."""
        for writer in self._writers.values():
            writer.close()
        for group in sorted(self._held.keys() | self._writers.keys()):
            parts = []
            if group in self._writers:
                with pa.OSFile(str(self._path(group))) as file, pa.ipc.open_stream(file) as reader:
                    parts.append(reader.read_all())
                self._path(group).unlink()
            yield pa.concat_tables([*parts, *self._held.pop(group, [])])

    def _path(self, group: int) -> Path:
        return self._folder / f"group-{group}.arrows"
