"""Looks at a moving picture, and what in them did not move along.

What lies on the lens or the sensor stays in its place while the scene moves. Two looks
are laid over each other by the motion of the picture between them; the scene cancels,
and what is left over in the same way both ways is not part of the scene.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.records import Picture
from qc.views import proxy_luma

__all__ = [
    "LEAST_MOVE",
    "Difference",
    "Look",
    "LookKeeper",
    "detail_map",
    "even_light",
    "level_map",
]

Map = NDArray[np.float32]

LEAST_MOVE = 0.03  # of the width: so far the scene must move under a place
_MOST_MOVE = 0.17  # of the width: more, and too little is in both looks
_BEST_MOVE = 0.11
_NEW_LOOK = 0.012  # of the width; nearer looks show the same
_KEPT = 8
_OLDEST_S = 12.0
_SAME = 0.85  # correlation in place; above it nothing but the place could differ
_FIT = 0.6  # correlation of two looks laid over each other
_BETTER = 0.1  # by so much they must fit better there than in place
_TRIES = 2
_MOST_BEND = 0.25  # zoom, roll and slant between two looks
_LIGHT_SIGMA = 0.06  # of the width; light that changes more slowly is evened out
_FLAT = 0.01  # natural logarithm; a picture without contrast cannot be laid over
_MOST_CONTRAST = 3.5  # times the median
_LEAST_SIDE = 48  # px of the small picture
# Percent of black-to-white, added before taking logarithms: noise in the dark must not
# count for changes by a factor.
_FOOT = 5.0
_DETAIL_FOOT = 0.4
_LEVEL_CLIP, _DETAIL_CLIP = 0.6, 1.5
_LEVEL_SIGMA, _DETAIL_SIGMA = 1.0, 2.0  # px of the small picture


def level_map(picture: Picture) -> Map:
    """Return the natural logarithm of the small picture: a filter's loss is a sum."""
    luma = picture.view(proxy_luma)
    out = np.log(np.maximum(luma, 0.0) + np.float32(_FOOT))
    return np.asarray(cv2.GaussianBlur(out, (0, 0), _LEVEL_SIGMA), np.float32)


