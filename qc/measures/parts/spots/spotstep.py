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

from qc.measures.parts.spots.splash import Splash
from qc.measures.parts.spots.spotranks import FOOT, middle, ranked, rms

__all__ = ["BESIDE", "Frame", "Step", "drop_of", "steps_in"]

Map = NDArray[np.float32]
Mask = NDArray[np.bool_]
Box = tuple[slice, slice]

BESIDE = 5  # frames on either side of a step, that must be steady
_SUDDEN_S, _SLOWEST = 0.055, 2  # a drop spreads so long; frames between at most
_LEAST, _BEYOND = 0.04, 1.5  # natural logarithm; times what most places do
_MOST_CHANGED = 0.6  # of the picture
_FEWEST, _AREA = 10, 0.03  # px; of all
_FILLED, _LONGEST = 0.5, 1.6  # of its box; times its breadth: edges that stop are long
_MARGIN, _BORDER = 4, 1  # px
_DENSE, _NEVER = 0.75, 255  # of some 3 by 3 places; no moment
_TRIED = 12  # parts at a look, the largest
# Of the step: how little the places around may do meanwhile, most of them.
_QUIET, _MOST_OF = 0.3, 0.85
_AT_ONCE, _STEADY = 0.75, 0.25  # of the step
_PASSED, _PATH = 0.5, 0.08  # of the step; of the places around
_AT_ONCE_EACH = 0.6, 1.6  # each place of it
# Of a drop: natural logarithm; of the change, evenly.
_DARKER, _EVENLY = (-0.9, -0.06), 0.55
# Of the change: how bright what is gone was, and how like what is around it is now.
_BRIGHT, _LIKE_AROUND = 0.5, 0.3
# What may move besides: its own change, with its rim; times what does so usually.
_OWN, _AS_USUAL, _USUALLY, _LIVES = 2.0, 1.5, 0.8, 0.15
_A_CUT = 4.0  # times what the picture changes by usually
_SHOWS, _BLURS = 0.32, (0.0, 0.7, 1.4, 2.2)  # of the change; px
_OVERSHOOT = 1.3


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
    for k in range(n - within):
        darker = frames[k].level - frames[k + within].level
        moves[k] = cv2.norm(darker, cv2.NORM_L1)
        if start <= k < stop:
            most = np.maximum(most, darker)
    smooth = np.asarray(cv2.GaussianBlur(most, (0, 0), 0.5), np.float32)
    least = max(_LEAST, _BEYOND * middle(smooth[::3, ::3]))
    changed = smooth > least
    if not changed.any() or changed.mean() > _MOST_CHANGED:
        return
    taken = np.zeros_like(changed)
    for at, part, facts in _parts(frames, changed, (start, stop), within):
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
    frames: Sequence[Frame], changed: Mask, span: tuple[int, int], within: int
) -> Iterator[tuple[int, Mask, NDArray[np.int32]]]:
    """Yield moments and the compact parts whose places all changed most just then."""
    start, stop = span
    each = np.stack([frame.level[changed] for frame in frames])
    places = np.arange(each.shape[1])
    rises = each[start + within : stop + within] - each[start:stop]
    when = np.abs(rises).argmax(axis=0)
    peak = rises[when, places]
    # Where it stays, all of the change came then.
    sums = np.cumsum(each, axis=0, dtype=np.float32)
    at = when + start
    after = sums[at + within + BESIDE - 1, places] - sums[at + within - 1, places]
    first = at - BESIDE + 1
    before = sums[at, places] - sums[first, places] + each[first, places]
    step = (after - before) / BESIDE
    share = step / np.where(peak == 0, np.float32(1), peak)
    low, high = _AT_ONCE_EACH
    stays = (share > low) & (share < high) & (step < -_LEAST)
    counts = np.bincount(when[stays], minlength=stop - start)
    whole = np.full(changed.shape, _NEVER, np.uint8)
    whole[changed] = np.where(stays, when, _NEVER)
    found = []
    for at in np.flatnonzero(counts + np.append(counts[1:], 0) >= _FEWEST):
        now = cv2.inRange(whole, float(at), float(at + 1))
        if cv2.minMaxLoc(cv2.boxFilter(now, -1, (3, 3)))[1] < 255 * _DENSE:
            continue
        _, labels, facts, _ = cv2.connectedComponentsWithStats(now)
        found += [
            (int(facts[k, cv2.CC_STAT_AREA]), start + int(at), int(k), labels, facts[k])
            for k in _compact(np.asarray(facts, np.int32), changed.shape)
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
    ring = some[:, around]
    some = some - np.median(ring, axis=1)[:, None, None]
    before = np.median(some[: at + 1], axis=0)
    after = np.median(some[at + within + 1 :], axis=0)
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
    sides = along[: at + 1], along[at + within + 1 :] - 1.0
    if any(ranked(np.abs(side), _MOST_OF) > _STEADY for side in sides):
        return None
    moved = np.abs(some[within:, around] - some[:-within, around])[rise.argmax()]
    if ranked(moved, _MOST_OF) > _QUIET * size:
        return None
    # A thing comes on a path, that it has left again.
    path = np.ptp(some[: at + 1, around], axis=0) > _PASSED * size
    if path.mean() > _PATH:
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


def drop_of(step: Step) -> Splash | None:
    """Return what came at once, if it looks like a drop that takes light.

    Over 328 clean takes (people, hands, sheets, lamps, cuts; some 2700 steps) nothing
    passed that stayed as well (two thirds of the drops that were tried do).
    """
    height, width = step.after.shape
    change, inside = step.change[step.box], step.inside
    x, y, w, h = (int(v) for v in step.facts[:4])
    size = rms(change[inside])
    mean = float(change[inside].mean())
    if not _DARKER[0] <= mean <= _DARKER[1] or mean > -_EVENLY * size:
        return None
    if ranked(np.abs(change[step.around]), _MOST_OF) > _QUIET * size:
        return None
    before, after = step.before[step.box], step.after[step.box]
    was, is_now = (
        float(side[inside].mean() - np.median(side[step.around]))
        for side in (before, after)
    )
    # What is gone leaves what is around it: a glint that goes out, a hand that leaves.
    if was > _BRIGHT * -mean and abs(is_now) < _LIKE_AROUND * -mean:
        return None
    if _left_over(step) > _SHOWS:
        return None
    return Splash(
        x / width,
        y / height,
        w / width,
        h / height,
        mean,
        step.row,
        without=step.without,
    )


def _left_over(step: Step) -> float:
    """Return what a filter's work leaves unexplained, as a share of the change.

    A drop passes a share of the signal behind it, less of it towards its middle,
    blurred or not: what lies there shows through.
    """
    inside = step.inside
    rows, columns = (v - v.mean() for v in np.nonzero(inside))
    y, x = (v / max(float(np.ptp(v)), 1.0) for v in (rows, columns))
    terms = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)
    goal = np.exp(step.after[step.box][inside].astype(np.float64)) - FOOT
    was = np.exp(step.before) - np.float32(FOOT)
    change = rms(goal - was[step.box][inside])
    rests = []
    for sigma in _BLURS:
        under = cv2.GaussianBlur(was, (0, 0), sigma) if sigma else was
        factors = terms * under[step.box][inside][:, None]
        stiff = 1e-6 * np.trace(factors.T @ factors) * np.eye(terms.shape[1])
        # cv2's: numpy's asks a library that wakes threads for six equations.
        _, best = cv2.solve(
            factors.T @ factors + stiff,
            factors.T @ goal[:, None],
            flags=cv2.DECOMP_SVD,
        )
        rests.append(rms(goal - (factors @ best)[:, 0]))
    return min(rests) / max(change, 1e-6)
