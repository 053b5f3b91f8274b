"""The time strip: the whole take on one axis, a lane for each thing that was measured.

Everything here ends as places in percent and SVG paths, so that the template only has
to put them down.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from qc.measures.base import Chart, Measure
from qc.records import Finding, Grade, TakeResult
from qc.report.axis import Axis, axis_of, spoken_label, ticks
from qc.report.curves import (
    Curve,
    LimitLine,
    curve_of,
    lane_ends,
    limit_lines,
    summary_of,
)
from qc.report.extremes import extremes
from qc.report.lanenames import channel_title, channels, is_of, one, track_label
from qc.report.words import sensible

__all__ = ["Band", "Lane", "Mark", "Rail", "Strip", "strip_of"]

_FEW = 40
_UPRIGHTS = 12
# Share of the axis that a finding's number takes up, also on a telephone.
_LABEL_ROOM = 0.06
# Share of the axis that keeps bars apart: three dots of a telephone's screen.
_APART = 0.01
# A limit this near an end of its lane, in percent, takes the place of the end's label.
_NEAR_END = 22.0


@dataclass(frozen=True, slots=True)
class Band:
    """A stretch of the axis, as CSS percentages; `label` is empty where room lacks.

    `inside` is the SVG path of what shares the stretch, on 1000 by 10; empty for one.
    """

    left: str
    width: str
    title: str
    grade: str = ""
    href: str = ""
    label: str = ""
    inside: str = ""


@dataclass(frozen=True, slots=True)
class Rail:
    """A line of the strip with the findings of one kind, as bars."""

    label: str
    grade: str
    bars: tuple[Band, ...]


@dataclass(frozen=True, slots=True)
class Mark:
    """A labelled place on the axis."""

    left: str
    label: str
    align: str
    minor: bool = False


@dataclass(frozen=True, slots=True)
class Lane:
    """One chart, or one channel of it."""

    title: str
    unit: str
    explain: str
    summary: str
    curves: tuple[Curve, ...]
    limits: tuple[LimitLine, ...]
    high: str
    low: str
    flags: tuple[Band, ...]
    sound: bool


@dataclass(frozen=True, slots=True)
class _Place:
    """A lane with what decides where it stands; `lane` is None if nothing was read."""

    title: str
    chart: Chart
    gravest: int
    lane: Lane | None


@dataclass(frozen=True, slots=True)
class Strip:
    """The whole strip.

    Attributes
    ----------
    findings : tuple of Band
        Where something was found, the gravest last.
    rails : tuple of Rail
        The same by kind, the gravest first; what lies too near to be told apart is one
        bar.
    lanes : tuple of Lane
        What has findings, the gravest first; then what always matters.
    more : tuple of Lane
        Everything else, for who wants to dig.
    more_names : tuple of str
        What is among them, each chart once.
    unmeasured : tuple of str
        Lanes of which nothing was measured in this take.
    few : bool
        So few bars that each may be a stop of the tabulator key.
    """

    start: str
    end: str
    ticks: tuple[Mark, ...]
    usable: tuple[Band, ...]
    findings: tuple[Band, ...]
    rails: tuple[Rail, ...]
    lanes: tuple[Lane, ...]
    more: tuple[Lane, ...]
    more_names: tuple[str, ...]
    unmeasured: tuple[str, ...]
    few: bool

    @property
    def shares(self) -> bool:
        """Whether any bar stands for several findings."""
        return any(bar.inside for rail in self.rails for bar in rail.bars)


def strip_of(
    result: TakeResult,
    measures: Iterable[Measure],
    numbers: Iterable[tuple[int, Finding]],
    labels: dict[str, str],
) -> Strip:
    """Return the time strip of a take.

    Parameters
    ----------
    numbers : iterable of (number, Finding)
        Findings as numbered on the page.
    labels : mapping of rule id to its short name
    """
    axis = axis_of(result)
    found = list(numbers)
    bands = [(f, _band_of(n, f, axis, labels, result)) for n, f in found]
    rails = tuple(_rails(found, axis, labels, result))
    places = [
        place
        for measure in sorted(measures, key=lambda m: m.reading_order)
        for chart in measure.charts
        for place in _places(result, measure, chart, axis, bands)
    ]
    first, more = _sorted_out(places)
    info = result.info
    return Strip(
        start=spoken_label(info, 0),
        end=spoken_label(info, info.grid.nearest(result.duration), result.duration),
        ticks=tuple(
            Mark(_percent(t.share), t.label, _align(t.share), t.minor)
            for t in ticks(result.info, axis)
        ),
        usable=tuple(
            _band(
                axis, r.start, r.end, f"Usable from {spoken_label(info, r.start_frame)}"
            )
            for r in result.usable
        ),
        # The gravest last, on top.
        findings=_uprights(rails),
        rails=rails,
        lanes=tuple(lane for _, lane in first),
        more=tuple(lane for _, lane in more),
        more_names=tuple(dict.fromkeys(chart.label for chart, _ in more)),
        unmeasured=_unmeasured(places),
        few=sum(len(rail.bars) for rail in rails) <= _FEW,
    )


def _percent(share: float) -> str:
    return f"{100.0 * share:.3f}%"


def _align(share: float) -> str:
    return "first" if share < 0.04 else "last" if share > 0.94 else "middle"


def _said_with(unit: str) -> str:
    """Return a chart's unit as it stands behind a number."""
    if unit.startswith("%"):
        return "%"  # of the picture, of the width: the heading says of what
    return {"in 1 s": "a second"}.get(unit, unit).replace(" ", "\N{NO-BREAK SPACE}")


