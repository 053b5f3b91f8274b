"""The path of the picture, split into what was intended and what swayed or shook.

A pan is smooth and goes one way; a sway goes back and forth. The path is smoothed with
a Gaussian in time: what is left of a pan's start or stop is one lobe to one side, never
a back and forth, so that swings are counted and lobes are not.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.running import (
    running_mean,
    running_median,
    running_opening,
    running_range,
    smoothed_by_gauss,
)
from qc.spans import runs

__all__ = [
    "LOWEST_HZ",
    "Path",
    "Sway",
    "dominant_hz",
    "intended",
    "path_pieces",
    "sway",
    "swing_sizes",
]

_Array = NDArray[np.floating]

SLOW_SECONDS = 0.55  # standard deviation of the smoothing in time
LOWEST_HZ = 0.4
_LINE_SECONDS = 2.5  # the way it goes on at its ends is taken from so much
_SWINGS = 4  # in a row, back and forth: less is no sway
_LIKE = 0.4  # a swing counts if its fellows are at least this share of it
_RESTS, _REST_SHARE = 1.5, 0.1
_WENT_SHARE = 0.4  # of a swing is seen in the path itself
_DIRECTIONS = 8
_QUIET_PERCENT = 0.1  # peak to peak; below it nothing is looked at
_FREQUENCY_SECONDS = 4.0
_SAME_HZ = 1.5
_LONGEST_GAP_S = 0.3
_MOST_HZ = 60.0


@dataclass(frozen=True, slots=True, eq=False)
class Path:
    """Where the picture went in one piece of a take, on an even grid of time.

    Attributes
    ----------
    first, last : int
        Rows of the readings, half-open.
    times : (n,) array
        Seconds.
    places : (n, 2) array
        Percent of the picture's width, + right and down, from the first row's place.
    rate : float
        Samples a second.
    """

    first: int
    last: int
    times: _Array
    places: _Array
    rate: float


@dataclass(frozen=True, slots=True, eq=False)
class Sway:
    """What of a path nobody intended.

    Attributes
    ----------
    rest : (n, 2) array
        Percent of width about the intended path.
    size : (n,) array
        Peak to peak of the back and forth, percent of width.
    hz : (n,) array
        Its frequency, NaN where the picture is quiet.
    pan : (n,) array
        Speed of the intended path, percent of width a second.
    """

    rest: _Array
    size: _Array
    hz: _Array
    pan: _Array


def path_pieces(begins: _Array, dx: _Array, dy: _Array) -> list[Path]:
    """Add shifts up to paths; a piece ends where they are unknown for long.

    Parameters
    ----------
    begins : (rows,) array
        Seconds at which rows begin.
    dx, dy : (rows,) arrays
        Shift since the row before, percent of width; NaN where unknown. Over a short
        gap the speed is taken from before and after it.
    """
    known = np.isfinite(dx) & np.isfinite(dy)
    if np.count_nonzero(known) < 2:
        return []
    rows = np.flatnonzero(known)
    step = np.diff(begins, prepend=begins[0])
    speeds = []
    for shift in (dx, dy):
        speed = shift[rows] / np.maximum(step[rows], 1e-6)
        speeds.append(np.interp(begins, begins[rows], speed))
    # The frame before a known shift belongs to the piece: the shift starts there.
    gaps = np.flatnonzero(np.diff(begins[rows]) > _LONGEST_GAP_S + 1e-9)
    ends = np.append(rows[gaps], rows[-1]) + 1
    starts = np.maximum(np.append(rows[0], rows[gaps + 1]) - 1, 0)
    out = []
    for first, last in zip(starts.tolist(), ends.tolist(), strict=True):
        if last - first < 4:
            continue
        moved = np.stack([s[first:last] * step[first:last] for s in speeds], 1)
        moved[0] = 0.0
        out.append(_even(first, last, begins[first:last], np.cumsum(moved, axis=0)))
    return out


def _even(first: int, last: int, times: _Array, places: _Array) -> Path:
    """Put a path on an even grid of time."""
    spacing = max(float(np.median(np.diff(times))), 1.0 / _MOST_HZ)
    count = max(round((times[-1] - times[0]) / spacing) + 1, 2)
    grid = times[0] + (times[-1] - times[0]) * np.arange(count) / (count - 1)
    rate = (count - 1) / max(float(times[-1] - times[0]), 1e-6)
    even = np.stack([np.interp(grid, times, places[:, k]) for k in (0, 1)], axis=1)
    return Path(first, last, grid, even, rate)


def intended(places: _Array, rate: float) -> _Array:
    """Return a path without what goes back and forth faster than 0.4 Hz or so.

    At both ends the path is continued along the line through its last seconds, with
    what lies about that line mirrored, so that a steady pan stays one.
    """
    sigma = SLOW_SECONDS * rate
    reach = min(math.ceil(4 * sigma), len(places) - 1)
    longer = np.concatenate(
        [
            _continued(places[::-1], reach, rate)[::-1],
            places,
            _continued(places, reach, rate),
        ]
    )
    smooth = smoothed_by_gauss(longer, sigma)
    return smooth[reach : reach + len(places)]


def _continued(places: _Array, reach: int, rate: float) -> _Array:
    """Return so many places that follow the last one."""
    n = min(max(round(_LINE_SECONDS * rate), reach + 1), len(places))
    t = np.arange(n) - (n - 1) / 2
    last = places[-n:]
    mean, slope = last.mean(axis=0), t @ last / max(float(t @ t), 1e-9)
    about = (last - mean - np.outer(t, slope))[-2 : -reach - 2 : -1]
    ahead = (n - 1) / 2 + np.arange(1, reach + 1)
    return np.asarray(mean + np.outer(ahead, slope) + about)


def _share_left(hz: _Array) -> _Array:
    """Return the share of a swing of some frequency that smoothing leaves to us."""
    return np.asarray(1.0 - np.exp(-2.0 * (math.pi * SLOW_SECONDS * hz) ** 2))


def sway(path: Path) -> Sway:
    """Split a path into what was intended and what swayed."""
    slow = intended(path.places, path.rate)
    rest = path.places - slow
    size, hz = np.zeros(len(rest)), np.full(len(rest), np.nan)
    window = max(round(3.0 * path.rate), 3)
    spread = running_range(rest, window).max(axis=1)
    for first, last in runs(spread > _QUIET_PERCENT):
        part = rest[first:last]
        size[first:last], swings = swing_sizes(part, path.rate, path.places[first:last])
        strongest = dominant_hz(part, path.rate)
        # The strongest frequency, if it is that of the swings seen here.
        with np.errstate(invalid="ignore"):
            theirs = np.abs(np.log(strongest / swings)) <= math.log(_SAME_HZ)
        hz[first:last] = np.where(theirs, strongest, swings)
    _calm_ends(size, hz, path.rate)
    # What goes to and fro more slowly is as good as a reframing.
    size[hz < 0.95 * LOWEST_HZ] = 0.0
    counted = np.isfinite(hz) & (size > 0)
    size[counted] /= _share_left(hz[counted])
    hz[size < _QUIET_PERCENT] = np.nan
    pan = np.hypot(*np.gradient(slow, axis=0).T) * path.rate
    return Sway(rest, size, hz, pan)


def _calm_ends(size: _Array, hz: _Array, rate: float) -> None:
    """Let slow swings at a path's ends be no larger than those farther in.

    How the path would go on is not known there, and what was intended only roughly.
    """
    reach = round(1.5 * SLOW_SECONDS * rate)
    if len(size) < 4 * reach:
        return
    for part, inner in ((slice(0, reach), reach), (slice(-reach, None), -reach - 1)):
        slow = hz[part] < 1.0 / SLOW_SECONDS
        size[part][slow] = np.minimum(size[part], size[inner])[slow]


def swing_sizes(
    rest: _Array, rate: float, places: _Array | None = None
) -> tuple[_Array, _Array]:
    """Return what goes back and forth at least twice: how far, and how often.

    Parameters
    ----------
    rest : (n, 2) array
    rate : float
        Samples a second.
    places : (n, 2) array or None
        The path itself. Of pans that start and stop smoothing leaves swings as well,
        in which the picture rests, or goes on more slowly; of a swing that counts a
        part is seen in the path.

    Returns
    -------
    size, hz : (n,) arrays
        Peak to peak in the unit of `rest`, in the direction in which it swings most;
        the rate of its swings, NaN where there are none.
    """
    size, hz = np.zeros(len(rest)), np.full(len(rest), np.nan)
    for k in range(_DIRECTIONS):
        angle = math.pi * k / _DIRECTIONS
        along = rest @ _way(angle)
        # From rest to the first turn, and from the last to rest, are no whole swings.
        turns = _turning_points(along, 0.5 * _QUIET_PERCENT)[1:-1]
        if len(turns) < _SWINGS + 1:
            continue
        begins, ends = _without_rests(along, turns)
        heights = np.abs(np.diff(_tops(along, turns)))
        if places is not None:
            went = np.diff((places @ _way(angle))[turns]) * np.sign(
                np.diff(along[turns])
            )
            heights = np.minimum(heights, np.maximum(went, 0.0) / _WENT_SHARE)
        # The least of so many swings in a row, for each swing the best such row.
        steady = running_opening(heights, _SWINGS)
        sizes = np.where(steady >= _LIKE * heights, heights, steady)
        lasts = running_mean(np.diff(turns) / rate, _SWINGS)
        for i, swing in enumerate(sizes.tolist()):
            part = slice(int(begins[i]), int(ends[i]) + 1)
            more = size[part] < swing
            size[part][more] = swing
            hz[part][more] = 0.5 / lasts[i]
    return size, hz


def _without_rests(
    along: _Array, turns: list[int]
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return where swings begin and end; of longer ones than their fellows, the move.

    Before the first swing, and after the last, the picture may rest for long.
    """
    begins, ends = np.array(turns[:-1]), np.array(turns[1:])
    long = (ends - begins).astype(float)
    # Of three swings before, or after: beyond an edge others may be long too.
    middle = running_median(long, 3)
    before, after = np.roll(middle, 2), np.roll(middle, -2)
    before[:2], after[-2:] = np.inf, np.inf
    usual = np.minimum(before, after)
    for i in np.flatnonzero(ends - begins > _RESTS * usual).tolist():
        first, last = int(begins[i]), int(ends[i])
        part = np.abs(along[first : last + 1] - along[first]) / max(
            abs(along[last] - along[first]), 1e-9
        )
        begins[i] = first + max(int(np.argmax(part > _REST_SHARE)) - 1, 0)
        ends[i] = first + int(np.argmax(part >= 1.0 - _REST_SHARE))
    return begins, np.maximum(ends, begins + 1)


