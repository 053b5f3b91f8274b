"""Looks at a moving picture, and what in them did not move along.

What lies on the lens or the sensor stays in its place while the scene moves. Two looks
are laid over each other by the motion of the picture between them; the scene cancels,
and what is left over in the same way both ways is not part of the scene.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.kernels.area import shrunk_steps
from qc.measures.parts.spots.spotfield import (
    Field,
    carried,
    coarse_shift,
    fits,
    follow,
    grid_of,
)
from qc.measures.parts.spots.spotranks import FOOT, middle, ranked
from qc.records import Picture
from qc.views import proxy_luma

__all__ = [
    "DETAIL_CLIP",
    "LEAST_MOVE",
    "LEVEL_CLIP",
    "Difference",
    "Look",
    "LookKeeper",
    "detail_map",
    "evened",
    "half_level",
    "kept_maps",
    "level_map",
]

Map = NDArray[np.float32]
Bytes = NDArray[np.uint8]
Rows = NDArray[np.int32]

LEAST_MOVE = 0.02  # of the width: so far the scene must move under a place
_MOST_MOVE = 0.2
# Farther than the radius of the largest spots; nearer where not all moves alike.
_BEST_MOVES = 0.065, 0.04
_NEW_LOOK = 0.012  # of the width; nearer looks show the same
_NEW_PLACE = 0.01  # of the width: nearer framings show the same under a place
_MUCH = 0.9  # of the places move less over the picture
_KEPT, _RECENT = 16, 6  # the others are thinned out
_OLDEST_S = 20.0
# Near things run past while far ones hardly move: where so much of the picture has not
# moved well, it is compared over longer.
_SLOW_SHARE = 0.06
_WELL, _WELL_SPREAD = 0.065, 0.5  # of the width; natural logarithm
_VISITED = 96
_REST = 0.15  # px of the small picture between two looks
_ALIKE = 6.0  # px, about as finely as the middle is laid
_LITTLE, _OFF_LITTLE = 0.03, 0.35  # of the width; of the contrast
_SAME = 0.6  # correlation of the middle of two looks that follow one another
_LIGHT_SHARE = 6  # light that changes over more than some of these px is evened out
_LIGHT_SIGMA = 2.4  # of those px
_FLAT = 0.01  # natural logarithm; a picture without contrast cannot be laid over
_MOST_CONTRAST = 3.5  # times the median
_STRONGER, _OF_STRONGER = 0.9, 0.15  # share of the places; of their contrast
_LEAST_SIDE = 48  # px of the small picture
_DETAIL_FOOT = 0.4
LEVEL_CLIP, DETAIL_CLIP = 0.6, 1.5
_LEVEL_SIGMA, _DETAIL_SIGMA = 1.0, 1.0  # px of the maps
_DETAIL_SHARE = 2  # the map of detail is smaller by so much


def level_map(picture: Picture) -> Map:
    """Return the natural logarithm of the small picture: a filter's loss is a sum."""
    luma = picture.view(proxy_luma)
    out = np.log(np.maximum(luma, 0.0) + np.float32(FOOT))
    return np.asarray(cv2.GaussianBlur(out, (0, 0), _LEVEL_SIGMA), np.float32)


def half_level(picture: Picture) -> Map:
    """Return `level_map` at half its size, (h // 2, w // 2)."""
    level = picture.view(level_map)
    size = level.shape[1] // _DETAIL_SHARE, level.shape[0] // _DETAIL_SHARE
    return np.asarray(cv2.resize(level, size, None, 0, 0, cv2.INTER_AREA), np.float32)


def evened(picture: Picture) -> Bytes | None:
    """Return the small picture without its large-scale light; None for a flat one.

    Returns
    -------
    (h, w) array of uint8
        128 is no difference from around.
    """
    level = picture.view(level_map)
    height, width = level.shape
    if min(level.shape) < _LEAST_SIDE:
        return None
    size = width // _LIGHT_SHARE, height // _LIGHT_SHARE
    light = cv2.resize(level, size, interpolation=cv2.INTER_AREA)
    light = cv2.GaussianBlur(light, (0, 0), _LIGHT_SIGMA)
    out = level - cv2.resize(light, (width, height), interpolation=cv2.INTER_LINEAR)
    # The strongest things must not decide alone: one of them may be the blemish.
    few = np.abs(out[::4, ::4]).ravel()
    most = _MOST_CONTRAST * max(middle(few), _OF_STRONGER * ranked(few, _STRONGER))
    if most < _MOST_CONTRAST * 0.5 * _FLAT:
        return None
    above = np.maximum(out + np.float32(most), 0.0)
    return np.asarray(cv2.convertScaleAbs(above, alpha=127.5 / most), np.uint8)


