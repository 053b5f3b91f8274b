"""Readings of tiles that are taken now and then, kept one after the other.

Six numbers a tile are read every few frames. Each kind in a column of its own would be
empty in most rows and take up six times the memory: here the rows behind a reading each
take one kind of it, and say which, and how many rows ago it was read.
"""

from __future__ import annotations

from collections import deque

import numpy as np
from numpy.typing import NDArray

from qc.records import Readings

__all__ = ["KINDS", "SLOW", "Waiting", "has_slow", "slow_rows"]

KINDS = (
    "tile_contrast_percent",
    "tile_coarser",
    "tile_across",
    "tile_level_percent",
    "tile_cb_percent",
    "tile_cr_percent",
)
SLOW = (
    "coarse contrast (%), detail a step coarser, share of fine detail across, mean "
    "luma, Cb and Cr (%)"
)
_VALUES, _KIND = "focus.tile_slow", "focus.tile_slow_kind"
# A kind and how many rows ago it was read, in one number.
_APART = len(KINDS)
# What waits longer than this, behind damage, is dropped.
_LONGEST = 16
_CHUNK = 16_384  # rows brought in at once


class Waiting:
    """What was read of tiles and waits for a row to go into."""

    def __init__(self) -> None:
        self._row = -1
        self._queue: deque[tuple[int, int, NDArray[np.floating]]] = deque()

    def next_row(self) -> None:
        """Begin another row, that of a damaged frame too."""
        self._row += 1

    def put(self, kind: str, values: NDArray[np.floating]) -> None:
        """Keep what was read of this row's frame."""
        self._queue.append((KINDS.index(kind), self._row, values))

    def take(self) -> dict[str, float | NDArray[np.floating]]:
        """Return what goes into this row."""
        while self._queue:
            kind, row, values = self._queue.popleft()
            ago = self._row - row
            if ago < _LONGEST:
                return {
                    "tile_slow": values.ravel(),
                    "tile_slow_kind": float(kind + _APART * ago),
                }
        return {}


def has_slow(readings: Readings, name: str) -> bool:
    """Return whether tiles were read for this, e.g. ``"focus.tile_coarser"``."""
    return name in readings.columns or _VALUES in readings.columns


def slow_rows(
    readings: Readings, rows: NDArray[np.intp], name: str, tiles: int
) -> NDArray[np.float32]:
    """Return what was read of some rows' frames, NaN where it was not.

    Parameters
    ----------
    rows : (n,) array
        Ascending.
    name : str
        ``"focus."`` and one of `KINDS`.

    Returns
    -------
    (n, tiles) array of float32
    """
    out = np.full((len(rows), tiles), np.nan, np.float32)
    kind = KINDS.index(name.removeprefix("focus."))
    first, last = int(rows[0]), int(rows[-1]) + 1
    for at in range(first, last, _CHUNK):
        stop = min(at + _CHUNK, last)
        codes = np.nan_to_num(
            readings.columns.part(_KIND, at, stop + _LONGEST), nan=-1.0
        ).astype(np.int64)
        kept = np.flatnonzero((codes >= 0) & (codes % _APART == kind))
        read = at + kept - codes[kept] // _APART
        inside = (read >= at) & (read < stop)
        kept, read = kept[inside], read[inside]
        place = np.minimum(np.searchsorted(rows, read), len(rows) - 1)
        asked = rows[place] == read
        if asked.any():
            values = readings.columns.part(_VALUES, at, at + int(kept[asked][-1]) + 1)
            out[place[asked]] = values[kept[asked]]
    return out
