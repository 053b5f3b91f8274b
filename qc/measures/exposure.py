"""Exposure: where the picture lies between black and white, and the room left above."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping

import numpy as np
from numpy.typing import NDArray

from qc.limits import Option
from qc.measures.base import Chart, Column, Hit, Measure, Measured, Rule, Setup, Values
from qc.records import Picture
from qc.signal import Signal, curve_name, headroom_stops
from qc.views import luma_histogram

__all__ = ["MEASURE", "histogram_mean", "histogram_percentiles"]

_PERCENTILES = (1.0, 50.0, 95.0, 99.0)
# Where the bright parts of a well-exposed field lie; from here the advice is counted.
_AIM_PERCENT = 70.0
# No iris is that far off by accident alone.
_FAR_STOPS = 3.0


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
    out = []
    for p in percentiles:
        rank = max(1, math.ceil(round(total * p, 6) / 100.0))
        out.append(float(np.searchsorted(below, rank)))
    return out


class _Reader:
    def __init__(self, setup: Setup) -> None:
        video = setup.info.video
        self._signal = video.signal if video is not None else Signal()
        self._below_black = 0
        self._pixels = 0

    def read(self, picture: Picture) -> Values:
        signal = self._signal
        histogram = picture.view(luma_histogram)
        total = int(histogram.sum())
        if total == 0:
            return {}
        p01, p50, p95, p99 = histogram_percentiles(histogram, _PERCENTILES)
        whole = histogram[: signal.ceiling]
        (top,) = histogram_percentiles(whole, [99.9])
        self._pixels += total
        five_under = math.floor(signal.code(-3.0))
        if five_under > 0:
            self._below_black += int(histogram[:five_under].sum())
        return {
            "mean_percent": signal.percent(histogram_mean(histogram)),
            "p01_percent": signal.percent(p01),
            "p50_percent": signal.percent(p50),
            "p95_percent": signal.percent(p95),
            "p99_percent": signal.percent(p99),
            "black_percent": 100.0 * int(histogram[: signal.black + 1].sum()) / total,
            "headroom_stops": headroom_stops(
                signal.percent(top), transfer=signal.transfer
            ),
        }

    def finish(self) -> Mapping[str, object]:
        share = 100.0 * self._below_black / self._pixels if self._pixels else 0.0
        return {"far_below_black_percent": round(share, 3)}


def _dark_message(hit: Hit) -> str:
    return (
        f"The picture is dark: even its brightest twentieth reaches only "
        f"{hit.worst:.0f} % (limit {hit.limit:g} %)."
    )


def _dark_advice(hit: Hit) -> str:
    signal = hit.measured.info.video.signal if hit.measured.info.video else Signal()
    known = hit.values("exposure.p95_percent")
    typical = float(np.nanmedian(known)) if known.size else math.nan
    if not typical > 2.0:
        return (
            "Open the iris, and check that the lamp is on the field and the cap is off."
        )
    stops = headroom_stops(typical, transfer=signal.transfer) - headroom_stops(
        _AIM_PERCENT, transfer=signal.transfer
    )
    # Half stops: the aim is a house choice, and a knob is not turned more finely.
    halves = max(round(2 * stops) / 2, 0.5)
    much = f"about {halves:g} stop{'s' * (halves != 1)}"
    if halves >= _FAR_STOPS:
        return (
            f"The picture lacks {much}: look first at the lamp, a filter left in the "
            "lens and the gain, then open the iris."
        )
    return (
        f"Open the iris by {much}, or bring more light to the field; raise the gain "
        "only if neither is possible."
    )


def _summarise(measured: Measured) -> Mapping[str, object]:
    readings = measured.picture
    if readings is None or not readings.rows:
        return {}
    out: dict[str, object] = dict(measured.totals.get("exposure", {}))
    for column in MEASURE.columns:
        values = readings[f"exposure.{column.name}"]
        known = values[~np.isnan(values)]
        stem, _, unit = column.name.rpartition("_")
        middle = float(np.median(known)) if known.size else math.nan
        out[f"{stem}_median_{unit}"] = middle
    headroom = readings["exposure.headroom_stops"]
    known = headroom[~np.isnan(headroom)]
    out["headroom_min_stops"] = float(known.min()) if known.size else math.nan
    if measured.info.video is not None:
        out["curve"] = curve_name(measured.info.video.signal.transfer)
    return out


def _notes(measured: Measured) -> Iterable[str]:
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
    columns=(
        Column("p50_percent", "Median level", "%"),
        Column("mean_percent", "Mean level", "%"),
        Column("p01_percent", "Darkest hundredth reaches", "%"),
        Column("p95_percent", "Brightest twentieth begins at", "%"),
        Column("p99_percent", "Brightest hundredth begins at", "%"),
        Column("black_percent", "At or under black", "%", 2),
        Column("headroom_stops", "Headroom to 100 %", "stops", 2),
    ),
    options=(
        Option(
            "exposure.dark_review_percent",
            30.0,
            "Dark when 95 % of the picture lies under this level (house choice).",
            unit="%",
            low=0,
            high=100,
        ),
        Option(
            "exposure.dark_reject_percent",
            12.0,
            "Too dark to use when 95 % of the picture lies under this level "
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
    ),
    start=_Reader,
    rules=(
        Rule(
            "exposure.dark",
            column="exposure.p95_percent",
            label="Too dark",
            review="exposure.dark_review_percent",
            reject="exposure.dark_reject_percent",
            above=False,
            release=1.1,
            min_seconds="exposure.dark_min_seconds",
            bridge_seconds=0.5,
            unit="%",
            message=_dark_message,
            advice=_dark_advice,
        ),
    ),
    charts=(
        Chart(
            ("p50_percent", "p01_percent", "p99_percent"),
            "Level",
            "% of black to white",
            low=0.0,
            high=110.0,
            explain="Median of the picture, and where its darkest and brightest "
            "hundredths begin.",
        ),
    ),
    summarise=_summarise,
    notes=_notes,
    method=(
        "Mean and percentiles of the luma codes of every pixel, in percent of the way "
        "from black to white. Headroom: from the 99.9th percentile of the pixels below "
        "the signal's ceiling up to 100 %, through the inverse of the transfer curve "
        "that the stream names."
    ),
    source=(
        "ITU-R BT.709-6 item 1.2 (camera curve), BT.2100-2 (HLG, PQ). "
        "Limits: house choice."
    ),
)
