"""Frames that repeat the one before, told from how all that is read of them falls.

A repeat stands between frames that move: what changes falls for a frame, or a few, far
below what it is on either side, and goes on behind. A codec fills such dips a little,
with noise of its own.
"""

from __future__ import annotations

import functools
import math

import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.stillness.noisestops import noise_stops
from qc.measures.parts.stillness.stillframes import (
    CALM_PERCENT,
    SMALLEST,
    Changes,
    rare_keys,
)
from qc.measures.parts.stillness.usual import spread_of, usual_beside
from qc.spans import runs

__all__ = ["catching_up", "notches", "repeated"]

Flags = NDArray[np.bool_]
Values = NDArray[np.floating]

# A single repeat: less than this share of what changes shortly before and after.
_DIP_SHARE = 0.125
_DIP_REACH = 4
_DIP_CELL_SHARE = 0.12
# In small pictures, and coarsely coded, single cells change more: there all that is
# read falls, to these shares of what it is in both frames beside (house choices).
_ALL_DIFFERENCE, _ALL_CHANGED, _ALL_CELL = 0.1, 0.2, 0.3
# The frames beside it move as well, by so much of what those near do (house choice).
_DIP_BESIDE = 0.25
# Where less moves, what a codec does to a repeat is no longer small beside motion, but
# it moves nothing: the largest change of a cell falls to this share of what is usual
# on either side, and of both neighbours, by far more than it varies in the take.
_NOTCH_SHARE = 0.3
_NOTCH_BESIDE = 0.5
# Where motion turns, frames beside are slow as well: all but one of the two on either
# side change by so much more.
_NOTCH_AMONG = 0.45
_NOTCH_CELL_PERCENT = 4.0
_NOTCH_DIFFERENCE = 0.65
# Hardly moved but with as many pixels changed: a live frame, whose noise is new.
_NOTCH_CHANGED = 0.85
# But motion at full speed that stops for a single frame is none of a camera's, whatever
# its noise: the cell falls to this share of all beside (house choice).
_NOTCH_STOPS = 0.15
# A shallower notch of a cell counts where the mean change falls as much.
_NOTCH_BOTH_CELL, _NOTCH_BOTH_DIFFERENCE = 0.45, 0.35
_NOTCH_SPREAD = 4.0
_NOTCH_ALONE = 1.25
_NOTCH_REACH = 4
# A codec short of data leaves shallow notches. How far the changes fall there, and rise
# in the next frame, which has moved for two, add up to so many standard deviations of
# the take's own frames, and to so much at least (logarithms, weighed; chosen on pieces
# that are there for tuning). So do the falls alone, of all that is read.
_CATCH_SPREAD, _CATCH_SUM, _CATCH_RISE = 4.5, 1.4, 0.1
_DROP_SPREAD, _DROP_SUM, _DROP_BESIDE = 5.0, 2.5, 0.3
_CATCH_CELL, _CATCH_BESIDE = -0.35, 0.7
# A coder that leaves most blocks of a frame as they were makes such notches by chance,
# in living pictures some in a minute (real recordings): they are told in company, so
# many repeats within so long.
_COMPANY, _COMPANY_S = 4, 10.0
# Where noise is coded so many pixels change in every live frame.
_NOISY_PERCENT = 60.0
_MOST_LOG = 3.0
_FEWEST_MOVING = 12

# Most on either side must be known.
_usual_beside = functools.partial(
    usual_beside, reach=_NOTCH_REACH, fewest=_NOTCH_REACH // 2 + 1
)


def _without_pulses(values: Values, keys: Flags) -> Values:
    """Return values where a key frame's is the lesser of its neighbours'."""
    before, after = np.roll(values, 1), np.roll(values, -1)
    return np.where(keys, np.fmin(values, np.fmin(before, after)), values)


def _largest_near(values: Values, reach: int) -> tuple[Values, Values]:
    """Return the largest value among the few before each place, and behind it."""
    padded = np.concatenate([np.zeros(reach), np.nan_to_num(values), np.zeros(reach)])
    windows = np.lib.stride_tricks.sliding_window_view(padded, reach).max(axis=1)
    n = len(values)
    return windows[:n], windows[reach + 1 : reach + 1 + n]


