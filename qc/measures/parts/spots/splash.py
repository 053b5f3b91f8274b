"""Spots that come from one picture to the next and stay: a drop that hits the lens.

Where the scene moves little nobody can tell a spot from a thing that lies there, but
for the moment it comes. Things come into their place on a path, and a shadow with what
throws it; a drop is there at once, with nothing moving around it, takes light or fine
detail from what lies behind, adds nothing of its own, and stays where it is although
the scene may move on.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.spots.spotfield import carried
from qc.measures.parts.spots.spotlooks import detail_map, half_level, level_map
from qc.measures.parts.spots.spotranks import FOOT, middle, ranked
from qc.measures.parts.spots.spotseen import is_seen
from qc.measures.parts.spots.spotthrough import through
from qc.records import Picture
from qc.views import proxy_luma

__all__ = ["Shown", "Splash", "SplashWatch", "laid", "move_at"]

Map = NDArray[np.float32]
Mask = NDArray[np.bool_]
Box = tuple[slice, slice]

_FRAMES = 64  # kept; looks farther apart are not compared
_SHARE = 2  # looks are compared at half the size of the small picture
# Natural logarithms: of a part, and of a spot as a whole.
_LEAST = {"level": 0.045, "detail": 0.35}
_LEAST_STEP = {"level": 0.065, "detail": 0.45}
_BEYOND = 5.0  # times what most places change by
_MOST_CHANGED = 0.25  # of the picture
_FEWEST, _AREA = 7, 0.03  # px: of fewer nothing shows whether they are soft; of all
_FILLED, _LONGEST = 0.45, 3.5  # of its box; times its breadth
_LONG, _LONG_BLUR = 1.8, 0.3  # times its breadth: a smear blurs, a mouth opens
_TRIED = 4  # at a look, the strongest
_BORDER = 2  # px
# Of the step: what nine of ten places around, and the place before, may change; all
# around in the mean.
_QUIET, _AROUND = 0.28, 0.14
_MOST_OF = 0.9  # of the places there
_AT_ONCE, _WITHIN = 0.75, 2  # of the step, within so many frames
_STAYS_S, _PATIENCE_S = 2.5, 15.0
_STAYS_LOOKS = {"level": 5, "detail": 3}
_DETAIL_S = 0.9  # detail costs much: it is looked at no more often
_KEEPS = 0.5, 1.9  # times the first step, as long as it is watched
_MISSES = 2  # looks one after the other in which it is not as it was
_STANDS_OUT, _GONE = 0.3, 0.6  # of the step; correlation of what is gone with what was
_FLATTER = 0.5  # of the contrast before: a lamp that goes out leaves what is around it
_TEXTURE, _OF_STEP, _MORE_TEXTURE = 0.02, 0.1, 1.5
# What lies behind shows through: of its own roughness and of the step, what may be left
# when the picture before, blurred or not, is taken away.
_LEFT, _LEFT_OF_STEP, _BLURS = 0.02, 0.2, (0.0, 1.0, 2.0)
# Its own roughness from which it must still be the same, and how alike; what there must
# have been to be blurred.
_TO_COMPARE, _ALIKE, _TO_BLUR = 0.04, 0.7, 0.012
# Of the step, from px to px: a sharp edge has 0.55 and more; of a spot of few px, which
# is hardly anything but edge.
_STEEPEST, _SMALL = (0.52, 0.62), 30
_BRIGHTER = 0.15  # at most, of a place that is only blurred
_FEWEST_INSIDE, _FEWEST_AROUND = 4, 12  # px
_MARGIN = 4  # px around: the surroundings
_MOST_WATCHED = 12
_NOTHING = np.zeros((0, 0), np.float32)
_MOVED = 0.02  # of the width: what lies on the lens is told from the scene


@dataclass(frozen=True, slots=True)
class Splash:
    """A spot that came at once and stayed.

    Attributes
    ----------
    x, y, w, h : float
        Box as shares of the picture's width and height.
    level, detail : float
        Changes in natural logarithms; 0 where there is none to speak of.
    row, without : int
        First row that shows it; last that surely does not.
    moved : bool
        The scene has moved on since, and it has not.
    """

    x: float
    y: float
    w: float
    h: float
    level: float
    row: int
    detail: float = 0.0
    without: int = -1
    moved: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Shown:
    """One look: level and detail at half the size of the small picture, and where."""

    row: int
    level: Map
    detail: Map
    chain: int
    place: Map | None

    def since(self, other: Shown) -> Map | None:
        """Return what to add to places of this look to come to another, in px.

        None where it is not known; what has moved then is no quiet place.
        """
        if self.place is None or other.place is None or self.chain != other.chain:
            return None
        return (other.place - self.place) * np.float32(self.level.shape[1])


@dataclass(slots=True, eq=False)
class _Watched:
    """A place that changed at once, and whether it stays so."""

    found: Splash
    name: str
    step: float
    box: Box
    inside: Mask
    around: Mask
    before: Shown
    since: float
    looks: int = 0
    missed: int = 0
    moved: float = 0.0


class SplashWatch:
    """Watches a take for splashes; bounded memory."""

    def __init__(self) -> None:
        self._frames: deque[tuple[int, Map]] = deque(maxlen=_FRAMES)
        # The last two looks, for the level and for the detail.
        self._last: dict[str, list[Shown]] = {name: [] for name in _LEAST}
        self._next_detail = float("-inf")
        self._watched: list[_Watched] = []
        self.now: Shown | None = None
        self.found: list[Splash] = []

    def frame(self, picture: Picture, row: int) -> None:
        """Remember a frame until the next look."""
        self._frames.append((row, picture.view(proxy_luma)))

    def look(
        self, picture: Picture, seconds: float, here: tuple[int, Map] | None = None
    ) -> None:
        """Compare with the look before, and see what has stayed.

        Parameters
        ----------
        here : (chain, place) or None
            Where the picture lies (see `spotlooks.Look`); None where that is unknown.
        """
        names = ["level"]
        if seconds >= self._next_detail:
            self._next_detail = seconds + _DETAIL_S
            names.append("detail")
        now = self.now = _shown(picture, self._frames[-1][0], here, len(names) > 1)
        if now is None:
            return
        last = self._last["level"]
        if last and last[-1].level.shape != now.level.shape:
            self._last, self._watched = {name: [] for name in _LEAST}, []
        self._check(now, seconds, names)
        for name in names:
            last = self._last[name]
            if len(last) == 2 and len(self._frames) < _FRAMES:
                self._watched += self._new(name, now, seconds)
            self._last[name] = [*last[-1:], now]
        del self._watched[_MOST_WATCHED:]
        while len(self._frames) > 1:  # the newest is the first of what comes
            self._frames.popleft()

    def _check(self, now: Shown, seconds: float, names: list[str]) -> None:
        """Keep watching what is as it was when it came; tell what has stayed."""
        left = []
        for one in self._watched:
            if seconds - one.since > _PATIENCE_S:
                continue
            if one.name not in names:
                left.append(one)
                continue
            move = move_at(now.since(one.before), one.box, now.level.shape)
            change = getattr(now, one.name)[one.box] - _moved(
                getattr(one.before, one.name), one.box, move
            )
            ring = change[one.around]
            usual = float(np.median(ring))
            # What passes around it may pass before it too: nothing can be told.
            if float(np.median(np.abs(ring - usual))) > _QUIET * abs(one.step):
                left.append(one)
                continue
            share = (float(change[one.inside].mean()) - usual) / one.step
            if not _KEEPS[0] <= share <= _KEEPS[1]:
                one.missed += 1
                if one.missed < _MISSES:
                    left.append(one)
                continue
            one.missed = 0
            one.looks += 1
            one.moved = max(one.moved, float(np.hypot(*move)))
            if one.looks >= _STAYS_LOOKS[one.name] and seconds - one.since >= _STAYS_S:
                self.found.append(_told(one, now.level.shape[1]))
                continue
            left.append(one)
        self._watched = left

    def _new(self, name: str, now: Shown, seconds: float) -> Iterator[_Watched]:
        """Yield what has come since the look before."""
        last = laid(self._last[name][1], now)
        change = getattr(now, name) - getattr(last, name)
        if name == "detail":  # a dark spot has less detail for being dark
            change -= np.minimum(now.level - last.level, 0)
        change -= np.float32(middle(change[::3, ::3]))
        smooth = cv2.GaussianBlur(change, (0, 0), 1.0)
        usual = 1.4826 * middle(np.abs(smooth[::3, ::3]))
        least = max(_LEAST[name], _BEYOND * usual)
        # Of either sign: what moves leaves a trail where it was.
        changed = np.abs(smooth) > least
        if not changed.any() or changed.mean() > _MOST_CHANGED:
            return
        count, labels, facts, _ = cv2.connectedComponentsWithStats(
            changed.astype(np.uint8)
        )
        most = _AREA * changed.size
        likely = [
            label
            for label in range(1, count)
            if _FEWEST <= facts[label, cv2.CC_STAT_AREA] <= most
            and _compact(facts[label], changed.shape)
            and _falls(smooth, labels, label, facts[label])  # no lamp, no glint
        ]
        likely.sort(key=lambda label: -int(facts[label, cv2.CC_STAT_AREA]))
        earlier = laid(self._last[name][0], now) if likely else last
        for label in likely[:_TRIED]:
            one = self._judged(
                name, (earlier, last, now), labels == label, facts[label], seconds
            )
            if one is not None:
                yield one

    def _judged(
        self,
        name: str,
        looks: tuple[Shown, Shown, Shown],
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
        wide = cv2.dilate(part.astype(np.uint8), np.ones((5, 5), np.uint8))
        around = wide == 0
        inside = cv2.erode(part.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
        if inside.sum() < _FEWEST_INSIDE:
            inside = part
        if around.sum() < _FEWEST_AROUND:
            return None
        steps = {}
        for what in _LEAST:
            if not all(getattr(look, what).size for look in looks):
                steps[what] = 0.0
                continue
            earlier, last, now = (getattr(look, what)[box] for look in looks)
            was = _contrast(last, inside, around)
            steps[what] = _contrast(now, inside, around) - was
            if what != name:
                continue
            size = abs(steps[what])
            if steps[what] > -_LEAST_STEP[what]:
                return None
            ring, place = np.abs(now - last)[around], np.abs(last - earlier)[part]
            if (
                float(ring.mean()) > _AROUND * size
                or ranked(ring, _MOST_OF) > _QUIET * size
            ):
                return None
            if ranked(place, _MOST_OF) > _QUIET * size or not _soft(
                now - last, size, part
            ):
                return None
        if steps["level"] > _BRIGHTER:
            return None
        was_there = float(looks[1].level[box][inside].mean())
        if name == "level" and not is_seen(was_there, steps["level"]):
            return None
        if max(w, h) > _LONG * min(w, h) and steps["detail"] > -_LONG_BLUR:
            return None
        if not _shows_through(looks, box, inside, around, steps["level"], name):
            return None
        row, without = looks[2].row, looks[1].row
        if name == "level":
            at = self._moment(box, inside, around, steps["level"])
            if at is None or not self._is_seen_through(box, part, around, at):
                return None
            row, without = self._frames[at][0], self._frames[at][0] - 1
        found = Splash(
            x / width,
            y / height,
            w / width,
            h / height,
            steps["level"],
            row,
            detail=steps["detail"] - min(steps["level"], 0.0),
            without=without,
        )
        before = self._last[name][-1]
        return _Watched(found, name, steps[name], box, inside, around, before, seconds)

    def _moment(self, box: Box, inside: Mask, around: Mask, step: float) -> int | None:
        """Return the kept frame at which a place changed at once, or None."""
        fine = tuple(slice(_SHARE * s.start, _SHARE * s.stop, _SHARE) for s in box)
        places, rings = [], []
        for _, luma in self._frames:
            crop = np.log(np.maximum(luma[fine], 0.0) + np.float32(FOOT))
            h, w = crop.shape
            places.append(float(crop[inside[:h, :w]].mean()))
            rings.append(float(crop[around[:h, :w]].mean()))
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
        return at + 1 + int(np.argmin(np.diff(rise[at : at + within + 1])))

    def _is_seen_through(self, box: Box, part: Mask, around: Mask, at: int) -> bool:
        """Return whether a kept frame shows the one before through what came."""
        fine = tuple(slice(_SHARE * s.start, _SHARE * s.stop) for s in box)
        last = min(at + 1, len(self._frames) - 1)
        before, after = (self._frames[n][1][fine] for n in (at - 1, last))
        h, w = before.shape
        masks = (
            np.repeat(np.repeat(mask, _SHARE, axis=0), _SHARE, axis=1)[:h, :w]
            for mask in (part, around)
        )
        return through(before, after, *masks) is not None


def _shown(
    picture: Picture, row: int, here: tuple[int, Map] | None, detailed: bool
) -> Shown | None:
    if min(picture.view(level_map).shape) < _SHARE * 8 * _MARGIN:
        return None
    small = picture.view(half_level)
    detail = picture.view(detail_map) if detailed else _NOTHING
    chain, place = (-1, None) if here is None else here
    return Shown(row, small, detail, chain, place)


def _told(one: _Watched, width: int) -> Splash:
    f = one.found
    far = max(_MOVED * width, 0.5 * max(f.w * width, f.h * one.before.level.shape[0]))
    return Splash(
        f.x, f.y, f.w, f.h, f.level, f.row, f.detail, f.without, one.moved >= far
    )


def laid(one: Shown, now: Shown) -> Shown:
    """Return an earlier look as it looks from the place of a new one."""
    move = now.since(one)
    if move is None or not np.any(move):
        return one
    maps = []
    for mine, theirs in ((now.level, one.level), (now.detail, one.detail)):
        laid = carried(theirs, move) if theirs.size and mine.size else _NOTHING
        maps.append(np.where(np.isfinite(laid), laid, mine) if laid.size else laid)
    return Shown(one.row, maps[0], maps[1], now.chain, now.place)


def move_at(move: Map | None, box: Box, shape: tuple[int, ...]) -> NDArray[np.float32]:
    """Return how far a place has moved, (x, y) in px of the maps."""
    if move is None:
        return np.zeros(2, np.float32)
    rows, columns = move.shape[:2]
    middle = [(s.start + s.stop) / 2 / n for s, n in zip(box, shape, strict=True)]
    at = (
        min(int(middle[0] * rows), rows - 1),
        min(int(middle[1] * columns), columns - 1),
    )
    return np.asarray(move[at], np.float32)


def _moved(image: Map, box: Box, move: NDArray[np.float32]) -> Map:
    """Return what lies so far from a box."""
    if not np.any(move):
        return image[box]
    size = box[1].stop - box[1].start, box[0].stop - box[0].start
    matrix = np.array(
        [[1, 0, box[1].start + move[0]], [0, 1, box[0].start + move[1]]], np.float32
    )
    return np.asarray(
        cv2.warpAffine(
            image,
            matrix,
            size,
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REPLICATE,
        ),
        np.float32,
    )


def _falls(
    smooth: NDArray[np.generic],
    labels: NDArray[np.generic],
    label: int,
    facts: NDArray[np.int32],
) -> bool:
    """Return whether a part has become darker, or lost detail."""
    x, y, w, h = (int(v) for v in facts[:4])
    box = slice(y, y + h), slice(x, x + w)
    return float(np.sum(smooth[box] * (labels[box] == label))) < 0


def _compact(facts: NDArray[np.int32], shape: tuple[int, ...]) -> bool:
    """Return whether a part is compact, and does not come in from outside."""
    x, y, w, h, area = (int(v) for v in facts)
    if min(x, y, shape[1] - x - w, shape[0] - y - h) < _BORDER:
        return False
    return area >= _FILLED * w * h and max(w, h) <= _LONGEST * min(w, h)


def _contrast(crop: Map, inside: Mask, around: Mask) -> float:
    return float(crop[inside].mean() - crop[around].mean())


def _shows_through(
    looks: tuple[Shown, Shown, Shown],
    box: Box,
    inside: Mask,
    around: Mask,
    step: float,
    name: str,
) -> bool:
    """Return whether a place shows what it did before, less of it or blurred."""
    last, now = (np.ascontiguousarray(look.level[box]) for look in looks[1:])
    size = abs(step)
    if float(now.std()) < _FLATTER * float(last.std()):
        return False
    after = float(now[inside].mean() - now[around].mean())
    gone = float(np.corrcoef((last - now).ravel(), last.ravel())[0, 1])
    if after > -_STANDS_OUT * size and gone > _GONE:
        return False
    was, now_is = (_fine(look, 0.8)[inside].std() for look in (last, now))
    if now_is > max(_MORE_TEXTURE * was, _TEXTURE, _OF_STEP * size):
        return False
    left = []
    for sigma in _BLURS:
        under = cv2.GaussianBlur(last, (0, 0), sigma) if sigma else last
        left.append(float((now - under)[inside].std()))
    if min(left) > _LEFT + _LEFT_OF_STEP * size:
        return False
    was, now_is = (_fine(look, 1.5)[inside] for look in (last, now))
    rough = float(was.std())
    if name == "detail" and rough < _TO_BLUR:
        return False
    if rough < _TO_COMPARE or float(now_is.std()) <= 0:
        return True
    return float(np.corrcoef(was, now_is)[0, 1]) >= _ALIKE


def _fine(crop: Map, sigma: float) -> Map:
    return crop - np.asarray(cv2.GaussianBlur(crop, (0, 0), sigma), np.float32)


def _soft(change: Map, size: float, part: Mask) -> bool:
    """Return whether a change has soft edges: a drop lies far out of focus."""
    most = _STEEPEST[int(part.sum() < _SMALL)]
    smooth = cv2.GaussianBlur(np.ascontiguousarray(change), (0, 0), 0.7)
    down, across = np.gradient(smooth)
    return float(np.hypot(down, across).max()) <= most * size
