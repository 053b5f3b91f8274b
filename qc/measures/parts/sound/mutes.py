"""Moments in which even the noise of the room is gone, though no zeros are written.

A muted microphone, a plug half out, a radio link that is lost: sound falls at once far
under all that the recording holds otherwise, its quietest pauses among it, and is back
as fast. A pause of those who speak leaves the noise of the room; what fades passes
through all the levels on its way; a gate closes in calm moments alone.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.sound.cutoffs import COARSE, Heard, nothing
from qc.measures.parts.sound.humstretches import Segment
from qc.measures.parts.sound.lostmoments import has_room, lost_moments
from qc.measures.parts.sound.soundlines import (
    ROWS_PER_SECOND,
    Line,
    totals_of,
    tracks_of,
)
from qc.measures.parts.sound.truepeak import dbfs, keeps_samples
from qc.spans import Span, runs

__all__ = ["Dip", "far_under", "mutes", "sunken", "told_mutes", "under_room"]

Rows = NDArray[np.float32]
Dip = tuple[int, int, int, float, float]
"""Channel, first sample and the one behind the last, RMS beside and left inside."""

_SHORTEST_ALIVE = 50  # rows
# Between the noise of the room and what is left lies a void of so many dB, in which
# there are no rows but the edges, one for each end at most. Noise alone spreads over
# its own levels without one. What is left is no more than half the take (house choice).
_VOID_DB, _EDGE_ROWS, _MOST_SHARE = 10.0, 1, 0.5
_BRIDGED_ROWS, _STRAY_SHARE = 10, 0.01
_DEPTH_DB, _SLOW_ROWS = 15.0, 5
# And sound comes back for a while.
_BACK_ROWS, _LEAST_BACK_ROWS = 30, 14
_LOWEST_DBFS = -120
_FLOOR_PERCENT, _FLOOR_DB = 5.0, 6.0
# A shorter hole, of a few milliseconds, lies so far under the noise of the room.
_UNDER_ROOM_DB = 8.0
# Hum as weak as this against what is beside a hole is not what makes its level.
_HUM_DB = 10.0


def far_under(level: Rows, *, highest: float) -> NDArray[np.bool_]:
    """Return the rows that lie far under all others, with a void between.

    Parameters
    ----------
    level : (rows,) array
        RMS level of each hundredth of a second, dBFS; NaN where nothing is known.
    highest : float
        Only what lies under this level.

    Examples
    --------
    >>> level = np.float32([-20.0] * 30 + [-60.0] * 40 + [-85.0] * 5 + [-58.0] * 30)
    >>> np.flatnonzero(far_under(level, highest=-70.0)).tolist()
    [70, 71, 72, 73, 74]
    >>> fading = np.linspace(-20, -85, 200, dtype=np.float32)
    >>> bool(far_under(fading, highest=-70.0).any())
    False
    """
    for low in (_under_floor(level, highest), _in_a_void(level, highest)):
        if low.any() and has_room(level, low):
            return _at_once(level, low)
    return np.zeros(len(level), bool)


def _under_floor(level: Rows, highest: float) -> NDArray[np.bool_]:
    """Return the rows far under the noise of a room that is louder than `highest`."""
    known = ~np.isnan(level)
    none = np.zeros(len(level), bool)
    louder = level[known & (level >= np.float32(highest))]
    if len(louder) < _SHORTEST_ALIVE:
        return none
    floor = float(np.percentile(louder, _FLOOR_PERCENT))
    low = known & (level < min(highest, floor - _VOID_DB))
    between = known & ~low & (level < floor - _FLOOR_DB)
    # What is left of loud words does not end it.
    for first, last in runs(between):
        if first and last < len(low) and low[first - 1] and low[last]:
            low[first:last] = last - first <= _BRIDGED_ROWS
    between &= ~low
    edges = 2 * _EDGE_ROWS * len(runs(low)) + _STRAY_SHARE * len(level)
    if between.sum() > edges or low.sum() > _MOST_SHARE * known.sum():
        return none
    return np.asarray(low, np.bool_)


def _at_once(level: Rows, low: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return those of the rows that sound falls to at once, and is back as fast.

    None, if it falls slowly to any of them within the take: what fades, or is turned
    down between words, is not lost.
    """
    kept = level[~low & ~np.isnan(level)]
    floor = float(np.percentile(kept, _FLOOR_PERCENT))
    out = low.copy()
    for first, last in runs(low):
        inside = level[first:last]
        deep = float(np.median(inside)) <= floor - _DEPTH_DB
        # At an end of the take there is no edge to be seen.
        for beside, edge in (
            (level[max(first - 2, 0) : first], inside[:2]),
            (level[last : last + 2], inside[-2:]),
        ):
            if beside.size and float(beside.max()) < max(
                floor - _FLOOR_DB, float(edge.max()) + _VOID_DB
            ):
                deep = False
                # An end that fades is no sign of it.
                if first and last < len(level) and last - first >= _SLOW_ROWS:
                    return np.zeros(len(low), bool)
        back = level[last : last + _BACK_ROWS]
        if last < len(level) and (back >= floor - _FLOOR_DB).sum() < _LEAST_BACK_ROWS:
            deep = False
        out[first:last] = deep
    return out


