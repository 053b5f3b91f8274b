"""Judge: readings and rules become findings, a grade, usable ranges and advice."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from fractions import Fraction
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from qc.limits import Limits
from qc.measures.base import Hit, Measure, Measured, Rule, finding_of
from qc.records import Finding, Grade, Readings, UsableRange
from qc.spans import Span, bridged, complement, past_limit, runs

__all__ = [
    "advice_from",
    "dose_thirds",
    "find",
    "grade_of",
    "join_channels",
    "once_for_all",
    "said_by",
    "usable_ranges",
]


def find(measured: Measured, measures: Iterable[Measure]) -> tuple[Finding, ...]:
    """Hold every rule of every measure against a take.

    Returns
    -------
    tuple of Finding
        In order of time, the more serious first.
    """
    found: list[Finding] = []
    for measure in measures:
        for rule in measure.rules:
            found.extend(_hold(rule, measured))
        for check in measure.checks:
            found.extend(check(measured))
    found.sort(key=lambda f: (f.start, -f.grade.rank, f.rule, f.channel or 0, f.end))
    return tuple(found)


def _hold(rule: Rule, measured: Measured) -> Iterator[Finding]:
    for readings in _with_column(measured, rule.column):
        values = readings[rule.column]
        if values.ndim == 1:
            yield from _hold_column(rule, measured, readings, values, None)
        else:
            for i in range(values.shape[1]):
                yield from _hold_column(rule, measured, readings, values[:, i], i)


def _with_column(measured: Measured, column: str) -> Iterator[Readings]:
    takes = (measured.picture, *measured.sound)
    for readings in takes:
        if readings is not None and readings.rows and column in readings.columns:
            yield readings


def _hold_column(
    rule: Rule,
    measured: Measured,
    readings: Readings,
    values: NDArray[np.float32],
    index: int | None,
) -> Iterator[Finding]:
    steps = [
        (grade, measured.limits[key])
        for grade, key in (
            (Grade.NOTE, rule.note),
            (Grade.REVIEW, rule.review),
            (Grade.REJECT, rule.reject),
        )
        if key is not None
    ]
    times = readings.times()
    shortest = _seconds(rule.min_seconds, measured.limits)
    gap = _seconds(rule.bridge_seconds, measured.limits)
    entry = steps[0][1]
    spans = bridged(
        past_limit(
            values, limit=entry, release=_release(rule, entry), above=rule.above
        ),
        times=times,
        gap=gap,
    )
    channel = None
    if readings.track is not None and index is not None:
        channel = readings.track.first_channel + index
    for first, last in spans:
        grade = _grade_of_span(rule, values, (first, last), times, steps, shortest, gap)
        if grade is None:
            continue
        part = values[first:last]
        worst_row = first + int(
            np.nanargmax(part) if rule.above else np.nanargmin(part)
        )
        hit = Hit(
            measured=measured,
            readings=readings,
            first=first,
            last=last,
            worst_row=worst_row,
            worst=float(values[worst_row]),
            limit=float(next(limit for g, limit in steps if g == grade)),
            grade=grade,
            seconds=float(times[last] - times[first]),
            channel=channel,
            column_index=index,
        )
        yield finding_of(
            measured,
            readings,
            rule=rule.id,
            grade=grade,
            first=first,
            last=last,
            worst_row=worst_row,
            message=rule.message(hit),
            advice=rule.advice(hit),
            worst=hit.worst,
            limit=hit.limit,
            unit=rule.unit,
            where=rule.where(hit) if rule.where is not None else None,
            channel=channel,
        )


def _seconds(value: str | float, limits: Limits) -> float:
    return float(limits[value]) if isinstance(value, str) else value


def _release(rule: Rule, limit: float) -> float:
    if rule.release_by is not None:
        return limit - rule.release_by if rule.above else limit + rule.release_by
    return limit * rule.release


def _grade_of_span(
    rule: Rule,
    values: NDArray[np.float32],
    span: Span,
    times: NDArray[np.float64],
    steps: Sequence[tuple[Grade, float]],
    shortest: float,
    gap: float,
) -> Grade | None:
    """Return the gravest grade whose limit is broken long enough, None for too short.

    A stretch shorter than the minimum still counts if it is gross: past the gravest
    limit there is. It is then graded one step lower, since it may be one frame only.
    """
    first, last = span
    part = values[first:last]
    # Rounded, so that 10 frames of 1/50 s are as long as 0.2 s.
    long_enough = round(float(times[last] - times[first]), 6) >= shortest
    grade: Grade | None = steps[0][0] if long_enough else None
    for step, limit in steps[1:]:
        with np.errstate(invalid="ignore"):
            past = part > limit if rule.above else part < limit
        joined = bridged(
            [(first + a, first + b) for a, b in runs(past)], times=times, gap=gap
        )
        if not joined:
            continue
        longest = max(round(float(times[b] - times[a]), 6) for a, b in joined)
        if longest >= shortest:
            grade = step
        elif grade is None and step is steps[-1][0]:
            grade = steps[0][0]
    return grade


def grade_of(findings: Iterable[Finding]) -> Grade:
    """Return how a take stands: the gravest finding's grade; notes leave it clean.

    Examples
    --------
    >>> grade_of([]).value
    'clean'
    """
    gravest = max(
        (f.grade for f in findings), key=lambda g: g.rank, default=Grade.CLEAN
    )
    return Grade.CLEAN if gravest is Grade.NOTE else gravest


def usable_ranges(
    findings: Iterable[Finding], measured: Measured, *, frames: int
) -> tuple[UsableRange, ...]:
    """Return the stretches without findings at or over review, the longest first.

    Parameters
    ----------
    frames : int
        Length of the take on its frame grid.
    """
    grid = measured.info.grid
    serious = [
        (f.start_frame, min(f.end_frame, frames))
        for f in findings
        if f.grade.rank >= Grade.REVIEW.rank
    ]
    shortest = Fraction(str(measured.limits["judging.usable_min_seconds"]))
    if Fraction(frames) / grid.rate < shortest and not serious:
        # A take shorter than the minimum may still be usable as a whole.
        shortest = Fraction(0)
    ranges = [
        UsableRange(grid.seconds(a), grid.seconds(b), a, b)
        for a, b in complement(serious, first=0, last=frames)
        if Fraction(b - a) / grid.rate >= shortest
    ]
    return tuple(
        sorted(ranges, key=lambda r: (-(r.end_frame - r.start_frame), r.start))
    )


_NAME = r"\d+(?: \([^()]*\))?"
_OF_CHANNEL = re.compile(rf"Channels? ({_NAME}(?:(?:, | and ){_NAME})*): ")


def join_channels(sentences: Iterable[str]) -> list[str]:
    """Return sentences, each once; what is to be done on several channels in one.

    Examples
    --------
    >>> join_channels(["Channel 1: mute.", "Focus.", "Channel 2 (boom): mute."])
    ['Channels 1 and 2 (boom): mute.', 'Focus.']
    >>> join_channels(["Channels 1 and 2: mute.", "Channel 4: mute."])
    ['Channels 1, 2 and 4: mute.']
    """
    channels: dict[str, list[str]] = {}
    for sentence in sentences:
        match = _OF_CHANNEL.match(sentence)
        what = sentence[match.end() :] if match else sentence
        known = channels.setdefault(what, [])
        for name in re.findall(_NAME, match[1]) if match else ():
            if name not in known:
                known.append(name)
    return [_who(names) + what for what, names in channels.items()]


def _who(channels: list[str]) -> str:
    if len(channels) < 2:
        return f"Channel {channels[0]}: " if channels else ""
    return f"Channels {', '.join(channels[:-1])} and {channels[-1]}: "


def once_for_all(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Return findings; a note that is the same of several channels is one of them all.

    One microphone on four channels is one thing to know, not four. The same it is where
    rule, place and every word but the channel's name are. What is worse than a note
    stays with its channel: other programs read it from there.
    """
    groups: dict[object, list[Finding]] = {}
    for finding in findings:
        key: object = id(finding)
        texts = finding.message, finding.advice
        named = finding.channel is not None and all(map(_OF_CHANNEL.match, texts))
        if named and finding.grade is Grade.NOTE:
            words = [_OF_CHANNEL.sub("", text, count=1) for text in texts]
            span = finding.start, finding.end, finding.unit, finding.limit
            key = finding.rule, span, *words
        groups.setdefault(key, []).append(finding)
    return tuple(_of_all(group) for group in groups.values())