def _way(angle: float) -> _Array:
    return np.array([math.cos(angle), math.sin(angle)])


def _tops(values: _Array, turns: list[int]) -> _Array:
    """Return how high values get at their turns, between the samples too."""
    at = np.asarray(turns)
    a, b, c = (values[np.clip(at + k, 0, len(values) - 1)] for k in (-1, 0, 1))
    bend = a - 2 * b + c
    with np.errstate(invalid="ignore", divide="ignore"):
        more = -((a - c) ** 2) / (8 * bend)
    return np.asarray(b + np.where((a - b) * (c - b) > 0, more, 0.0))


def _turning_points(values: _Array, least: float) -> list[int]:
    """Return where values turn back by at least `least`, first and last included."""
    way = np.sign(np.diff(values))
    bends = np.flatnonzero(way[1:] * way[:-1] <= 0) + 1
    kept = [0]
    rising = 0
    at = 0
    for i in [*bends.tolist(), len(values) - 1]:
        if rising >= 0 and values[i] > values[at]:
            at = i
            rising = rising or (1 if values[i] - values[kept[-1]] >= least else 0)
        elif rising <= 0 and values[i] < values[at]:
            at = i
            rising = rising or (-1 if values[kept[-1]] - values[i] >= least else 0)
        elif abs(values[i] - values[at]) >= least:
            kept.append(at)
            rising = 1 if values[i] > values[at] else -1
            at = i
    kept.append(at)
    return sorted(set(kept))


