"""Kept pictures that change a little: a camera on its way stops dead, and jumps on.

Noise that is laid over a kept picture, as a converter or a link behind the loss adds
it, keeps it from being the same again; so does a coder with data to spare, which goes
on refining single pixels. What is left to tell it by is motion: no camera
stops from one frame to the next at full speed, stands without a tremor, and is then
somewhere else at once.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.stillness.stillframes import MOVING_PERCENT, Changes, rare_keys
from qc.records import Readings
from qc.spans import Span

__all__ = ["held_under_noise"]

_SHIFT = ("steadiness.dx_percent", "steadiness.dy_percent")
_ZOOM, _GONE = "steadiness.zoom_percent", "framing.motion_percent"
# Half of a 16:9 picture moves by more than this share of the width times its growth.
_ZOOM_SHARE = 0.3
# Frames beside it that speak for the motion; the last few must not be slower than the
# others: who brakes takes some frames (house choices).
_BESIDE, _LAST, _UNBRAKED, _KNOWN = 10, 4, 0.7, 6
# The picture moves by this, percent of its width a frame, and while it is kept by no
# more than this share of it (house choices; the motion of a still picture is known to
# some 0.01 %).
_MOVES_PERCENT, _RESTS = 0.03, 0.25
# While it is kept a frame changes by this share of what one in motion does, or by noise
# alone, and no cell of the small picture by more than a coder that refines it does; key
# frames by more (house choices).
_QUIET, _CALM_CELL_PERCENT = 0.5, 5.0
_PULSE, _PULSE_CELL_PERCENT = 0.7, 10.0
# The first frame behind it changes by so many times what the busiest frames beside it
# do, and has gone so many times as far: what it would have moved meanwhile comes at
# once (house choices).
_JUMPS, _GOES = 2.5, 4.0
# A hand that trembles may be back by then: where so little is left of what changes in
# motion that no camera can have lived meanwhile, it need not have gone anywhere.
_NO_NOISE = 0.05


def held_under_noise(
    readings: Readings, changes: Changes, *, shortest: float
) -> NDArray[np.bool_]:
    """Return which frames show a kept picture under noise of their own.

    Parameters
    ----------
    readings : Readings
        With the motion of the picture; without it nothing is told.
    changes : Changes
    shortest : float
        Seconds.
    """
    out = np.zeros(readings.rows, bool)
    if any(name not in readings.columns for name in (*_SHIFT, _ZOOM, _GONE)):
        return out
    dx, dy, zoom, gone = (
        readings[name].astype(np.float64) for name in (*_SHIFT, _ZOOM, _GONE)
    )
    moved = np.hypot(dx, dy) + _ZOOM_SHARE * np.abs(zoom)
    # Few frames stand out from the next one: only they are looked at more closely.
    with np.errstate(invalid="ignore"):
        stands = ~(changes.difference[:-1] < _JUMPS * changes.difference[1:])
    for last in (np.flatnonzero(stands[_BESIDE:]) + _BESIDE).tolist():
        behind = _known(changes.difference[last + 1 : last + 1 + _BESIDE])
        if (
            behind.size < _KNOWN
            or not changes.difference[last] >= _JUMPS * behind.max()
        ):
            continue
        usual = float(np.median(behind))
        if not changes.difference[last - 1] <= _PULSE * usual:
            continue
        first = _begin(changes, last, usual)
        length = changes.times[last] - changes.times[first]
        if round(float(length), 6) >= shortest and _is_held(
            (first, last), moved, gone, changes
        ):
            out[first:last] = True
    return out


def _known(values: NDArray[np.floating]) -> NDArray[np.floating]:
    return np.asarray(values[np.isfinite(values)])


def _begin(changes: Changes, last: int, usual: float) -> int:
    """Return the first row of those up to `last` in which only noise changes."""
    with np.errstate(invalid="ignore"):
        low = changes.difference <= _QUIET * usual
        low &= changes.cell <= _CALM_CELL_PERCENT
        pulse = rare_keys(changes.key) & (changes.difference <= _PULSE * usual)
        low |= pulse & (changes.cell <= _PULSE_CELL_PERCENT)
    ends = np.flatnonzero(~low[:last])
    return int(ends[-1]) + 1 if ends.size else 0


def _is_held(
    span: Span,
    moved: NDArray[np.float64],
    gone: NDArray[np.float64],
    changes: Changes,
) -> bool:
    """Return whether the picture stops dead in full motion and jumps on."""
    first, last = span
    difference = changes.difference
    before, behind = (
        slice(max(first - _BESIDE, 0), first),
        slice(last + 1, last + 1 + _BESIDE),
    )
    speeds = [_known(moved[part]) for part in (before, behind)]
    if any(len(speed) < _KNOWN for speed in speeds):
        return False
    usual = min(float(np.median(speed)) for speed in speeds)
    known = _known(moved[first:last])
    if usual < _MOVES_PERCENT:
        # A camera at rest, or nearly so: what moves is in the picture.
        return bool(np.isfinite(gone[last])) and _stops_dead(
            changes, span, before, behind
        )
    if not known.size:
        return False
    # At the first frame the motion before may still be told.
    if float(np.percentile(known, 90.0)) > _RESTS * usual:
        return False
    if not _jumps(difference, span, before, behind, _JUMPS):
        return False
    beside = _known(np.concatenate([difference[before], difference[behind]]))
    kept = float(np.median(_known(difference[first:last])))
    full = _UNBRAKED * float(np.median(speeds[0]))
    if kept <= _NO_NOISE * float(np.median(beside)):
        # A hand that trembles rests at its turns.
        return float(speeds[0][-_LAST:].max()) >= full
    unbraked = float(speeds[0][-_LAST:].min()) >= full
    return unbraked and _jumps(gone, span, before, behind, _GOES)


def _stops_dead(changes: Changes, span: Span, before: slice, behind: slice) -> bool:
    """Return whether all that moves stops from one frame to the next, and jumps on.

    Hands brake and set off; those of one who comes to rest are where they were. Noise
    that a coder leaves out from some frame on has moved nothing before.
    """
    first, last = span
    difference = changes.difference
    sides = [_known(difference[part]) for part in (before, behind)]
    if not all(side.size for side in sides):
        return False
    usual = min(float(np.median(side)) for side in sides)
    inside = _known(difference[first:last])
    return (
        float(np.median(changes.cell[first - _LAST : first])) > MOVING_PERCENT
        and float(np.median(inside)) <= _NO_NOISE * usual
        and float(np.percentile(inside, 90.0)) <= 2.0 * _NO_NOISE * usual
        and float(sides[0][-_LAST:].min()) >= _UNBRAKED * float(np.median(sides[0]))
        and _jumps(difference, span, before, behind, _GOES)
    )


def _jumps(
    values: NDArray[np.floating], span: Span, before: slice, behind: slice, times: float
) -> bool:
    """Return whether the frame behind a span stands out from all beside it."""
    beside = np.concatenate([values[before], values[behind]])
    most = float(np.nanmax(beside)) if np.isfinite(beside).any() else np.inf
    return bool(values[span[1]] >= times * most)
