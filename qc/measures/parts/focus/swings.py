"""Arithmetic of swings: a reading that goes to and fro, there and back again."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Swinging", "leg_seconds", "share_at_keys", "swinging", "turning_points"]

# Legs faster or slower than half a swing of these are none of a hunt.
FASTEST_HZ, SLOWEST_HZ = 4.0, 0.2
# A sine takes 0.59 of half its period from 10 to 90 % of its way.
_LEG_SHARE = 2.0 * math.asin(0.8) / math.pi
_SLACK = 1.25  # for whole frames and legs that are no sine
_KEY_S = 0.04
# Legs of one run are at least this share of its deep, or else of its middle ones.
_EVEN_SHARE = 0.5
_DEEP_PERCENTILE = 80.0
# Legs are looked for from the limit on in steps of this.
_DEEPER = 1.4
# Swings are counted by legs of so much of the middle one's height, the least that
# keep time.
_COUNTED_SHARES = (0.4, 0.5, 0.6, 0.7, 0.8)
# Where a level goes over into a leg, or a leg into a level, with such a bend, share of
# the way, there it begins or ends; a sine has 0.1.
_BEND = 0.15


@dataclass(frozen=True, slots=True, eq=False)
class Swinging:
    """A run of swings.

    Attributes
    ----------
    turns : (n + 1,) array of int
        Where it turns: n legs.
    first, last : int
        Half-open: from where the first leg leaves its level to where the last ends.
    hz : float
        Full swings a second.
    depth : float
        Median height of a leg, in the reading's own unit.
    """

    turns: NDArray[np.intp]
    first: int
    last: int
    hz: float
    depth: float

    def moved(self, rows: int) -> Swinging:
        """Return the same run, counted from `rows` rows earlier."""
        return Swinging(
            self.turns + rows, self.first + rows, self.last + rows, self.hz, self.depth
        )

    @property
    def swings(self) -> float:
        """Full swings: two legs each."""
        return (len(self.turns) - 1) / 2.0


def turning_points(values: NDArray[np.floating], depth: float) -> NDArray[np.intp]:
    """Return where a reading turns, passing over turns smaller than `depth`.

    Parameters
    ----------
    values : (n,) array
        No NaN.
    depth : float
        A turn counts once the reading has gone back by as much.

    Returns
    -------
    (m,) array of int
        Alternately highest and lowest places, the two outermost ones included.

    Examples
    --------
    >>> turning_points(np.array([0.0, 3.0, 2.5, 4.0, 1.0, 1.5, 0.0, 5.0]), 2.0)
    array([0, 3, 6, 7])
    """
    turns: list[int] = []
    low = high = 0
    rising: bool | None = None
    for i, value in enumerate(values.tolist()):
        if value > values[high]:
            high = i
        if value < values[low]:
            low = i
        if rising is not False and values[high] - value >= depth:
            # It has come down from its highest: that was a turn.
            if rising is None and low < high:
                turns.append(low)
            turns.append(high)
            rising, low = False, i
        elif rising is not True and value - values[low] >= depth:
            if rising is None and high < low:
                turns.append(high)
            turns.append(low)
            rising, high = True, i
        if rising is True:
            low = i
        elif rising is False:
            high = i
    if rising is not None:
        turns.append(high if rising else low)
    return np.array(turns, np.intp)


class _Reading:
    """A reading over time, and the legs of it that have been measured.

    The same legs are asked for at several heights, and again in parts of the reading.
    """

    def __init__(
        self,
        values: NDArray[np.floating],
        times: NDArray[np.floating],
        offset: int = 0,
        known: dict[tuple[int, int], tuple[float, float]] | None = None,
    ) -> None:
        self.values, self.times, self._offset = values, times, offset
        self._known = {} if known is None else known

    def part(self, first: int, last: int) -> _Reading:
        """Return rows ``[first, last)``."""
        rows = slice(first, last)
        offset = self._offset + first
        return _Reading(self.values[rows], self.times[rows], offset, self._known)

    def leg(self, first: int, last: int) -> tuple[float, float]:
        """Return how many seconds a leg takes, and when it is half-way."""
        key = first + self._offset, last + self._offset
        if key not in self._known:
            leg = _Leg.of(self.values, self.times, first, last)
            self._known[key] = leg.seconds, leg.middle
        return self._known[key]


def swinging(
    values: NDArray[np.floating],
    times: NDArray[np.floating],
    *,
    depth: float,
    least: float,
) -> list[Swinging]:
    """Find where a reading swings to and fro, again and again.

    Parameters
    ----------
    values : (n,) array
        No NaN.
    times : (n,) array
        Seconds.
    depth : float
        Legs of this height count.
    least : float
        Full swings without a pause that it takes.
    """
    found: list[Swinging] = []
    reading = _Reading(values, times)
    # A ripple at the turn of a deep swing, a key frame or a hand, would end the run;
    # of deeper legs alone it is none.
    while depth <= np.ptp(values):
        found += _at_depth(reading, depth, least)
        depth *= _DEEPER
    # The longest first, and nothing beside it; of equals what smaller legs gave.
    out: list[Swinging] = []
    for run in sorted(found, key=lambda r: r.first - r.last):
        if all(run.last <= r.first or r.last <= run.first for r in out):
            out.append(run)
    return sorted(out, key=lambda r: r.first)


def _at_depth(reading: _Reading, depth: float, least: float) -> list[Swinging]:
    """Find runs of legs of at least this height."""
    out = []
    turns = turning_points(reading.values, depth)
    for run in _runs_of_legs(reading, turns, least):
        # Ripples beside deep swings are no swings: look again, at the deep ones alone;
        # if these are too few, at those that most of the run is made of.
        # What goes before and after tells where the outermost legs begin and end.
        at = np.searchsorted(turns, run.turns[[0, -1]])
        lo = int(turns[max(at[0] - 1, 0)])
        part = reading.part(lo, int(turns[min(at[1] + 1, len(turns) - 1)]) + 1)
        legs = np.abs(np.diff(reading.values[run.turns]))
        for typical in (np.percentile(legs, _DEEP_PERCENTILE), np.median(legs)):
            least_leg = max(_EVEN_SHARE * float(typical), depth)
            deep = turning_points(part.values, least_leg)
            again = _runs_of_legs(part, deep, least)
            if again:
                out += [r.moved(lo) for r in again]
                break
    return out


def _runs_of_legs(
    reading: _Reading, turns: NDArray[np.intp], least: float
) -> list[Swinging]:
    legs = [reading.leg(a, b) for a, b in itertools.pairwise(turns.tolist())]
    slowest, fastest = 0.5 / SLOWEST_HZ, 0.5 / FASTEST_HZ
    runs: list[list[int]] = [[]]
    for i, (seconds, middle) in enumerate(legs):
        if seconds > _SLACK * _LEG_SHARE * slowest:
            runs.append([])
            continue
        if runs[-1]:
            apart = middle - legs[i - 1][1]
            if not fastest / _SLACK <= apart <= slowest:
                runs.append([])
        runs[-1].append(i)
    return [
        _swinging(reading, turns, run)
        for run in runs
        if len(run) >= max(2.0 * least, 2)
    ]


@dataclass(frozen=True, slots=True)
class _Leg:
    """From one turn to the next: its way without the level parts at the ends."""

    first: int
    last: int
    seconds: float
    middle: float

    @classmethod
    def of(
        cls, values: NDArray[np.floating], times: NDArray[np.floating], a: int, b: int
    ) -> _Leg:
        """Measure a leg from 10 to 90 % of its way."""
        way = (values[a : b + 1] - values[a]) / (values[b] - values[a])
        leaves = a + _leaves(way, times[a : b + 1])
        rest = way[leaves - a :]
        arrives = leaves + int((rest >= 0.9).argmax())
        half = leaves + int((rest >= 0.5).argmax())
        before, at = way[half - 1 - a], way[half - a]
        share = (0.5 - before) / (at - before) if at > before else 1.0
        middle = times[half - 1] + share * (times[half] - times[half - 1])
        seconds = times[arrives] - times[leaves]
        return cls(leaves, arrives, float(seconds), float(middle))


def _leaves(way: NDArray[np.floating], times: NDArray[np.floating]) -> int:
    """Return where a way from 0 to 1 leaves its level for good: at 10 %, or the bend.

    A level that creeps by itself before a leg is none of it, though it may be more
    than a tenth of the way: where there is a bend, farthest below the chord from the
    turn to half of the way, the leg begins.
    """
    tenth = len(way) - 1 - int((way <= 0.1)[::-1].argmax())
    half = int((way >= 0.5).argmax())
    share = (times[:half] - times[0]) / (times[half] - times[0])
    below = share * way[half] - way[:half]
    bend = int(below.argmax())
    return max(tenth, bend) if below[bend] > _BEND else tenth


def _swinging(reading: _Reading, turns: NDArray[np.intp], run: list[int]) -> Swinging:
    at = turns[run[0] : run[-1] + 2]
    first, last = _ends(reading.values, reading.times, turns, run)
    depth = float(np.median(np.abs(np.diff(reading.values[at]))))
    return Swinging(
        turns=at,
        first=first,
        last=last + 1,
        hz=_rate(_counted(reading, at, depth)),
        depth=depth,
    )


def _counted(
    reading: _Reading, turns: NDArray[np.intp], depth: float
) -> NDArray[np.float64]:
    """Return the half-way moments of legs, of the lesser ones too if they keep time."""
    part = reading.values[turns[0] : turns[-1] + 1]
    for share in _COUNTED_SHARES:
        lesser = turning_points(part, share * depth) + turns[0]
        if len(lesser) <= len(turns):
            break
        counted = _middles(reading, lesser)
        apart = counted[2:] - counted[:-2]
        if apart.min() >= _EVEN_SHARE * np.median(apart):
            return counted
    return _middles(reading, turns)


def _rate(middles: NDArray[np.float64]) -> float:
    """Return full swings a second, from the half-way moments of the legs.

    From a fall to the next fall, and from rise to rise: it stays soft for longer than
    it is sharp, or the reverse.
    """
    if len(middles) < 3:
        return 0.5 / float(middles[-1] - middles[0])
    return 1.0 / float(np.mean(middles[2:] - middles[:-2]))


def _middles(reading: _Reading, turns: NDArray[np.intp]) -> NDArray[np.float64]:
    """Return when each leg is half-way."""
    pairs = itertools.pairwise(turns.tolist())
    return np.array([reading.leg(a, b)[1] for a, b in pairs])


def _ends(
    values: NDArray[np.floating],
    times: NDArray[np.floating],
    turns: NDArray[np.intp],
    run: list[int],
) -> tuple[int, int]:
    """Return where a run leaves its usual level for the first time, and is back.

    Before and after it a reading goes on slowly, further up or down than it swings. Of
    the legs at and beyond the ends what lies within the run's own turns belongs to it.
    """
    first = _begin(values, times, turns, (run[0], run[-1] + 1))
    # Backwards in time the end is a beginning.
    rows, count = len(values) - 1, len(turns) - 1
    last = _begin(
        values[::-1],
        times[-1] - times[::-1],
        rows - turns[::-1],
        (count - run[-1] - 1, count - run[0]),
    )
    return first, rows - last


def _begin(
    values: NDArray[np.floating],
    times: NDArray[np.floating],
    turns: NDArray[np.intp],
    outermost: tuple[int, int],
) -> int:
    """Return where the first leg of a run leaves its level, or the one before it."""
    a, b = outermost
    first, middle = int(turns[a]), math.inf
    for i in (a, a - 1):
        alike = turns[a + 2 - (a - i) : b + 1 : 2]
        if i < 0 or not alike.size:
            break
        begin, end = int(turns[i]), int(turns[i + 1])
        way = values[begin : end + 1] - np.median(values[alike])
        way = way if values[end] > values[begin] else -way
        if way[-1] <= 0:
            break
        outside = np.flatnonzero(way <= 0)
        begin += int(outside[-1]) if outside.size else 0
        leg = _Leg.of(values, times, begin, end)
        quick = leg.seconds <= _SLACK * _LEG_SHARE * 0.5 / SLOWEST_HZ
        if i == a or (quick and middle - leg.middle <= 0.5 / SLOWEST_HZ):
            first, middle = leg.first, leg.middle
    return first


def leg_seconds(
    values: NDArray[np.floating],
    times: NDArray[np.floating],
    turns: NDArray[np.intp],
) -> NDArray[np.float64]:
    """Return how long each leg takes from 10 to 90 % of its way."""
    pairs = itertools.pairwise(turns)
    return np.array([_Leg.of(values, times, a, b).seconds for a, b in pairs])


def share_at_keys(
    values: NDArray[np.floating],
    times: NDArray[np.floating],
    keys: NDArray[np.bool_],
    turns: NDArray[np.intp],
) -> float:
    """Return what share of each rise happens at a key frame, the median over rises.

    Parameters
    ----------
    values, times, keys : (n,) arrays
        Reading, seconds, and whether a frame is a key frame.
    turns : (m,) array of int

    Notes
    -----
    Coarse coding lets detail fade until the next key frame brings all of it back at
    once: near 1. Focus takes many frames to come back: a small share.
    """
    shares = []
    for a, b in itertools.pairwise(turns):
        if values[b] <= values[a]:
            continue
        at_key = 0.0
        for key in a + 1 + np.flatnonzero(keys[a + 1 : b + 1]):
            early, late = np.searchsorted(
                times, (times[key - 1] - _KEY_S / 2, times[key] + _KEY_S / 2)
            )
            late = min(max(late, key), b)
            at_key += values[late] - values[max(min(early, key - 1), a)]
        shares.append(min(at_key / (values[b] - values[a]), 1.0))
    return float(np.median(shares)) if shares else 0.0
