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
from qc.records import AudioTrack, Finding, TakeResult
from qc.report.axis import Axis, axis_of, ticks
from qc.report.curves import (
    Curve,
    LimitLine,
    curve_of,
    lane_ends,
    limit_lines,
    summary_of,
)
from qc.report.extremes import extremes
from qc.report.words import sensible

__all__ = ["Band", "Lane", "Mark", "Strip", "strip_of"]

_FEW = 40
# Share of the axis that a finding's number takes up.
_LABEL_ROOM = 0.028
# A limit this near an end of its lane, in percent, takes the place of the end's label.
_NEAR_END = 15.0


@dataclass(frozen=True, slots=True)
class Band:
    """A stretch of the axis, as CSS percentages; `label` is empty where room lacks."""

    left: str
    width: str
    title: str
    grade: str = ""
    href: str = ""
    label: str = ""


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
    lanes : tuple of Lane
        What has findings, the gravest first; then what always matters.
    more : tuple of Lane
        Everything else, for who wants to dig.
    more_names : tuple of str
        What is among them, each chart once.
    unmeasured : tuple of str
        Lanes of which nothing was measured in this take.
    few : bool
        So few findings that each may be a stop of the tabulator key.
    """

    start: str
    end: str
    ticks: tuple[Mark, ...]
    usable: tuple[Band, ...]
    findings: tuple[Band, ...]
    lanes: tuple[Lane, ...]
    more: tuple[Lane, ...]
    more_names: tuple[str, ...]
    unmeasured: tuple[str, ...]
    few: bool


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
    bands = []
    room_from = 0.0
    for number, finding in found:
        left = axis.share(finding.start)
        label = str(number) if left >= room_from and len(found) <= _FEW else ""
        if label:
            room_from = left + _LABEL_ROOM
        bands.append((finding, _band_of(number, finding, axis, labels, result, label)))
    places = [
        place
        for measure in sorted(measures, key=lambda m: m.reading_order)
        for chart in measure.charts
        for place in _places(result, measure, chart, axis, bands)
    ]
    first, more = _sorted_out(places)
    grid = result.info.grid
    return Strip(
        start=result.info.start_timecode,
        end=grid.label(grid.nearest(result.duration)),
        ticks=tuple(
            Mark(_percent(t.share), t.label, _align(t.share), t.minor)
            for t in ticks(result.info, axis)
        ),
        usable=tuple(
            _band(axis, r.start, r.end, f"Usable from {grid.label(r.start_frame)}")
            for r in result.usable
        ),
        # The gravest last, on top.
        findings=tuple(b for _, b in sorted(bands, key=lambda fb: fb[0].grade.rank)),
        lanes=tuple(lane for _, lane in first),
        more=tuple(lane for _, lane in more),
        more_names=tuple(dict.fromkeys(chart.label for chart, _ in more)),
        unmeasured=_unmeasured(places),
        few=len(found) <= _FEW,
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
    label: str,
) -> Band:
    left, right = axis.share(finding.start), axis.share(finding.end)
    what = labels.get(finding.rule, finding.rule)
    tc = result.info.grid.label(finding.start_frame)
    return Band(
        left=_percent(left),
        width=_percent(right - left),
        title=f"Finding {number}: {what}, {finding.grade.value}, from {tc}",
        grade=finding.grade.value,
        href=f"#f{number}",
        label=label,
    )


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
        for channel in _channels(readings.track, [v for _, v in columns]):
            any_lane = True
            lines = [(label, _one(values, channel)) for label, values in columns]
            number, title = _channel_title(readings.track, channel, chart.label)
            if all(np.isnan(values).all() for _, values in lines):
                yield replace(nothing, title=title)
                continue
            flags = [(f, b) for f, b in own if number in (None, f.channel)]
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
    if not any_lane:
        yield nothing


def _channels(
    track: AudioTrack | None, columns: list[NDArray[np.float32]]
) -> range | tuple[None]:
    """Return the channels of a chart, if any of its columns has them."""
    wide = [c.shape[1] for c in columns if c.ndim == 2]
    if track is None or not wide:
        return (None,)
    return range(wide[0])


def _one(values: NDArray[np.float32], channel: int | None) -> NDArray[np.float32]:
    if values.ndim == 1:
        return values
    return values[:, channel or 0]


def _channel_title(
    track: AudioTrack | None, channel: int | None, label: str
) -> tuple[int | None, str]:
    if track is None or channel is None:
        return None, label
    number = track.channel_numbers[channel]
    name = "".join(track.channel_names[channel : channel + 1])
    return number, f"{label}, channel {number}" + (f" ({name})" if name else "")


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
        summary=summary_of(lines[0][1], _said_with(chart.unit), sound=sound),
        curves=tuple(reversed(curves)),
        limits=lines_of_limits,
        high=sensible(high) if all(float(y) > _NEAR_END for y in places) else "",
        low=sensible(low) if all(float(y) < 100 - _NEAR_END for y in places) else "",
        flags=flags,
        sound=sound,
    )
