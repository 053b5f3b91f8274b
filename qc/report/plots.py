"""Figures of level, sharpness and sound over the take, drawn to be read and printed.

The strip finds the place; these have scales that can be read off.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from qc.records import Grade, Readings, TakeResult
from qc.report.axis import Axis, axis_of
from qc.report.drawing import LINE_LOOKS
from qc.report.extremes import Extremes, extremes
from qc.report.timefigure import Plot, TimeFigure
from qc.report.words import amount, counted
from qc.spans import runs

__all__ = ["plots_of"]

# Bins of time: more than a figure in print has dots for.
_BINS = 800
_MOST_LINES = 4


def plots_of(result: TakeResult) -> tuple[Plot, ...]:
    """Return the figures of a take, without those of which nothing was measured."""
    return tuple(p for p in _plots(result) if p is not None)


def _plots(result: TakeResult) -> Iterator[Plot | None]:
    axis = axis_of(result)
    if axis.end <= axis.start:
        return
    picture = result.picture
    if picture is not None and picture.rows:
        yield _level(result, picture, axis)
        yield _sharpness(result, picture, axis)
    yield _sound(result, axis)


def _times(readings: Readings) -> NDArray[np.float64]:
    return readings.edges.astype(np.float64) * float(readings.time_base)


def _shape(values: NDArray[np.float32], readings: Readings, axis: Axis) -> Extremes:
    return extremes(
        values, _times(readings), start=axis.start, end=axis.end, bins=_BINS
    )


def _known(values: NDArray[np.float32]) -> NDArray[np.float64]:
    return values[np.isfinite(values)].astype(np.float64)


def _limit(result: TakeResult, key: str) -> float | None:
    value = result.limits.get(key)
    return float(value) if isinstance(value, int | float) else None


def _level(result: TakeResult, picture: Readings, axis: Axis) -> Plot | None:
    names = ("exposure.p01_percent", "exposure.p50_percent", "exposure.p99_percent")
    if not all(n in picture.columns for n in names):
        return None
    p01, p50, p99 = (picture[n] for n in names)
    known = _known(p50)
    if not known.size:
        return None
    sheet = TimeFigure(result, axis, "% of black to white", (-8.0, 112.0))
    dark, bright = _shape(p01, picture, axis), _shape(p99, picture, axis)
    between = Extremes(dark.edges, dark.low, bright.high)
    sheet.flagged(("highlights.relevant", "exposure.dark"))
    sheet.band(between, "p0 pale", "all but the outer hundredths")
    sheet.band(_shape(p50, picture, axis), "p0", "median")
    limits: list[tuple[str, float, Grade | None]] = [
        ("black", 0.0, None),
        ("white", 100.0, None),
    ]
    level = _limit(result, "highlights.level_percent")
    if level is not None and abs(level - 100.0) >= 1.0:
        limits.append((f"{level:g} %", level, Grade.REVIEW))
    sheet.limits(limits)
    darkest, brightest = _known(p01), _known(p99)
    alt = (
        f"Level over time. The picture's median is {amount(np.median(known), '%')}, "
        f"between {amount(known.min(), '%')} and {amount(known.max(), '%')}. A "
        f"hundredth of the pixels lies under {amount(np.median(darkest), '%')} and one "
        f"over {amount(np.median(brightest), '%')} in the median frame."
    )
    return sheet.plot(
        "Level",
        alt,
        "Dark line: median of the picture. Shaded: from its darkest to its brightest "
        "hundredth. Hatched: burnt-out or dark stretches.",
    )


def _sharpness(result: TakeResult, picture: Readings, axis: Axis) -> Plot | None:
    if "focus.sharpness" not in picture.columns:
        return None
    values = picture["focus.sharpness"]
    known = _known(values)
    if not known.size or known.max() <= 0.0:
        return None
    floor = max(float(known.max()) * 1e-4, 0.1)
    lowest = max(floor, float(np.percentile(known, 1)) / 3.0)
    ends = lowest, max(float(known.max()) * 1.6, lowest * 2.0)
    sheet = TimeFigure(result, axis, "codes², noise taken off", ends, by_tens=True)
    sheet.flagged(("focus.soft",))
    raised = np.maximum(values, np.float32(floor))
    sheet.band(_shape(raised, picture, axis), "p0", "sharpness")
    shots = _shot_changes(picture)
    if 0 < len(shots) <= 40:
        sheet.moments(shots)
    alt = (
        f"Sharpness over time. Median {amount(np.median(known), 'codes²')}, between "
        f"{amount(known.min(), 'codes²')} and {amount(known.max(), 'codes²')}, in "
        f"{counted(len(shots) + 1, 'stretch', 'stretches')} of one framing."
    )
    return sheet.plot(
        "Sharpness",
        alt,
        "Fine detail of the whole picture, on a logarithmic scale. Compare only within "
        "one framing (dotted lines: a new one begins). Hatched: soft stretches.",
    )


def _shot_changes(picture: Readings) -> list[float]:
    if "framing.shot" not in picture.columns:
        return []
    shots = picture["framing.shot"]
    changed = runs(np.diff(shots) != 0) if len(shots) > 1 else []
    times = _times(picture)
    return [
        float(times[row + 1]) for first, last in changed for row in range(first, last)
    ]


def _sound(result: TakeResult, axis: Axis) -> Plot | None:
    lines: list[tuple[int, Readings, NDArray[np.float32]]] = []
    for readings in result.sound:
        name = "peaks.true_peak_dbtp"
        if readings.rows and readings.track is not None and name in readings.columns:
            values = readings[name].reshape(readings.rows, -1)
            numbers = readings.track.channel_numbers
            lines += [
                (n, readings, values[:, i])
                for i, n in enumerate(numbers)
                if np.isfinite(values[:, i]).any()
            ]
    if not lines:
        return None
    sheet = TimeFigure(result, axis, "dBTP", (-62.0, 4.0))
    sheet.flagged(("sound.clipped", "sound.peak"))
    # The first channel last, on top.
    drawn = list(zip(LINE_LOOKS, lines[:_MOST_LINES], strict=False))
    for look, (number, readings, values) in reversed(drawn):
        shape = _shape(np.maximum(values, np.float32(-100.0)), readings, axis)
        sheet.line(shape, look, f"channel {number}")
    limits: list[tuple[str, float, Grade | None]] = []
    limit = _limit(result, "peaks.review_dbtp")
    if limit is not None:
        said = f"{limit:g} dBTP".replace("-", "−")
        limits.append((said, limit, Grade.REVIEW))
    aim = _limit(result, "peaks.target_peak_dbfs")
    if aim is not None:
        limits.append(("aim", aim, None))
    sheet.limits(limits)
    highest = [f"channel {n} {amount(_known(v).max(), 'dBTP', 1)}" for n, _, v in lines]
    left_out = len(lines) - _MOST_LINES
    more = f" {counted(left_out, 'further channel')} only in the strip." * (
        left_out > 0
    )
    return sheet.plot(
        "Sound peaks",
        f"True peaks of the sound over time. Highest: {', '.join(highest)}.",
        "Highest true peak of each moment, channel by channel. Dotted: where the "
        f"loudest sounds should reach. Hatched: clipped or too loud.{more}",
    )
