"""Exposure: where the picture lies between black and white, and the room left above."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping

import numpy as np
from numpy.typing import NDArray

from qc.limits import Option
from qc.measures.base import Chart, Column, Measure, Measured, Rule, Setup, Values
from qc.measures.highlights import judged_region
from qc.measures.parts.level.closing import ClosingReader, closing
from qc.measures.parts.level.fieldlevel import (
    FieldLevel,
    dark_advice,
    dark_message,
    noise_percent,
    open_stops,
)
from qc.measures.parts.level.leveldrift import (
    drift,
    gains,
    lost_seconds,
    same_columns,
)
from qc.measures.parts.level.levelshow import exhibits
from qc.measures.parts.level.levelwalk import LevelFollower
from qc.records import Picture
from qc.signal import Signal, curve_name, headroom_stops
from qc.views import luma_histogram

__all__ = ["MEASURE", "histogram_mean", "histogram_percentiles"]

_PERCENTILES = (1.0, 50.0, 95.0, 99.0)
# Headroom is counted from here, of what is not cut off.
_TOP_PERCENTILE = 99.9
_LOST_NOTE_SECONDS = 2.0
# How far to open is told for what is dark, or nearly.
_NEARLY = 1.1
# Columns whose median says nothing.
_NO_FIGURES = ("place", "level_stops", "entered_percent", "carried")


def histogram_mean(histogram: NDArray[np.int64]) -> float:
    """Return the mean code of a histogram; NaN for an empty one.

    Examples
    --------
    >>> histogram_mean(np.array([1, 0, 3]))
    1.5
    """
    total = int(histogram.sum())
    if total == 0:
        return math.nan
    return float(histogram @ np.arange(len(histogram))) / total


def histogram_percentiles(
    histogram: NDArray[np.int64], percentiles: Iterable[float]
) -> list[float]:
    """Return the lowest codes at or below which the given shares of pixels lie.

    Parameters
    ----------
    histogram : (n,) array of int64
    percentiles : iterable of float
        0 to 100.

    Returns
    -------
    list of float
        Codes; NaN for an empty histogram. The same as ``numpy.percentile`` with
        ``method="inverted_cdf"`` on the pixels.

    Examples
    --------
    >>> histogram_percentiles(np.array([5, 4, 1]), [50, 90, 100])
    [0.0, 1.0, 2.0]
    """
    below = np.cumsum(histogram)
    total = int(below[-1]) if len(below) else 0
    if total == 0:
        return [math.nan for _ in percentiles]
    ranks = [_rank(total, p) for p in percentiles]
    return [float(code) for code in below.searchsorted(ranks)]


def _rank(total: int, percentile: float) -> int:
    """Return which of so many ordered pixels a percentile is, counted from 1."""
    return max(1, math.ceil(round(total * percentile, 6) / 100.0))


class _Reader:
    def __init__(self, setup: Setup) -> None:
        video = setup.info.video
        self._signal = video.signal if video is not None else Signal()
        self._dark = float(setup.limits["exposure.dark_review_percent"])
        # A black picture is told as such; opening the iris would not help it.
        self._black = float(setup.limits.get("stillness.black_percent", -math.inf))
        judged = _judged(setup)
        self._closing = ClosingReader(setup, self._signal, judged=judged)
        self._field = FieldLevel(self._signal, dark_percent=self._dark, judged=judged)
        tick = float(video.time_base) if video is not None else 1.0
        self._level = LevelFollower(self._signal, tick_s=tick)
        self._codes = np.arange(self._signal.top + 1)
        self._percents = [self._signal.percent(int(code)) for code in self._codes]
        self._headrooms: dict[int, float] = {}
        self._black_code, self._ceiling = self._signal.black, self._signal.ceiling
        self._ranked, self._ranks = -1, [0] * len(_PERCENTILES)
        self._five_under = math.floor(self._signal.code(-3.0))
        self._below_black = 0
        self._pixels = 0

    def read(self, picture: Picture) -> Values:
        signal, percents = self._signal, self._percents
        histogram = picture.view(luma_histogram)
        # One running sum; every share and percentile is read off it.
        below = np.cumsum(histogram)
        self._closing.read(picture, below)
        total = int(below[-1])
        if total == 0:
            return {}
        under_ceiling = int(below[self._ceiling - 1])
        if total != self._ranked:
            self._ranked, self._ranks = total, [_rank(total, p) for p in _PERCENTILES]
        ranks = [*self._ranks, _rank(under_ceiling, _TOP_PERCENTILE)]
        *codes, top = below.searchsorted(ranks).tolist()
        self._pixels += total
        if self._five_under > 0:
            self._below_black += int(below[self._five_under - 1])
        p01, p50, p95, p99 = (percents[code] for code in codes)
        field = self._field.read(picture, p50=p50, p95=p95, p99=p99)
        if p99 <= self._black:
            field = math.nan
        dark = field < _NEARLY * self._dark
        return {
            "mean_percent": signal.percent(float(histogram @ self._codes) / total),
            "p01_percent": p01,
            "p50_percent": p50,
            "p95_percent": p95,
            "p99_percent": p99,
            "field_percent": field,
            "open_stops": open_stops(field, signal=signal) if dark else math.nan,
            "spare_stops": self._closing.spare_stops() if dark else math.nan,
            "noise_percent": noise_percent(picture) if dark else math.nan,
            "black_percent": 100.0 * int(below[self._black_code]) / total,
            "headroom_stops": self._headroom(top) if under_ceiling else math.nan,
            **self._level.read(picture),
        }

    def _headroom(self, code: int) -> float:
        if code not in self._headrooms:
            self._headrooms[code] = headroom_stops(
                self._percents[code], transfer=self._signal.transfer
            )
        return self._headrooms[code]

    def finish(self) -> Mapping[str, object]:
        share = 100.0 * self._below_black / self._pixels if self._pixels else 0.0
        return {
            "far_below_black_percent": round(share, 3),
            "closing": self._closing.finish(),
            "moves": self._level.finish(),
        }


def _judged(setup: Setup) -> Callable[[int, int], NDArray[np.bool_]] | None:
    """Return what makes the mask of the judged part; None where all is judged."""
    relevant = setup.limits["highlights.relevant"]
    ignore = setup.limits["highlights.ignore"]
    if not (relevant or ignore):
        return None

    def mask(height: int, width: int) -> NDArray[np.bool_]:
        return judged_region(relevant, ignore, height=height, width=width)

    return mask


def _derive(measured: Measured) -> Mapping[str, NDArray[np.floating]]:
    return {
        "gain_stops": gains(measured),
        **same_columns(measured),
        **closing(measured),
    }


def _summarise(measured: Measured) -> Mapping[str, object]:
    readings = measured.picture
    if readings is None or not readings.rows:
        return {}
    out: dict[str, object] = dict(measured.totals.get("exposure", {}))
    out.pop("closing", None)
    out.pop("moves", None)
    for column in MEASURE.columns:
        if column.name in _NO_FIGURES:
            continue
        values = readings[f"exposure.{column.name}"]
        known = values[~np.isnan(values)]
        stem, _, unit = column.name.rpartition("_")
        middle = float(np.median(known)) if known.size else math.nan
        out[f"{stem}_median_{unit}"] = middle
    headroom = readings["exposure.headroom_stops"]
    known = headroom[~np.isnan(headroom)]
    out["headroom_min_stops"] = float(known.min()) if known.size else math.nan
    out["close_max_stops"] = _largest(readings["exposure.close_stops"])
    out["gain_max_stops"] = _largest(np.abs(readings["exposure.gain_stops"]))
    if measured.info.video is not None:
        out["curve"] = curve_name(measured.info.video.signal.transfer)
    return out


def _largest(values: NDArray[np.float32]) -> float:
    known = values[~np.isnan(values)]
    return float(known.max()) if known.size else math.nan


def _notes(measured: Measured) -> Iterable[str]:
    seconds = lost_seconds(measured)
    if seconds >= _LOST_NOTE_SECONDS:
        yield (
            f"Whether iris or gain changed could not be judged for {seconds:.0f} s: "
            "the camera moves there, and too little stays in sight to compare."
        )
    video = measured.info.video
    if video is None or video.signal.full_range:
        return
    share = measured.totals.get("exposure", {}).get("far_below_black_percent", 0.0)
    if isinstance(share, float) and share > 0.5:
        yield (
            f"{share:.1f} % of all pixels lie clearly below black although the levels "
            "are read as limited range: the recording may really be full range. "
            "Percentages would then read too high at the bright end."
        )


MEASURE = Measure(
    name="exposure",
    label="Exposure",
    clock="picture",
    room="exposure",
    columns=(
        Column("p50_percent", "Median level", "%"),
        Column("mean_percent", "Mean level", "%"),
        Column("p01_percent", "Darkest hundredth reaches", "%"),
        Column("p95_percent", "Brightest twentieth begins at", "%"),
        Column("p99_percent", "Brightest hundredth begins at", "%"),
        Column("black_percent", "At or under black", "%", 2),
        Column("headroom_stops", "Headroom to 100 %", "stops", 2),
        Column("field_percent", "Level of the field's bright parts", "%"),
        Column("open_stops", "To open, when dark", "stops", 2),
        Column("spare_stops", "To open until colours burn, when dark", "stops", 2),
        Column("noise_percent", "Noise of the quietest part, when dark", "%", 2),
        Column("level_stops", "Level against the place's first frame", "stops", 2),
        Column("place", "Place whose level is followed", "", 0),
        Column("entered_percent", "Brighter than the common level", "%"),
        Column("carried", "Camera moves the level was followed through", "", 0),
    ),
    derived=(
        Column("close_stops", "To close until the field no longer burns", "stops", 2),
        Column("close_at_least_stops", "To close, at least", "stops", 2),
        Column("close_channel_stops", "To close until no channel clips", "stops", 2),
        Column("gain_stops", "Change of level since the frame before", "stops", 3),
        Column("same_stops", "Level of what stays in sight", "stops", 2),
        Column("same_place", "Place that stays in sight", "", 0),
        Column("same_carried", "Camera moves it was followed through", "", 0),
    ),
    derive=_derive,
    options=(
        Option(
            "exposure.dark_review_percent",
            30.0,
            "Dark when 95 % of the field lies under this level, or lamps and white "
            "things lie as far under where they belong (house choice). The field is "
            "the picture without burnt windows at its edge, or the regions of "
            "highlights.relevant.",
            unit="%",
            low=0,
            high=100,
        ),
        Option(
            "exposure.dark_reject_percent",
            12.0,
            "Too dark to use when 95 % of the field lies under this level "
            "(house choice).",
            unit="%",
            low=0,
            high=100,
        ),
        Option(
            "exposure.dark_min_seconds",
            1.0,
            "Shorter than this is let pass: a hand or a head in the light "
            "(house choice).",
            unit="s",
            low=0,
            high=60,
        ),
        Option(
            "exposure.drift_review_stops",
            0.35,
            "Drift when the level of an unchanged scene walks or pumps by this much; "
            "a third of a stop is what an eye sees between two shots (house choice). "
            "A note when it goes one way within two seconds and stays.",
            unit="stops",
            low=0.05,
            high=10,
        ),
        Option(
            "exposure.drift_reject_stops",
            1.5,
            "Reject a drift of the level by this much (house choice).",
            unit="stops",
            low=0.05,
            high=10,
        ),
        Option(
            "exposure.step_note_stops",
            0.5,
            "Note when the level of an unchanged scene jumps by this much at once and "
            "stays; review when it jumps back within ten seconds, unless what lies "
            "between is told as burnt out or too dark anyway (house choice).",
            unit="stops",
            low=0.12,
            high=10,
        ),
    ),
    start=_Reader,
    rules=(
        Rule(
            "exposure.dark",
            column="exposure.field_percent",
            label="Too dark",
            review="exposure.dark_review_percent",
            reject="exposure.dark_reject_percent",
            above=False,
            release=1.1,
            min_seconds="exposure.dark_min_seconds",
            bridge_seconds=0.5,
            unit="%",
            message=dark_message,
            advice=dark_advice,
        ),
    ),
    checks=(drift,),
    check_rules={"exposure.drift": "Exposure drifts"},
    charts=(
        Chart(
            ("p50_percent", "p01_percent", "p99_percent"),
            "Level",
            "% of black to white",
            low=0.0,
            high=110.0,
            explain="Median of the picture, and where its darkest and brightest "
            "hundredths begin.",
            always=True,
        ),
        Chart(
            ("same_stops",),
            "Level of what stays in sight",
            "stops",
            explain="Against the first frame of the place; level while iris, gain and "
            "lamp are left alone. Nothing where it could not be followed.",
        ),
    ),
    summarise=_summarise,
    notes=_notes,
    exhibits=exhibits,
    method=(
        "Mean and percentiles of the luma codes of every pixel, in percent of the way "
        "from black to white. Headroom: from the 99.9th percentile of the pixels below "
        "the signal's ceiling up to 100 %, through the inverse of the transfer curve "
        "that the stream names. To close: five times a second, single pixels are "
        "turned into light; a channel that is cut off is rebuilt from the others by "
        "the colours of what is not, pixels cut off in all three are censored, and a "
        "normal distribution of log light is fitted to the field from 1.4 stops under "
        "the level up; no more than 2 stops are extrapolated; values are held until "
        "the next look. To close until no channel clips: a channel that is cut off is "
        "told by pixels that are not and have the same ratio of the other two; where "
        "several kinds of them fit, the one that needs least light over the end "
        "counts most. To open until colours burn: of all that is not white, until 1 % "
        "of the picture (highlights.review_percent) has luma at the level or a "
        "channel at 100 %. At least: what the codes themselves lie over the level. "
        "A knee in the camera hides light: then the estimate is too small. Level: "
        "common change of log light of 48 x 27 cells against the first frame of the "
        "place, carried on from frame to frame; while the camera moves or zooms, five "
        "pictures a second are held against earlier ones laid where the motion of "
        "steadiness has carried them, so that only what is in sight in both is "
        "compared (means of 3 x 3 cells, within 0.2 stops); "
        "a jump at once is told by itself: a note if it stays, more if it comes back "
        "within ten seconds and nothing else tells what lies between, as does a walk "
        "that seemed to stay; small ones that "
        "follow one another the same way within 3 s (an iris with clicks) are a walk; "
        "not when the colours jump too (a lamp switched), nor what goes up and down "
        "several times a second (flashes). Noise: "
        "Laplacian of the quietest tile."
    ),
    source=(
        "ITU-R BT.709-6 item 1.2 (camera curve), BT.2100-2 (HLG, PQ). Censored normal "
        "distribution: Olsen, Econometrica 46(5), 1978 (from memory). "
        "Limits: house choice."
    ),
    version=14,
)
