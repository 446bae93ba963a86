"""Keep the newest records of a watch in arrays with spare rows behind them, so that a live record is written there.

To copy 18 columns of 10,801 rows for each new record takes 0.2 ms; to write one row takes 0.005 ms. To slice the 18
takes 0.01 ms more, so what is asked at each record asks for the one column it needs.

Law: a row is written once. An older state may be kept and evaluated again (a cycle that could not be committed): then
the spare rows behind it are taken already, and its own are copied into new arrays.
"""

from typing import Self

import numpy as np

from logger.model.records import Floats, Ints, Measurements
from logger.structs import Struct

FREE = 0
"""The number of a row that is not written yet; records are numbered from 1."""


class RecentRows(Struct, frozen=True):
    """Columns that are longer than what is in them, and where the rows of a state stand in them."""

    columns: Measurements
    begin: int
    end: int

    @classmethod
    def of(cls, rows: Measurements) -> Self:
        """Return rows without spare ones behind them."""
        return cls(rows, 0, len(rows))

    def __len__(self) -> int:
        """Return the number of rows."""
        return self.end - self.begin

    @property
    def elapsed_us(self) -> Ints:
        """Return the watch times of the rows."""
        return self.columns.elapsed_us[self.begin : self.end]

    @property
    def potential_mv(self) -> Floats:
        """Return the potentials of the rows."""
        return self.columns.potential_mv[self.begin : self.end]

    def since(self, row: int) -> Measurements:
        """Return the rows from one on."""
        return self.columns[self.begin + row : self.end]

    def last(self, count: int) -> "RecentRows":
        """Leave out all but so many of the newest rows."""
        return RecentRows(self.columns, self.end - count, self.end)

    def after(self, new: Measurements) -> "RecentRows":
        """Return the rows with new ones behind them; many are copied with them."""
        if len(new) > len(self):  # in replay, and at a start
            return self.of(self.since(0).then(new))
        rows = self if self._takes(len(new)) else _with_spare(self.since(0), spare=len(new) + len(self) // 4)
        end = rows.end + len(new)
        for name in Measurements.__slots__:
            getattr(rows.columns, name)[rows.end : end] = getattr(new, name)
        return RecentRows(rows.columns, rows.begin, end)

    def _takes(self, count: int) -> bool:
        """Tell whether so many rows can be written behind the end."""
        return self.end + count <= len(self.columns) and self.columns.seq.item(self.end) == FREE


def _with_spare(rows: Measurements, *, spare: int) -> RecentRows:
    free = np.full(spare, FREE)
    behind = Measurements(**{name: free.astype(getattr(rows, name).dtype) for name in Measurements.__slots__})
    return RecentRows(rows.then(behind), 0, len(rows))
