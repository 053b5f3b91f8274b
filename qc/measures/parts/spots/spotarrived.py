"""Whether later frames still show what came at once: a filter that stays in its place.

A drop on the lens passes a share of what lies behind it, and blurs it. When the scene
moves on the drop does not, so what it takes from the new scene is known from what it
took when it came. A thing of the scene would have gone along.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.spots.splash import Splash
from qc.measures.parts.spots.spotlay import laid_at, way_of
from qc.measures.parts.spots.spotranks import middle, ranked, rms
from qc.measures.parts.spots.spotstay import KEEPS
from qc.measures.parts.spots.spotstep import Frame, Step, ring_of

__all__ = ["Arrived"]

Map = NDArray[np.float32]
Box = tuple[slice, slice]

# Of the change: what half and most of the places around may do where it is looked for.
_CALM, _RANKS = (0.3, 0.5), (0.5, 0.7)
_AROUND, _SLACK = 10, 3  # px
_AS_IT_WAS = 0.6  # of the change
_EVERY_S = 0.2
_LEAST_LOOKS, _LEAST_S, _LOOKS, _STAYS_S = 3, 1.6, 6, 4.0
_MOST_MISSED, _PATIENCE_S = 0.25, 20.0  # of its looks; since one that shows it
_MOVED = 0.02  # of the width
_BLURS, _EVEN = (0.0, 0.7, 1.2, 2.0), 1.0  # px: of what lies behind; of what it takes


class Arrived:
    """What came at once, and whether it stays.

    Later frames are held against the last without it, laid over them as the scene
    around the place has come, and seen through it.
    """

    def __init__(
        self, found: Splash, step: Step, earlier: Sequence[Frame] = ()
    ) -> None:
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
        after = step.after.level[self.box]
        change = after - self.before[self.box]
        usual = np.float32(middle(change[self.around]))
        self.size = rms((change - usual)[self.inside])
        self._blur, self._takes = self._filter(after - usual)
        # What goes to and fro lies again as it did some time before.
        wide, self._own = _wider(self.box)
        self._earlier = np.array(
            [
                one.level[wide]
                for one in earlier
                if one.row < step.without and one.level.shape == (height, width)
            ],
            np.float32,
        )
        self.found, self.since = found, step.after.seconds
        self.move = np.zeros(2, np.float32)
        self.looks = self.misses = 0
        self.seen_s = self.looked_s = self.since
        self.good = True

    def _filter(self, after: Map) -> tuple[float, Map]:
        """Return how much it blurs, px, and what else it does: a smooth logarithm."""
        best = np.inf, 0.0, np.zeros_like(after)
        before = self.before[self.box]
        weight = self.inside.astype(np.float32)
        spread = cv2.GaussianBlur(weight, (0, 0), _EVEN) + np.float32(1e-3)
        for blur in _BLURS:
            off = (after - _blurred(before, blur)) * weight
            even = cv2.GaussianBlur(off, (0, 0), _EVEN) / spread * weight
            rest = rms((off - even)[self.inside])
            if rest < best[0]:
                best = rest, blur, even
        return best[1], best[2]

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
        goal = level[self.box]
        move = way_of(self.before, goal, self.box, self.beside, self.move)
        behind = laid_at(self.before, self.box, move)
        calm, good = self._through(goal, behind)
        if calm[0] <= _CALM[0]:
            self.move = move
        return good if good is not None else self._as_before(goal)

    def _as_before(self, goal: Map) -> bool | None:
        """Return the same of the earlier frame whose surroundings are most alike."""
        if not len(self._earlier):
            return None
        ring = np.zeros(self._earlier.shape[1:], bool)
        ring[self._own] = self.around
        off = goal[self.around] - self._earlier[:, ring]
        off -= np.median(off, axis=1, keepdims=True)
        most = int(_RANKS[1] * off.shape[1])
        far = np.partition(np.abs(off), most, axis=1)[:, most]
        best = self._earlier[int(np.argmin(far))]
        move = way_of(best, goal, self._own, self.beside, np.zeros(2, np.float32))
        if np.abs(move).max() > _SLACK:
            return None
        return self._through(goal, laid_at(best, self._own, move))[1]

    def _through(self, goal: Map, behind: Map) -> tuple[list[float], bool | None]:
        """Return what the places around do, and whether it shows; None if untold."""
        off = goal - behind
        off -= np.float32(middle(off[self.around]))
        near = np.abs(off[self.around])
        calm = [ranked(near, share) / self.size for share in _RANKS]
        if calm[0] > _CALM[0] or calm[1] > _CALM[1]:
            return calm, None
        through = _blurred(behind, self._blur) + self._takes - behind
        pattern = np.where(self.inside, through, np.float32(0))
        power = max(float((pattern**2).sum()), 1e-6)
        if KEEPS[0] <= float((off * pattern).sum()) / power <= KEEPS[1]:
            return calm, True
        # It is gone where the scene shows as it was; else something lies behind it.
        return calm, False if rms(off[self.inside]) <= _AS_IT_WAS * self.size else None

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


def _wider(box: Box) -> tuple[Box, Box]:
    """Return a box with some slack around, and where it lies in that."""
    wide = slice(max(box[0].start - _SLACK, 0), box[0].stop + _SLACK)
    long = slice(max(box[1].start - _SLACK, 0), box[1].stop + _SLACK)
    rows = slice(box[0].start - wide.start, box[0].stop - wide.start)
    columns = slice(box[1].start - long.start, box[1].stop - long.start)
    return (wide, long), (rows, columns)


def _blurred(level: Map, blur: float) -> Map:
    """Return the logarithm of blurred light."""
    if not blur:
        return level
    light = cv2.GaussianBlur(cv2.exp(level), (0, 0), blur)
    return np.asarray(cv2.log(light), np.float32)