def notches(changes: Changes) -> Flags:
    """Return single frames in which all motion stops at once, and goes on behind.

    Returns
    -------
    (n,) array of bool
        Coding noise does not fill such a notch: it is spread over the picture, and
        the largest change of a small area is motion's. The notch must be deeper than
        the take's own changes from frame to frame: four standard deviations of the
        logarithm, by the median of deviations.
    """
    cell, difference = changes.cell, changes.difference
    out = np.zeros(len(cell), bool)
    if len(cell) <= 2 * _NOTCH_REACH:
        return out
    usual = _usual_beside(cell)
    beside = np.fmin(np.roll(cell, 1), np.roll(cell, -1))
    rare = rare_keys(changes.key)
    with np.errstate(invalid="ignore", divide="ignore"):
        depth = np.log(np.maximum(cell, SMALLEST) / usual)
        less = difference / _usual_beside(difference)
        joint = depth + np.log(np.maximum(less, SMALLEST))
        moving = usual > 2 * CALM_PERCENT
        sure = -_NOTCH_SPREAD * spread_of(depth[moving])
        fewer = changes.changed / _usual_beside(changes.changed)
        deep = depth <= min(np.log(_NOTCH_SHARE), sure)
        both = depth <= np.log(_NOTCH_BOTH_CELL)
        both &= joint <= -_NOTCH_SPREAD * spread_of(joint[moving])
        # A key frame builds the whole picture anew: the cell alone must tell.
        alone = rare & (depth <= _NOTCH_ALONE * sure)
        deep &= (less <= _NOTCH_DIFFERENCE) & (fewer <= _NOTCH_CHANGED) | alone
        both &= (less <= _NOTCH_BOTH_DIFFERENCE) & (fewer <= _NOTCH_CHANGED)
        stops = (depth <= _NOTCH_ALONE * sure) & (less <= _NOTCH_DIFFERENCE)
        deep |= stops & (cell <= _NOTCH_STOPS * np.fmin(usual, beside)) & ~rare
        out |= (deep | both) & moving & (cell <= _NOTCH_CELL_PERCENT)
        out &= cell <= _NOTCH_BESIDE * beside
        out &= cell <= _NOTCH_AMONG * _second_least(cell)
    return out


def _second_least(values: Values) -> Values:
    """Return the second least of the two values before and the two behind each."""
    near = np.stack([np.roll(values, by) for by in (-2, -1, 1, 2)])
    return np.asarray(np.sort(near, axis=0)[1])


def _in_company(shallow: Flags, sure: Flags, times: NDArray[np.float64]) -> Flags:
    """Return those of the shallow notches that have other repeats near them."""
    begins = times[:-1]
    rows = np.flatnonzero(shallow | sure)
    out = np.zeros(len(shallow), bool)
    if len(rows) < _COMPANY:
        return out
    at = begins[rows]
    # Any so many in a row that lie close together.
    for first in np.flatnonzero(
        at[_COMPANY - 1 :] - at[: len(at) - _COMPANY + 1] <= _COMPANY_S
    ):
        out[rows[first : first + _COMPANY]] = True
    return out & shallow


def catching_up(changes: Changes) -> Flags:
    """Return single frames in which motion stops, and goes twice as far in the next.

    Returns
    -------
    (n,) array of bool
        Shallow notches count here, if the next frame shows that it has moved for two,
        and such in which the mean change and the share of pixels that change fall more
        than the largest change of a cell does. Key frames are not looked at.
    """
    n = len(changes.cell)
    if n <= 2 * _NOTCH_REACH:
        return np.zeros(n, bool)
    keys = rare_keys(changes.key)
    logs, behind = [], []
    with np.errstate(invalid="ignore", divide="ignore"):
        for values in (changes.cell, changes.difference, changes.changed):
            plain = np.where(keys, np.nan, np.maximum(values, SMALLEST))
            usual = _usual_beside(plain)
            logs.append(np.clip(np.log(plain / usual), -_MOST_LOG, _MOST_LOG))
            after = np.log(np.append(plain[1:], np.nan) / usual)
            behind.append(np.clip(np.nan_to_num(after), -_MOST_LOG, _MOST_LOG))
        largest = _usual_beside(np.where(keys, np.nan, changes.cell))
        moving = np.asarray(largest > 2 * CALM_PERCENT, bool)
        rise = behind[0] + 0.5 * behind[1]
        catch = _stands_out(
            rise - logs[0] - 0.5 * logs[1], moving, _CATCH_SPREAD, _CATCH_SUM
        )
        drop = _stands_out(
            -0.5 * logs[0] - logs[1] - logs[2], moving, _DROP_SPREAD, _DROP_SUM
        )
        # Where a pan turns all motion stops as well, but not at once.
        next_to = np.fmin(
            np.roll(changes.difference, 1), np.roll(changes.difference, -1)
        )
        drop &= changes.difference <= _DROP_BESIDE * next_to
        out = (catch & (behind[0] >= _CATCH_RISE)) | drop
        out &= logs[0] <= _CATCH_CELL
        # What rests for longer than a frame, and noise that is new, are live.
        beside = np.fmin(np.roll(changes.cell, 1), np.roll(changes.cell, -1))
        out &= changes.cell <= _CATCH_BESIDE * beside
        noisy = _usual_beside(changes.changed) >= _NOISY_PERCENT
        out &= ~noisy | (logs[2] <= math.log(_NOTCH_CHANGED))
        return np.asarray(out, bool)


