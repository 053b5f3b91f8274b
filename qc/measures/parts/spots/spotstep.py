"""Places that change from one frame to the next: the moment a drop lands.

What moves changes the places it passes one after the other, and what is around them
too. A drop changes all of its places in the same frame or two, and nothing beside
them. So every frame is held against the one before last, which leaves little time for
anything else to move; compact parts that changed then and not just before or after,
with quiet surroundings, are followed over some frames on either side. Whether they
stay so is for later looks to tell (`spotcome`).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.kernels.steps import half_light, light_step, round_part, sudden_places
from qc.measures.parts.spots.spotranks import FOOT, middle, rms

__all__ = ["BESIDE", "Frame", "Step", "frame_of", "frames_of", "ring_of", "steps_in"]

Map = NDArray[np.float32]
Mask = NDArray[np.bool_]
Box = tuple[slice, slice]

BESIDE = 5
"""Frames on either side of a step that are held against it."""
SHARE = 2
"""Frames are kept at so small a part of the small picture."""
_SLOW_S, _FEW_BESIDE = 0.055, 3  # from frame to frame; frames on either side then
_LEAST, _BEYOND, _SMOOTH = 0.045, 3.0, 0.6  # logarithm; times what most places do; px
_BESIDE_IT = math.exp(-0.5 / _SMOOTH**2)
_SMOOTHING = 1.0 / (1.0 + 2.0 * _BESIDE_IT), _BESIDE_IT / (1.0 + 2.0 * _BESIDE_IT)
_LEVELS = 1.0, 2.0  # what moves beside it joins it at the lower
_FEWEST, _REACH = 10, 16  # px; px of a level: no drop is so large there
_FILLED, _LONGEST = 0.45, 2.0  # of its box; times its breadth
_PEAKS, _APART = 4, 3  # in a frame; px
_SUDDEN = 2.0  # times what comes just before and after
_STILL = 0.01  # logarithm: so much a place that rests changes by
_ITS_OWN = 0.8  # of its places came so; else other things move through its edge
_NARROWER = 0.7  # at the border, times its breadth
_WINDOW, _TOGETHER = 7, 10  # px across; places in it that must come alone
_OWN, _STANDS_OUT = 0.06, 2.0  # logarithm, in the mean; times that, of what moves
_RING, _LOUD = (11, 15), 0.45  # px across; of the step, in the mean
_FAR = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (13, 13))
_NEAR = np.ones((5, 5), np.uint8)
_TRIED = 24  # parts at a look, the most sudden
_MARGIN = 7  # px around
# The whole picture's own step, as a share of that of the part; logarithm.
_ALL, _ALL_LEAST = 0.1, 0.02
# What else changes: times what does just before and after, or of little account for
# each place; its own change, with its rim.
_AS_USUAL, _ELSEWHERE, _RIM = 1.5, 0.008, 2.0
# Of the step: what comes in one frame, and what half, most and nearly all of the places
# around change by meanwhile. Where less comes in one frame, a drop that spreads over
# two or a thing that moves in, all must be calm.
_AT_ONCE, _OVERSHOOT, _QUIET = 0.87, 1.07, (0.15, 0.25, 0.42)
_SPREADS, _CALM = 0.5, (0.03, 0.07, 0.13)
_RANKS = 0.5, 0.7, 0.85
# Of the step: no frame before or after shows more of it, where things move beside it.
_CLEAN = 0.1
# Of the step: what else the place does from frame to frame, at most, usually, and just
# before and after one that comes in one frame or in two.
_OTHER, _OTHERS, _NEXT = 0.6, 0.3, (0.12, 0.08)
_EVENLY_COMES = 0.25  # of the step, what a frame halfway may show otherwise


@dataclass(frozen=True, slots=True, eq=False)
class Frame:
    """A frame that is kept.

    Attributes
    ----------
    level : (h, w) array
        Natural logarithms at a part of the size of the small picture.
    fine : (H, W) array
        The small picture, percent of black-to-white.
    """

    row: int
    seconds: float
    level: Map
    fine: Map

    @property
    def share(self) -> int:
        """How many px of the small picture are one of the level, each way."""
        return int(self.fine.shape[1] // self.level.shape[1])


@dataclass(frozen=True, slots=True, eq=False)
class Step:
    """A part that changed at once.

    Attributes
    ----------
    row, without : int
        First that shows it, last that does not.
    at : int
        Index of a frame; the ones beside it are the last without and one with it.
    box : slices
        The part and its surroundings.
    inside, around : (h, w) arrays of bool
        Places of the box.
    before, after : Frame
    alone : bool
        Nothing moves through its edge.
    """

    row: int
    without: int
    at: int
    box: Box
    inside: Mask
    around: Mask
    before: Frame
    after: Frame
    alone: bool = True

    @property
    def middle(self) -> tuple[float, float]:
        """The middle of its places, shares of the picture's width and height."""
        height, width = self.before.level.shape
        rows, columns = (float(v.mean()) for v in np.nonzero(self.inside))
        x = (self.box[1].start + columns + 0.5) / width
        return x, (self.box[0].start + rows + 0.5) / height


