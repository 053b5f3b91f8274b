"""Drops that land while hands pass before them: what lasts, before and after.

A hand that passes just where a drop lands hides the moment. But it moves on: at rest
the middle of some seconds' looks shows each place without it, as a clean plate does. A
spot that the plate after has and the one before has not is told if every look that
shows the place shows it as one of them or the other, first always the one and then
always the other, and if the place is seen through it (`spotthrough`): things laid down
have edges of their own, and a shadow leaves what it falls on.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.spots.splash import Splash
from qc.measures.parts.spots.spotranks import median, middle, middle_of, ranked, rms
from qc.measures.parts.spots.spotstay import rests
from qc.measures.parts.spots.spotstep import SHARE, Frame, ring_of
from qc.measures.parts.spots.spotthrough import through

__all__ = ["PlateWatch", "same"]

Map = NDArray[np.float32]
Mask = NDArray[np.bool_]
Box = tuple[slice, slice]

_EVERY_S = 0.45
# Looks on either side that make a plate, and the fewest at the ends of a take; of those
# so many must show the place: hands are elsewhere more often than not.
_SIDE, _FEWEST, _SEEN = 9, 4, 3
_LEAST, _BEYOND = 0.05, 5.0  # natural logarithm; times what most places change by
_MOST_CHANGED = 0.25  # of the picture
_AREA, _REACH = 12, 16  # px; px: no drop is so large
_FILLED, _LONGEST = 0.45, 2.0  # of its box; times its breadth
_MARGIN, _BORDER = 7, 1  # px
_AROUND, _RANKS = (0.2, 0.45), (0.5, 0.85)  # of the change; places around it
# A place shows one of the plates if it is off by so much of the change, or logarithm; a
# look shows the spot's place if so many of its places do, the spot or none if so many
# of these agree.
_OFF, _OFF_LEAST, _SHOWS, _AGREE = 0.35, 0.02, 0.5, 0.7
_HIDDEN = 3  # looks in a row, at most, in which hands hide the moment


class PlateWatch:
    """Watches a take at rest for drops that land behind hands; bounded memory."""

    def __init__(self) -> None:
        self._looks: deque[Frame] = deque(maxlen=2 * _SIDE)
        self.found: list[Splash] = []

    def look(self, frame: Frame) -> None:
        """See a frame, and now and then what had come to stay some seconds before."""
        looks = self._looks
        if looks and frame.seconds - looks[-1].seconds < _EVERY_S:
            return
        if looks and not (
            looks[-1].level.shape == frame.level.shape
            and rests(looks[-1].level, frame.level)
            and rests(looks[0].level, frame.level)
        ):
            looks.clear()
        looks.append(frame)
        if len(looks) >= _SIDE + _FEWEST:
            self._search(len(looks) - _SIDE)

    def all(self) -> list[Splash]:
        """Return what has come, at the end of a take."""
        n = len(self._looks)
        for at in range(max(n - _SIDE + 1, _FEWEST), n - _FEWEST + 1):
            self._search(at)
        return self.found

    def _search(self, at: int) -> None:
        """Look for what the looks from `at` on show and the ones before do not."""
        looks = list(self._looks)
        first, last = max(at - _SIDE, 0), min(at + _SIDE, len(looks))
        before = _plate([f.level for f in looks[first:at]])
        after = _plate([f.level for f in looks[at:last]])
        change = after - before
        change -= np.float32(middle(change[::3, ::3]))
        for box, inside in _parts(change):
            new = _came(looks[first:last], at - first, (before, after), box, inside)
            if new is not None and not any(same(new, old) for old in self.found):
                self.found.append(new)


def _plate(maps: Sequence[Map]) -> Map:
    """Return what lasts at each place: of nine, the middle of middles of three."""
    if len(maps) == _SIDE:
        threes = [middle_of(*maps[n : n + 3]) for n in range(0, _SIDE, 3)]
        return middle_of(*threes)
    return np.asarray(median(np.array(maps, np.float32)), np.float32)


def _parts(change: Map) -> Iterator[tuple[Box, Mask]]:
    """Yield the places that got darker, if they have a drop's shape."""
    smooth = cv2.GaussianBlur(change, (0, 0), 0.7)
    usual = 1.4826 * middle(np.abs(smooth[::3, ::3]))
    darker = (smooth < -max(_LEAST, _BEYOND * usual)).astype(np.uint8)
    share = cv2.countNonZero(darker) / darker.size
    if not 0 < share <= _MOST_CHANGED:
        return
    count, labels, facts, _ = cv2.connectedComponentsWithStats(darker)
    height, width = darker.shape
    for n in range(1, count):
        x, y, w, h, area = (int(v) for v in facts[n])
        if area < max(_AREA, _FILLED * w * h) or max(w, h) > _REACH:
            continue
        if max(w, h) > _LONGEST * min(w, h):
            continue
        if min(x, y, width - x - w, height - y - h) < _BORDER:
            continue
        box = (
            slice(max(y - _MARGIN, 0), min(y + h + _MARGIN, height)),
            slice(max(x - _MARGIN, 0), min(x + w + _MARGIN, width)),
        )
        yield box, labels[box] == n


