"""Rows of a wide column, a stretch at a time: an hour of it would fill the memory."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from qc.records import Readings

__all__ = ["PartRows"]

# Rows read at once, at the least: windows lie over one another.
_ROWS = 8192


class PartRows:
    """A column of which slices are asked for, one after another.

    Parameters
    ----------
    readings : Readings
    name : str
        The column.
    """

    def __init__(self, readings: Readings, name: str) -> None:
        self._readings = readings
        self._name = name
        self._first = self._last = 0
        self._held: NDArray[np.float32] = np.empty((0, 0), np.float32)

    def __getitem__(self, rows: slice) -> NDArray[np.float32]:
        """Return rows ``[start, stop)``: both given, and not negative."""
        first, last = rows.start, min(rows.stop, self._readings.rows)
        if not self._first <= first <= last <= self._last:
            self._first = first
            self._last = min(max(last, first + _ROWS), self._readings.rows)
            self._held = self._readings.columns.part(
                self._name, self._first, self._last
            )
        return self._held[first - self._first : last - self._first]
