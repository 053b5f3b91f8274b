"""Spots that come from one picture to the next and stay: a splash on the lens.

Where the scene does not move nobody can tell a spot from a thing that lies there, but
for the moment it comes. Things come into their place on a path, and a shadow with what
throws it; a splash is there at once, with nothing moving around it, darkens what lies
behind, adds no detail of its own, and stays.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.spots.spotlooks import level_map
from qc.records import Picture
from qc.views import proxy_luma

__all__ = ["Splash", "SplashWatch"]

Map = NDArray[np.float32]
Mask = NDArray[np.bool_]

_FRAMES = 64  # kept; looks farther apart are not compared
_SHARE = 2  # looks are compared at half the size of the small picture
_LEAST, _LEAST_STEP = 0.07, 0.09  # natural logarithms, of a part and of a spot
_MOST_CHANGED = 0.25  # of the picture
_AREA = 0.0006, 0.03  # of the picture
_FILLED, _LONGEST = 0.45, 3.5  # of its box; times its breadth
_TRIED = 4  # at a look, the strongest
_BORDER = 2  # px
_QUIET = 0.3  # of the step: what the surroundings, and the place before, may change
_AT_ONCE, _WITHIN = 0.75, 2  # of the step, within so many frames
_STAYS_S, _STAYS_LOOKS = 2.0, 5
_KEEPS = 0.5, 1.9  # times the first step, as long as it is watched
_STANDS_OUT = 0.3  # of the step: a lamp that goes out leaves what is around it
_TEXTURE, _OF_STEP, _MORE_TEXTURE = 0.02, 0.1, 1.5
_FOOT = 5.0  # see spotlooks
_FEWEST_INSIDE, _FEWEST_AROUND = 4, 12  # px
_MARGIN = 4  # px around: the surroundings
_MOST_WATCHED = 24


@dataclass(frozen=True, slots=True)
class Splash:
    """A spot that came at once and stayed.

    Attributes
    ----------
    x, y, w, h : float
        Box as shares of the picture's width and height.
    level : float
        Change in natural logarithms.
    row : int
        First row that shows it.
    """

    x: float
    y: float
    w: float
    h: float
    level: float
    row: int


@dataclass(slots=True, eq=False)
class _Watched:
    """A place that changed at once, and whether it stays so."""

    found: Splash
    box: tuple[slice, slice]
    inside: Mask
    around: Mask
    last: Map
    before: float
    since: float
    looks: int = 0


class SplashWatch:
    """Watches a take for splashes; bounded memory."""

    def __init__(self) -> None:
        self._frames: deque[tuple[int, Map]] = deque(maxlen=_FRAMES)
        self._last: list[Map] = []
        self._watched: list[_Watched] = []
        self.found: list[Splash] = []

    def frame(self, picture: Picture, row: int) -> None:
        """Remember a frame until the next look."""
        self._frames.append((row, picture.view(proxy_luma)))

    def look(self, picture: Picture, seconds: float) -> None:
        """Compare with the look before, and see what has stayed."""
        level = picture.view(level_map)
        size = level.shape[1] // _SHARE, level.shape[0] // _SHARE
        if min(size) < 8 * _MARGIN:
            return
        now = np.asarray(
            cv2.resize(level, size, None, 0, 0, cv2.INTER_AREA), np.float32
        )
        if self._last and self._last[-1].shape != now.shape:
            self._last, self._watched = [], []
        self._check(now, seconds)
        if len(self._last) == 2 and len(self._frames) < _FRAMES:
            self._watched += self._new(now, seconds)
            del self._watched[_MOST_WATCHED:]
        self._last = [*self._last[-1:], now]
        while len(self._frames) > 1:  # the newest is the first of what comes
            self._frames.popleft()

    def _check(self, now: Map, seconds: float) -> None:
        """Keep watching what is as it was when it came; tell what has stayed."""
        left = []
        for one in self._watched:
            crop = now[one.box]
            step = _contrast(crop, one.inside, one.around) - one.before
            share = step / one.found.level
            if not _KEEPS[0] <= share <= _KEEPS[1]:
                continue
            # Where the scene runs past, much comes and stays for a while.
            passed = float(np.abs(crop - one.last)[one.around].mean())
            if passed > _QUIET * abs(one.found.level):
                continue
            one.looks += 1
            if one.looks >= _STAYS_LOOKS and seconds - one.since >= _STAYS_S:
                self.found.append(one.found)
                continue
            left.append(one)
        self._watched = left

    def _new(self, now: Map, seconds: float) -> Iterator[_Watched]:
        """Yield what has come since the look before."""
        earlier, last = self._last
        change = now - last
        change -= np.float32(_middle(change[::3, ::3]))
        smooth = cv2.GaussianBlur(change, (0, 0), 1.0)
        # Of either sign: what moves leaves a trail where it was.
        changed = np.abs(smooth) > _LEAST
        if not changed.any() or changed.mean() > _MOST_CHANGED:
            return
        count, labels, facts, _ = cv2.connectedComponentsWithStats(
            changed.astype(np.uint8)
        )
        least, most = (share * changed.size for share in _AREA)
        likely = [
            label
            for label in range(1, count)
            if least <= facts[label, cv2.CC_STAT_AREA] <= most
            and _compact(facts[label], changed.shape)
            and _falls(smooth, labels, label, facts[label])  # no lamp, no glint
        ]
        likely.sort(key=lambda label: -int(facts[label, cv2.CC_STAT_AREA]))
        for label in likely[:_TRIED]:
            one = self._judged(
                (earlier, last, now), labels == label, facts[label], seconds
            )
            if one is not None:
                yield one

    def _judged(
        self,
        looks: tuple[Map, Map, Map],
        part: Mask,
        facts: NDArray[np.int32],
        seconds: float,
    ) -> _Watched | None:
        """Return what came in a place if it came like a splash."""
        x, y, w, h = (int(v) for v in facts[:4])
        height, width = part.shape
        box = (
            slice(max(y - _MARGIN, 0), min(y + h + _MARGIN, height)),
            slice(max(x - _MARGIN, 0), min(x + w + _MARGIN, width)),
        )
        part = part[box]
        earlier, last, now = (look[box] for look in looks)
        wide = cv2.dilate(part.astype(np.uint8), np.ones((5, 5), np.uint8))
        around = wide == 0
        inside = cv2.erode(part.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
        if inside.sum() < _FEWEST_INSIDE:
            inside = part
        if around.sum() < _FEWEST_AROUND:
            return None
        was = _contrast(last, inside, around)
        step = _contrast(now, inside, around) - was
        quiet = _QUIET * abs(step)
        if step > -_LEAST_STEP:
            return None
        if float(np.abs(now - last)[around].mean()) > quiet:
            return None
        if float(np.abs(last - earlier)[part].mean()) > quiet:
            return None
        if was + step > -_STANDS_OUT * abs(step):
            return None
        rough = [_texture(look, inside) for look in (last, now)]
        if rough[1] > max(_MORE_TEXTURE * rough[0], _TEXTURE, _OF_STEP * abs(step)):
            return None
        row = self._moment(box, inside, around, step)
        if row is None:
            return None
        found = Splash(x / width, y / height, w / width, h / height, step, row)
        return _Watched(found, box, inside, around, last.copy(), was, seconds)

    def _moment(
        self, box: tuple[slice, slice], inside: Mask, around: Mask, step: float
    ) -> int | None:
        """Return the row at which a place changed at once; None if it did not."""
        fine = tuple(slice(_SHARE * s.start, _SHARE * s.stop, _SHARE) for s in box)
        places, rings = [], []
        for _, luma in self._frames:
            crop = np.log(np.maximum(luma[fine], 0.0) + np.float32(_FOOT))
            places.append(float(crop[inside].mean()))
            rings.append(float(crop[around].mean()))
        ring, place = np.array(rings), np.array(places)
        if np.ptp(ring) > 1.5 * _QUIET * abs(step):
            return None
        rise = place - ring
        within = min(_WITHIN, len(rise) - 1)
        if within < 1:
            return None
        rises = rise[within:] - rise[:-within]
        at = int(np.argmin(rises))
        if rises[at] > _AT_ONCE * step:
            return None
        first = at + 1 + int(np.argmin(np.diff(rise[at : at + within + 1])))
        return self._frames[first][0]


def _middle(values: Map) -> float:
    """Return the upper median: without what numpy's loads and checks first."""
    flat = values.ravel()
    return float(np.partition(flat, flat.size // 2)[flat.size // 2])


def _falls(
    smooth: NDArray[Any], labels: NDArray[Any], label: int, facts: NDArray[Any]
) -> bool:
    """Return whether a part has become darker."""
    x, y, w, h = (int(v) for v in facts[:4])
    box = slice(y, y + h), slice(x, x + w)
    return float((smooth[box] * (labels[box] == label)).sum()) < 0


def _compact(facts: NDArray[np.int32], shape: tuple[int, ...]) -> bool:
    """Return whether a part is compact, and does not come in from outside."""
    x, y, w, h, area = (int(v) for v in facts)
    if min(x, y, shape[1] - x - w, shape[0] - y - h) < _BORDER:
        return False
    return area >= _FILLED * w * h and max(w, h) <= _LONGEST * min(w, h)


def _contrast(crop: Map, inside: Mask, around: Mask) -> float:
    return float(crop[inside].mean() - crop[around].mean())


def _texture(crop: Map, inside: Mask) -> float:
    """Return how rough a place is, in natural logarithms."""
    fine = crop - cv2.GaussianBlur(np.ascontiguousarray(crop), (0, 0), 0.8)
    return float(fine[inside].std())
