"""Places that change from one frame to the next and then stay: the moment a drop lands.

What moves changes the places it passes one after the other; a drop changes all of its
places in the same frame or two. So each place is asked when it changed most, and parts
whose places all name the same moment are held against their frames before and after.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.spots.spotranks import middle, ranked, rms

__all__ = ["BESIDE", "Frame", "Step", "steps_in"]

Map = NDArray[np.float32]
Mask = NDArray[np.bool_]
Box = tuple[slice, slice]

BESIDE = 5  # frames on either side of a step, that must be steady
_SUDDEN_S, _SLOWEST = 0.055, 2  # a drop spreads so long; frames between at most
_LEAST, _BEYOND = 0.04, 1.5  # natural logarithm; times what most places do
_MOST_CHANGED = 0.6  # of the picture
_FEWEST, _AREA = 10, 0.03  # px; of all
_FILLED, _LONGEST = 0.45, 1.7  # of its box; times its breadth: edges that stop are long
_MARGIN, _BORDER = 4, 1  # px
_DENSE, _NEVER = 0.99, 255  # of some 3 by 3 places; no moment
_TRIED = 12  # parts at a look, the largest
_AT_ONCE_EACH = 0.6, 1.6  # of its step, what each place does then
# Of the step: what the place does then, and beyond it; and on either side, in most of
# the frames and in any.
_AT_ONCE, _OVERSHOOT = 0.8, 1.3
_STEADY, _STEADIEST, _MOST_OF = 0.16, 0.3, 0.85
_ROUGHLY = 0.6  # of the step, from frame to frame on one side
# What may move besides: its own change, with its rim; times what does so usually.
_OWN, _AS_USUAL, _USUALLY, _LIVES = 2.0, 1.5, 0.8, 0.15
_A_CUT = 4.0  # times what the picture changes by usually
# Around it: what half of the places may do meanwhile, and most of them, as shares of
# the step; and the share of those where something passed before: a thing comes on a
# path, that it has left again. First around one that is all there in the next frame,
# where something passes or does not; then around others. Over 370 clean takes (42 of
# them drawn, with hands that come to rest) 16 steps passed; three that can be seen
# looked like drops (see `spotdrop`), and none of these stayed.
_LOUD, _PASSED_BY, _CALM = (0.2, 0.45, 0.08), (0.2, 0.3, 0.25), (0.1, 0.3, 0.03)
_LEFT, _LEAVES = 0.5, 0.05  # of the step; of the places around
_SURE, _FEWEST_SURE = 0.74, 12  # of the step, in one frame; px
_EVENLY_COMES = 0.25  # of the step, what a frame halfway may show otherwise


@dataclass(frozen=True, slots=True, eq=False)
class Frame:
    """A frame that is kept: natural logarithms of its level, few of its places."""

    row: int
    seconds: float
    level: Map


@dataclass(frozen=True, slots=True, eq=False)
class Step:
    """A part that changed at once.

    Attributes
    ----------
    row, without : int
        First that shows it, last that does not.
    seconds : float
        Of the first frame that shows it.
    box : slices
        The part and some of its surroundings.
    inside, around : (h, w) arrays of bool
        Places of the box.
    before, after : (h, w) arrays
        Whole pictures, the mean of some frames.
    """

    row: int
    without: int
    seconds: float
    box: Box
    facts: NDArray[np.int32]
    inside: Mask
    around: Mask
    before: Map
    after: Map

    @property
    def change(self) -> Map:
        """What the whole picture changed by, its middle taken off."""
        out = self.after - self.before
        return out - np.float32(middle(out[::3, ::3]))


def steps_in(frames: Sequence[Frame], first: int) -> Iterator[Step]:
    """Yield what became darker at once, the largest first.

    Parameters
    ----------
    first : int
        Index of the first frame whose change is looked at.
    """
    n = len(frames)
    if n < 2 * BESIDE + _SLOWEST:
        return
    usual = (frames[-1].seconds - frames[0].seconds) / (n - 1)
    within = 1 if usual > _SUDDEN_S else _SLOWEST
    start, stop = max(first, BESIDE - 1), n - within - BESIDE + 1
    if stop <= start:
        return
    most, moves = np.zeros_like(frames[0].level), np.zeros(n - within)
    darker = np.empty_like(most)
    for k in range(n - within):
        now, then = frames[k + within].level, frames[k].level
        if start <= k < stop:
            cv2.subtract(then, now, darker)
            cv2.max(most, darker, most)
        moves[k] = cv2.norm(then, now, cv2.NORM_L1)
    smooth = np.asarray(cv2.GaussianBlur(most, (0, 0), 0.5), np.float32)
    least = max(_LEAST, _BEYOND * middle(smooth[::3, ::3]))
    changed = smooth > least
    if not changed.any() or changed.mean() > _MOST_CHANGED:
        return
    taken = np.zeros_like(changed)
    for at, part, facts in _parts(frames, changed, (start, stop), within, least):
        if (part & taken).any() or not _goes_on(moves, at, within, most[part]):
            continue
        step = _judged(frames, at, within, part, facts)
        if step is not None:
            taken |= part
            yield step


def _goes_on(moves: NDArray[np.float64], at: int, within: int, own: Map) -> bool:
    """Return whether the rest of the picture moves on as usual.

    Frames that are repeated, and then or else lost, let all that moves jump at once.

    Parameters
    ----------
    moves : (n,) array
        What all of the picture changes by, from each frame on.
    own : (k,) array
        What the part itself did.
    """
    usual, own_share = ranked(moves, _USUALLY), _OWN * float(own.sum())
    # The part may have changed from the next frame on; a cut spoils all that it is
    # held against.
    for reach, times in ((1, _AS_USUAL), (within + BESIDE, _A_CUT)):
        near = moves[max(at - reach + 1, 0) : at + reach + 1]
        if float(near.max()) - own_share > times * usual:
            return False
    sides = moves[max(at - BESIDE + 1, 0) : at - within + 1], moves[at + within + 1 :]
    return all(
        float(side[:BESIDE].max()) >= _LIVES * usual for side in sides if side.size
    )


def _parts(
    frames: Sequence[Frame],
    changed: Mask,
    span: tuple[int, int],
    within: int,
    least: float,
) -> Iterator[tuple[int, Mask, NDArray[np.int32]]]:
    """Yield moments and the compact parts whose places all changed most just then."""
    start, stop = span
    places = np.flatnonzero(changed)
    each = np.stack([frame.level.take(places) for frame in frames])
    sums = np.zeros((len(frames) + 1, places.size), np.float32)
    np.cumsum(each, axis=0, out=sums[1:])
    # Where it stays, all of the change came then; what else moves before or after it
    # may well change the place by more.
    later, last = start + within, stop + within
    step = sums[later + BESIDE : last + BESIDE] - sums[later:last]
    step -= sums[start + 1 : stop + 1]
    step += sums[start + 1 - BESIDE : stop + 1 - BESIDE]
    step /= np.float32(BESIDE)
    likely = np.flatnonzero(step.min(axis=0) < np.float32(-least))
    step, each = step[:, likely], each[:, likely]
    share = each[later:last] - each[start:stop]
    share /= np.minimum(step, np.float32(-1e-6))
    low, high = _AT_ONCE_EACH
    step[(share < 1 / high) | (share > 1 / low)] = 0
    when = step.argmin(axis=0)
    stays = step[when, np.arange(likely.size)] < np.float32(-least)
    counts = np.bincount(when[stays], minlength=stop - start)
    whole = np.full(changed.shape, _NEVER, np.uint8)
    whole.ravel()[places[likely[stays]]] = when[stays]
    found = []
    for nth in np.flatnonzero(counts + np.append(counts[1:], 0) >= _FEWEST):
        now = cv2.inRange(whole, float(nth), float(nth + 1))
        if cv2.minMaxLoc(cv2.boxFilter(now, -1, (3, 3)))[1] < 255 * _DENSE:
            continue
        _, labels, facts, _ = cv2.connectedComponentsWithStats(now)
        found += [
            (
                int(facts[i, cv2.CC_STAT_AREA]),
                start + int(nth),
                int(i),
                labels,
                facts[i],
            )
            for i in _compact(np.asarray(facts, np.int32), changed.shape)
        ]
    found.sort(key=lambda one: -one[0])
    for _, at, k, labels, fact in found[:_TRIED]:
        yield at, labels == k, fact


def _compact(facts: NDArray[np.int32], shape: tuple[int, ...]) -> NDArray[np.intp]:
    """Return which parts are as large and as round as drops, of all but the first."""
    x, y, w, h, area = facts.T
    good = (area >= _FEWEST) & (area <= _AREA * shape[0] * shape[1])
    good &= (np.minimum(x, y) >= _BORDER) & (x + w <= shape[1] - _BORDER)
    good &= (y + h <= shape[0] - _BORDER) & (area >= _FILLED * w * h)
    good &= np.maximum(w, h) <= _LONGEST * np.minimum(w, h)
    good[0] = False
    return np.flatnonzero(good)


def _judged(
    frames: Sequence[Frame], at: int, within: int, part: Mask, facts: NDArray[np.int32]
) -> Step | None:
    """Return the step if it came at once, with nothing moving around it."""
    x, y, w, h = (int(v) for v in facts[:4])
    height, width = part.shape
    box = (
        slice(max(y - _MARGIN, 0), min(y + h + _MARGIN, height)),
        slice(max(x - _MARGIN, 0), min(x + w + _MARGIN, width)),
    )
    inside = part[box]
    around = cv2.dilate(inside.astype(np.uint8), np.ones((5, 5), np.uint8)) == 0
    if not around.any():
        return None
    # One of two neighbouring moments was named: it may lie a frame later.
    first, last = at - BESIDE + 1, min(at + within + 1 + BESIDE, len(frames))
    some = np.stack([frame.level[box] for frame in frames[max(first, 0) : last]])
    at -= max(first, 0)
    # Most are nothing, which these few figures show.
    level = some[:, inside].mean(axis=1)
    sides = level[: at + 1], level[at + within + 1 :]
    step = float(sides[0].mean() - sides[1].mean())
    if max(float(np.ptp(side)) for side in sides) > _ROUGHLY * step:
        return None
    ring = some[:, around]
    half = ring.shape[1] // 2
    some = some - np.partition(ring, half, axis=1)[:, half, None, None]
    before, after = _middle_of(some[: at + 1]), _middle_of(some[at + within + 1 :])
    change = after - before
    size = rms(change[inside])
    pattern = np.where(inside, change, np.float32(0))
    power = float((pattern**2).sum())
    if power <= 0:
        return None
    along = ((some - before) * pattern).sum(axis=(1, 2)) / power
    rise = along[within:] - along[:-within]
    if rise.max() < _AT_ONCE or along.max() > _OVERSHOOT:
        return None
    for side in (along[: at + 1], along[at + within + 1 :] - 1.0):
        off = np.abs(side)
        if off.max() > _STEADIEST or ranked(off, _MOST_OF) > _STEADY:
            return None
    last = int(rise.argmax())
    moved = some[last + within, around] - some[last, around]
    # What has moved in darkened a place beside it the frame before, and has left that.
    beside = before[around] - some[last, around] > _LEFT * size
    if float((beside & (moved > _LEFT * size)).mean()) > _LEAVES:
        return None
    moved = np.abs(moved)
    path = np.ptp(some[: at + 1, around], axis=0) > _LEFT * size
    seen = ranked(moved, 0.5) / size, ranked(moved, _MOST_OF) / size, float(path.mean())
    sure = float(np.diff(along).max()) >= _SURE and inside.sum() >= _FEWEST_SURE
    limits = (_LOUD, _PASSED_BY) if sure else (_CALM,)
    if not any(np.all(np.less_equal(seen, limit)) for limit in limits):
        return None
    # What moves in covers some of it first; a drop that lands within a frame shows all
    # of it, for some of the time.
    halfway = (some[at + 1 : at + within + 1] - before)[:, inside]
    halfway -= along[at + 1 : at + within + 1, None] * change[inside]
    if rms(halfway) > _EVENLY_COMES * size:
        return None
    shows = at + 1 + int(np.argmax(along[at + 1 : at + within + 2] > 0.5))
    shows += max(first, 0)
    ends = slice(max(first, 0), shows), slice(shows + within, shows + within + BESIDE)
    earlier, later = (
        np.asarray(np.mean([f.level for f in frames[end]], axis=0), np.float32)
        for end in ends
    )
    return Step(
        frames[shows].row,
        frames[max(shows - 1, 0)].row,
        frames[shows].seconds,
        box,
        facts,
        inside,
        around,
        earlier,
        later,
    )


def _middle_of(crops: Map) -> Map:
    """Return the upper median of a few crops: numpy's takes five times as long."""
    return np.asarray(np.sort(crops, axis=0)[len(crops) // 2])