@dataclass(frozen=True, slots=True, eq=False)
class _Part:
    """Places that changed: by how much, and times what they do before and after."""

    at: int
    own: float
    once: float
    where: tuple[int, int, int, int]
    mask: Mask
    alone: bool = True


def frame_of(fine: Map, row: int, seconds: float) -> Frame:
    """Return what is kept of a small picture in percent."""
    return _frame(half_light(fine, FOOT), fine, row, seconds)


def frames_of(fine: Map, row: int, seconds: float) -> tuple[Frame, Frame]:
    """Return the same, and with a level half as large: there large drops are small."""
    light = half_light(fine, FOOT)
    half = half_light(light, 0.0)
    return _frame(light, fine, row, seconds), _frame(half, fine, row, seconds)


def _frame(light: Map, fine: Map, row: int, seconds: float) -> Frame:
    cv2.log(light, light)
    return Frame(row, seconds, light, fine)


def steps_in(frames: Sequence[Frame], first: int) -> Iterator[Step]:
    """Yield what changed at once, the most sudden first, some of it more than once.

    Parameters
    ----------
    first : int
        Index of the first frame that is looked at.
    """
    n = len(frames)
    if n < 2 * BESIDE + 1:
        return
    usual = (frames[-1].seconds - frames[0].seconds) / (n - 1)
    beside = BESIDE if usual <= _SLOW_S else _FEW_BESIDE
    start, stop = max(first, beside), n - BESIDE
    moves, steps = np.zeros(n), np.zeros(n)
    changed: dict[int, Map] = {}
    tops: dict[int, Map] = {}
    for at in range(max(start - BESIDE, 1), n - 1):
        # Of either sign: a blur lightens what is dark and fine.
        steps[at], moves[at], smooth, top = light_step(
            frames[at - 1].level,
            frames[at + 1].level,
            every=4,
            smooth=_SMOOTHING,
            wanted=start - 2 <= at < stop + 2,
        )
        if smooth is not None and top is not None:
            changed[at], tops[at] = smooth, top
    parts: list[_Part] = []
    for at in range(start, stop):
        parts += _parts(changed, tops, at)
    size = frames[0].level.size
    parts = [p for p in parts if _alone(p, moves, steps, size)]
    parts.sort(key=lambda part: -part.once * np.sqrt(part.mask.sum()))
    for part in parts[:_TRIED]:
        step = _judged(frames, part, beside)
        if step is not None:
            yield step


def _alone(
    part: _Part, moves: NDArray[np.float64], steps: NDArray[np.float64], size: int
) -> bool:
    """Return whether the rest of the picture goes on as it does."""
    others = moves[part.at] - _RIM * part.own * float(part.mask.sum())
    if others > max(_AS_USUAL * _beside(moves, part.at), _ELSEWHERE * size):
        return False
    return bool(abs(steps[part.at]) <= max(_ALL * part.own, _ALL_LEAST))


def _beside(moves: NDArray[np.float64], at: int) -> float:
    """Return what moves most in the frames before and after some that share one.

    Frames that are repeated, and then or else lost, let all that moves jump at once.
    """
    sides = moves[max(at - BESIDE, 1) : at - 1], moves[at + 2 : at + BESIDE + 1]
    return max(float(side.max()) if side.size else 0.0 for side in sides)


