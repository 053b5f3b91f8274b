"""The colour of a picture against the one before: what a changed setting does at once.

A hand that shakes moves a picture by a few percent from one to the next, so that nearly
all points still show the same things, while half a second later none may. A setting of
white that is changed multiplies R/G and B/G of all of them by one factor from one
picture to the next.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.neutral.wholepoints import (
    Points,
    change_of_any,
    correlation,
    points_of,
)
from qc.signal import Signal

__all__ = ["NO_STEP", "ColourStep"]

# The mean of Cb or Cr changes by more than this share of its range: 25 mired make 0.008
# to 0.013 in real close-ups, half of it in fields that are nearly black.
_JUMP = 0.004
# Pictures that lie farther apart are not neighbours.
_NEXT_S = 0.3
# Where things have moved far from one picture to the next a change is believed if most
# points make at least half of it, are no farther apart than this share of it, and light
# and dark lie about as they lay (house choices).
_WITH, _SPREAD_SHARE, _ALIKE, _FEWEST = 0.75, 0.45, 0.45, 0.2
# More stops of exposure than this make another jump of it.
_EXPOSED = 0.5
NO_STEP = (math.nan, math.nan)
"""Where colour has not jumped, or it cannot be told."""


class ColourStep:
    """Holds each picture against the one before, where colour has jumped."""

    def __init__(self, signal: Signal) -> None:
        self._signal = signal
        self._planes: list[NDArray[np.unsignedinteger]] | None = None
        self._means = (math.nan, math.nan)
        self._at_s = -math.inf
        self._jump = _JUMP * signal.chroma_span

    def read(
        self,
        planes: list[NDArray[np.unsignedinteger]],
        means: tuple[float, float],
        at_s: float,
    ) -> tuple[float, float]:
        """Return by how many stops R/G and B/G have jumped; NaN where they have not.

        Parameters
        ----------
        planes : Y, Cb, Cr at chosen points
            Of their own: they are kept until the next picture.
        means : (Cb, Cr)
            Codes.
        at_s : float
        """
        before, last = self._planes, self._means
        near = 0 <= at_s - self._at_s <= _NEXT_S
        self._planes, self._means, self._at_s = planes, means, at_s
        if before is None or not near or before[0].shape != planes[0].shape:
            return NO_STEP
        if max(abs(means[0] - last[0]), abs(means[1] - last[1])) <= self._jump:
            return NO_STEP
        was, now = self._points(before), self._points(planes)
        return change_of_any(was, now) or _change_of_most(was, now) or NO_STEP

    def _points(self, planes: list[NDArray[np.unsignedinteger]]) -> Points:
        return points_of(planes, self._signal)


def _change_of_most(was: Points, now: Points) -> tuple[float, float] | None:
    """Return the change that most points make though they have moved; else None."""
    both = was.usable & now.usable
    if np.count_nonzero(both) < _FEWEST * both.size:
        return None
    red, blue = now.red[both] - was.red[both], now.blue[both] - was.blue[both]
    light = now.green[both] - was.green[both]
    shift = float(np.median(red)), float(np.median(blue))
    size = math.hypot(*shift)
    off = float(np.median(np.hypot(red - shift[0], blue - shift[1])))
    if off > _SPREAD_SHARE * size or abs(float(np.median(light))) > _EXPOSED:
        return None
    along = red * shift[0] + blue * shift[1]
    if np.mean(along > 0.5 * size**2) < _WITH:
        return None
    alike = correlation(was.green[both], now.green[both]) >= _ALIKE
    return shift if alike else None
