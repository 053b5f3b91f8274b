"""Which frames show the frame before once more: pure arithmetic.

A repeated frame is bit for bit the same before coding, seldom after it: a codec goes on
refining it, and builds it anew at each key frame. What a camera sees is never still, if
only for noise, unless a codec has taken the noise away. So frames are held against the
take's own quietest live frames, not against a fixed number.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from qc.spans import runs

__all__ = [
    "CALM_PERCENT",
    "MOVING_PERCENT",
    "SAME_PERCENT",
    "SAME_SHARE",
    "SMALLEST",
    "Changes",
    "State",
    "again",
    "live_floor",
    "rare_keys",
    "still",
]

Flags = NDArray[np.bool_]
Values = NDArray[np.floating]

# Percent of black-to-white by which no cell of the small picture changes in a coded
# repeat between key frames, and at one (seen: 2.3 and 7 over six codecs).
CALM_PERCENT = 2.5
# What moves in the picture changes a cell by more than this from frame to frame.
MOVING_PERCENT = 2 * CALM_PERCENT
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
# In open groups so many frames ahead of a key frame are built of what lies on both
# sides of it, and have part of its pulse each.
_LEADING = 3
# A codec refines the first frames of a still for about half a second.
_LONGEST_REFINED = 12
# Motion that stops at once: a cell that changes by this, and what is left of the mean
# change while a coder refines the kept picture (house choices).
_FAR_PERCENT, _REFINED_SHARE = 4 * CALM_PERCENT, 0.5
# In a kept picture so few pixels change in so many of the frames about each, key frames
# left out (seen in freezes over six codecs: a third and more; in live stills that a
# codec is short of data for: a tenth). Shorter stills tell too little.
SAME_PERCENT, SAME_SHARE, _LEAST_KEPT = 0.1, 0.2, 8
# Still: less than this share of what changes in the quietest live frames.
_STILL_SHARE = 0.25
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
        ends = rare_keys(changes.key)
        keys = _led(ends)
        under = keys | (changes.difference <= _PULSE_SHARE * floor)
        # Motion for the time of just one frame, a key frame, is hardly ever seen.
        anew = keys & (changes.changed >= _ANEW_PERCENT)
        anew &= changes.cell <= _ANEW_CELL_PERCENT
        refined = calm & (changes.difference <= floor)
        moving = changes.cell > MOVING_PERCENT
    _fill(out, (pulse & under) | anew, ends)
    for first, last in runs(out):
        _grow(out, refined, moving, first - 1, -1)
        _grow(out, refined, moving, last, 1)
        _grow_from_motion(out, changes, first)
    return np.asarray(out & (_kept(changes, out) | changes.identical), bool)


def _kept(changes: Changes, is_still: Flags) -> Flags:
    """Return where frames of a long still are the same again and again.

    A codec is done with a kept picture soon: then hardly a pixel changes from frame to
    frame. Of a live one at rest it leaves out the noise, but not for long: some of it
    comes back with most frames, however little that is beside frames that move.
    """
    with np.errstate(invalid="ignore"):
        same = changes.identical | (changes.changed <= SAME_PERCENT)
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
        if not mine.size or float(mine.mean()) < SAME_SHARE:
            out[first:last] = kept >= SAME_SHARE * known
    return out


def rare_keys(keys: Flags) -> Flags:
    """Return the key frames; none where every frame is coded on its own."""
    rare = not keys.size or float(np.mean(keys)) <= _RARE_KEYS
    return keys if rare else np.zeros(len(keys), bool)


def _led(keys: Flags) -> Flags:
    """Return key frames and those that may lead up to them."""
    out = keys.copy()
    for ahead in range(1, _LEADING + 1):
        out[:-ahead] |= keys[ahead:]
    return out


def _fill(flags: Flags, bridge: Flags, ends: Flags) -> None:
    """Close gaps of a frame or two that `bridge` allows; longer ones up to `ends`."""
    for first, last in runs(~flags):
        inside = first > 0 and last < len(flags)
        widest = _LEADING + 1 if ends[last - 1] else _WIDEST_GAP
        if inside and last - first <= widest and bridge[first:last].all():
            flags[first:last] = True


def _grow(flags: Flags, refined: Flags, moving: Flags, row: int, step: int) -> None:
    """Take in refined frames up to one that moves; none if there is no such frame."""
    at = row
    while 0 <= at < len(flags) and refined[at] and abs(at - row) < _LONGEST_REFINED:
        at += step
    if at != row and 0 <= at < len(flags) and moving[at]:
        flags[min(row, at - step) : max(row, at - step) + 1] = True


def _grow_from_motion(flags: Flags, changes: Changes, first: int) -> None:
    """Take in the frames before a still in which a coder refines what moved until then.

    All of them are calm, and change by far less than the frame before them, which
    moves far.
    """
    difference, cell = changes.difference, changes.cell
    at = first - 1
    while at >= 0 and cell[at] <= CALM_PERCENT and first - at <= _LONGEST_REFINED:
        at -= 1
    if at < 0 or at == first - 1 or not cell[at] > _FAR_PERCENT:
        return
    if (difference[at + 1 : first] <= _REFINED_SHARE * difference[at]).all():
        flags[at + 1 : first] = True


def again(states: Values) -> tuple[Flags, Flags]:
    """Return which frames come twice, and which could: neither frozen nor black.

    Parameters
    ----------
    states : (n,) array
        Codes of `State`; NaN where it cannot be told.
    """
    twice = (states == State.SINGLE) | (states == State.RHYTHM)
    return np.asarray(twice, bool), np.asarray(states <= State.SINGLE, bool)
