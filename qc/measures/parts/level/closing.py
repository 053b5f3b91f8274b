"""How far to close the iris, over a take: looks every fifth of a second, then stops.

While reading, only counts are kept (`BurntLight`); stops come once the whole take is
read, when it is known how much of what burns is swabs and does not matter.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

import numpy as np
from numpy.typing import NDArray

from qc.measures.base import Measured, Setup
from qc.measures.parts.level.burntlight import TINT_BANDS, BurntLight
from qc.measures.parts.level.censored import close_stops, least_stops, top_shares
from qc.measures.parts.level.cutchannels import CutChannels, channel_stops
from qc.measures.parts.level.stops import MOST_STOPS
from qc.records import Picture
from qc.signal import Signal
from qc.views import luma_histogram

__all__ = ["COLUMNS", "ClosingReader", "closing"]

COLUMNS = ("close_stops", "close_at_least_stops", "close_channel_stops")
LOOK_SECONDS = 0.2
# What is burnt but does not matter, columns of `highlights`.
_IGNORED = ("highlights.swab_percent", "highlights.glint_percent")
# Burnt pixels are looked into from this share of the limit on.
_WORTH = 0.4
# A hair, so that a fifth of a second is one at any time base.
_HAIR_S = 1e-6

Judged = Callable[[int, int], NDArray[np.bool_]]


class ClosingReader:
    """Keeps counts of what is burnt, a few times a second.

    Parameters
    ----------
    judged : function of (height, width) to mask, or None
        The part of the picture that counts; None: all.
    """

    def __init__(self, setup: Setup, signal: Signal, *, judged: Judged | None) -> None:
        limits, video = setup.limits, setup.info.video
        level = float(limits["highlights.level_percent"])
        self._signal = signal
        self._judged = judged
        self._worth = _WORTH * float(limits["highlights.review_percent"]) / 100.0
        self._first_code = signal.first_code_at(level)
        self._light = BurntLight(
            signal, level_percent=level, worth=self._worth, judged=judged
        )
        self._tick_s = float(video.time_base) if video is not None else 1.0
        self._allowed = float(limits["highlights.review_percent"]) / 100.0
        self._spare: float | None = math.nan
        self._row = -1
        self._looked_s = -math.inf
        self._burning = False
        self._rows: list[int] = []
        self._counts: list[NDArray[np.float32]] = []
        self._channels: list[CutChannels | None] = []
        self._tops: list[NDArray[np.float32]] = []
        self._least_lost: list[float] = []
        self._tints: list[NDArray[np.float64]] = []

    def read(self, picture: Picture, below: NDArray[np.int64]) -> None:
        """Look at a picture, if it is time to.

        Parameters
        ----------
        below : (codes,) array
            How many pixels have a code or a lower one.
        """
        self._row += 1
        now_s = picture.pts * self._tick_s
        burnt = 0.0
        if self._judged is None and picture.y.size:
            under = int(below[self._first_code - 1])
            burnt = (int(below[-1]) - under) / picture.y.size
        begins = burnt > self._worth and not self._burning
        waits = 0 <= now_s - self._looked_s < LOOK_SECONDS - _HAIR_S
        if (waits and not begins) or picture.damaged or not picture.y.size:
            return
        self._looked_s, self._spare = now_s, None
        found = self._light.read(picture)
        self._burning = found is not None
        self._rows.append(self._row)
        if found is None:
            empty = np.zeros(0, np.float32)
            self._counts.append(empty)
            self._channels.append(None)
            self._tops.append(empty)
        else:
            counts, channels = found
            self._counts.append(counts)
            self._channels.append(channels)
            histogram = picture.view(luma_histogram)
            self._tops.append(self._top(histogram, picture))
        self._least_lost.append(self._light.least_lost())
        self._tints.append(self._light.tint)

    def spare_stops(self) -> float:
        """Return how far to open until coloured parts burn, as of the last look."""
        if self._spare is None:
            self._spare = self._light.spare_stops(self._allowed)
        return self._spare

    def _top(
        self, histogram: NDArray[np.int64], picture: Picture
    ) -> NDArray[np.float32]:
        signal, total = self._signal, picture.y.size
        if self._judged is not None:
            span = signal.white - signal.black
            codes = np.rint(self._light.luma * span + signal.black).astype(np.int64)
            histogram = np.bincount(np.clip(codes, 0, signal.top), minlength=1)
            total = self._light.total
            histogram = np.append(
                histogram, np.zeros(signal.top + 1 - len(histogram), np.int64)
            )
        return top_shares(
            histogram, first_code=self._first_code, total=total, signal=signal
        )

    def finish(self) -> Mapping[str, object]:
        """Return what `closing` needs, and the colour of the light at each look."""
        return {
            "looks": np.array(self._rows, np.int64),
            "counts": self._counts,
            "channels": self._channels,
            "tops": self._tops,
            "least_lost": self._least_lost,
            "tints": np.array(self._tints, np.float64).reshape(-1, TINT_BANDS, 2),
        }


def closing(measured: Measured) -> dict[str, NDArray[np.float32]]:
    """Return the columns of `COLUMNS`: each look's stops, held until the next look."""
    readings = measured.picture
    rows = 0 if readings is None else readings.rows
    out = {name: np.full(rows, np.nan, np.float32) for name in COLUMNS}
    kept = measured.totals.get("exposure", {}).get("closing")
    video = measured.info.video
    if readings is None or not isinstance(kept, Mapping) or video is None:
        return out
    signal = video.signal
    code = signal.first_code_at(measured.limits["highlights.level_percent"])
    allowed = float(measured.limits["highlights.review_percent"]) / 100.0
    looks = kept["looks"]
    if not len(looks):
        return out  # every picture was damaged
    ends = np.append(looks[1:], rows)
    ignored = np.zeros(rows)
    for name in _IGNORED:
        if name in readings.columns:
            ignored += np.nan_to_num(readings[name]) / 100.0
    told = zip(
        kept["counts"], kept["channels"], kept["tops"], kept["least_lost"], strict=True
    )
    for row, end, (counts, cut, tops, lost) in zip(looks, ends, told, strict=True):
        if cut is None:
            continue
        left_out = float(ignored[row])
        least = least_stops(
            tops, first_code=code, allowed=allowed + left_out, signal=signal
        )
        luma = close_stops(
            counts,
            allowed=allowed,
            ignored=left_out,
            least_lost=lost,
            most=MOST_STOPS,
        )
        luma = _settled(luma, least)
        channel = channel_stops(
            cut, allowed=allowed, ignored=left_out, luma=luma, most=MOST_STOPS
        )
        out["close_stops"][row:end] = luma
        out["close_at_least_stops"][row:end] = least
        out["close_channel_stops"][row:end] = _settled(channel, luma)
    return out


def _settled(stops: float, least: float) -> float:
    """Return an estimate that keeps to its bound; NaN for nothing or not known."""
    if math.isnan(least):
        return stops if stops > 0 else math.nan
    return stops if math.isnan(stops) else max(stops, least)
