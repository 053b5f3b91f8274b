"""Exposure and white through the day: a mark a take, so that drift shows."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from qc.daybook import DayTake
from qc.limits import Limits
from qc.records import Grade
from qc.report.curves import LimitLine
from qc.report.day_axis import DayAxis
from qc.report.day_line import Times, percent
from qc.report.day_values import figure, text_at
from qc.report.words import amount, fixed, sensible

__all__ = ["Drift", "DriftLane", "Pick", "Series", "drift_of"]

# Size of a lane's drawing area in its own units; the page stretches it.
_WIDTH, _HEIGHT = 1000.0, 100.0
# Looks of marks that tell cameras apart.
_LOOKS = 4
# Labels of limits keep this far apart, and from the ends, in percent of the height.
_LABEL_GAP = 15.0


@dataclass(frozen=True, slots=True)
class Series:
    """The takes of one camera in a lane, as SVG paths in a box of 1000 by 100.

    Attributes
    ----------
    look : int
        Which of the few looks its marks have.
    marks, joins, stems : str
        A mark as long as the take; what joins one to the next; from a take's mark to
        its highest moment.
    """

    look: int
    marks: str
    joins: str
    stems: str


@dataclass(frozen=True, slots=True)
class DriftLane:
    """One figure of every take; the band is their middle half, in percent of height."""

    title: str
    unit: str
    explain: str
    summary: str
    series: tuple[Series, ...]
    limits: tuple[LimitLine, ...]
    high: str
    low: str
    zero: str
    band_top: str
    band_height: str
    middle: str


@dataclass(frozen=True, slots=True)
class Pick:
    """A take across all lanes: a link to its row."""

    left: str
    width: str
    title: str
    href: str


@dataclass(frozen=True, slots=True)
class Drift:
    """The whole chart.

    Attributes
    ----------
    cameras : tuple of (look, name)
        For the legend; empty with a single camera.
    unmeasured : tuple of str
        Sentences on what was not measured in any take.
    """

    lanes: tuple[DriftLane, ...]
    picks: tuple[Pick, ...]
    cameras: tuple[tuple[int, str], ...]
    unmeasured: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Kind:
    """What a lane shows; `peak` is the highest moment, for a stem."""

    title: str
    unit: str
    short: str
    explain: str
    value: tuple[str, str]
    peak: tuple[str, str] | None = None
    limits: tuple[str, ...] = ()
    root: bool = False
    signed: bool = False
    floor: float | None = None
    room: float = 0.0
    absent: str = ""


_KINDS = (
    _Kind(
        "Level",
        "% of black to white",
        "%",
        "Median level of each take.",
        ("exposure", "p50_median_percent"),
        room=12.0,
        absent="The level was not measured in any take{placed}.",
    ),
    _Kind(
        "Burnt-out area",
        "% of the picture",
        "%",
        "Mean of each take; the stem reaches up to its highest moment. The scale is "
        "drawn out at its lower end (square root).",
        ("highlights", "relevant_mean_percent"),
        peak=("highlights", "relevant_max_percent"),
        limits=("highlights.review_percent", "highlights.reject_percent"),
        root=True,
        floor=0.0,
        absent="Burnt-out area was not measured in any take{placed}.",
    ),
    _Kind(
        "Colour cast of a white",
        "ΔE₀₀",
        "",
        "How far a white is from neutral, median of each take.",
        ("white", "cast_delta_e00"),
        limits=("white.review_delta_e00", "white.reject_delta_e00"),
        floor=0.0,
        absent="White balance was not measured in any take{placed}: name a neutral "
        "patch with --neutral, or in the limits file.",
    ),
    _Kind(
        "Warm or cold",
        "mired from neutral",
        "mired",
        "Up is warm, down is cold; the line is neutral.",
        ("white", "mired_shift"),
        signed=True,
        room=20.0,
    ),
)


def drift_of(
    numbered: Sequence[tuple[int, DayTake]],
    axis: DayAxis,
    times: Times,
    cameras: Mapping[str, str],
    limits: Limits,
) -> Drift:
    """Return exposure and white through the day.

    Parameters
    ----------
    numbered : sequence of (number, DayTake)
        As numbered on the page.
    """
    spans: dict[str, tuple[float, float]] = {}
    for number, take in numbered:
        if axis.in_order:
            spans[take.name] = axis.share(number - 0.72), axis.share(number - 0.28)
        elif take.name in times:
            start, end, _ = times[take.name]
            spans[take.name] = axis.share(start), axis.share(end)
    placed = [(n, t) for n, t in numbered if t.name in spans and t.readable]
    placed.sort(key=lambda p: spans[p[1].name])
    names = list(dict.fromkeys(cameras.get(t.name, "") for _, t in placed))
    looks = {name: i % _LOOKS for i, name in enumerate(names)}
    groups = [
        (looks[name], [t for _, t in placed if cameras.get(t.name, "") == name])
        for name in names
    ]
    on_line = {t.name for _, t in placed}
    others = [t for _, t in numbered if t.name not in on_line]
    lanes, absent = [], []
    for kind in _KINDS:
        lane = _lane(kind, groups, spans, limits)
        if lane is not None:
            lanes.append(lane)
        elif kind.absent:
            # The table shows it of takes whose time is not known.
            of_line = " that has a place on this line" * bool(
                _known(others, kind.value)
            )
            absent.append(kind.absent.format(placed=of_line))
    picks = [_pick(n, t, spans[t.name]) for n, t in placed]
    # Narrow ones on top, so that none is out of reach.
    picks.sort(key=lambda p: -float(p.width.rstrip("%")))
    legend = (
        [(looks[n], n or "camera not known") for n in names] if len(names) > 1 else []
    )
    return Drift(
        tuple(lanes), tuple(picks) if lanes else (), tuple(legend), tuple(absent)
    )


def _lane(
    kind: _Kind,
    groups: Sequence[tuple[int, Sequence[DayTake]]],
    spans: Mapping[str, tuple[float, float]],
    limits: Limits,
) -> DriftLane | None:
    takes_all = [t for _, takes in groups for t in takes]
    values = _known(takes_all, kind.value)
    if not values:
        return None
    bounds = {k: float(limits[k]) for k in kind.limits if k in limits}
    peaks = _known(takes_all, kind.peak)
    low, high = _ends(kind, [*values, *peaks], list(bounds.values()))
    y = _scale(low, high, root=kind.root)
    quarter, middle, three = (float(v) for v in np.percentile(values, (25, 50, 75)))
    lines = _limit_lines(bounds, y)
    near = [float(line.label_top.rstrip("%")) for line in lines]
    return DriftLane(
        title=kind.title,
        unit=kind.unit,
        explain=kind.explain,
        summary=_summary(values, quarter, middle, three, kind.short),
        series=tuple(_series(look, kind, takes, spans, y) for look, takes in groups),
        limits=lines,
        high="" if near and min(near) < _LABEL_GAP else _end(high, kind),
        low="" if near and max(near) > _HEIGHT - _LABEL_GAP else _end(low, kind),
        zero=f"{y(0.0):.2f}" if kind.signed else "",
        band_top=f"{y(three):.2f}",
        band_height=f"{max(y(quarter) - y(three), 0.5):.2f}",
        middle=f"{y(middle):.2f}",
    )


def _value(take: DayTake, keys: tuple[str, str] | None) -> float | None:
    return None if keys is None else figure(take.document, "summary", *keys)


def _known(takes: Sequence[DayTake], keys: tuple[str, str] | None) -> list[float]:
    return [v for t in takes if (v := _value(t, keys)) is not None]


def _ends(
    kind: _Kind, values: Sequence[float], bounds: Sequence[float]
) -> tuple[float, float]:
    """Return the ends of a lane's axis: all values and limits, and some room."""
    if kind.signed:
        far = max([abs(v) for v in values] + [kind.room]) * 1.15
        return -far, far
    low, high = min([*values, *bounds]), max([*values, *bounds])
    middle = (low + high) / 2
    low, high = min(low, middle - kind.room), max(high, middle + kind.room)
    room = 0.12 * (high - low)
    low = kind.floor if kind.floor is not None else max(low - room, 0.0)
    return low, max(high + room, low + 1e-6)