def _band(axis: Axis, start: Fraction, end: Fraction, title: str) -> Band:
    left, right = axis.share(start), axis.share(end)
    return Band(_percent(left), _percent(right - left), title)


def _band_of(
    number: int,
    finding: Finding,
    axis: Axis,
    labels: dict[str, str],
    result: TakeResult,
) -> Band:
    left, right = axis.share(finding.start), axis.share(finding.end)
    what = labels.get(finding.rule, finding.rule)
    tc = spoken_label(result.info, finding.start_frame)
    return Band(
        left=_percent(left),
        width=_percent(right - left),
        title=f"Finding {number}: {what}, {finding.grade.value}, from {tc}",
        grade=finding.grade.value,
        href=f"#f{number}",
    )


def _rails(
    found: list[tuple[int, Finding]],
    axis: Axis,
    labels: dict[str, str],
    result: TakeResult,
) -> Iterator[Rail]:
    """Yield a line for each kind of finding, the gravest and longest first."""
    kinds: dict[str, list[tuple[int, Finding]]] = {}
    for number, finding in found:
        kinds.setdefault(finding.rule, []).append((number, finding))

    def weight(rule: str) -> tuple[int, Fraction]:
        own = [f for _, f in kinds[rule]]
        return -max(f.grade.rank for f in own), -sum(
            (f.duration for f in own), Fraction(0)
        )

    for rule in sorted(kinds, key=weight):
        bars: list[tuple[int, Band]] = []
        for grade in Grade:
            own = [(n, f) for n, f in kinds[rule] if f.grade is grade]
            for group in _near(own, axis):
                band = _bar(group, axis, labels, result)
                bars.append((grade.rank, band))
        yield Rail(
            label=labels.get(rule, rule),
            grade=max((f.grade for _, f in kinds[rule]), key=lambda g: g.rank).value,
            bars=_labelled(bars),
        )


def _near(
    found: list[tuple[int, Finding]], axis: Axis
) -> Iterator[list[tuple[int, Finding]]]:
    """Yield findings that lie too near each other to be drawn apart."""
    group: list[tuple[int, Finding]] = []
    reached = 0.0
    for number, finding in sorted(found, key=lambda nf: nf[1].start):
        if group and axis.share(finding.start) - reached > _APART:
            yield group
            group = []
        group.append((number, finding))
        # A bar has a least width, of about as much as keeps bars apart.
        reached = max(
            reached, axis.share(finding.end), axis.share(finding.start) + _APART
        )
    if group:
        yield group


def _bar(
    group: list[tuple[int, Finding]],
    axis: Axis,
    labels: dict[str, str],
    result: TakeResult,
) -> Band:
    """Return the bar of findings that share one; it leads to the first."""
    number, first = group[0]
    band = _band_of(number, first, axis, labels, result)
    if len(group) == 1:
        return replace(band, label=str(number))
    last = max((f for _, f in group), key=lambda f: f.end)
    info = result.info
    return replace(
        band,
        width=_percent(axis.share(last.end) - axis.share(first.start)),
        title=(
            f"{len(group)} findings: {labels.get(first.rule, first.rule)}, "
            f"{first.grade.value}, from "
            f"{spoken_label(info, first.start_frame)} to "
            f"{spoken_label(info, last.end_frame)}"
        ),
        label=f"{len(group)}×",
        inside=_inside([f for _, f in group], axis),
    )


def _inside(findings: list[Finding], axis: Axis) -> str:
    """Return a path of where, in the bar they share, the findings lie."""
    left = axis.share(findings[0].start)
    width = max(max(axis.share(f.end) for f in findings) - left, 1e-9)
    places = (
        (
            1000 * (axis.share(f.start) - left) / width,
            1000 * (axis.share(f.end) - left) / width,
        )
        for f in findings
    )
    return "".join(
        f"M{a:.0f} 0V10H{b:.0f}V0z"
        for a, b in dict.fromkeys((round(a), round(b)) for a, b in places)
    )


def _uprights(rails: tuple[Rail, ...]) -> tuple[Band, ...]:
    """Return what lines through all lanes lead to: all but notes, where those crowd."""
    bars = [bar for rail in rails for bar in rail.bars]
    if len(bars) > _UPRIGHTS:
        bars = [bar for bar in bars if bar.grade != Grade.NOTE.value]
    return tuple(sorted(bars, key=lambda bar: Grade(bar.grade).rank))


