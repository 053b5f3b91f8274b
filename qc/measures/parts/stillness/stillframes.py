"""Which frames show the frame before once more: pure arithmetic.

A repeated frame is bit for bit the same before coding, seldom after it: a codec goes on
refining it, and builds it anew at each key frame. What a camera sees is never still, if
only for noise, unless a codec has taken the noise away. So frames are held against the
take's own quietest live frames, not against a fixed number.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from qc.spans import runs

__all__ = [
    "CALM_PERCENT",
    "SMALLEST",
    "Changes",
    "State",
    "again",
    "catching_up",
    "live_floor",
    "notches",
    "rare_keys",
    "repeated",
    "still",
]

Flags = NDArray[np.bool_]
Values = NDArray[np.floating]

# Percent of black-to-white by which no cell of the small picture changes in a coded
# repeat between key frames, and at one (seen: 2.3 and 7 over six codecs).
CALM_PERCENT = 2.5
_PULSE_PERCENT = 10.0
# A key frame's pulse lies over the whole picture, motion in a part of it: the largest
# change of a cell over the mean change (seen: 3 to 4 against 8 to 80).
_PULSE_SPREAD = 7.0
# In pictures so small that a cell is hardly more than a pixel single ones change by
# more; there a key frame tells that builds most of the picture anew (seen: 69 to 72 %).
_ANEW_PERCENT, _ANEW_CELL_PERCENT = 50.0, 15.0
# Fainter than this, single blocks of the small picture may change by so much.
_FAINT_SHARE = 0.06
_FAINT_CELL_PERCENT = 6.0
# A pulse of another frame than a key frame stays under this share of live frames.
_PULSE_SHARE = 0.7
_RARE_KEYS = 0.2
_WIDEST_GAP = 2
# A codec refines the first frames of a still for about half a second.
_LONGEST_REFINED = 12
# In a kept picture so few pixels change in so many of the frames about each, key frames
# left out (seen in freezes over six codecs: a third and more; in live stills that a
# codec is short of data for: a tenth). Shorter stills tell too little.
_SAME_PERCENT, _SAME_SHARE, _LEAST_KEPT = 0.1, 0.2, 8
# Still: less than this share of what changes in the quietest live frames.
_STILL_SHARE = 0.25
# A single repeat: less than this share of what changes shortly before and after.
_DIP_SHARE = 0.125
_DIP_REACH = 4
_DIP_CELL_SHARE = 0.12
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
# Differences fall in two kinds when they lie this far apart, and neither is a few
# frames only: a heavily coded webcam parts by 9, a coded still by 15 and more.
_APART = 12.0
_LEAST_LIVE_SHARE = 0.05
_FLOOR_PERCENTILE = 10.0
SMALLEST = 1e-3
_LOCAL_S = 10.0
_LEAST_LOCAL = 25


class State(IntEnum):
    """What a frame is: the codes of the column ``stillness.state``."""

    LIVE = 0
    RHYTHM = 1
    SINGLE = 2
    FROZEN = 3
    BLACK = 4


@dataclass(frozen=True, slots=True, eq=False)
class Changes:
    """How each frame differs from the frame before it; NaN where that is unknown.

    Attributes
    ----------
    difference : (n,) array
        Mean absolute change of luma at full resolution, percent of black-to-white.
    cell : (n,) array
        Largest change of a cell of the small picture, same unit.
    changed : (n,) array
        Share of pixels that changed at all, percent.
    identical, key : (n,) arrays of bool
        Luma bit for bit the same; frame can be decoded on its own.
    times : (n + 1,) array
        Seconds at which frames begin.
    """

    difference: Values
    cell: Values
    changed: Values
    identical: Flags
    key: Flags
    times: NDArray[np.float64]


def _split(difference: Values) -> float:
    """Return the difference that parts still from live frames best; 0 for no parting.

    Otsu's threshold on the logarithm, taken only if the two kinds lie well apart.
    """
    logs = np.log10(np.maximum(difference, SMALLEST))
    counts, edges = np.histogram(logs, bins=64)
    middles = 0.5 * (edges[1:] + edges[:-1])
    below = np.cumsum(counts)
    sums = np.cumsum(counts * middles)
    above = below[-1] - below
    with np.errstate(invalid="ignore", divide="ignore"):
        apart = sums / below - (sums[-1] - sums) / above
        spread = np.nan_to_num(below * above * apart**2)
    # Between two heaps the spread is as large over the whole gap: take its middle.
    best = np.flatnonzero(spread >= spread.max() * (1 - 1e-9))
    cut = 10 ** float(edges[1:][best].mean())
    still, live = difference[difference < cut], difference[difference >= cut]
    if not still.size or live.size < _LEAST_LIVE_SHARE * difference.size:
        return 0.0
    low = max(float(np.median(still)), SMALLEST)
    return cut if float(np.percentile(live, _FLOOR_PERCENTILE)) >= _APART * low else 0.0


def live_floor(changes: Changes) -> NDArray[np.float64]:
    """Return what changes at least in a live frame of this part of the take.

    Returns
    -------
    (n,) array of float64
        Percent of black-to-white: the tenth percentile of live frames, of the take or
        of 10 s around, whichever is less. NaN where no frame is live.
    """
    difference = changes.difference
    out = np.full(len(difference), np.nan)
    # A key frame changes by what the coder builds anew, live or not.
    known = np.isfinite(difference) & ~changes.identical & ~rare_keys(changes.key)
    if not known.any():
        return out
    known &= difference >= _split(difference[known])
    whole = float(np.percentile(difference[known], _FLOOR_PERCENTILE))
    known &= difference > _STILL_SHARE * whole
    out[:] = whole
    rows = np.flatnonzero(known)
    times = changes.times[:-1]
    at = times[rows]
    for second in np.arange(times[0], times[-1] + 1.0):
        a, b = np.searchsorted(at, (second - _LOCAL_S, second + 1.0 + _LOCAL_S))
        if b - a >= _LEAST_LOCAL:
            near = float(np.percentile(difference[rows[a:b]], _FLOOR_PERCENTILE))
            first, last = np.searchsorted(times, (second, second + 1.0))
            out[first:last] = min(near, whole)
    return out


def still(changes: Changes) -> Flags:
    """Return which frames show the frame before again, by the take's own noise.

    Returns
    -------
    (n,) array of bool
        What a codec does to a still counts as still, too: the pulse of a key frame,
        and the first frames, which it still refines.
    """
    floor = live_floor(changes)
    with np.errstate(invalid="ignore"):
        quiet = changes.difference <= _STILL_SHARE * floor
        calm = changes.cell <= CALM_PERCENT
        # Refined in single blocks: a cell may change more if hardly any other does.
        faint = changes.difference <= _FAINT_SHARE * floor
        out = changes.identical | (quiet & calm)
        out |= faint & (changes.cell <= _FAINT_CELL_PERCENT)
        spread = changes.cell <= _PULSE_SPREAD * changes.difference
        pulse = (changes.cell <= _PULSE_PERCENT) & (spread | calm | quiet)
        keys = rare_keys(changes.key)
        under = keys | (changes.difference <= _PULSE_SHARE * floor)
        # Motion for the time of just one frame, a key frame, is hardly ever seen.
        anew = keys & (changes.changed >= _ANEW_PERCENT)
        anew &= changes.cell <= _ANEW_CELL_PERCENT
        refined = calm & (changes.difference <= floor)
        moving = changes.cell > 2 * CALM_PERCENT
    _fill(out, (pulse & under) | anew)
    for first, last in runs(out):
        _grow(out, refined, moving, first - 1, -1)
        _grow(out, refined, moving, last, 1)
    return np.asarray(out & (_kept(changes, out) | changes.identical), bool)


def _kept(changes: Changes, is_still: Flags) -> Flags:
    """Return where frames of a long still are the same again and again.

    A codec is done with a kept picture soon: then hardly a pixel changes from frame to
    frame. Of a live one at rest it leaves out the noise, but not for long: some of it
    comes back with most frames, however little that is beside frames that move.
    """
    with np.errstate(invalid="ignore"):
        same = changes.identical | (changes.changed <= _SAME_PERCENT)
    told = ~rare_keys(changes.key)
    out = np.ones(len(same), bool)
    for first, last in runs(is_still):
        if last - first < _LEAST_KEPT:
            continue
        reach = np.ones(2 * _LONGEST_REFINED + 1)
        part = told[first:last]
        kept, known = (
            np.convolve(flags.astype(np.float64), reach)[
                _LONGEST_REFINED : _LONGEST_REFINED + last - first
            ]
            for flags in (same[first:last] & part, part)
        )
        # While it is refined it is kept too, but for a live still before it.
        mine = same[first:last][part]
        if not mine.size or float(mine.mean()) < _SAME_SHARE:
            out[first:last] = kept >= _SAME_SHARE * known
    return out


def rare_keys(keys: Flags) -> Flags:
    """Return the key frames; none where every frame is coded on its own."""
    rare = not keys.size or float(np.mean(keys)) <= _RARE_KEYS
    return keys if rare else np.zeros(len(keys), bool)


def _without_pulses(values: Values, keys: Flags) -> Values:
    """Return values where a key frame's is the lesser of its neighbours'."""
    before, after = np.roll(values, 1), np.roll(values, -1)
    return np.where(keys, np.fmin(values, np.fmin(before, after)), values)


def _fill(flags: Flags, bridge: Flags) -> None:
    """Close gaps of a frame or two that `bridge` allows."""
    for first, last in runs(~flags):
        inside = first > 0 and last < len(flags)
        if inside and last - first <= _WIDEST_GAP and bridge[first:last].all():
            flags[first:last] = True


def _grow(flags: Flags, refined: Flags, moving: Flags, row: int, step: int) -> None:
    """Take in refined frames up to one that moves; none if there is no such frame."""
    at = row
    while 0 <= at < len(flags) and refined[at] and abs(at - row) < _LONGEST_REFINED:
        at += step
    if at != row and 0 <= at < len(flags) and moving[at]:
        flags[min(row, at - step) : max(row, at - step) + 1] = True


def _largest_near(values: Values, reach: int) -> tuple[Values, Values]:
    """Return the largest value among the few before each place, and behind it."""
    padded = np.concatenate([np.zeros(reach), np.nan_to_num(values), np.zeros(reach)])
    windows = np.lib.stride_tricks.sliding_window_view(padded, reach).max(axis=1)
    n = len(values)
    return windows[:n], windows[reach + 1 : reach + 1 + n]


def _usual_beside(values: Values, reach: int) -> Values:
    """Return the lesser of the medians of the few values before and behind each place.

    NaN at the ends, and where most on one side are unknown.
    """
    n = len(values)
    padded = np.concatenate([np.full(reach, np.nan), values, np.full(reach, np.nan)])
    windows = np.lib.stride_tricks.sliding_window_view(padded, reach)
    known = np.isfinite(windows).sum(axis=1) > reach // 2
    usual = np.full(len(windows), np.nan)
    usual[known] = np.nanmedian(windows[known], axis=1)
    return np.asarray(np.minimum(usual[:n], usual[reach + 1 : reach + 1 + n]))


def _spread(values: Values) -> float:
    """Return the standard deviation by the median of deviations; infinite for none."""
    known = values[np.isfinite(values)]
    if not known.size:
        return np.inf
    # 1.4826: of a normal distribution (textbook).
    return 1.4826 * float(np.median(np.abs(known - np.median(known))))


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
    usual = _usual_beside(cell, _NOTCH_REACH)
    beside = np.fmin(np.roll(cell, 1), np.roll(cell, -1))
    rare = rare_keys(changes.key)
    with np.errstate(invalid="ignore", divide="ignore"):
        depth = np.log(np.maximum(cell, SMALLEST) / usual)
        less = difference / _usual_beside(difference, _NOTCH_REACH)
        joint = depth + np.log(np.maximum(less, SMALLEST))
        moving = usual > 2 * CALM_PERCENT
        sure = -_NOTCH_SPREAD * _spread(depth[moving])
        fewer = changes.changed / _usual_beside(changes.changed, _NOTCH_REACH)
        deep = depth <= min(np.log(_NOTCH_SHARE), sure)
        both = depth <= np.log(_NOTCH_BOTH_CELL)
        both &= joint <= -_NOTCH_SPREAD * _spread(joint[moving])
        # A key frame builds the whole picture anew: the cell alone must tell.
        alone = rare & (depth <= _NOTCH_ALONE * sure)
        deep &= (less <= _NOTCH_DIFFERENCE) & (fewer <= _NOTCH_CHANGED) | alone
        both &= (less <= _NOTCH_BOTH_DIFFERENCE) & (fewer <= _NOTCH_CHANGED)
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
            usual = _usual_beside(plain, _NOTCH_REACH)
            logs.append(np.clip(np.log(plain / usual), -_MOST_LOG, _MOST_LOG))
            after = np.log(np.append(plain[1:], np.nan) / usual)
            behind.append(np.clip(np.nan_to_num(after), -_MOST_LOG, _MOST_LOG))
        largest = _usual_beside(np.where(keys, np.nan, changes.cell), _NOTCH_REACH)
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
        noisy = _usual_beside(changes.changed, _NOTCH_REACH) >= _NOISY_PERCENT
        out &= ~noisy | (logs[2] <= math.log(_NOTCH_CHANGED))
        return np.asarray(out, bool)


def _stands_out(
    values: Values, among: NDArray[np.bool_], by: float, least: float
) -> Flags:
    """Return which values are more than others by so many standard deviations."""
    known = values[among & np.isfinite(values)]
    if known.size < _FEWEST_MOVING:
        return np.zeros(len(values), bool)
    sure = float(np.median(known)) + by * _spread(known)
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
    out = out | notches(changes)
    return np.asarray(out | _in_company(makes_up & ~out, out, changes.times), bool)


def again(states: Values) -> tuple[Flags, Flags]:
    """Return which frames come twice, and which could: neither frozen nor black.

    Parameters
    ----------
    states : (n,) array
        Codes of `State`; NaN where it cannot be told.
    """
    twice = (states == State.SINGLE) | (states == State.RHYTHM)
    return np.asarray(twice, bool), np.asarray(states <= State.SINGLE, bool)