def _parts(
    changed: Mapping[int, Map], tops: Mapping[int, Map], at: int
) -> Iterator[_Part]:
    """Yield the compact parts that changed, while little around them did.

    Parameters
    ----------
    changed : mapping of (h, w) arrays
        What each place changed by, of any moment and of two frames before and after.
    tops : mapping of arrays
        The same over a few places.
    """
    smooth, now = changed[at], tops[at]
    before, after = changed[at - 2], changed[at + 2]
    rim = _WINDOW // 2 + 1
    count, inside = sudden_places(
        now, tops[at - 2], tops[at + 2], own=_OWN, times=_SUDDEN, rim=rim
    )
    if _too_few(count, inside):  # most often
        return
    alone = now > _SUDDEN * np.maximum(tops[at - 2], tops[at + 2])
    alone &= now > _OWN
    inner, outer = (cv2.boxFilter(smooth, -1, (n, n), normalize=False) for n in _RING)
    ring = (outer - inner) / np.float32(_RING[1] ** 2 - _RING[0] ** 2)
    alone &= ring < np.float32(_LOUD) * now
    inside = int(np.count_nonzero(alone[rim:-rim, rim:-rim]))
    if _too_few(int(np.count_nonzero(alone)), inside):
        return
    # Of a drop many places do; what moves leaves a few here and there.
    many = cv2.boxFilter(
        alone.astype(np.uint8), -1, (_WINDOW, _WINDOW), normalize=False
    )
    alone &= many >= _TOGETHER
    if not alone.any():
        return
    # A drop changes once; what moves goes on before or after, however strongly.
    once = now / (np.maximum(tops[at - 2], tops[at + 2]) + np.float32(_STILL))
    now = np.where(alone, once, np.float32(0))
    least = max(_LEAST, _BEYOND * middle(smooth[::4, ::4]))
    for _ in range(_PEAKS):
        _, top, _, (x, y) = cv2.minMaxLoc(now)
        if top <= 0:
            return
        rows, columns = (
            slice(max(v - _REACH, 0), min(v + _REACH + 1, n))
            for v, n in zip((y, x), smooth.shape, strict=True)
        )
        crop, place = smooth[rows, columns], (y - rows.start, x - columns.start)
        # What moves through it goes on changing before and after.
        goes_on = np.maximum(before[rows, columns], after[rows, columns])
        for mask, corner, whole in _masks_at(crop, goes_on, least, place):
            v, u = rows.start + corner[0], columns.start + corner[1]
            h, w = mask.shape
            if _comes_in(mask, (v, u), smooth.shape):
                continue
            box = slice(v, v + h), slice(u, u + w)
            own = float(smooth[box][mask].mean())
            others = max(float(side[box][mask].mean()) for side in (before, after))
            if own >= max(_OWN, _SUDDEN * others):
                times = own / (others + _STILL)
                yield _Part(at, own, times, (u, v, w, h), mask, whole)
            now[box] = 0
        near = slice(max(y - _APART, 0), y + _APART + 1)
        now[near, max(x - _APART, 0) : x + _APART + 1] = 0


def _masks_at(
    change: Map, goes_on: Map, least: float, place: tuple[int, int]
) -> Iterator[tuple[Mask, tuple[int, int], bool]]:
    """Yield parts that hold a place, where, and if they are all that changed there.

    Parameters
    ----------
    goes_on : (h, w) array
        What the places changed by before and after.
    """
    sudden = change > np.float32(_SUDDEN) * goes_on
    own = False
    for level in _LEVELS:
        part = _part_at(change > level * least, place)
        if part is not None:
            mask, (y, x) = part
            inside = sudden[y : y + mask.shape[0], x : x + mask.shape[1]][mask]
            own = own or float(inside.mean()) >= _ITS_OWN
            yield mask, (y, x), True
    if not own:
        part = _part_at(sudden & (change > least), place)
        if part is not None:
            yield *part, False


def _comes_in(mask: Mask, corner: tuple[int, int], shape: tuple[int, ...]) -> bool:
    """Return whether a part may reach in from outside the picture.

    A drop whose middle lies in the picture is narrower at the border than there.
    """
    for side, first, n in zip((mask, mask.T), corner, shape, strict=True):
        broad = side.sum(axis=1)
        most = _NARROWER * int(broad.max())
        if first == 0 and int(broad[0]) > most:
            return True
        if first + len(side) == n and int(broad[-1]) > most:
            return True
    return False