def _came(
    looks: Sequence[Frame], at: int, plates: tuple[Map, Map], box: Box, inside: Mask
) -> Splash | None:
    """Return what came in a place between two looks, if it is a drop."""
    around = ring_of(inside)
    if int(around.sum()) < _AREA:
        return None
    before, after = (plate[box] for plate in plates)
    change = after - before
    usual = np.float32(middle(change[around]))
    change = change - usual
    size = rms(change[inside])
    near = np.abs(change[around])
    if any(
        ranked(near, r) > most * size for r, most in zip(_RANKS, _AROUND, strict=True)
    ):
        return None
    row = _moment(looks, at, (before, change), box, (inside, around))
    if row is None:
        return None
    fine = tuple(slice(SHARE * s.start, SHARE * s.stop) for s in box)
    was, now = (
        np.asarray(median(np.array([f.fine[fine] for f in part])), np.float32)
        for part in (looks[:at], looks[at:])
    )
    masks = (
        np.repeat(np.repeat(mask, SHARE, axis=0), SHARE, axis=1)
        for mask in (inside, around)
    )
    seen = through(was, now, *masks, surely=True)
    if seen is None:
        return None
    height, width = plates[0].shape
    rows, columns = np.nonzero(inside)
    return Splash(
        float(box[1].start + columns.min()) / width,
        float(box[0].start + rows.min()) / height,
        float(np.ptp(columns) + 1) / width,
        float(np.ptp(rows) + 1) / height,
        seen.level,
        looks[row[1]].row,
        detail=seen.detail,
        without=looks[row[0]].row,
    )


def _shows(off: Map, change: Map, inside: Mask, around: Mask) -> float | None:
    """Return how much of a place shows the change; None if something is before it.

    Parameters
    ----------
    off : (h, w) array
        What a look changes the plate before by.
    """
    off = off[inside] - np.float32(middle(off[around]))
    goal = change[inside]
    without, with_it = np.abs(off), np.abs(off - goal)
    told = np.minimum(without, with_it) <= _OFF * rms(goal) + _OFF_LEAST
    if float(told.mean()) < _SHOWS:
        return None
    return float(np.mean(with_it[told] < without[told]))


def _moment(
    looks: Sequence[Frame],
    at: int,
    plate: tuple[Map, Map],
    box: Box,
    places: tuple[Mask, Mask],
) -> tuple[int, int] | None:
    """Return the last look without and the first with it, if it came once and stayed.

    Parameters
    ----------
    at : int
        The first look of the plate after.
    plate : (before, change)
    places : (inside, around)
    """
    before, change = plate
    sides: list[list[int]] = []
    for side in (range(at - 1, -1, -1), range(at, len(looks))):
        told: list[int] = []
        for n in side:
            share = _shows(looks[n].level[box] - before, change, *places)
            if share is None:
                continue
            if (share if n >= at else 1.0 - share) < _AGREE:
                return None
            told.append(n)
        if len(told) < _SEEN:
            return None
        sides.append(told)
    gone, there = sides[0][0], sides[1][0]
    return (gone, there) if there - gone <= _HIDDEN + 1 else None


def same(one: Splash, two: Splash) -> bool:
    """Return whether two splashes lie at the same place."""
    return abs(one.x - two.x) < one.w and abs(one.y - two.y) < one.h
