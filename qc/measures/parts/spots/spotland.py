"""Spots that come and stay while people move about: what lasts, before and after.

From one picture to the next a passing hand changes more than a drop does. The middle
of three looks, taken over seconds, leaves out what passes; where it differs from the
middle of the three before, something has come to stay. What did is told by how it came:
at once, with nothing moving around the place, and soft.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.spots.splash import Shown, Splash, laid, move_at
from qc.measures.parts.spots.spotcome import ArrivalWatch
from qc.measures.parts.spots.spotplate import PlateWatch, same
from qc.measures.parts.spots.spotranks import middle, middle_of, ranked, rms
from qc.measures.parts.spots.spotstay import KEEPS, Landed, lies_as
from qc.measures.parts.spots.spotstep import Frame, frames_of
from qc.records import Picture
from qc.views import proxy_luma

__all__ = ["LandWatch"]

Map = NDArray[np.float32]
Mask = NDArray[np.bool_]
Box = tuple[slice, slice]

_APART_S, _PART = 0.7, 3  # between looks; looks before, and after
_AROUND_S = 0.3  # of frames beyond the looks between which it came
_FRAME_S, _FRAMES = 0.03, 180  # so near to each other frames are kept; so many
_LEAST, _BEYOND = 0.028, 5.0  # natural logarithm; times what most places change by
_MOST_CHANGED = 0.25  # of the picture
_FEWEST, _AREA = 2, 0.05  # px; of all
_TRIED = 24
_FILLED, _LONGEST = 0.4, 5.0  # of its box; times its breadth
_MARGIN, _BORDER = 4, 1  # px
_QUIET, _MOST_OF = 0.3, 0.85  # of the change: what so many of the places around may do
# Where the level of all changes by more of it than this, what burns stays behind: it
# gets darker beside a picture that gets brighter, and nothing lies before it.
_ALL_CHANGED = 0.5
_AS_USUAL = 1.3  # times what the places around change by at other times
_AT_ONCE, _WITHIN = 0.8, 2  # of the change, within so many kept frames
# Frames on either side; of the change of a small and a large spot, off their middle.
_PLATEAU, _STEADY = 8, (0.12, 0.3)
_SOFT, _TO_BE_SOFT = 0.45, 25  # of the change, from px to px; px that show it
_DARKER = 0.5  # of the change: as a whole, not here and there
_CORE = 0.6  # of the strongest place
_LEFT, _BLURS = 0.35, (0.0, 1.0, 2.0)
_SMOOTH = 0.25  # of the change: roughness inside, of what does not show what was behind
_BRIGHTER = 0.35  # natural logarithm, at most
_WAS = 0.5  # of the change: how much it may have stood out in the other way
_GRAIN, _TO_COMPARE, _ALIKE = 1.5, 0.03, 0.75  # px; natural logarithm; correlation
# Looks in which it is as it was, or is not in a row: a glint that goes out for a while
# is back by then.
_STAYS_LOOKS, _MISSES = 6, 2
_PATIENCE_S = 20.0  # since a look that surely shows it
_MOVED = 0.02  # of the width
_STEADY_PX = 4.0  # from look to look
_NO_FINE = np.zeros((0, 0), np.float32)
_NO_FRAMES = np.zeros((0, 0, 0), np.float32)
_MOST_WAITING = 24


class LandWatch:
    """Watches a take for spots that come to stay; bounded memory."""

    def __init__(self) -> None:
        self._frames: deque[Frame] = deque(maxlen=_FRAMES)
        self._looks: deque[tuple[float, Shown]] = deque(maxlen=2 * _PART)
        self._waiting: list[Landed] = []
        self._turn = False
        # At half the size too: what is as large as a drop there is a large one.
        self._arrivals, self._large = ArrivalWatch(), ArrivalWatch()
        self._plates = PlateWatch()
        self.found: list[Splash] = []

    def frame(self, picture: Picture, row: int, seconds: float) -> None:
        """Remember a frame."""
        if self._frames and seconds - self._frames[-1].seconds < _FRAME_S:
            return
        frame, coarse = frames_of(picture.view(proxy_luma), row, seconds)
        self._arrivals.frame(frame)
        self._large.frame(coarse)
        self._plates.look(frame)
        self._frames.append(Frame(row, seconds, frame.level, _NO_FINE))

    def look(self, now: Shown, seconds: float) -> None:
        """See what has come, and whether what came before has stayed."""
        self._arrivals.look()
        self._large.look()
        if self._looks:
            last = self._looks[-1]
            if not _goes_on(last[1], now):
                self._looks.clear()
                self._waiting = []
            elif seconds - last[0] < _APART_S:
                return
        steady = not (self._looks and _moves(self._looks[-1][1], now))
        self._arrivals.search(steady=steady)
        self._large.search(steady=steady)
        self._looks.append((seconds, now))
        self._check(now, seconds)
        self._turn = not self._turn
        # One look of three may be of the other side: every second turn is enough.
        if len(self._looks) < 2 * _PART or self._turn:
            return
        maps = [laid(one, now).level for _, one in self._looks]
        before, after = middle_of(*maps[:_PART]), middle_of(*maps[_PART:])
        change = after - before
        common = middle(change[::3, ::3])
        change -= np.float32(common)
        for part, facts in _parts(change):
            if abs(common) > _ALL_CHANGED * rms(change[part]):
                continue
            one = self._judged(change, part, facts, (before, after), now)
            if one is not None:
                self._waiting.append(one)
        del self._waiting[_MOST_WAITING:]

    def all(self) -> list[Splash]:
        """Return what has come, at the end of a take."""
        left = [w for w in self._waiting if w.looks > 0 and not w.missed]
        found = self.found + [_told(one, self._looks[-1][1]) for one in left]
        found = self._arrivals.all() + found
        # Plates tell less well when.
        for others in (self._large.all(), self._plates.all()):
            found += [one for one in others if not any(same(one, f) for f in found)]
        return found

    def _check(self, now: Shown, seconds: float) -> None:
        """Keep watching what is as it was when it came; tell what has stayed."""
        left = []
        for one in self._waiting:
            if seconds - one.since > _PATIENCE_S:
                continue
            change = now.level - laid(one.shown, now).level
            change -= np.float32(middle(change[::3, ::3]))
            good = one.shows(change[one.box])
            if good is None:
                left.append(one)
                continue
            one.looks += good
            one.missed = 0 if good else one.missed + 1
            if one.looks >= _STAYS_LOOKS:
                self.found.append(_told(one, now))
            elif one.missed < _MISSES:
                left.append(one)
        self._waiting = left

    def _judged(
        self,
        change: Map,
        part: Mask,
        facts: NDArray[np.int32],
        sides: tuple[Map, Map],
        now: Shown,
    ) -> Landed | None:
        """Return what came in a place if it came like a drop."""
        x, y, w, h = (int(v) for v in facts[:4])
        height, width = part.shape
        box = (
            slice(max(y - _MARGIN, 0), min(y + h + _MARGIN, height)),
            slice(max(x - _MARGIN, 0), min(x + w + _MARGIN, width)),
        )
        here, inside = change[box], part[box]
        around = cv2.dilate(inside.astype(np.uint8), np.ones((5, 5), np.uint8)) == 0
        size = rms(here[inside])
        if not around.any() or ranked(np.abs(here[around]), _MOST_OF) > _QUIET * size:
            return None
        before, after = (side[box] for side in sides)
        mean = float(here[inside].mean())
        whole = abs(mean) >= _DARKER * size
        # Its rim shows some of it only.
        core = inside & (np.abs(here) >= _CORE * np.abs(here[inside]).max())
        core = core if whole and core.sum() >= _FEWEST else inside
        if whole and not _as_a_drop(here, (inside, core, around), (before, after)):
            return None
        if not _shows(before, after, core, size) and (
            mean > -_DARKER * size or not _smooth(after, inside, size)
        ):
            return None
        pattern = np.where(inside, here, np.float32(0))
        when = self._onset(box, pattern, around, size)
        if when is None:
            return None
        row, without = when
        found = Splash(
            x / width,
            y / height,
            w / width,
            h / height,
            mean if whole else 0.0,
            row,
            detail=0.0 if whole else -size,
            without=without,
        )
        if self._arrivals.denies(found):
            return None
        with_it = Shown(now.row, sides[1], sides[1][:0], now.chain, now.place)
        return Landed(found, box, pattern, around, with_it, self._looks[_PART + 1][0])

    def _onset(
        self, box: Box, pattern: Map, around: Mask, size: float
    ) -> tuple[int, int] | None:
        """Return the row at which it came at once, and the one before; or None."""
        first, last = self._looks[_PART - 2][0], self._looks[_PART + 1][0]
        kept = [
            f
            for f in self._frames
            if first - _AROUND_S <= f.seconds <= last + _AROUND_S
        ]
        h, w = pattern.shape
        crops = np.stack([f.level[box] for f in kept]) if kept else _NO_FRAMES
        if len(kept) < 3 * _WITHIN + 2 or crops.shape[1:] != (h, w):
            return None
        ring = crops[:, around]
        along = (crops * pattern).sum(axis=(1, 2)) / float((pattern**2).sum())
        along -= np.median(ring, axis=1) * float(pattern.sum() / (pattern**2).sum())
        rise = along[_WITHIN:] - along[:-_WITHIN]
        at = int(np.argmax(rise))
        if not _AT_ONCE <= rise[at] <= KEEPS[1]:
            return None
        # Of few places leaves and ripples may show as much.
        large = int((pattern != 0).sum() >= _TO_BE_SOFT)
        # The last without it, and the first that fully shows it.
        gone, there = along[max(at - _PLATEAU, 0) : at + 1], along[at + _WITHIN :]
        there = there[:_PLATEAU]
        middles = float(np.median(gone)), float(np.median(there))
        if not KEEPS[0] <= middles[1] - middles[0] <= KEEPS[1]:
            return None
        for side, usual in zip((gone, there), middles, strict=True):
            if ranked(np.abs(side - usual), _MOST_OF) > _STEADY[large]:
                return None
        # Nothing moves around it, or no more than at other times: a sway.
        apart = _WITHIN + 2
        moved = np.array(
            [ranked(_off(d), _MOST_OF) for d in ring[apart:] - ring[:-apart]]
        )
        usual = min(_AS_USUAL * middle(moved), 2.0 * _QUIET * size) if large else 0.0
        if moved[min(max(at - 1, 0), len(moved) - 1)] > max(_QUIET * size, usual):
            return None
        half = 0.5 * (middles[0] + middles[1])
        first_row = at + int(np.argmax(along[at : at + _WITHIN + 1] > half))
        return kept[first_row].row, kept[max(first_row - 1, 0)].row


def _goes_on(last: Shown, now: Shown) -> bool:
    """Return whether it is known how a look lies over the one before.

    A picture at rest lies as it did, though it may be lost where many people walk.
    """
    if last.level.shape != now.level.shape:
        return False
    if last.chain == now.chain:
        return True
    return lies_as(last, now)


def _parts(change: Map) -> Iterator[tuple[Mask, NDArray[np.int32]]]:
    """Yield the places that have changed for long, the largest first."""
    smooth = np.abs(cv2.GaussianBlur(change, (0, 0), 0.7))
    usual = 1.4826 * middle(smooth[::3, ::3])
    changed = (smooth > max(_LEAST, _BEYOND * usual)).astype(np.uint8)
    if not changed.any() or changed.mean() > _MOST_CHANGED:
        return
    count, labels, facts, _ = cv2.connectedComponentsWithStats(changed)
    likely = [n for n in range(1, count) if _compact(facts[n], change.shape)]
    likely.sort(key=lambda n: -int(facts[n, cv2.CC_STAT_AREA]))
    for n in likely[:_TRIED]:
        yield labels == n, facts[n]


def _compact(facts: NDArray[np.int32], shape: tuple[int, ...]) -> bool:
    x, y, w, h, area = (int(v) for v in facts)
    if not _FEWEST <= area <= _AREA * shape[0] * shape[1]:
        return False
    if min(x, y, shape[1] - x - w, shape[0] - y - h) < _BORDER:
        return False
    return area >= _FILLED * w * h and max(w, h) <= _LONGEST * min(w, h)


def _shows(before: Map, after: Map, inside: Mask, size: float) -> bool:
    """Return whether a place shows what it did, less of it, more of it or blurred."""
    goal = after[inside]
    for sigma in _BLURS:
        under = cv2.GaussianBlur(before, (0, 0), sigma) if sigma else before
        was = under[inside]
        spread = float(was.var())
        gain = float(np.cov(was, goal)[0, 1]) / spread if spread > 1e-6 else 0.0
        gain = min(max(gain, 0.2), 1.2)
        off = goal - gain * was
        if float(off.std()) <= _LEFT * size:
            return True
    return False


def _smooth(after: Map, inside: Mask, size: float) -> bool:
    fine = after - cv2.GaussianBlur(after, (0, 0), 1.5)
    core = cv2.erode(inside.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    return not core.any() or float(fine[core].std()) <= _SMOOTH * size


def _as_a_drop(
    change: Map, places: tuple[Mask, Mask, Mask], sides: tuple[Map, Map]
) -> bool:
    """Return whether a place stands out more than it did, and softly.

    Parameters
    ----------
    places : (inside, core, around)
    sides : (before, after)
    """
    inside, core, around = places
    mean = float(change[inside].mean())
    was, is_now = (
        float(side[inside].mean() - np.median(side[around])) for side in sides
    )
    # A glint that goes out is darker after; a hand that leaves is brighter, and so is
    # whatever has lain there: a brighter place must have kept its own grain.
    gone = abs(is_now) < abs(was) or was * np.sign(mean) < -_WAS * abs(mean)
    if mean > _BRIGHTER or ((gone or mean > 0) and not _alike(sides, core)):
        return False
    return int(inside.sum()) < _TO_BE_SOFT or _soft(change, inside)


def _alike(sides: tuple[Map, Map], inside: Mask) -> bool:
    """Return whether a place has a grain of its own, and still the same."""
    if int(inside.sum()) < _TO_BE_SOFT:
        return False
    was, is_now = (
        (side - cv2.GaussianBlur(side, (0, 0), _GRAIN))[inside] for side in sides
    )
    if float(was.std()) < _TO_COMPARE or float(is_now.std()) <= 0:
        return False
    return float(np.corrcoef(was, is_now)[0, 1]) >= _ALIKE


def _soft(change: Map, inside: Mask) -> bool:
    smooth = cv2.GaussianBlur(np.ascontiguousarray(change), (0, 0), 0.7)
    down, across = np.gradient(smooth)
    size = float(np.abs(smooth[inside]).max())
    return float(np.hypot(down, across).max()) <= _SOFT * size


def _off(values: Map) -> Map:
    """Return how far values lie from their middle."""
    return np.asarray(np.abs(values - np.float32(middle(values))), np.float32)


def _told(one: Landed, now: Shown) -> Splash:
    """Return the splash, and whether the scene has moved on behind it."""
    f = one.found
    height, width = now.level.shape
    move = move_at(now.since(one.shown), one.box, now.level.shape)
    far = max(_MOVED * width, 0.5 * max(f.w * width, f.h * height))
    moved = float(np.hypot(*move)) >= far
    return Splash(f.x, f.y, f.w, f.h, f.level, f.row, f.detail, f.without, moved)


def _moves(last: Shown, now: Shown) -> bool:
    """Return whether the camera moves so much that no place is steady."""
    move = now.since(last)
    if move is None:
        return False
    return ranked(np.hypot(move[..., 0], move[..., 1]), 0.5) > _STEADY_PX