def _too_few(alone: int, inside: int) -> bool:
    """Return whether surely nowhere so many lie together as a drop's do.

    A window counts what it mirrors at the border, up to twice each way.
    """
    return 4 * alone - 3 * inside < _TOGETHER


def _part_at(seen: Mask, place: tuple[int, int]) -> tuple[Mask, tuple[int, int]] | None:
    """Return the part that holds a place, if it is as large and as round as drops.

    Returns
    -------
    mask, corner
        The part in its box, and where that begins.
    """
    # Holes are where a blur takes as much as it gives; a sway leaves lines.
    part = round_part(seen, place)
    if part is None:
        return None
    mask, area, corner = part
    h, w = mask.shape
    if area < _FEWEST or area < _FILLED * w * h or max(w, h) > _LONGEST * min(w, h):
        return None
    return (mask, corner) if max(w, h) <= _REACH else None


def ring_of(inside: Mask) -> Mask:
    """Return the places around some others, but for their rim."""
    few = inside.astype(np.uint8)
    rim = cv2.dilate(few, _NEAR)
    return np.asarray((cv2.dilate(few, _FAR) > 0) & (rim == 0))


def _quiet(near: Map) -> NDArray[np.float32]:
    """Return what half, most and nearly all of some places change by."""
    at = [int(share * (near.size - 1)) for share in _RANKS]
    return np.asarray(np.partition(near, at)[at], np.float32)


def _judged(frames: Sequence[Frame], part: _Part, beside: int) -> Step | None:
    """Return the step if it came at once, with nothing moving around it."""
    (x, y, w, h), at = part.where, part.at
    height, width = frames[at].level.shape
    box = (
        slice(max(y - _MARGIN, 0), min(y + h + _MARGIN, height)),
        slice(max(x - _MARGIN, 0), min(x + w + _MARGIN, width)),
    )
    inside = np.zeros((height, width), bool)
    inside[y : y + h, x : x + w] = part.mask
    inside = inside[box]
    around = ring_of(inside)
    if int(around.sum()) < _FEWEST:
        return None
    some = np.stack([f.level[box] for f in frames[at - beside : at + beside + 1]])
    ring = some[:, around]
    half = ring.shape[1] // 2
    middles = np.partition(ring, half, axis=1)[:, half]
    some = some - middles[:, None, None]
    change = some[beside + 1] - some[beside - 1]
    size = rms(change[inside])
    if not part.alone and size < _STANDS_OUT * _OWN:
        return None
    whole = change + (middles[beside + 1] - middles[beside - 1])
    pattern = np.where(inside, change, np.float32(0))
    power = float((pattern**2).sum())
    along = (np.diff(some, axis=0) * pattern).sum(axis=(1, 2)) / power
    two = along[beside - 1 : beside + 1]
    once, others = float(two.max()), np.delete(along, [beside - 1, beside])
    quiet = _quiet(np.abs(whole[around])) / size
    clean = part.alone and once >= _AT_ONCE and np.abs(others).max() <= _CLEAN
    if not part.alone or (clean and (quiet > _QUIET).any()):
        # What moves beside it goes on as it does.
        sides = some[beside - 1] - some[beside - 3], some[beside + 3] - some[beside + 1]
        most = np.maximum(*(np.abs(side[around]) for side in sides))
        quiet = _quiet(np.maximum(np.abs(whole[around]) - most, 0)) / size
    if (quiet > _QUIET).any():
        return None
    if once > _OVERSHOOT or np.abs(others).max() > _OTHER or rms(others) > _OTHERS:
        return None
    beyond = max(abs(float(along[k])) for k in (beside - 2, beside + 1))
    if beyond > _NEXT[int(once < _AT_ONCE)]:
        return None
    if once < _AT_ONCE:
        if once < _SPREADS or (quiet > _CALM).any():
            return None
        # What moves in covers some of it first; a drop that lands within a frame shows
        # all of it, for some of the time.
        halfway = some[beside] - some[beside - 1] - two[0] * change
        if rms(halfway[inside]) > _EVENLY_COMES * size:
            return None
    shows = at if two[0] >= 0.5 else at + 1
    return Step(
        frames[shows].row,
        frames[shows - 1].row,
        at,
        box,
        inside,
        around,
        frames[at - 1],
        frames[at + 1],
        part.alone,
    )