def detail_map(picture: Picture) -> Map:
    """Return the logarithm of the fine detail at every place, half as finely.

    Returns
    -------
    (h // 2, w // 2) array of float32
        Mean change over two full pixels across, in percent of black-to-white, on some
        of the lines (of an interlaced picture: of one field).
    """
    height, width = (n // _DETAIL_SHARE for n in picture.view(proxy_luma).shape)
    # Two lines or more to a place; an even step, so as to stay in one field.
    step = max(picture.height // (3 * height) // 2 * 2, 1 + picture.interlaced)
    small, times = shrunk_steps(picture.y[::step], (width, height))
    percent = 100.0 / (picture.signal.white - picture.signal.black) / times
    out = np.log(small.astype(np.float32) * percent + np.float32(_DETAIL_FOOT))
    return np.asarray(cv2.GaussianBlur(out, (0, 0), _DETAIL_SIGMA), np.float32)


def kept_maps(picture: Picture) -> tuple[tuple[Map, Map], Map | None]:
    """Return what is kept of a look until the end of a take.

    Returns
    -------
    (level, detail) : arrays of one size
        `half_level`; `detail_map`.
    fine : array or None
        `level_map`; None for a flat picture.
    """
    fine = None if picture.view(evened) is None else picture.view(level_map)
    return (picture.view(half_level), picture.view(detail_map)), fine


@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """One look.

    Attributes
    ----------
    row : int
        Row of the readings.
    seconds : float
    even : (h, w) array of uint8
        The small picture evened out.
    level, detail : arrays of float32
        `level_map`; `detail_map`.
    chain : int
        Looks of one chain were followed one from the other.
    place : (rows, columns, 2) array of float32
        How far the scene has come since the chain's first look, + right and down, as a
        share of the picture's width, on the grid of points.
    """

    row: int
    seconds: float
    even: Bytes
    level: Map
    detail: Map
    chain: int
    place: Map


@dataclass(frozen=True, slots=True, eq=False)
class _Seen:
    """The picture looked at last: evened out, at a quarter of its size, and where."""

    even: Bytes
    coarse: Map
    chain: int
    place: Map
    step: Map


@dataclass(frozen=True, slots=True, eq=False)
class Difference:
    """What stayed in its place between two looks.

    Attributes
    ----------
    first_row, row : int
        Rows of the two looks.
    moved_percent : float
        How far most of the picture moved between them, percent of its width.
    since : (rows, columns) array of int32
        On the grid of points: the row since which the same part of the scene has been
        compared there before, -1 where the new look shows it there for the first time.
    level, detail : arrays of float32
        By how much, in natural logarithms, the place is brighter and has more detail
        than the scene had there; 0 where the two directions do not agree, NaN where
        the scene did not move or is in one look only. The second is half as large.
    ways : dict of pairs of arrays of float32
        The same of the earlier and of the later look by itself.
    """

    first_row: int
    row: int
    moved_percent: float
    since: Rows
    level: Map
    detail: Map
    ways: dict[str, tuple[Map, Map]]


class LookKeeper:
    """Takes looks, finds how they lie against one another and compares them."""

    def __init__(self) -> None:
        self._looks: list[Look] = []
        self._chains = 0
        # Places of earlier comparisons, and the rows of the earlier looks in them.
        self._visited: deque[tuple[Map, Rows]] = deque(maxlen=_VISITED)
        self._last: _Seen | None = None
        self.moved = False
        # How far off the next look worth keeping lies, in shares of the width.
        self.left = _NEW_LOOK

    def look(self, picture: Picture, row: int, seconds: float) -> list[Difference]:
        """Keep this look if it shows another framing; compare it with earlier ones."""
        while self._looks and seconds - self._looks[0].seconds > _OLDEST_S:
            del self._looks[0]
        self.moved = False
        even = picture.view(evened)
        if even is None:
            self._last = None
            return []
        coarse = _quarter(even)
        here = _Seen(even, coarse, *self._placed(even, coarse))
        self._last = here
        self.moved, self.left = True, _NEW_LOOK
        if self._looks and self._looks[-1].chain == here.chain:
            self.left -= _most(here.place - self._looks[-1].place)
            self.moved = self.left <= 0
            if not self.moved:
                return []
            self.left = _NEW_LOOK
        new = Look(
            row,
            seconds,
            even,
            picture.view(level_map),
            picture.view(detail_map),
            here.chain,
            here.place,
        )
        matched = self._match(new, (self._since(new.place) < 0).astype(np.float32))
        if matched is None:
            self._keep(new)
            return []
        old, field = matched
        new = replace(new, place=old.place - field.there / np.float32(even.shape[1]))
        since = self._since(new.place)
        out = [compare(old, new, field, since)]
        served = field.move >= LEAST_MOVE * even.shape[1]
        rows = np.where(served, np.int32(old.row), np.int32(-1))
        since = np.maximum(since, rows)
        left = (since < 0).astype(np.float32)
        slow = self._match(new, left, least=_SLOW_SHARE)
        if slow is not None:
            out.append(compare(slow[0], new, slow[1], since))
            also = ~served & (slow[1].move >= LEAST_MOVE * even.shape[1])
            rows[also] = slow[0].row
            served |= also
        # What could not be judged here may be judged from here later.
        never = np.float32(np.inf)
        place = np.where(served[..., None], new.place, never)
        self._visited.append((place, rows))
        self._keep(new)
        return out

    def _keep(self, new: Look) -> None:
        """Keep a look, and of the older ones those that lie farther apart in time."""
        self._looks.append(new)
        if len(self._looks) > _KEPT:
            when = [one.seconds for one in self._looks]
            gaps = [when[i + 1] - when[i - 1] for i in range(1, _KEPT - _RECENT)]
            del self._looks[1 + gaps.index(min(gaps))]

    def _placed(self, even: Bytes, coarse: Map) -> tuple[int, Map, Map]:
        """Return in which chain a picture is, where, and the last step there."""
        width, last = even.shape[1], self._last
        nothing = np.zeros((*grid_of(*even.shape)[0].shape, 2), np.float32)
        if last is not None and last.even.shape == even.shape:
            far = coarse_shift(last.coarse, coarse)
            shift = np.array([-width * far.x, -width * far.y], np.float32)
            # It moves on as before, unless the pictures themselves say otherwise; and
            # they may be wrong, where people walk before a plain ground.
            guess = last.step
            if max(abs(middle(last.step[..., i]) - shift[i]) for i in (0, 1)) > _ALIKE:
                guess = nothing + shift if far.fit >= _SAME else nothing
            field = follow(last.even, even, guess)
            if field is None and guess is not last.step:
                field = follow(last.even, even, last.step)
                if field is not None and not _lies_well(last.even, even, field):
                    field = None
            if field is not None:
                step = field.there
                if _most(step) < _REST:
                    # At rest: errors too small to be motion must not add up to it.
                    step = nothing
                return last.chain, last.place - step / np.float32(width), step
        self._chains += 1
        self._visited.clear()
        return self._chains, nothing, nothing

    @property
    def step(self) -> float:
        """How far the picture moved since the look before, in shares of its width."""
        last = self._last
        return 0.0 if last is None else _most(last.step) / last.even.shape[1]

    @property
    def here(self) -> tuple[int, Map] | None:
        """Chain and place of the picture looked at last (see `Look`), if known."""
        return None if self._last is None else (self._last.chain, self._last.place)

    def _match(
        self, new: Look, left: Map, *, least: float = 0.0
    ) -> tuple[Look, Field] | None:
        """Return an earlier look of the same scene, well moved, and how it lies.

        Parameters
        ----------
        left : (rows, columns) array
            1 where something new can be told.
        least : float
            Share of the picture that must be left and have moved well.
        """
        width = new.even.shape[1]
        looks = [one for one in self._looks if one.chain == new.chain]
        if not looks:
            return None
        away = new.place - np.array([one.place for one in looks])
        far = np.hypot(away[..., 0], away[..., 1]).reshape(len(looks), -1)
        usable, moved, well = [], [], []
        for one, most, good in zip(
            looks, _most_of(far), _well_moved(far, left.ravel()), strict=True
        ):
            if LEAST_MOVE <= most <= _MOST_MOVE or least:
                usable.append(one)
                moved.append(most)
                well.append(good)
        if not usable or max(well) < least:
            return None
        order = [int(np.argmax(well))]
        if not least:
            order += [int(np.argmin(np.abs(np.array(moved) - b))) for b in _BEST_MOVES]
        for at in dict.fromkeys(order):
            old = usable[at]
            guess = np.float32(width) * (old.place - new.place)
            field = follow(old.even, new.even, guess)
            if field is not None and fits(
                old.even, new.even, field, LEAST_MOVE * width
            ):
                return old, field
        return None

    def _since(self, place: Map) -> Rows:
        """Return from which row on the scene was compared in this framing before."""
        since = np.full(place.shape[:2], -1, np.int32)
        if self._visited:
            away = np.stack([one for one, _ in self._visited]) - place
            near = (away**2).sum(axis=-1) < _NEW_PLACE**2
            rows = np.stack([rows for _, rows in self._visited])
            since = np.where(near, rows, -1).max(axis=0)
        return since


def _most(move: Map) -> float:
    """Return how far most of the picture moved."""
    return ranked(np.hypot(move[..., 0], move[..., 1]), _MUCH)


def _most_of(far: Map) -> list[float]:
    """Return the same of each line of distances."""
    at = int(_MUCH * (far.shape[1] - 1))
    most: list[float] = np.partition(far, at, axis=1)[:, at].tolist()
    return most


def _lies_well(old: Bytes, new: Bytes, field: Field) -> bool:
    """Return whether a picture has come a little way and lies well over the other."""
    if _most(field.there) > _LITTLE * new.shape[1]:
        return False
    laid = carried(old.astype(np.float32), field.there)[::2, ::2]
    few = new[::2, ::2].astype(np.float32)
    known = np.isfinite(laid)
    if known.mean() < _MUCH:
        return False
    contrast = middle(np.abs(few - middle(few)))
    return middle(np.abs(laid - few)[known]) <= _OFF_LITTLE * contrast


def _well_moved(far: Map, left: Map) -> list[float]:
    """Return the share of the picture that is left, by how well it has moved.

    Parameters
    ----------
    far : (n, places) array
        How far each place has moved since each of n looks, in shares of the width.
    left : (places,) array
    """
    off = np.log(np.maximum(far, 1e-6) / _WELL) / _WELL_SPREAD
    well: list[float] = (left * np.exp(-0.5 * off * off)).mean(axis=1).tolist()
    return well


def _quarter(even: Bytes) -> Map:
    size = max(even.shape[1] // 4, 1), max(even.shape[0] // 4, 1)
    return np.asarray(cv2.resize(even, size, None, 0, 0, cv2.INTER_AREA), np.float32)


def compare(old: Look, new: Look, field: Field, since: Rows) -> Difference:
    """Lay two looks over each other both ways and keep what agrees.

    Parameters
    ----------
    since : (rows, columns) array of int32
        See `Difference`.
    """
    height, width = new.level.shape
    move = np.asarray(
        cv2.resize(field.move, (width, height), interpolation=cv2.INTER_LINEAR),
        np.float32,
    )
    still = move < LEAST_MOVE * width
    there = _settled(new.level - carried(old.level, field.there))
    here = _settled(old.level - carried(new.level, field.back))
    there[still] = here[still] = np.nan
    level, levels = _agreeing(there, here), (here, there)
    small = new.detail.shape[1], new.detail.shape[0]
    share = 1.0 / _DETAIL_SHARE
    # A dark spot has less detail for being dark: that is no blur.
    there = _settled(new.detail - carried(old.detail, field.there, share)) - _smaller(
        there, small
    )
    here = _settled(old.detail - carried(new.detail, field.back, share)) - _smaller(
        here, small
    )
    still = _smaller(move, small) < LEAST_MOVE * width
    there[still] = here[still] = np.nan
    detail, details = _agreeing(there, here), (here, there)
    return Difference(
        old.row,
        new.row,
        100.0 * _most(new.place - old.place),
        since=since,
        level=np.clip(level, -LEVEL_CLIP, LEVEL_CLIP),
        detail=np.clip(detail, -DETAIL_CLIP, DETAIL_CLIP),
        ways={"level": levels, "detail": details},
    )


def _smaller(values: Map, size: tuple[int, int]) -> Map:
    return np.asarray(
        cv2.resize(values, size, interpolation=cv2.INTER_AREA), np.float32
    )


def _settled(difference: Map) -> Map:
    """Take away what the whole picture changed by: iris, focus, motion blur."""
    known = difference[::3, ::3]
    known = known[np.isfinite(known)]
    if not known.size:
        return difference
    return difference - np.float32(middle(known))


def _agreeing(one: Map, other: Map) -> Map:
    """Return the smaller of two values of one sign, 0 where their signs differ.

    What stays in its place differs in the same way both ways; a thing that moves by
    itself, and the place to which a blemish was carried, do so one way only.
    """
    smaller = np.where(np.abs(one) < np.abs(other), one, other)
    smaller[one * other <= 0] = 0.0
    smaller[np.isnan(one) | np.isnan(other)] = np.nan
    return smaller
