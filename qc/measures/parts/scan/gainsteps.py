"""Gain that is turned up and down while the camera moves.

Under a moving camera what changes from frame to frame is texture as well as noise, and
grain of several pixels looks like it. But motion multiplies what blocks change by: much
where there is texture, nothing where there is none. Gain adds one and the same variance
to all of them, from one frame to the next.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from qc.records import Readings

__all__ = ["added", "between_steps", "jump_of", "place_of_jump"]

Array = NDArray[np.float64]

# The variance that few blocks stay under jumps by this factor. To all shares at least
# so much of it has been added, and no more than so many times as much to those that
# motion has less to do with: less was there than so many times what was added. There
# must be so many of them (house choices).
_RISE, _LEAST, _MOST, _SMALL, _FEWEST = 2.5, 0.5, 1.7, 1.0, 2
# Where next to nothing was there motion had nothing to multiply, and gain itself makes
# more of what is dark than of what is light (the curve of the camera).
_NOTHING, _MOST_FROM_NOTHING = 0.1, 3.0
# The other end of a stretch takes away what its beginning has added, but for a factor
# of standard deviations, and no look between shows less than this share of it.
_BACK, _STAYS = 1.4, 0.6
_LEAST_PERCENT = 0.6  # of range, that a step adds
# Without both of its ends so many looks, about half a second apart, must show it.
_LOOKS = 4
# The picture moves about as fast before a step and behind: as this many frames have it,
# but for a factor and so many percent of the width a frame.
_FRAMES, _AS_FAST, _SLACK = 6, 3.0, 0.1


def jump_of(before: float, now: float) -> bool:
    """Return whether two variances are far enough apart to look for a step."""
    low, high = min(before, now), max(before, now)
    return high > _RISE * max(low, 1e-6)  # NaN is not


def added(before: Array, behind: Array) -> float:
    """Return the standard deviation that has been added to all blocks, or taken.

    Parameters
    ----------
    before, behind : (n,) arrays
        Variances that rising shares of the blocks stay under, a few frames apart.

    Returns
    -------
    float
        Negative where it was taken away; NaN where blocks do not agree on it.

    Examples
    --------
    >>> round(added(np.array([0.1, 1.0, 9.0]), np.array([4.1, 5.0, 13.0])), 3)
    2.0

    Motion that grows by half multiplies:

    >>> added(np.array([0.1, 1.0, 9.0]), np.array([0.3, 3.0, 27.0]))
    nan
    """
    if not jump_of(float(before[0]), float(behind[0])):
        return math.nan
    up = behind[0] > before[0]
    less, change = (before, behind - before) if up else (behind, before - behind)
    first = float(change[0])
    own = less < _SMALL * first
    if not change.min() >= _LEAST * first or np.count_nonzero(own) < _FEWEST:
        return math.nan
    nothing = bool(less[own].max() <= _NOTHING * first)
    if change[own].max() > (_MOST_FROM_NOTHING if nothing else _MOST) * first:
        return math.nan
    size = math.sqrt(float(np.median(change[own])))
    return size if up else -size


def place_of_jump(
    floor_ago: Callable[[int], float], reach: int, before: float, now: float
) -> int | None:
    """Return how many frames ago a variance went from one value to the other.

    Parameters
    ----------
    floor_ago : function of (frames ago)
        NaN where it is not known any more.
    reach : int
        Frames since the look before, at most.
    """
    middle = math.sqrt(max(before, 1e-6) * max(now, 1e-6))
    as_now, as_before = 0, reach
    while as_before - as_now > 1:
        ago = (as_now + as_before) // 2
        then = floor_ago(ago)
        if math.isnan(then):
            return None
        if (then > middle) == (now > middle):
            as_now = ago
        else:
            as_before = ago
    return as_now


def between_steps(readings: Readings, speed: Array) -> Array:
    """Return the noise that a step of gain has added, until it is gone.

    Parameters
    ----------
    readings : Readings
    speed : (rows,) array
        How far the picture moves from frame to frame, percent of its width.

    Returns
    -------
    (rows,) array
        Percent of range; NaN where there is none.
    """
    out = np.full(readings.rows, np.nan)
    if "noise.gained_percent" not in readings.columns:
        return out
    gained = readings["noise.gained_percent"].astype(np.float64)
    ago = readings["noise.gained_ago_frames"]
    floor = readings["noise.floor_percent"].astype(np.float64)
    begun, size = -1, math.nan
    looks: list[tuple[int, float]] = []  # since it has begun or ended
    for look in np.flatnonzero(~np.isnan(floor)).tolist():
        at, step = look, 0.0
        if abs(gained[look]) >= _LEAST_PERCENT:
            row = look - int(ago[look])
            if _as_fast(speed, row) and _one_shot(readings, row):
                at, step = row, float(gained[look])
        gone = floor[look] < _STAYS * size
        if step < 0 and begun >= 0 and size / _BACK <= -step <= size * _BACK:
            out[begun:at] = size
        elif step < 0 and begun < 0:
            # It was there from the start, or how it came could not be told.
            shown = _shown(looks, -step)
            if len(shown) >= _LOOKS:
                out[shown[0] : at] = -step
        elif begun >= 0 and gone and len(looks) >= _LOOKS:
            out[begun : looks[-1][0] + 1] = size
        if step > 0:
            begun, size, looks = at, step, []
        elif step < 0 or gone:
            begun, size, looks = -1, math.nan, []
        looks.append((look, float(floor[look])))
    if begun >= 0 and len(looks) >= _LOOKS:
        out[begun : looks[-1][0] + 1] = size
    return out


def _shown(looks: list[tuple[int, float]], size: float) -> list[int]:
    """Return the latest looks, one by the other, that show a noise."""
    rows: list[int] = []
    for row, floor in reversed(looks):
        if floor < _STAYS * size:
            break
        rows.append(row)
    return rows[::-1]


def _one_shot(readings: Readings, at: int) -> bool:
    """Return whether no cut lies by a row: there motion is not known."""
    if "framing.motion_percent" not in readings.columns:
        return True
    gone = readings["framing.motion_percent"][max(at - 2, 0) : at + 3]
    return not bool(np.isnan(gone).any())


def _as_fast(speed: Array, at: int) -> bool:
    """Return whether the picture moves much alike before a row and behind it."""
    sides = (speed[max(at - _FRAMES, 0) : at - 1], speed[at + 1 : at + _FRAMES])
    known = [side[~np.isnan(side)] for side in sides]
    if min(len(side) for side in known) == 0:
        return False
    slow, fast = sorted(float(np.median(side)) for side in known)
    return fast <= _AS_FAST * slow + _SLACK