def dominant_hz(rest: _Array, rate: float) -> _Array:
    """Return the frequency that swings most, in windows of four seconds.

    Parameters
    ----------
    rest : (n, 2) array
    rate : float
        Samples a second.

    Returns
    -------
    (n,) array
        NaN where less than a second is known.

    Notes
    -----
    Periodograms under a Hann window (P. D. Welch, IEEE Transactions on Audio and
    Electroacoustics 15, 1967; from memory), both axes added, refined by a parabola.
    """
    n = len(rest)
    out = np.full(n, np.nan)
    if n < rate:
        return out
    size = min(round(_FREQUENCY_SECONDS * rate), n)
    hop = max(round(0.5 * rate), 1)
    starts = np.unique(np.append(np.arange(0, n - size + 1, hop), n - size))
    length = 1 << (8 * size - 1).bit_length()
    bins = np.fft.rfftfreq(length, 1 / rate)
    # The last one, half the rate, has no neighbour beyond it.
    inside = np.flatnonzero((bins[:-1] >= 0.5 * LOWEST_HZ) & (bins[:-1] <= 15.0))
    window = np.hanning(size + 2)[1:-1, None]
    found = np.empty(len(starts))
    for k, start in enumerate(starts.tolist()):
        part = rest[start : start + size]
        part = (part - part.mean(axis=0)) * window
        power = (np.abs(np.fft.rfft(part, length, axis=0)) ** 2).sum(axis=1)
        peak = int(inside[np.argmax(power[inside])])
        a, b, c = np.log(power[peak - 1 : peak + 2] + 1e-30)
        bend = a - 2 * b + c
        off = 0.5 * (a - c) / bend if bend < 0 else 0.0
        found[k] = (peak + min(max(off, -0.5), 0.5)) * rate / length
    # Of two windows the one whose middle is nearer.
    borders = (starts[1:] + starts[:-1]) / 2 + size / 2
    return np.asarray(found[np.searchsorted(borders, np.arange(n))])