def _scale(low: float, high: float, *, root: bool) -> Callable[[float], float]:
    """Return from a value to its place, 0 at the top and 100 at the bottom."""

    def share(value: float) -> float:
        part = min(max((value - low) / (high - low), 0.0), 1.0)
        return math.sqrt(part) if root else part

    return lambda value: _HEIGHT * (1.0 - share(value))


def _end(value: float, kind: _Kind) -> str:
    if kind.signed:
        return f"{'warm' if value > 0 else 'cold'} {sensible(round(abs(value)))}"
    return sensible(round(value) if abs(value) >= 5 else round(value, 1))


def _summary(
    values: Sequence[float], quarter: float, middle: float, three: float, unit: str
) -> str:
    if len(values) == 1:
        return amount(values[0], unit, 1)
    text = f"median {amount(middle, unit, 1)}, all {fixed(min(values), 1)} to "
    text += fixed(max(values), 1)
    if len(values) >= 4:
        text += f", middle half {fixed(quarter, 1)} to {fixed(three, 1)}"
    return text


def _limit_lines(
    bounds: Mapping[str, float], y: Callable[[float], float]
) -> tuple[LimitLine, ...]:
    out: list[LimitLine] = []
    reached = -_LABEL_GAP
    for key, value in sorted(bounds.items(), key=lambda b: -b[1]):
        place = y(value)
        reached = max(place, reached + _LABEL_GAP)
        grade = Grade.REJECT if "reject" in key else Grade.REVIEW
        out.append(
            LimitLine(
                y=f"{place:.2f}",
                label_top=f"{min(reached, _HEIGHT):.2f}%",
                label=f"{grade.value} {sensible(value)}",
                grade=grade.value,
            )
        )
    return tuple(out)


