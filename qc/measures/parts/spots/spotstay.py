"""What has come to a place, and whether later looks still show it there."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.spots.splash import Shown, Splash
from qc.measures.parts.spots.spotlay import laid_at, way_of
from qc.measures.parts.spots.spotranks import middle, ranked, rms
from qc.measures.parts.spots.spotstep import Step, ring_of

__all__ = ["KEEPS", "Arrived", "Landed", "lies_as"]

Map = NDArray[np.float32]
Mask = NDArray[np.bool_]
Box = tuple[slice, slice]

KEEPS = 0.6, 1.6
"""Of what came: least and most that a look that shows it has of that."""
_QUIET, _MOST_OF = 0.6, 0.85  # of the change: what so many of the places around may do
_RESTS = 0.35  # of the slope over two px: less than one px of motion
# Of what came at once. Of the change: what half and most of the places around may do
# where it is looked for.
_CALM, _RANKS = (0.3, 0.5), (0.5, 0.7)
_AROUND = 10  # px
_EVERY_S = 0.2
_LEAST_LOOKS, _LEAST_S, _LOOKS, _STAYS_S = 3, 1.6, 6, 4.0
_MOST_MISSED, _PATIENCE_S = 0.25, 20.0  # of its looks; since one that shows it
_MOVED = 0.02  # of the width


@dataclass(slots=True, eq=False)
class Landed:
    """What has come to stay while things move about.

    Attributes
    ----------
    pattern : (h, w) array
        How it changed its box; 0 outside of it.
    shown : Shown
        The lasting picture with it, where the newest look lay.
    since : float
        Seconds of the first look that shows it.
    """

    found: Splash
    box: Box
    pattern: Map
    around: Mask
    shown: Shown
    since: float
    looks: int = 0
    missed: int = 0

    def shows(self, here: Map) -> bool | None:
        """Return whether a look shows what came; None if nothing can be told.

        Parameters
        ----------
        here : (h, w) array
            What the look changes the box by, against the lasting picture.
        """
        size = rms(self.pattern[self.pattern != 0])
        # What passes around it may pass before it too.
        if ranked(np.abs(here[self.around]), _MOST_OF) > _QUIET * size:
            return None
        share = float((here * self.pattern).sum()) / float((self.pattern**2).sum())
        return KEEPS[0] <= share + 1.0 <= KEEPS[1]


class Arrived:
    """What came at once, and whether it stays.

    Later frames are held against the last without it, laid over them as the scene
    around the place has come.
    """

    def __init__(self, found: Splash, step: Step) -> None:
        height, width = step.before.level.shape
        rows, columns = np.nonzero(step.inside)
        top, left = step.box[0].start + rows.min(), step.box[1].start + columns.min()
        low, right = top + np.ptp(rows) + 1, left + np.ptp(columns) + 1
        self.box = (
            slice(max(top - _AROUND, 0), min(low + _AROUND, height)),
            slice(max(left - _AROUND, 0), min(right + _AROUND, width)),
        )
        whole = np.zeros((height, width), bool)
        whole[step.box] = step.inside
        self.inside = whole[self.box]
        rim = cv2.dilate(self.inside.astype(np.uint8), np.ones((5, 5), np.uint8))
        self.beside, self.around = rim == 0, ring_of(self.inside)
        self.before = step.before.level
        change = (step.after.level - self.before)[self.box]
        change -= np.float32(middle(change[self.around]))
        self.pattern = np.where(self.inside, change, np.float32(0))
        self.size = rms(change[self.inside])
        self.found, self.since = found, step.after.seconds
        self.move = np.zeros(2, np.float32)
        self.looks = self.misses = 0
        self.seen_s = self.looked_s = self.since
        self.good = True

    def look(self, level: Map, seconds: float) -> None:
        """See whether a frame shows it."""
        if seconds - self.looked_s < _EVERY_S:
            return
        self.looked_s = seconds
        good = self.shows(level)
        if good is None:
            return
        self.good = good
        self.looks += good
        self.misses += not good
        if good:
            self.seen_s = seconds

    def shows(self, level: Map) -> bool | None:
        """Return whether a frame shows it; None if nothing can be told."""
        if level.shape != self.before.shape:
            return None
        off = self._against(level)
        near = np.abs(off[self.around])
        if any(
            ranked(near, share) > most * self.size
            for share, most in zip(_RANKS, _CALM, strict=True)
        ):
            return None
        share = float((off * self.pattern).sum()) / float((self.pattern**2).sum())
        return KEEPS[0] <= share <= KEEPS[1]

    def _against(self, level: Map) -> Map:
        """Return what a frame's box has beyond the frame before, as that lies now."""
        goal = level[self.box]
        move = way_of(self.before, goal, self.box, self.beside, self.move)
        out = goal - laid_at(self.before, self.box, move)
        out -= np.float32(middle(out[self.around]))
        if ranked(np.abs(out[self.around]), _RANKS[0]) <= _CALM[0] * self.size:
            self.move = move
        return out

    def is_lost(self, seconds: float) -> bool:
        """Return whether it was something else, or nothing can be told any more."""
        few = self.misses > _MOST_MISSED * self.looks + 1
        return few or seconds - self.seen_s > _PATIENCE_S

    def has_stayed(self, seconds: float, *, at_last: bool = False) -> bool:
        """Return whether it was seen often and long enough.

        Somebody who leans in stays as long as a few looks take; a take that ends
        before shows its last frame (house choice).
        """
        if not self.good or self.misses > _MOST_MISSED * self.looks:
            return False
        if at_last:
            return self.looks >= _LEAST_LOOKS and self.seen_s - self.since >= _LEAST_S
        return self.looks >= _LOOKS and seconds - self.since >= _STAYS_S

    @property
    def told(self) -> Splash:
        """The splash, and whether the scene has moved on behind it."""
        height, width = self.before.shape
        far = max(
            _MOVED * width, 0.5 * max(self.found.w * width, self.found.h * height)
        )
        return replace(self.found, moved=float(np.hypot(*self.move)) >= far)


def lies_as(last: Shown, now: Shown) -> bool:
    """Return whether most of a picture shows just what another did."""
    few = now.level[::2, ::2]
    moved = float(np.median(np.abs(few - last.level[::2, ::2])))
    slopes = float(np.median(np.abs(now.level[::2, 2::2] - now.level[::2, :-2:2])))
    return moved < _RESTS * slopes