def _in_a_void(level: Rows, highest: float) -> NDArray[np.bool_]:
    """Return the rows under a void, if there is one."""
    known = ~np.isnan(level)
    ordered = np.sort(level[known])
    none = np.zeros(len(level), bool)
    if len(ordered) < _SHORTEST_ALIVE:
        return none
    tried = np.arange(_LOWEST_DBFS, highest + 0.5)
    below = np.searchsorted(ordered, tried)
    inside = np.searchsorted(ordered, tried + _VOID_DB) - below
    above = len(ordered) - below - inside
    fits = (below > 0) & (below <= _MOST_SHARE * len(ordered))
    fits &= (above >= _SHORTEST_ALIVE) & (inside <= 2 * _EDGE_ROWS * below)
    for at in np.flatnonzero(fits)[::-1]:
        low = np.asarray(known & (level < tried[at]), np.bool_)
        if inside[at] <= 2 * _EDGE_ROWS * len(runs(low)):
            return low
    return none


def sunken(
    level: Rows, *, highest: float, shortest: float, shortest_end: float, lossy: bool
) -> list[Span]:
    """Return the moments in which even the noise of the room is gone.

    Parameters
    ----------
    highest : float
        What is left lies under this level.
    shortest, shortest_end : float
        Rows from which on a moment counts, and one that lasts to the take's end.
    """
    low = far_under(level, highest=highest)
    if not low.any():
        return []
    return lost_moments(
        level, lost=low, shortest=shortest, shortest_end=shortest_end, lossy=lossy
    )


def mutes(line: Line) -> list[Span]:
    """Return the rows of such moments of one channel."""
    codec = line.track.codec
    if codec in COARSE or "peaks.rms_dbfs" not in line.readings.columns:
        return []
    hole = line.limit("hole_min_seconds") * ROWS_PER_SECOND
    cut = line.limit("cut_min_seconds") * ROWS_PER_SECOND
    return sunken(
        line.column("rms_dbfs"),
        highest=line.limit("dead_level_dbfs"),
        shortest=hole,
        shortest_end=max(hole, cut),
        lossy=not keeps_samples(codec),
    )


def told_mutes(line: Line, heard: Heard) -> list[Span]:
    """Return the rows of those moments that are told as drop-outs of the channel.

    Zeros on all channels at once are told as such.
    """
    if not totals_of(line.measured, "dropout"):
        return []
    longest = line.measured.limits["dropout.longest_seconds"] * ROWS_PER_SECOND
    empty = nothing(line.column("rms_dbfs"))
    return [
        (first, last)
        for first, last in mutes(line)
        if last - first <= longest
        and not (empty[first:last].all() and not heard.beside(line)[first:last].any())
    ]


def under_room(line: Line, dips: Iterable[Dip]) -> Iterator[Dip]:
    """Yield short falls of a channel's level that reach far under its room's noise."""
    own = [d for d in dips if d[0] == line.index]
    if not own or line.track.codec in COARSE:
        return
    most = 10.0 ** ((_room_dbfs(line) - _UNDER_ROOM_DB) / 20.0)
    hum, rate = _hum_of(line), line.track.sample_rate
    yield from (d for d in own if d[4] < most and not _swing_of_hum(hum, d, rate))


def _hum_of(line: Line) -> list[Segment]:
    """Return the stretches of mains hum on a channel."""
    number = next(k for k, r, _ in tracks_of(line.measured) if r is line.readings)
    found = totals_of(line.measured, "hum")[number : number + 1]
    return [
        one
        for totals in found
        for one in totals["segments"]
        if one.channel == line.index
    ]


def _swing_of_hum(hum: Iterable[Segment], dip: Dip, rate: int) -> bool:
    """Tell whether a fall may be mains hum between two of its swings.

    Hum with strong harmonics lies near zero for milliseconds in every period.
    """
    _, first, last, beside, _ = dip
    row = first * ROWS_PER_SECOND // rate
    heard = float(dbfs(beside)) - _HUM_DB
    return any(
        one.first_row <= row < one.last_row
        and one.level_dbfs >= heard
        and (last - first) * one.mains_hz < rate
        for one in hum
    )


def _room_dbfs(line: Line) -> float:
    """Return the level of the quietest moments that are not lost; NaN if unknown."""
    if "peaks.rms_dbfs" not in line.readings.columns:
        return float("nan")
    level = line.column("rms_dbfs")
    low = far_under(level, highest=line.limit("dead_level_dbfs"))
    alive = level[~np.isnan(level) & ~nothing(level) & ~low]
    if alive.size < _SHORTEST_ALIVE or nothing(level).mean() > _MOST_SHARE:
        return float("nan")
    return float(np.percentile(alive, _FLOOR_PERCENT))
