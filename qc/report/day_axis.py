"""The day's axis: from the clock to places on the page, long pauses cut short."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from qc.report.day_values import clock
from qc.report.words import length

__all__ = ["DayAxis", "Pause", "Place", "clock_axis", "order_axis"]

_MINUTE, _HOUR = 60, 3600
_STEPS_S = (
    *(1, 2, 5, 10, 15, 30),
    *(m * _MINUTE for m in (1, 2, 5, 10, 15, 30)),
    *(h * _HOUR for h in (1, 2, 3, 4, 6, 12, 24)),
)
_MOST_TICKS = 9
# A pause in which nothing was recorded is cut short from this share of the day on:
# short takes far apart would else be too narrow to be seen.
_LONG_PAUSE = 1 / 4
_SHORTEST_PAUSE_S = 60.0
_PAUSE_SHARE = 0.03
_TICK_ROOM = 0.055


@dataclass(frozen=True, slots=True)
class Place:
    """A labelled place on the axis; `share` goes from 0 at the left to 1."""

    share: float
    label: str


@dataclass(frozen=True, slots=True)
class Pause:
    """A pause that is drawn shorter than it was."""

    left: float
    right: float
    text: str


@dataclass(frozen=True, slots=True)
class DayAxis:
    """A stretch of the day, straight but for pauses.

    Attributes
    ----------
    knots : tuple of (seconds, share)
        Between two of them the axis is straight.
    in_order : bool
        Not a clock: takes lie side by side in their order, each as wide as another,
        and seconds are their numbers from 0 on.
    """

    knots: tuple[tuple[float, float], ...]
    ticks: tuple[Place, ...]
    pauses: tuple[Pause, ...] = ()
    in_order: bool = False

    def share(self, seconds: float) -> float:
        """Return where a moment lies: 0 at the left end, 1 at the right, no further."""
        first, last = self.knots[0], self.knots[-1]
        if seconds <= first[0]:
            return first[1]
        for (a, left), (b, right) in itertools.pairwise(self.knots):
            if seconds <= b:
                return min(left + (right - left) * (seconds - a) / (b - a), right)
        return last[1]


def clock_axis(spans: Iterable[tuple[float, float]]) -> DayAxis:
    """Return the axis that holds takes.

    Parameters
    ----------
    spans : iterable of (start, end)
        Seconds on the day's clock; at least one.
    """
    pieces = _pieces(sorted(spans))
    pauses = len(pieces) - 1
    drawn = sum(b - a for a, b in pieces)
    scale = (1.0 - _PAUSE_SHARE * pauses) / drawn
    knots: list[tuple[float, float]] = []
    cut: list[Pause] = []
    left = 0.0
    for i, (a, b) in enumerate(pieces):
        if i:
            before = pieces[i - 1][1]
            text = f"{length(a - before)} without a recording, drawn shorter"
            cut.append(Pause(left, left + _PAUSE_SHARE, text))
            left += _PAUSE_SHARE
        right = left + (b - a) * scale
        knots += [(a, left), (b, right)]
        left = right
    knots[-1] = (knots[-1][0], 1.0)
    axis = DayAxis(tuple(knots), ())
    return DayAxis(axis.knots, tuple(_ticks(axis, pieces, drawn)), tuple(cut))


def _pieces(spans: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """Return the stretches between long pauses."""
    start = spans[0][0]
    whole = max(max(end for _, end in spans) - start, 1.0)
    longest = max(whole * _LONG_PAUSE, _SHORTEST_PAUSE_S)
    pieces: list[tuple[float, float]] = []
    reached = start
    for a, b in spans:
        if a - reached > longest:
            pieces.append((start, reached))
            start = a
        reached = max(reached, b)
    pieces.append((start, reached))
    # Nothing is narrower than a second, be it a take of a single frame.
    return [(a, max(b, a + 1.0)) for a, b in pieces]


def _ticks(
    axis: DayAxis, pieces: list[tuple[float, float]], drawn: float
) -> Iterable[Place]:
    step = next((s for s in _STEPS_S if drawn / s <= _MOST_TICKS), _STEPS_S[-1])
    free = 0.0
    for a, b in pieces:
        round_ones = range(math.ceil(a / step), math.floor(b / step) + 1)
        moments = [float(step * k) for k in round_ones]
        # A stretch too short for a round time still says when it was.
        for seconds in moments or [a]:
            share = axis.share(seconds)
            if share >= free:
                fine = step < _MINUTE or not moments
                yield Place(share, clock(seconds, fine=fine))
                free = share + _TICK_ROOM


def order_axis(number: int) -> DayAxis:
    """Return an axis on which `number` takes lie side by side."""
    number = max(number, 1)
    step = next(
        s for k in itertools.count() for s in (10**k, 2 * 10**k, 5 * 10**k)
        if number / s <= 2 * _MOST_TICKS
    )  # fmt: skip
    named = [*([1] if step >= 5 else []), *range(step, number + 1, step)]
    ticks = tuple(Place((n - 0.5) / number, str(n)) for n in named)
    return DayAxis(((0.0, 0.0), (float(number), 1.0)), ticks, in_order=True)