def _series(
    look: int,
    kind: _Kind,
    takes: Sequence[DayTake],
    spans: Mapping[str, tuple[float, float]],
    y: Callable[[float], float],
) -> Series:
    marks, joins, stems = [], [], []
    for take in takes:
        value = _value(take, kind.value)
        if value is None:
            continue
        left, right = (s * _WIDTH for s in spans[take.name])
        place = f"{(left + right) / 2:.1f} {y(value):.1f}"
        joins.append(place)
        # A line of no length at all would not be drawn everywhere.
        marks.append(f"M{left:.1f} {y(value):.1f}h{max(right - left, 0.1):.1f}")
        peak = _value(take, kind.peak)
        if peak is not None and peak > value:
            stems.append(f"M{place}V{y(peak):.1f}")
    line = f"M{' '.join(joins)}" if len(joins) > 1 else ""
    return Series(look, "".join(marks), line, "".join(stems))


def _pick(number: int, take: DayTake, span: tuple[float, float]) -> Pick:
    said = []
    for kind in _KINDS:
        value = _value(take, kind.value)
        if value is None or kind.signed:
            continue
        text = f"{kind.title.lower()} {amount(value, kind.short)}"
        peak = _value(take, kind.peak)
        said.append(text + (f" (up to {sensible(peak)})" if peak is not None else ""))
    white = text_at(take.document, "summary", "white", "words")
    said += [f"white {white}"] if white else []
    return Pick(
        left=percent(span[0]),
        width=percent(span[1] - span[0]),
        title=f"Take {number}: {take.name}: {', '.join(said) or 'not measured'}",
        href=f"#t{number}",
    )