def _of_all(group: list[Finding]) -> Finding:
    if len(group) < 2:
        return group[0]

    def beyond(finding: Finding) -> float:
        if finding.worst is None or finding.limit is None:
            return 0.0
        return abs(finding.worst - finding.limit)

    (message,) = join_channels(f.message for f in group)
    (advice,) = join_channels(f.advice for f in group)
    return replace(
        max(group, key=beyond),
        message=message,
        advice=advice,
        channel=None,
        channels=tuple(f.channel for f in group if f.channel is not None),
    )


_BURNT = ("highlights.relevant", "highlights.channel")
_SAID_BY = {"highlights.channel": "highlights.relevant"}
"""Rules whose advice, where both are found, another rule's advice contains: the iris
that stops the burning is given with the stops that no colour channel clips at."""


def said_by(rule: str, span: tuple[float, float], others: Iterable[_Told]) -> str:
    """Return the rule whose findings say this one's advice too, at its place.

    Parameters
    ----------
    span : (start, end)
        Of the finding, in seconds.
    others : iterable of (rule, start, end)
        All findings of the take to review or reject.

    Returns
    -------
    str
        Empty where no rule does for more than half of the span.

    Examples
    --------
    >>> said_by("highlights.channel", (1, 5), [("highlights.relevant", 0, 4)])
    'highlights.relevant'
    >>> said_by("highlights.channel", (1, 5), [("highlights.relevant", 3, 9)])
    ''
    """
    other = _SAID_BY.get(rule, "")
    start, end = span
    shared = sum(
        max(min(e, end) - max(s, start), 0.0) for r, s, e in others if r == other
    )
    return other if 2 * shared > end - start else ""


