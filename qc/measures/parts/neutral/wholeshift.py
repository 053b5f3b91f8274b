"""How the colour of the whole picture changes while the framing stays.

No white need be known for it: under another lamp, or by another setting of the camera,
every surface changes its R/G and B/G by the same factor (von Kries), bright or dark. A
hand, a swab or blood changes only what it covers; the iris changes neither ratio.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2

from qc.measures.parts.neutral.colourstep import NO_STEP, ColourStep
from qc.measures.parts.neutral.neutrallight import LAMP_DUV, lamp_duv, least_duv
from qc.measures.parts.neutral.wholepoints import (
    LARGE_STOPS,
    Points,
    change_of_any,
    change_of_ratios,
    points_of,
    sampled,
)
from qc.records import Picture
from qc.signal import Signal

__all__ = ["Whole", "WholeShift"]

_EVERY_S = 0.24
# A change of the mean of Cb or Cr, share of the range, that is looked into at once.
_JUMP = 0.0012
_LOST_S = 0.8  # so long the framing may be another before a new one begins


@dataclass(frozen=True, slots=True, eq=False)
class Whole:
    """The colour of one picture against the start of its framing.

    Attributes
    ----------
    stops : (red, blue)
        How R/G and B/G have changed since the start of the take; NaN while the framing
        is another. From one framing to the next it is a guess.
    framing : int
        Counts framings: what is told of differences within one is sure.
    """

    stops: tuple[float, float]
    framing: int


class WholeShift:
    """Follows the colour of the whole picture; cheap enough for every frame.

    Attributes
    ----------
    step : (red, blue)
        By how many stops R/G and B/G have jumped since the picture before the one read
        last; NaN where they have not, or it cannot be told.
    chroma : (Cb, Cr)
        Means of the picture read last, percent of their range, 0 without colour.
    """

    def __init__(self, signal: Signal) -> None:
        self._signal = signal
        self._first: Points | None = None
        self._last: Points | None = None
        self._base = (0.0, 0.0)
        self._whole = Whole((math.nan, math.nan), 0)
        self._means = (math.nan, math.nan)
        self._jump = _JUMP * signal.chroma_span
        self._looked_s = -math.inf
        self._kept_s = -math.inf
        self._steps = ColourStep(signal)
        self.step = NO_STEP
        self.chroma = NO_STEP

    def read(self, picture: Picture, at_s: float) -> Whole:
        """Return how the picture's colour has changed.

        Parameters
        ----------
        picture : Picture
            With chroma.
        at_s : float
            When it is shown, seconds.
        """
        planes = sampled(picture)
        means = cv2.mean(planes[1])[0], cv2.mean(planes[2])[0]
        zero, span = self._signal.chroma_zero, self._signal.chroma_span
        self.chroma = 100 * (means[0] - zero) / span, 100 * (means[1] - zero) / span
        self.step = self._steps.read(planes, means, at_s)
        # NaN, as at first, counts for a jump.
        jumped = not all(
            abs(now - before) <= self._jump
            for now, before in zip(means, self._means, strict=True)
        )
        if not jumped and 0 <= at_s - self._looked_s < _EVERY_S:
            return self._whole
        self._looked_s, self._means = at_s, means
        now = points_of(planes, self._signal)
        stops = None if self._first is None else change_of_any(self._first, now)
        framing = self._whole.framing
        if stops is not None and not self._is_by_light(stops):
            stops = None
        if stops is not None:
            self._kept_s, self._last = at_s, now
        elif self._first is None or not 0 <= at_s - self._kept_s <= _LOST_S:
            self._base = self._linked(now)
            self._first = self._last = now
            self._kept_s, stops, framing = at_s, (0.0, 0.0), framing + 1
        if stops is None:
            self._whole = Whole((math.nan, math.nan), framing)
        else:
            told = self._base[0] + stops[0], self._base[1] + stops[1]
            self._whole = Whole(told, framing)
        return self._whole

    def _is_by_light(self, stops: tuple[float, float]) -> bool:
        """Return whether some lamp or setting makes such a change, or its reverse."""
        if math.hypot(*stops) <= LARGE_STOPS:
            return True
        table = lamp_duv(self._signal.primaries)
        return any(
            abs(least_duv(table, sign * stops[0], sign * stops[1])) < LAMP_DUV
            for sign in (1.0, -1.0)
        )

    def _linked(self, now: Points) -> tuple[float, float]:
        """Return the change up to a new framing, as far as it can be guessed."""
        if self._last is None or self._first is None:
            return self._base
        before = change_of_any(self._first, self._last) or (0.0, 0.0)
        step = change_of_ratios(self._last, now, loose=True) or (0.0, 0.0)
        return (
            self._base[0] + before[0] + step[0],
            self._base[1] + before[1] + step[1],
        )
