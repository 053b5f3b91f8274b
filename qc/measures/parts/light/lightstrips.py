"""How much brighter each strip of a picture became since the frame before."""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.light.lightwaves import STRIPS
from qc.records import Picture
from qc.signal import Signal, to_linear
from qc.views import proxy_luma

__all__ = ["CELLS", "StripFollower", "middle_means"]

Array = NDArray[np.float32]

CELLS = 30
"""Cells a strip is cut into; those that change most and least are left out."""

# Near black a code is a large step of light, and a black level that is not quite black
# falsifies ratios; near the top the camera bends or clips the light.
_LOWEST_PERCENT = 8.0
_HIGHEST_PERCENT = 92.0
# A strip of which less is usable tells nothing.
_LEAST_CELLS = 6
_TABLE_STEPS = 4096


class StripFollower:
    """Follows the light of each strip from frame to frame; remembers one picture."""

    def __init__(self, signal: Signal) -> None:
        self._table = _stops_table(signal)
        self._before: Array | None = None

    def read(self, picture: Picture) -> Array | None:
        """Return stops since the frame before, (strips,); None for a first picture.

        NaN where a strip is too dark or too bright to tell.
        """
        if picture.damaged or min(picture.y.shape) < STRIPS:
            self._before = None
            return None
        before, self._before = self._before, self._stops(picture.view(proxy_luma))
        if before is None:
            return None
        return middle_means(self._before - before)

    def _stops(self, luma: Array) -> Array:
        cells = cv2.resize(luma, (CELLS, STRIPS), interpolation=cv2.INTER_AREA)
        usable = (cells >= _LOWEST_PERCENT) & (cells <= _HIGHEST_PERCENT)
        place = np.where(usable, cells * np.float32(_TABLE_STEPS / 100.0), 0.0)
        whole = place.astype(np.int64)
        # Between two places of the table the curve is straight enough.
        low, high = self._table[whole], self._table[whole + 1]
        return np.asarray(low + (high - low) * (place - whole), np.float32)


def _stops_table(signal: Signal) -> Array:
    """Return log2 of scene light over percent of signal; NaN at its beginning."""
    share = np.arange(_TABLE_STEPS + 2) / _TABLE_STEPS
    share[0] = np.nan
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
    known = ~np.isnan(changes)
    ordered = np.sort(changes, axis=1)  # NaN goes to the end
    np.nan_to_num(ordered, copy=False)
    weights = _weights(changes.shape[1])[np.count_nonzero(known, axis=1)]
    return np.asarray((ordered * weights).sum(axis=1), np.float32)


@lru_cache(maxsize=2)
def _weights(cells: int) -> Array:
    """Return weights of ordered cells by how many are known, (cells + 1, cells)."""
    out = np.zeros((cells + 1, cells), np.float32)
    out[:_LEAST_CELLS] = np.nan
    for known in range(_LEAST_CELLS, cells + 1):
        cut = known // 4
        out[known, cut : known - cut] = 1.0 / (known - 2 * cut)
    return out
