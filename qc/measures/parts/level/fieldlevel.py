"""How bright the lit field is, apart from windows and lamps in the picture.

A picture is dark when its field is dark. A window in the background may be burnt out
and fill a tenth of the picture: it says nothing of the field. A burnt area counts as
such a window when it reaches the picture's edge, is large, and all that is left of the
picture is dark; then the field is read without it and its glow.

Lamps that are in the picture, and not burnt out, hide darkness in another way: closed
by several stops, a street at night still has its lamps at 40 %. So where half of the
picture lies far under mid grey, its brightest parts are held against white, where lamps
and white things belong, and not against where the bright parts of a lit field lie.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.measures.base import Hit
from qc.measures.parts.level.stops import MOST_STOPS, thirds
from qc.records import Picture
from qc.signal import Signal, headroom_stops, to_linear
from qc.views import laplacian_tiles, proxy_luma

__all__ = [
    "AIM_PERCENT",
    "FieldLevel",
    "dark_advice",
    "dark_message",
    "noise_percent",
    "open_stops",
]

# Where the bright parts of a well-exposed field lie; from here the advice is counted.
AIM_PERCENT = 70.0
# No iris is that far off by accident alone.
_FAR_STOPS = 3.0
# Opened as far as told, the brightest colours still lie so far under their end; and
# room under this is none.
_SPARED_STOPS, _LEAST_ROOM_STOPS = 1 / 6, 1 / 3
# A window: from this level on, so large, reaching so far along the picture's edge.
_WINDOW_PERCENT, _WINDOW_SHARE, _WINDOW_EDGE = 85.0, 0.02, 0.02
_WINDOW_MOST = 0.35  # more than this may be the field itself
_GLOW_SHARE = 0.04  # of the longer side
_LEAST_LEFT = 0.2  # less of the picture says nothing of the field
# Half of the picture under this, 2 1/3 stops under a mid grey of 18 % (BT.709),
# is a dark picture: its bright parts are lamps or white (house choice). A grey card
# or a drape that fills the picture lies over it.
_DARK_HALF_PERCENT = 15.0
# Noise that would show: a share of the range, once lifted to the aim.
_NOISE_SHOWS_PERCENT = 2.0


class FieldLevel:
    """Reads where the field's brightest twentieth begins.

    Parameters
    ----------
    signal : Signal
    dark_percent : float
        Only a picture whose rest may be under this level is searched for windows.
    judged : function of (height, width) to mask, or None
        The part of the picture that counts; None: all.
    """

    def __init__(
        self,
        signal: Signal,
        *,
        dark_percent: float,
        judged: Callable[[int, int], NDArray[np.bool_]] | None = None,
    ) -> None:
        self._transfer = signal.transfer
        self._aim = float(to_linear(AIM_PERCENT / 100.0, transfer=signal.transfer))
        self._dark = dark_percent
        self._judged = judged
        self._mask: NDArray[np.bool_] | None = None

    def read(self, picture: Picture, *, p50: float, p95: float, p99: float) -> float:
        """Return the level in percent; NaN where nothing of the field is left.

        Parameters
        ----------
        p50, p95, p99 : float
            The whole picture's, in percent.
        """
        if self._judged is None:
            if p95 < _WINDOW_PERCENT or p50 >= self._dark:
                return self._fallen(p50, p95, p99)
            luma = picture.view(proxy_luma)
            field = ~_windows(luma)
        else:
            luma = picture.view(proxy_luma)
            if self._mask is None or self._mask.shape != luma.shape:
                self._mask = self._judged(*luma.shape)
            field = self._mask
            if not field.any():
                return math.nan
            if float(np.percentile(luma[field], 95.0)) >= _WINDOW_PERCENT:
                field = field & ~_windows(luma)
        if np.count_nonzero(field) < _LEAST_LEFT * (
            field.size if self._mask is None else np.count_nonzero(self._mask)
        ):
            return p95 if self._judged is None else math.nan
        if self._judged is None and field.all():
            return p95
        return self._fallen(*np.percentile(luma[field], [50.0, 95.0, 99.0]).tolist())

    def _fallen(self, p50: float, p95: float, p99: float) -> float:
        """Return the level of the field's bright parts, as fallen as they or white are.

        Where half is dark: the aim, lowered by as many stops as the brightest
        hundredth lies under 100 %.
        """
        if not (p50 <= _DARK_HALF_PERCENT and 0.0 < p99 < 100.0 and p95 >= self._dark):
            return p95
        light = self._aim * float(to_linear(p99 / 100.0, transfer=self._transfer))
        light /= float(to_linear(1.0, transfer=self._transfer))
        share = np.linspace(0.0, 1.0, 1001)
        curve = to_linear(share, transfer=self._transfer)
        return min(p95, 100.0 * float(np.interp(light, curve, share)))


def _windows(luma: NDArray[np.float32]) -> NDArray[np.bool_]:
    """Return the burnt areas that reach the picture's edge, with their glow."""
    height, width = luma.shape
    burnt = (luma >= _WINDOW_PERCENT).view(np.uint8)
    number, labels = cv2.connectedComponents(burnt, connectivity=8, ltype=cv2.CV_32S)
    rim = np.concatenate([labels[0], labels[-1], labels[1:-1, 0], labels[1:-1, -1]])
    along = np.bincount(rim, minlength=number)
    area = np.bincount(labels.ravel(), minlength=number)
    window = (area >= _WINDOW_SHARE * luma.size) & (along >= _WINDOW_EDGE * rim.size)
    window &= area <= _WINDOW_MOST * luma.size
    window[0] = False
    found = window[labels]
    if found.any():
        size = 2 * max(1, round(_GLOW_SHARE * max(height, width))) + 1
        kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
        found = cv2.dilate(found.view(np.uint8), kernel) > 0
    return np.asarray(found, np.bool_)


