"""Readings of tiles that are taken now and then, kept one after the other.

Six numbers a tile are read every few frames. Each kind in a column of its own would be
empty in most rows and take up six times the memory: here the rows behind a reading each
take one kind of it, and say which, and how many rows ago it was read.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from qc.records import Readings

__all__ = ["KINDS", "SLOW", "Waiting", "has_slow", "slow_kinds", "slow_rows"]

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
    return slow_kinds(readings, rows, [name], tiles)[0]


def slow_kinds(
    readings: Readings, rows: NDArray[np.intp], names: Sequence[str], tiles: int
) -> list[NDArray[np.float32]]:
    """Return the same as `slow_rows` of several kinds."""
    out = [np.full((len(rows), tiles), np.nan, np.float32) for _ in names]
    kinds = [KINDS.index(name.removeprefix("focus.")) for name in names]
    first, last = int(rows[0]), int(rows[-1]) + 1
    for at in range(first, last, _CHUNK):
        stop = min(at + _CHUNK, last)
        codes = readings.columns.part(_KIND, at, stop + _LONGEST)
        kind_of = codes % np.float32(_APART)  # NaN is none
        for kind, into in zip(kinds, out, strict=True):
            kept = np.flatnonzero(kind_of == kind)
            read = at + kept - codes[kept].astype(np.int64) // _APART
            place = np.minimum(np.searchsorted(rows, read), len(rows) - 1)
            asked = (rows[place] == read) & (read >= at) & (read < stop)
            kept, place = kept[asked], place[asked]
            if kept.size:
                values = readings.columns.part(_VALUES, at, at + int(kept[-1]) + 1)
                into[place] = values[kept]
    return out