def _labelled(bars: list[tuple[int, Band]]) -> tuple[Band, ...]:
    """Return bars, the gravest on top, with those labels that have room."""
    room_from = 0.0
    out = []
    for rank, band in sorted(bars, key=lambda rb: float(rb[1].left.rstrip("%"))):
        left = float(band.left.rstrip("%")) / 100
        room = left >= room_from
        if room:
            room_from = left + _LABEL_ROOM
        out.append((rank, band if room else replace(band, label="")))
    return tuple(band for _, band in sorted(out, key=lambda rb: rb[0]))


def _sorted_out(
    places: list[_Place],
) -> tuple[list[tuple[Chart, Lane]], list[tuple[Chart, Lane]]]:
    """Return the lanes to show, and those to keep behind a fold."""
    drawn = [p for p in places if p.lane is not None]
    flagged = [p for p in drawn if p.gravest >= 0]
    quiet = [p for p in drawn if p.gravest < 0]
    first = sorted(flagged, key=lambda p: -p.gravest)
    first += [p for p in quiet if p.chart.always]
    more = [p for p in quiet if not p.chart.always]
    if not first:  # a fold with nothing above it would look like an empty strip
        first, more = more, []
    shown, folded = (
        [(p.chart, p.lane) for p in group if p.lane is not None]
        for group in (first, more)
    )
    return shown, folded


def _unmeasured(places: list[_Place]) -> tuple[str, ...]:
    """Return what could not be drawn: charts by name, or single channels of them."""
    drawn = {p.chart for p in places if p.lane is not None}
    names = [
        p.title if p.chart in drawn else p.chart.label for p in places if p.lane is None
    ]
    return tuple(dict.fromkeys(names))


def _places(
    result: TakeResult,
    measure: Measure,
    chart: Chart,
    axis: Axis,
    bands: list[tuple[Finding, Band]],
) -> Iterator[_Place]:
    """Return the lanes of a chart: one, or one a channel."""
    own = [(f, b) for f, b in bands if f.rule in measure.rule_labels]
    nothing = _Place(chart.label, chart, -1, None)
    any_lane = False
    sources = [result.picture] if measure.clock == "picture" else list(result.sound)
    for readings in sources:
        if readings is None or not readings.rows:
            continue
        names = [f"{measure.name}.{c}" for c in chart.columns]
        names = [n for n in names if n in readings.columns]
        columns = [(measure.column(n).label, readings[n]) for n in names]
        if not columns:
            continue
        label = track_label(result, readings.track, chart.label)
        for channel in channels(readings.track, [v for _, v in columns]):
            any_lane = True
            lines = [(name, one(values, channel)) for name, values in columns]
            number, title = channel_title(readings.track, channel, label)
            if all(np.isnan(values).all() for _, values in lines):
                yield replace(nothing, title=title)
                continue
            flags = [(f, b) for f, b in own if is_of(f, readings.track, number, result)]
            lane = _lane(
                result,
                chart,
                title,
                lines,
                readings.edges.astype(np.float64) * float(readings.time_base),
                axis,
                tuple(b for _, b in flags),
                sound=measure.clock == "sound",
            )
            gravest = max((f.grade.rank for f, _ in flags), default=-1)
            yield replace(nothing, title=title, gravest=gravest, lane=lane)
    # That sound has no picture is no news; a picture that is lost is.
    told = measure.clock == "sound" or result.info.video or result.info.picture_lost
    if not any_lane and told:
        yield nothing


def _lane(
    result: TakeResult,
    chart: Chart,
    title: str,
    lines: list[tuple[str, NDArray[np.float32]]],
    times: NDArray[np.float64],
    axis: Axis,
    flags: tuple[Band, ...],
    *,
    sound: bool,
) -> Lane:
    limits = [
        (key, float(str(result.limits[key])))
        for key in chart.limits
        if key in result.limits
    ]
    low, high = lane_ends(chart, [v for _, v in lines], [v for _, v in limits])
    curves = []
    for rank, (label, values) in enumerate(lines):
        shape = extremes(values, times, start=axis.start, end=axis.end)
        curves.append(curve_of(shape, axis, low, high, rank, label))
    lines_of_limits = limit_lines(limits, low, high)
    places = [line.label_top.rstrip("%") for line in lines_of_limits]
    return Lane(
        title=title,
        unit=chart.unit,
        explain=chart.explain,
        summary=summary_of(
            lines[0][1],
            _said_with(chart.unit),
            sound=sound,
            floor=chart.low,
            name=lines[0][0] if len(lines) > 1 else "",
        ),
        curves=tuple(reversed(curves)),
        limits=lines_of_limits,
        high=sensible(high) if all(float(y) > _NEAR_END for y in places) else "",
        low=sensible(low) if all(float(y) < 100 - _NEAR_END for y in places) else "",
        flags=flags,
        sound=sound,
    )