def noise_percent(picture: Picture) -> float:
    """Return the luma noise of the quietest part, a standard deviation in percent.

    Notes
    -----
    The Laplacian of white noise of variance s^2 has variance 20 s^2 (the sum of the
    squares of its coefficients). Coding smooths noise: a lower bound.
    """
    tiles = picture.view(laplacian_tiles)
    variance = tiles.variance()[tiles.count > 0]
    if not variance.size:
        return math.nan
    signal = picture.signal
    sigma = math.sqrt(float(variance.min()) / 20.0)
    return 100.0 * sigma / (signal.white - signal.black)


def open_stops(percent: float, *, signal: Signal) -> float:
    """Return how far to open until a level comes to the aim; NaN if it is there.

    Parameters
    ----------
    percent : float
        Level of the field's bright parts.
    """
    if not 0.0 < percent < AIM_PERCENT:
        return math.nan
    return headroom_stops(percent, transfer=signal.transfer) - headroom_stops(
        AIM_PERCENT, transfer=signal.transfer
    )


def dark_message(hit: Hit) -> str:
    """Say how dark the field is, and what lifting it in the edit would show."""
    white = float(hit.readings["exposure.p99_percent"][hit.worst_row])
    twentieth = float(hit.readings["exposure.p95_percent"][hit.worst_row])
    if twentieth >= hit.limit and white < _WINDOW_PERCENT:
        half = float(hit.readings["exposure.p50_percent"][hit.worst_row])
        out = (
            f"The picture is dark: half of it lies under {half:.0f} %, and even its "
            f"lamps and white things, the brightest hundredth, reach only {white:.0f} "
            "% instead of nearly 100 %. Bright parts lit as little would reach "
            f"{math.floor(10.0 * hit.worst) / 10.0:g} % (limit {hit.limit:g} %)."
        )
    else:
        out = (
            "The picture is dark: even the brightest twentieth of its field reaches "
            f"only {math.floor(hit.worst)} % (limit {hit.limit:g} %)."
        )
    lifted = _lifted_noise(hit)
    if lifted >= _NOISE_SHOWS_PERCENT:
        out += (
            f" Lifted in the edit, its noise would grow to at least {lifted:.0f} % of "
            "the range."
        )
    return out


def _lifted_noise(hit: Hit) -> float:
    """Return the noise after lifting the field to the aim, in percent of the range."""
    noise = _middle(hit, "exposure.noise_percent")
    level = _middle(hit, "exposure.field_percent")
    if not (noise > 0 and 0 < level < AIM_PERCENT):
        return math.nan
    signal = _signal(hit)
    # Light is multiplied; the noise rides on the field's level along the curve.
    pair = np.array([level, level + noise]) / 100.0
    low, high = to_linear(pair, transfer=signal.transfer)
    gain = float(to_linear(AIM_PERCENT / 100.0, transfer=signal.transfer)) / float(low)
    steps = np.linspace(0.0, 1.2, 2401)
    curve = to_linear(steps, transfer=signal.transfer)
    return 100.0 * float(np.interp(high * gain, curve, steps)) - AIM_PERCENT


def _middle(hit: Hit, column: str) -> float:
    values = hit.values(column)
    known = values[~np.isnan(values)]
    return float(np.median(known)) if known.size else math.nan


def _signal(hit: Hit) -> Signal:
    video = hit.measured.info.video
    return video.signal if video is not None else Signal()


def dark_advice(hit: Hit) -> str:
    """Say how far to open the iris, and where highlights would begin to burn."""
    stops = _middle(hit, "exposure.open_stops")
    level = _middle(hit, "exposure.field_percent")
    if not level > 2.0 or not stops > 0:
        return (
            "Open the iris, and check that the lamp is on the field and the cap is off."
        )
    spare = _middle(hit, "exposure.spare_stops") - _SPARED_STOPS
    # With less room than that it is a window or a lamp that burns, not the field.
    limited = _LEAST_ROOM_STOPS <= spare < stops - 1 / 6
    zebra = float(hit.measured.limits["highlights.level_percent"])
    end = f", and stop as soon as the zebra at {zebra:g} % shows on the field"
    if limited:
        end += ": beyond that its brightest colours burn"
    much = f"about {_stops(min(stops, spare) if limited else stops)}"
    if stops >= _FAR_STOPS - 1 / 6:
        return (
            "Look first at the lamp, at a filter left in the lens and at the gain: "
            f"the picture lacks about {_stops(stops)} of light. Then open the iris"
            f"{f', by {much}' if limited else ''}{end}."
        )
    out = f"Open the iris by {much}, or ask for more light"
    return (
        f"{out}{'' if limited else _burning(hit, stops)}{end}. Raise the gain only if "
        "neither is possible. Lifting it in the edit lifts the noise as well."
    )


def _burning(hit: Hit, stops: float) -> str:
    """Say when the brightest hundredth burns on opening; nothing if it does not."""
    zebra = float(hit.measured.limits["highlights.level_percent"])
    curve = _signal(hit).transfer
    spare = headroom_stops(
        _middle(hit, "exposure.p99_percent"), transfer=curve
    ) - headroom_stops(zebra, transfer=curve)
    if not (0 <= spare < stops - 1 / 6 and spare < MOST_STOPS):
        return ""
    first = f"after {_stops(spare)}" if spare >= 1 / 6 else "at once"
    return (
        f" ({first} the brightest hundredth burns: that is fine for swabs and windows)"
    )


def _stops(stops: float) -> str:
    return f"{thirds(stops)} stop{'s' * (round(3.0 * stops) > 3)}"
