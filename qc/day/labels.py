"""Start timecodes as a clock: over midnight, and only where they are one."""

from __future__ import annotations

import itertools
from collections import Counter
from collections.abc import Sequence
from fractions import Fraction

from qc.day.moments import Seen
from qc.report.day_facts import TakeFacts

__all__ = ["along", "label_s", "restarted", "stands_still", "unwrapped"]

_DAY_S = 86_400
# Clocks further apart than this do not run together, or one was set in between.
_TOGETHER_S = 3600
# Takes whose timecodes join, but whose other times lie further apart than this, were
# recorded with timecode that stands still in between.
_APART_S = 5


def _per_second(facts: TakeFacts) -> Fraction:
    """Return frames in a second of the labels; drop-frame labels keep real time."""
    timecode = facts.timecode
    return timecode.rate if timecode.drop_frame else Fraction(timecode.nominal)


def label_s(facts: TakeFacts) -> Fraction:
    """Return a take's start label as a time of day, in seconds."""
    return facts.first / _per_second(facts)


def _day_s(facts: TakeFacts) -> Fraction:
    return facts.timecode.frames_per_day / _per_second(facts)


def restarted(group: Sequence[Seen]) -> frozenset[str]:
    """Return the names of takes that share their first label, if most of them do.

    Such timecode starts anew with every take and is no clock.
    """
    counts = Counter(label_s(s.facts) for s in group)
    shared = [s.name for s in group if counts[label_s(s.facts)] > 1]
    return frozenset(shared if 2 * len(shared) > len(group) else ())


def along(group: Sequence[Seen], wall: Sequence[Fraction]) -> list[Fraction] | None:
    """Return start times by the labels, going on over midnight as another clock does.

    Parameters
    ----------
    group : sequence of Seen
    wall : sequence of Fraction
        When each began by the other clock, in seconds.

    Returns
    -------
    list of Fraction, or None
        Seconds since midnight of the first day; None if the two clocks do not run
        together.
    """
    labels = [label_s(s.facts) for s in group]
    days = [_day_s(s.facts) for s in group]
    apart = wall[0] - labels[0]
    times = []
    for moment, label, day in zip(wall, labels, days, strict=True):
        rest = moment - apart - label
        turns = round(rest / day)
        if abs(rest - turns * day) > _TOGETHER_S:
            return None
        times.append(label + turns * day)
    whole = min(times) // _DAY_S
    return _real(group, [t - whole * _DAY_S for t in times])


def unwrapped(group: Sequence[Seen]) -> list[Fraction]:
    """Return start times by the labels alone.

    The day begins after the longest time in which nothing was recorded.

    Returns
    -------
    list of Fraction
        Seconds since midnight of the first day.
    """
    labels = [label_s(s.facts) for s in group]
    order = sorted(range(len(group)), key=lambda i: labels[i])
    until = labels[order[0]]
    longest, cut = Fraction(0), 0
    for place, i in enumerate(order):
        if labels[i] - until > longest:
            longest, cut = labels[i] - until, place
        until = max(until, labels[i] + group[i].facts.duration)
    first = order[0]
    if labels[first] + _day_s(group[first].facts) - until >= longest:
        cut = 0
    times = list(labels)
    for i in order[:cut]:
        times[i] += _day_s(group[i].facts)
    return _real(group, times)


def _real(group: Sequence[Seen], times: list[Fraction]) -> list[Fraction]:
    """Return times in real seconds, which non-drop labels at 29.97 do not count."""
    scales = {_per_second(s.facts) / s.facts.timecode.rate for s in group}
    if len(scales) > 1:
        return times
    scale, begin = scales.pop(), min(times)
    return [begin + (t - begin) * scale for t in times]


def stands_still(
    group: Sequence[Seen],
    starts: Sequence[Fraction],
    wall: Sequence[Fraction],
    slack_s: Fraction,
) -> bool:
    """Tell whether timecode runs only while recording.

    Each take begins where the last has ended, though by another clock time has passed.

    Parameters
    ----------
    group : sequence of Seen
    starts, wall : sequences of Fraction
        When each began by its timecode and by the other clock, in seconds.
    slack_s : Fraction
        By how much the other clock may be wrong.
    """
    order = sorted(range(len(group)), key=lambda i: starts[i])
    apart = Fraction(0)
    for a, b in itertools.pairwise(order):
        facts = group[a].facts
        if abs(starts[b] - starts[a] - facts.duration) > 1 / facts.timecode.rate:
            return False
        apart = max(apart, abs(wall[b] - wall[a] - facts.duration))
    return apart > _APART_S + slack_s