def detail_map(picture: Picture) -> Map:
    """Return the logarithm of the fine detail at every place of the small picture.

    Returns
    -------
    (h, w) array of float32
        Mean change over two full pixels across, in percent of black-to-white, on some
        of the lines (of an interlaced picture: of one field).
    """
    height, width = picture.view(proxy_luma).shape
    # Two lines or more to a place; an even step, so as to stay in one field.
    step = max(picture.height // (2 * height) // 2 * 2, 1 + picture.interlaced)
    lines = picture.y[::step]
    steps = cv2.absdiff(lines[:, 2:], lines[:, :-2])
    percent = 100.0 / (picture.signal.white - picture.signal.black)
    if steps.dtype == np.uint8:
        # Whole codes are too coarse for averages of small differences.
        steps = cv2.convertScaleAbs(steps, alpha=8.0)
        percent /= 8.0
    small = cv2.resize(steps, (width, height), interpolation=cv2.INTER_AREA)
    out = np.log(small.astype(np.float32) * percent + np.float32(_DETAIL_FOOT))
    return np.asarray(cv2.GaussianBlur(out, (0, 0), _DETAIL_SIGMA), np.float32)


@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """One look.

    Attributes
    ----------
    row : int
        Row of the readings.
    seconds : float
    luma, level, detail : (h, w) arrays of float32
        The small picture evened out for registering; `level_map`; `detail_map`.
    coarse : array of float32
        `luma` at a quarter of its size.
    chain : int
        Looks of one chain were registered one against the other.
    place : complex
        Where the scene lies against the chain's first look, + right and down, as a
        share of the picture's width.
    """

    row: int
    seconds: float
    luma: Map
    coarse: Map
    level: Map
    detail: Map
    chain: int = 0
    place: complex = 0j


@dataclass(frozen=True, slots=True, eq=False)
class Difference:
    """What stayed in its place between two looks.

    Attributes
    ----------
    first_row, row : int
        Rows of the two looks.
    moved_percent : float
        How far the picture's centre moved between them, percent of its width.
    level, detail : (h, w) arrays of float32
        By how much, in natural logarithms, the place is brighter and has more detail
        than the scene had there; 0 where the two directions do not agree, NaN where
        the scene did not move or is in one look only.
    """

    first_row: int
    row: int
    moved_percent: float
    level: Map
    detail: Map


class LookKeeper:
    """Takes looks, finds how they lie against one another and compares them."""

    def __init__(self) -> None:
        self._looks: deque[Look] = deque(maxlen=_KEPT)
        self._chains = 0
        self.places: set[tuple[int, int, int]] = set()
        self.looks = 0

    def look(self, picture: Picture, row: int, seconds: float) -> Difference | None:
        """Keep this look if it shows another framing; compare it with an earlier."""
        while self._looks and seconds - self._looks[0].seconds > _OLDEST_S:
            self._looks.popleft()
        luma = even_light(picture.view(proxy_luma))
        if min(luma.shape) < _LEAST_SIDE or float(np.std(luma)) < _FLAT:
            return None
        self.looks += 1
        coarse = _quarter(luma)
        far = [_coarse_shift(one.coarse, coarse) for one in self._looks]
        if any(f.size < _NEW_LOOK and f.fit > _SAME for f in far):
            return None
        new = Look(row, seconds, luma, coarse, level_map(picture), detail_map(picture))
        matched = self._match(new, far)
        if matched is None:
            self._chains += 1
            self._looks.append(replace(new, chain=self._chains))
            return None
        old, warp = matched
        height, width = luma.shape
        shift = _shift_of(warp, width, height)
        place = old.place + shift / width
        new = replace(new, chain=old.chain, place=place)
        self._looks.append(new)
        cell = 0.5 * LEAST_MOVE
        self.places.add((old.chain, round(place.real / cell), round(place.imag / cell)))
        return compare(old, new, warp)

    def _match(
        self, new: Look, far: list[_Shift]
    ) -> tuple[Look, NDArray[np.float32]] | None:
        """Return an earlier look of the same scene, well moved, and how it lies."""
        order = sorted(
            (i for i, f in enumerate(far) if f.fit >= _FIT),
            key=lambda i: abs(far[i].size - _BEST_MOVE),
        )
        for i in order[:_TRIES]:
            old = self._looks[i]
            warp = register(old.luma, new.luma, far[i])
            if warp is not None:
                return old, warp
        return None


@dataclass(frozen=True, slots=True)
class _Shift:
    """Roughly how far a look lies from another, in shares of the width."""

    x: float
    y: float
    fit: float

    @property
    def size(self) -> float:
        return math.hypot(self.x, self.y)


def even_light(luma: Map) -> Map:
    """Return the logarithm of a small picture without its large-scale light."""
    logs = np.log(np.maximum(luma, 0.0) + np.float32(_FOOT))
    sigma = _LIGHT_SIGMA * luma.shape[1]
    smooth = cv2.GaussianBlur(logs, (0, 0), _LEVEL_SIGMA)
    out = np.asarray(smooth - cv2.GaussianBlur(logs, (0, 0), sigma), np.float32)
    # The strongest things must not decide alone: one of them may be the blemish.
    most = _MOST_CONTRAST * float(np.median(np.abs(out[::3, ::3])))
    return np.clip(out, -most, most)


def _quarter(luma: Map) -> Map:
    size = max(luma.shape[1] // 4, 1), max(luma.shape[0] // 4, 1)
    return np.asarray(cv2.resize(luma, size, None, 0, 0, cv2.INTER_AREA), np.float32)


def _coarse_shift(before: Map, after: Map) -> _Shift:
    """Return where the middle of a look fits best in another."""
    height, width = before.shape
    mx, my = max(int(_MOST_MOVE * width), 1), max(int(_MOST_MOVE * height), 1)
    middle = after[my : height - my, mx : width - mx]
    scores = np.asarray(
        cv2.matchTemplate(before, middle, cv2.TM_CCOEFF_NORMED), np.float32
    )
    _, fit, _, (column, row) = cv2.minMaxLoc(scores)
    return _Shift((mx - column) / width, (my - row) / width, float(fit))


def register(old: Map, new: Map, guess: _Shift) -> NDArray[np.float32] | None:
    """Find how one look lies against another.

    Parameters
    ----------
    old, new : (h, w) arrays of float32
        As `even_light` gives them.
    guess : _Shift
        Roughly how far the scene moved from `old` to `new`.

    Returns
    -------
    (2, 3) array of float32, or None
        Takes places in `new` to places in `old`, in px. None if the looks do not fit
        well, hardly moved, or fit as well without moving.
    """
    height, width = new.shape
    warp = np.array([[1, 0, -guess.x * width], [0, 1, -guess.y * width]], np.float32)
    try:
        for size, steps in ((2, 10), (1, 3)):
            one, two = (
                cv2.resize(i, (width // size, height // size), None, 0, 0, 3)
                if size > 1
                else i
                for i in (old, new)
            )
            warp[:, 2] /= size
            end = cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, steps, 1e-3
            _, found = cv2.findTransformECC(two, one, warp, cv2.MOTION_AFFINE, end)
            warp = np.asarray(found, np.float32)
            warp[:, 2] *= size
    except cv2.error:
        return None
    bend = np.abs(warp[:, :2] - np.eye(2, dtype=np.float32)).max()
    move = abs(_shift_of(warp, width, height)) / width
    if bend > _MOST_BEND or move > 1.3 * _MOST_MOVE:
        return None
    if max(move, float(bend) * 0.35) < LEAST_MOVE:
        return None
    laid = _carried(old, warp)
    known = np.isfinite(laid)
    if known.mean() < 0.4:
        return None
    fit = float(np.corrcoef(laid[known], new[known])[0, 1])
    rest = float(np.corrcoef(old[known], new[known])[0, 1])
    return warp if fit >= _FIT and fit - rest >= _BETTER else None


def _shift_of(warp: NDArray[np.float32], width: int, height: int) -> complex:
    """Return how far the scene at the picture's centre moved, in px."""
    x, y = 0.5 * (width - 1), 0.5 * (height - 1)
    at = warp.astype(np.float64) @ np.array([x, y, 1.0])
    return complex(x - at[0], y - at[1])


def compare(old: Look, new: Look, warp: NDArray[np.float32]) -> Difference:
    """Lay two looks over each other both ways and keep what agrees.

    Parameters
    ----------
    warp : (2, 3) array
        Takes places in `new` to places in `old`, in px.
    """
    height, width = new.level.shape
    back = np.asarray(cv2.invertAffineTransform(warp), np.float32)
    still = _still(warp, height, width) | _still(back, height, width)
    maps = []
    levels: tuple[Map, Map] | None = None
    for name, clip in (("level", _LEVEL_CLIP), ("detail", _DETAIL_CLIP)):
        one, two = getattr(old, name), getattr(new, name)
        there = _settled(two - _carried(one, warp))
        here = _settled(one - _carried(two, back))
        if levels is None:
            levels = there, here
        else:
            # A dark spot has less detail for being dark: that is no blur.
            there, here = there - levels[0], here - levels[1]
        both = _agreeing(there, here)
        both[still] = np.nan
        maps.append(np.clip(both, -clip, clip))
    moved = 100.0 * abs(_shift_of(warp, width, height)) / width
    return Difference(old.row, new.row, moved, level=maps[0], detail=maps[1])


def _still(warp: NDArray[np.float32], height: int, width: int) -> NDArray[np.bool_]:
    """Return under which places the scene hardly moved."""
    x = np.arange(width, dtype=np.float32)
    y = np.arange(height, dtype=np.float32)[:, None]
    (a, b, c), (d, e, f) = warp
    across, down = (a - 1) * x + (b * y + c), d * x + ((e - 1) * y + f)
    return np.asarray(across * across + down * down < (LEAST_MOVE * width) ** 2)


def _carried(image: Map, warp: NDArray[np.float32]) -> Map:
    """Return an image as it looks from the other look's place; NaN outside it."""
    height, width = image.shape
    return np.asarray(
        cv2.warpAffine(
            image,
            warp,
            (width, height),
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_CONSTANT,
            borderValue=(float("nan"),) * 4,
        ),
        np.float32,
    )


def _settled(difference: Map) -> Map:
    """Take away what the whole picture changed by: iris, focus, motion blur."""
    known = difference[::3, ::3]
    known = known[np.isfinite(known)]
    if not known.size:
        return difference
    return difference - np.float32(np.median(known))


def _agreeing(one: Map, other: Map) -> Map:
    """Return the smaller of two values of one sign, 0 where their signs differ.

    What stays in its place differs in the same way both ways; a thing that moves by
    itself, and the place to which a blemish was carried, do so one way only.
    """
    smaller = np.where(np.abs(one) < np.abs(other), one, other)
    smaller[one * other <= 0] = 0.0
    smaller[np.isnan(one) | np.isnan(other)] = np.nan
    return smaller
