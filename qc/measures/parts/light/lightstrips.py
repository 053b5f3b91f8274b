"""How much brighter each strip of a picture became since the frame before.

Twice, for two kinds of scene. In a still framing what moves is local: the middle half
of a strip's cells leaves it out. Under a moving camera every cell changes; but what
one cell loses its neighbour gains, so that the plain mean over a part of a strip stays
smooth in time, and a lamp's beat stands out of it.
"""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.level.smallcells import small_cells
from qc.measures.parts.light.lightwaves import PARTS, STRIPS
from qc.records import Picture
from qc.signal import Signal, to_linear

__all__ = ["CELLS", "StripFollower", "middle_means"]

Array = NDArray[np.float32]

CELLS = 30
"""Cells a strip is cut into; those that change most and least are left out."""

# Near black a code is a large step of light, and a black level that is not quite black
# falsifies ratios; near the top the camera bends or clips the light.
_LOWEST, _HIGHEST = np.float32(8.0), np.float32(92.0)
# A strip of which less is usable tells nothing.
_LEAST_CELLS = 6
# Nor does a part of one: usable cells before and now, on the average.
_LEAST_PART_CELLS = 3.5
_TABLE_STEPS = 4096


class _Look(NamedTuple):
    """Stops of each cell, where they can be trusted, and both summed over parts."""

    stops: Array
    usable: NDArray[np.bool_]
    sums: Array
    counts: Array


class StripFollower:
    """Follows the light of each strip from frame to frame; remembers one picture."""

    def __init__(self, signal: Signal) -> None:
        self._table = _stops_table(signal)
        self._rises = np.diff(self._table, append=self._table[-1:])
        self._ones = np.ones(CELLS // PARTS, np.float32)
        self._before: _Look | None = None

    def read(self, picture: Picture) -> tuple[Array, Array] | None:
        """Return stops since the frame before; None for a first picture.

        Returns
        -------
        strips : (STRIPS,) array
            Mean of each strip's middle half.
        parts : (STRIPS * PARTS,) array
            Plain mean of each part of each strip, from left to right, from the top.
            NaN in both where a strip or part is too dark or too bright to tell.
        """
        if picture.damaged or min(picture.y.shape) < STRIPS:
            self._before = None
            return None
        before, self._before = self._before, self._look(picture)
        if before is None:
            return None
        now = self._before
        changes = now.stops - before.stops
        usable = now.usable & before.usable
        every = bool(usable.all())
        if not every:
            changes[~usable] = np.nan
        counts = now.counts + before.counts
        counts *= np.float32(0.5)
        parts = now.sums - before.sums
        if not every:
            counts[counts < _LEAST_PART_CELLS] = np.nan
        parts /= counts
        return middle_means(changes), parts

    def _look(self, picture: Picture) -> _Look:
        cells = small_cells(picture, CELLS, STRIPS)
        # What leaves the usable range stops at its end: no jump.
        place = np.minimum(np.maximum(cells, _LOWEST), _HIGHEST)
        usable = place == cells
        place *= np.float32(_TABLE_STEPS / 100.0)
        whole = place.astype(np.intp)
        place -= whole
        # Between two places of the table the curve is straight enough.
        place *= self._rises.take(whole)
        stops: Array = self._table.take(whole)
        stops += place
        rows = (-1, CELLS // PARTS)
        sums: Array = stops.reshape(rows) @ self._ones
        counts = usable.reshape(rows).astype(np.float32) @ self._ones
        return _Look(stops, usable, sums, counts)


def _stops_table(signal: Signal) -> Array:
    """Return log2 of scene light over percent of signal; the first is never used."""
    share = np.arange(_TABLE_STEPS + 2) / _TABLE_STEPS
    share[0] = share[1]
    return np.log2(to_linear(share, transfer=signal.transfer)).astype(np.float32)


def middle_means(changes: Array) -> Array:
    """Return the mean of each row's middle half; NaN left out.

    Parameters
    ----------
    changes : (strips, cells) array

    Returns
    -------
    (strips,) array
        NaN where too few are known. A coder that leaves some places as they were does
        not hide the others' change as it would from a median.
    """
    ordered = np.sort(changes, axis=1)  # NaN goes to the end
    weights = _weights(changes.shape[1])
    if np.isnan(ordered[:, -1]).any():
        known = np.count_nonzero(~np.isnan(ordered), axis=1)
        np.nan_to_num(ordered, copy=False)
        ordered *= weights[known]
        return np.asarray(ordered.sum(axis=1), np.float32)
    return np.asarray(ordered @ weights[-1], np.float32)


@lru_cache(maxsize=2)
def _weights(cells: int) -> Array:
    """Return weights of ordered cells by how many are known, (cells + 1, cells)."""
    out = np.zeros((cells + 1, cells), np.float32)
    out[:_LEAST_CELLS] = np.nan
    for known in range(_LEAST_CELLS, cells + 1):
        cut = known // 4
        out[known, cut : known - cut] = 1.0 / (known - 2 * cut)
    return out