_Told: TypeAlias = tuple[str, float, float]

_AMOUNT = "([0-9]*[⅓⅔]|[0-9]+)"
_DOSE = re.compile(rf"(?<![0-9⅓⅔]){_AMOUNT}(?: to {_AMOUNT})? stops?\b")
_GLYPHS = ("", "⅓", "⅔")
_THIRDS = {glyph: thirds for thirds, glyph in enumerate(_GLYPHS)}


def dose_thirds(advice: str) -> int:
    """Return the most thirds of a stop that advice on the iris names; 0: none.

    Examples
    --------
    >>> [dose_thirds(f"close the iris by {how}") for how in
    ...  ("about 1 to 1⅓ stops", "at least ⅔ stop", "a little")]
    [4, 2, 0]
    """
    return max(
        (
            3 * int(text.rstrip("⅓⅔") or 0) + _THIRDS[text.lstrip("0123456789")]
            for found in _DOSE.findall(advice)
            for text in found
        ),
        default=0,
    )


def _also_for(worst: Finding, also: Iterable[Finding], names: Mapping[str, str]) -> str:
    """Name what the advice of one finding helps against besides."""
    rules = {f.rule for f in also} - {worst.rule}
    told = [f"“{names[rule]}”" for rule in sorted(rules) if rule in names]
    return f" This is also for {' and '.join(told)} there." if told else ""


def _elsewhere(
    advice: str, group: Iterable[Finding], label: Callable[[int], str] | None
) -> str:
    """Say where another stretch of the same fault needs more of the iris than is told.

    What helps the longest stretch is the advice; who reads on finds the other's.
    """
    most = max(group, key=lambda f: (dose_thirds(f.advice), f.duration))
    needed = dose_thirds(most.advice)
    if not needed > dose_thirds(advice) > 0:
        return ""
    whole, rest = divmod(needed, 3)
    much = f"{whole or ''}{_GLYPHS[rest]} stop{'s' * (needed > 3)}"
    where = "One stretch" if label is None else f"From {label(most.start_frame)} on it"
    return f" {where} takes up to {much}."


def advice_from(
    findings: Iterable[Finding],
    *,
    label: Callable[[int], str] | None = None,
    names: Mapping[str, str] | None = None,
) -> tuple[str, ...]:
    """Return what to change before the next take, most useful first.

    One sentence a rule and channel, that of its worst finding: the gravest grade
    first, then what spoils most time. One sentence on the iris and one on white go in
    front: they are what an operator turns to first. What another rule's advice on the
    same stretch says too is not said again: the other names it, with the stronger dose
    of the two. Where another stretch of the same fault needs more, that is told too.

    Parameters
    ----------
    label : function of a frame, optional
        Its timecode, for advice that is the opposite of other advice: what is too
        dark here and burnt out there needs both.
    names : mapping of rule to its name for people, optional
        With it advice names what else it helps against.
    """
    groups: dict[tuple[str, int | None, tuple[int, ...]], list[Finding]] = {}
    findings = tuple(findings)
    serious = [f for f in findings if f.grade.rank >= Grade.REVIEW.rank]
    spans = [(f.rule, float(f.start), float(f.end)) for f in serious if f.advice]
    said: dict[str, list[Finding]] = {}
    for finding in serious:
        if not finding.advice:
            continue
        span = float(finding.start), float(finding.end)
        if other := said_by(finding.rule, span, spans):
            said.setdefault(other, []).append(finding)
        else:
            whose = finding.rule, finding.channel, finding.channels
            groups.setdefault(whose, []).append(finding)

    def weight(group: list[Finding]) -> tuple[int, Fraction]:
        gravest = max(f.grade.rank for f in group)
        return gravest, sum((f.duration for f in group), Fraction(0))

    ordered = sorted(groups.values(), key=weight, reverse=True)
    rules = {rule for rule, *_ in groups}
    both = "exposure.dark" in rules and not rules.isdisjoint(_BURNT)
    sentences = []
    for group in ordered:
        worst = max(group, key=lambda f: (f.grade.rank, f.duration))
        advice = worst.advice
        also = said.get(worst.rule, ())
        stronger = max(also, key=lambda f: dose_thirds(f.advice), default=worst)
        if dose_thirds(stronger.advice) > dose_thirds(advice) > 0:
            advice = stronger.advice
        advice += _also_for(worst, also, names or {})
        advice += _elsewhere(advice, group, label)
        if label is not None and both and worst.rule in (*_BURNT, "exposure.dark"):
            times = f"{label(worst.start_frame)} to {label(worst.end_frame)}"
            advice = f"From {times}: {advice[0].lower()}{advice[1:]}"
        sentences.append((worst.rule.partition(".")[0], advice))
    first = [
        next((advice for room, advice in sentences if room in rooms), None)
        for rooms in (("highlights", "exposure"), ("white",))
    ]
    return tuple(join_channels([*filter(None, first), *(a for _, a in sentences)]))
