"""Walks and pumping of a level over a take: which swings there are, and what of them.

Jumps at once are taken out of a level before its walks are told; see `leveljumps`. But
not the small ones of an iris that is turned click by click: nothing else tells them.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.level.leveljumps import steadied
from qc.measures.parts.level.levelwalk import (
    Swing,
    level_steps,
    smoothed,
    swings,
    trimmed,
)
from qc.records import Readings
from qc.spans import runs

__all__ = ["COMES_BACK_SECONDS", "Event", "events", "judged_walk", "walks"]

COMES_BACK_SECONDS = 1.5
"""What comes back later than this has stayed (house choice)."""

_SMOOTH_SECONDS = 0.25
# Clicks of an iris ring follow one another within this, the same way; a third of a stop
# each on most lenses, or a half (common practice).
_STAIR_SECONDS = 3.0
_BRIDGE_SECONDS = 0.5
_SHORTEST_SECONDS = 1.0
# Swings nearer than this, or than their own length, are one event.
_CALM_SECONDS = 3.0
# Each time a level is carried on over a move of the camera it may go off by this much:
# twice what pans and zooms over a drawn scene did.
_CARRY_STOPS = 0.0035
# So much of the picture that came in bright speaks for automatic exposure.
_ENTERED_PERCENT = 5.0
_ENTERS_SECONDS = 1.0
# What leads into pumping and out of it swings by half as much; so much of it counts.
_LEAD_SHARE = 0.35
# Before a hand turns the iris its setting is seen for so long.
_BEFORE_SECONDS = 0.3
# Levels nearer than this are the same.
_ALIKE_STOPS = 0.02
# What comes back by this share of its way, soon, has not stayed (house choice).
_COMES_BACK = 0.35
# Of what the same things say, so much must be in the level as read (house choice).
_SAID_SHARE = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class Event:
    """Swings that belong together; rows of the readings.

    Attributes
    ----------
    low, high : float
        Levels between which it swings; the number told lies between them.
    as_read : bool
        `low` and `high` are of the level with its jumps, which take a part of the walk
        back; else of the level without them.
    leads : bool
        A half swing the other way leads in.
    begun : bool
        The place came into sight while the level was on its way already.
    carried : bool
        The camera moves meanwhile.
    """

    first: int
    last: int
    worst: int
    low: float
    high: float
    swings: tuple[Swing, ...]
    period_s: float
    entered: bool
    returns: bool  # in part, right behind its end
    as_read: bool
    leads: bool
    begun: bool
    carried: bool

    @property
    def stops(self) -> float:
        """By how much it swings."""
        return self.high - self.low


def events(readings: Readings, *, least: float, told: float) -> Iterator[Event]:
    """Yield the walks and the pumping of at least `least` stops.

    Parameters
    ----------
    readings : Readings
    least : float
        Stops.
    told : float
        Jumps at once of so many stops are told by themselves.
    """
    entered = readings["exposure.entered_percent"]
    for rows, at, whole in walks(readings):
        read, walk = (
            smoothed(whole, at, seconds=_SMOOTH_SECONDS),
            judged_walk(whole, at, told=told),
        )
        carried = readings["exposure.same_carried"][rows]
        found = [
            s
            for s in swings(walk, least=least)
            if abs(s.stops)
            >= least + _CARRY_STOPS * (carried[s.last] - carried[s.first])
            and _agreed(readings, rows, s)
        ]
        small = swings(walk, least=_LEAD_SHARE * least)
        for group in _groups(found, walk, at):
            returns = _returns(group, small, at)
            ends = _with_leads(group, small, walk, returns=returns)
            event = _event(group, ends, (walk, read), at, rows, entered, carried)
            event = replace(event, returns=returns)
            # What jumps take back is not seen in any picture.
            if event.stops >= least:
                yield event


def walks(
    readings: Readings,
) -> Iterator[tuple[NDArray[np.intp], NDArray[np.float64], NDArray[np.float64]]]:
    """Yield rows, times and levels of each place that is seen long enough."""
    times = readings.times()
    level = readings["exposure.same_stops"].astype(np.float64)
    for first, last in _pieces(level, readings["exposure.same_place"], times):
        rows = first + np.flatnonzero(~np.isnan(level[first:last]))
        if len(rows) < 8 or times[rows[-1]] - times[rows[0]] < _SHORTEST_SECONDS:
            continue
        yield rows, times[rows], steadied(level[rows], times[rows])


def judged_walk(
    walk: NDArray[np.float64], times: NDArray[np.float64], *, told: float
) -> NDArray[np.float64]:
    """Return a level as its walks are judged: without jumps, and smoothed.

    Jumps of less than `told` stops stay where one follows another the same way.
    """
    out = walk.copy()
    steps = level_steps(walk, times)
    for (row, stops), clicks in zip(steps, _stairs(steps, times, told), strict=True):
        if not clicks:
            out[row:] -= stops
    return smoothed(out, times, seconds=_SMOOTH_SECONDS)


def _stairs(
    steps: list[tuple[int, float]], times: NDArray[np.float64], told: float
) -> list[bool]:
    """Return which jumps are clicks of an iris: small, and one after the other."""
    out = [False] * len(steps)
    for i, ((a, one), (b, two)) in enumerate(pairwise(steps)):
        if one * two > 0 and max(abs(one), abs(two)) < told:
            near = bool(times[b] - times[a] <= _STAIR_SECONDS)
            out[i], out[i + 1] = out[i] or near, near
    return out


def _pieces(
    level: NDArray[np.float64],
    place: NDArray[np.float32],
    times: NDArray[np.float64],
) -> Iterator[tuple[int, int]]:
    """Yield rows of one place; short runs of NaN may lie inside."""
    ends = np.zeros(len(place), bool)
    ends[1:] = place[1:] != place[:-1]
    known = ~np.isnan(level)
    for a, b in runs(~known):
        if times[b] - times[a] > _BRIDGE_SECONDS:
            ends[a] = True
    cuts = [0, *np.flatnonzero(ends).tolist(), len(place)]
    yield from ((a, b) for a, b in pairwise(cuts) if b > a)


def _agreed(readings: Readings, rows: NDArray[np.intp], swing: Swing) -> bool:
    """Return whether the cells say so too, as read: where they say anything.

    A large thing that turns or goes by may be followed in place of the scene. What is
    read may jump back at the end of a swing: so much of it as went its way counts.
    """
    part = slice(int(rows[swing.first]), int(rows[swing.last]) + 1)
    level = readings["exposure.level_stops"][part].astype(np.float64)
    if np.isnan(level).any() or np.ptp(readings["exposure.place"][part]) > 0:
        return True
    low, high = _span(level, 1 if swing.stops > 0 else -1)
    return (high - low) / abs(swing.stops) >= _SAID_SHARE


def _groups(
    found: Iterable[Swing], walk: NDArray[np.float64], times: NDArray[np.float64]
) -> list[list[tuple[Swing, int, int]]]:
    """Put swings together that follow each other closely."""
    out: list[list[tuple[Swing, int, int]]] = []
    for swing in found:
        a, b = trimmed(walk, swing)
        if out:
            _, a0, b0 = out[-1][-1]
            longest = max(times[b] - times[a], times[b0] - times[a0], _CALM_SECONDS)
            if times[a] - times[b0] <= longest:
                out[-1].append((swing, a, b))
                continue
        out.append([(swing, a, b)])
    return out


def _returns(
    group: list[tuple[Swing, int, int]],
    small: Iterable[Swing],
    times: NDArray[np.float64],
) -> bool:
    """Return whether a part of the last swing is taken back right behind it."""
    last, _, end = group[-1]
    return any(
        s.first == last.last
        and abs(s.stops) >= _COMES_BACK * abs(last.stops)
        and times[s.first] - times[end] <= COMES_BACK_SECONDS
        for s in small
    )


def _with_leads(
    group: list[tuple[Swing, int, int]],
    small: Iterable[Swing],
    walk: NDArray[np.float64],
    *,
    returns: bool,
) -> tuple[int, int]:
    """Return where a group begins and ends, with the half swings that lead in and out.

    Pumping begins and ends in the middle of its way.
    """
    first, last = group[0][1], group[-1][2]
    if len(group) < 2 and not returns:
        return first, last
    begins, ends = group[0][0].first, group[-1][0].last
    longest = max(b - a for _, a, b in group)
    for swing in small:
        a, b = trimmed(walk, swing)
        if b - a > longest:
            continue  # a walk of its own
        if swing.last == begins:
            first = min(first, a)
        elif swing.first == ends:
            last = max(last, b)
    return first, last


def _event(
    group: list[tuple[Swing, int, int]],
    ends: tuple[int, int],
    curves: tuple[NDArray[np.float64], NDArray[np.float64]],
    times: NDArray[np.float64],
    rows: NDArray[np.intp],
    entered: NDArray[np.float32],
    carried: NDArray[np.float32],
) -> Event:
    """Make an event of swings; `curves`: the level without its jumps, and as read."""
    first, last = ends
    wide = slice(group[0][0].first, group[-1][0].last + 1)
    way = int(np.sign(group[0][0].stops)) if len(group) == 1 else 0
    spans = [_span(curve[wide], way) for curve in curves]
    as_read = bool(np.ptp(spans[1]) < np.ptp(spans[0]) - _ALIKE_STOPS)
    walk, span = curves[as_read], spans[as_read]
    if len(group) > 1:
        usual = float(np.median(walk))
        worst = first + int(np.argmax(np.abs(walk[first : last + 1] - usual)))
    else:
        # What it is told to rise or fall to, and where it first comes near.
        _, a, b = group[0]
        part = way * walk[a : b + 1]
        worst = a + int(np.argmax(part >= part.max() - _ALIKE_STOPS))
    turns = [s.last for s, _, _ in group[:-1]]
    period = 2.0 * float(np.mean(np.diff(times[turns]))) if len(turns) > 1 else np.nan
    return Event(
        first=int(rows[first]),
        last=int(rows[last]) + 1,
        worst=int(rows[worst]),
        low=span[0],
        high=span[1],
        swings=tuple(s for s, _, _ in group),
        period_s=period,
        entered=any(s.stops < 0 for s, _, _ in group)
        and all(_entered(g, entered[rows], times) for g in group),
        returns=False,
        as_read=as_read,
        leads=first < group[0][1],
        begun=bool(rows[0] > 0 and times[first] - times[0] < _BEFORE_SECONDS),
        carried=bool(carried[last] > carried[first]),
    )


def _span(level: NDArray[np.float64], way: int) -> tuple[float, float]:
    """Return the levels between which a level swings; with a way, goes that way."""
    if not way:
        return float(level.min()), float(level.max())
    since = np.minimum.accumulate(way * level)
    end = int(np.argmax(way * level - since))
    low, high = sorted((way * float(since[end]), float(level[end])))
    return low, high


def _entered(
    part: tuple[Swing, int, int],
    entered: NDArray[np.float32],
    times: NDArray[np.float64],
) -> bool:
    """Return whether something bright came in as, or just before, the level fell."""
    swing, a, b = part
    if swing.stops >= 0:
        return True  # it may go away as slowly as it likes
    early = int(np.searchsorted(times, times[a] - _ENTERS_SECONDS))
    before, after = entered[early : a + 1], entered[a : b + 1]
    return float(np.median(after) - np.median(before)) >= _ENTERED_PERCENT