def _all_fall(changes: Changes, keys: Flags) -> Flags:
    """Return frames in which far less changes, by all figures, than in both beside."""
    out = ~keys
    with np.errstate(invalid="ignore"):
        for values, share in (
            (changes.difference, _ALL_DIFFERENCE),
            (changes.changed, _ALL_CHANGED),
            (changes.cell, _ALL_CELL),
        ):
            out &= values <= share * np.fmin(np.roll(values, 1), np.roll(values, -1))
    return np.asarray(out, np.bool_)


def _stands_out(
    values: Values, among: NDArray[np.bool_], by: float, least: float
) -> Flags:
    """Return which values are more than others by so many standard deviations."""
    known = values[among & np.isfinite(values)]
    if known.size < _FEWEST_MOVING:
        return np.zeros(len(values), bool)
    sure = float(np.median(known)) + by * spread_of(known)
    return np.asarray(among & (values >= max(sure, least)), bool)


def repeated(
    changes: Changes, is_still: Flags, otherwise: Flags | None = None
) -> Flags:
    """Return which frames repeat the one before: identical ones, and short dips.

    Parameters
    ----------
    is_still : (n,) array of bool
        What `still` gave.
    otherwise : (n,) array of bool
        Where other things stop and go on at once; see `catching_up`.

    Notes
    -----
    A dip is a frame, or a stretch of still ones, in which hardly anything changes
    although much does a few frames before and after. Noise, where a codec has left
    some, prevents it in live pictures. Where less moves, `notches` tell, and
    several of `catching_up` where a codec blurs them.
    """
    if not len(changes.difference):
        return is_still
    keys = rare_keys(changes.key)
    plain = _without_pulses(changes.difference, keys)
    ahead, behind = _largest_near(plain, _DIP_REACH)
    cell = _without_pulses(changes.cell, keys)
    cell_before, cell_behind = _largest_near(cell, _DIP_REACH)
    cells = np.minimum(cell_before, cell_behind)
    with np.errstate(invalid="ignore"):
        dip = changes.difference <= _DIP_SHARE * np.minimum(ahead, behind)
        calm = changes.cell <= np.maximum(CALM_PERCENT, _DIP_CELL_SHARE * cells)
        calm |= _all_fall(changes, keys)
        moving = cells > 2 * CALM_PERCENT
    out = is_still | changes.identical | (dip & calm & moving)
    for first, last in runs(out):
        if changes.identical[first:last].all():
            continue
        middle = float(np.nanmedian(changes.difference[first:last]))
        sides = plain[[first - 1, min(last, len(out) - 1)]]
        # Motion that comes to rest fades out; a repeat stands between moving frames.
        abrupt = first > 0 and last < len(out) and middle <= _DIP_SHARE * sides.min()
        # A coder short of data leaves frames out where nothing moves to be seen.
        abrupt &= min(cell_before[first], cell_behind[last - 1]) > 2 * CALM_PERCENT
        abrupt &= sides.min() >= _DIP_BESIDE * min(ahead[first], behind[last - 1])
        if not abrupt:
            out[first:last] = changes.identical[first:last]
    makes_up = catching_up(changes)
    if otherwise is not None:
        makes_up &= ~otherwise
    out = out | notches(changes) | noise_stops(changes)
    return np.asarray(out | _in_company(makes_up & ~out, out, changes.times), bool)
