"""Which part of a picture turned brighter, darker or red, as a screen would show it.

A change counts from one turning point of a place's brightness to the next, however
many frames it takes. Area is counted place by place, each once in a short while.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.records import Picture
from qc.signal import LUMA_WEIGHTS, Signal, to_linear
from qc.views import proxy_luma

__all__ = [
    "DARK_NITS",
    "FLASH_NITS",
    "Screen",
    "Shown",
    "Swings",
    "display_light",
    "needed_nits",
]

Array = NDArray[np.float32]
Mask = NDArray[np.bool_]

# Recommendation ITU-R BT.1702-3.
FLASH_NITS = 20.0
"""cd/m2 between the brighter and the darker picture of a flash."""
DARK_NITS = 160.0
"""The darker one must be darker than this; HDR: else a contrast of 1/17 counts."""
SDR_WHITE_NITS = 200.0
HLG_PEAK_NITS = 1000.0
_PQ_PEAK_NITS = 10_000.0
# BT.709 and BT.2100 reference display: BT.1886 exponent; HLG gamma at 1000 cd/m2.
_BT1886_GAMMA = 2.4
_HLG_GAMMA = 1.2
# What a signal over 100 % may still show; coded video ends at 109 %.
_MOST = 1.1
_TABLE_STEPS = 8192

# Saturated red and its change: WCAG 2.0's definition of a red flash.
_RED_SHARE = 0.8
_RED_STEP = 20.0
_RED_SCALE = 320.0

# A change that takes longer to run over the picture is not seen as one flash.
_TOGETHER_S = 0.1
_TICK_S = 1e-4
# Stray places that turn late do not make a flash of their own.
_FRESH_SHARE = 0.01


def display_light(signal: Signal) -> Array:
    """Return a table of cd/m2 over signal, 0 to `_MOST`, for one of three channels.

    Returns
    -------
    array
        SDR: BT.1886 without a black level, 200 cd/m2 at 100 %. PQ: its own absolute
        levels. HLG: scene light 0 to 1, which `Screen` turns into display light.
    """
    share = np.linspace(0.0, _MOST, _TABLE_STEPS + 1)
    if signal.transfer == "hlg":
        light = to_linear(share, transfer="hlg")
    elif signal.transfer == "pq":
        light = _PQ_PEAK_NITS * to_linear(share, transfer="pq")
    else:
        light = SDR_WHITE_NITS * share**_BT1886_GAMMA
    return light.astype(np.float32)


def needed_nits(darker: Array, *, hdr: bool) -> Array:
    """Return by how much a place must be brighter than `darker` to flash, cd/m2.

    References
    ----------
    Rec. ITU-R BT.1702-3: 20 cd/m2 where the darker is under 160 cd/m2; over it, for
    HDR only, a Michelson contrast of 1/17, which is an eighth of the darker.
    """
    over = darker / np.float32(8.0) if hdr else np.float32(np.inf)
    return np.where(darker < DARK_NITS, np.float32(FLASH_NITS), over).astype(np.float32)


@dataclass(frozen=True, slots=True, eq=False)
class Shown:
    """What a screen shows of a picture.

    Attributes
    ----------
    nits : (h, w) array
        Luminance, cd/m2.
    red : (h, w) array
        320 (R - G - B), at least 0; R, G, B linear, 1 at white.
    saturated : (h, w) array of bool
        Red is at least 80 % of R + G + B.
    """

    nits: Array
    red: Array
    saturated: Mask


class Screen:
    """Turns pictures into what a reference screen shows, on a small grid.

    The grid is half as fine as `proxy_luma`. Luma is averaged over each cell; its
    colour is that of one sample, so that the chroma planes need not be gone through.
    """

    def __init__(self, signal: Signal) -> None:
        self._table = display_light(signal)
        self._to_places = _to_places(signal)
        self._hlg = signal.transfer == "hlg"
        self._mix = _mix(signal)
        self._codes = np.ones((4, 1, 1), np.float32)

    def show(self, picture: Picture) -> Shown:
        """Return luminance and redness of a picture."""
        places = self._places(picture)
        light = self._table.take(places.astype(np.intp), mode="clip")
        mixed = (self._mix @ light.reshape(3, -1)).reshape(light.shape)
        nits, excess, over = mixed
        if self._hlg:
            nits = np.float32(HLG_PEAK_NITS) * nits ** np.float32(_HLG_GAMMA)
        np.maximum(excess, 0, out=excess)
        return Shown(nits, excess, (over >= 0) & (excess >= _RED_STEP))

    def _places(self, picture: Picture) -> Array:
        """Return where R', G', B' of each cell lie in the table, (3, h, w)."""
        luma = picture.view(proxy_luma)
        height, width = luma.shape
        size = max(1, width // 2), max(1, height // 2)
        if self._codes.shape[1:] != (size[1], size[0]):
            self._codes = np.ones((4, size[1], size[0]), np.float32)
        codes = self._codes
        # An even part halves exactly, and quickly.
        even = luma[: max(1, height - height % 2), : max(1, width - width % 2)]
        codes[0] = cv2.resize(even, size, interpolation=cv2.INTER_AREA)
        codes[1] = cv2.resize(picture.cb, size, interpolation=cv2.INTER_NEAREST)
        codes[2] = cv2.resize(picture.cr, size, interpolation=cv2.INTER_NEAREST)
        places: Array = self._to_places @ codes.reshape(4, -1)
        return places.reshape(3, size[1], size[0])


def _mix(signal: Signal) -> Array:
    """Return what makes luminance, redness and "saturated red" of linear R, G, B.

    The last is R - 0.8 (R + G + B): at least 0 where red is 80 % of the whole.
    """
    kr, kb = LUMA_WEIGHTS[signal.matrix]
    # Red is judged against white: of HLG and PQ against 1000 cd/m2.
    white = {"hlg": 1.0, "pq": HLG_PEAK_NITS}.get(signal.transfer, SDR_WHITE_NITS)
    scale, rest = _RED_SCALE / white, _RED_SHARE
    rows = [[kr, 1 - kr - kb, kb], [scale, -scale, -scale], [1 - rest, -rest, -rest]]
    return np.array(rows, np.float32)


def _to_places(signal: Signal) -> Array:
    """Return what makes places in the table of luma in percent, chroma codes and 1."""
    kr, kb = LUMA_WEIGHTS[signal.matrix]
    kg = 1.0 - kr - kb
    from_red, from_blue = 2.0 * (1.0 - kr), 2.0 * (1.0 - kb)
    rgb = np.array(
        [
            [1.0, 0.0, from_red],
            [1.0, -kb * from_blue / kg, -kr * from_red / kg],
            [1.0, from_blue, 0.0],
        ]
    )
    rgb *= [0.01, 1.0 / signal.chroma_span, 1.0 / signal.chroma_span]
    steps = rgb * (_TABLE_STEPS / _MOST)
    # Half a step more, so that cutting off rounds.
    zero = 0.5 - steps[:, 1:].sum(axis=1) * signal.chroma_zero
    return np.column_stack([steps, zero]).astype(np.float32)


class Swings:
    """Follows every place between turning points; remembers when each last turned.

    Parameters
    ----------
    hdr : bool
        Judge bright places too.
    red : bool
        Follow redness instead of luminance: a change counts when it is large enough
        and one of its ends is saturated red.
    """

    def __init__(self, *, hdr: bool = False, red: bool = False) -> None:
        self._hdr = hdr
        self._red = red
        self._least = np.float32(_RED_STEP if red else FLASH_NITS)
        self._start(np.empty((0, 0), np.float32), np.empty((0, 0), np.bool_), 0.0)

    def _start(self, values: Array, saturated: Mask, at_s: float) -> None:
        self._turn, self._turn_red = values.copy(), saturated.copy()
        self._first, self._first_red = values.copy(), saturated.copy()
        self._side = np.full(values.shape, -1, np.float32)  # a rise is awaited
        self._untouched = np.ones(values.shape, np.bool_)
        self._rose = np.full(values.shape, -np.inf)
        self._fell = np.full(values.shape, -np.inf)
        self._watch_first_until = at_s + 1.0
        self._passed: Array | None = None

    def read(self, shown: Shown, at_s: float) -> tuple[float, float]:
        """Return the shares of the picture that rose and that fell, in percent.

        A place counts if it did within the last tenth of a second; 0 where hardly any
        did so in this very frame.
        """
        values = shown.red if self._red else shown.nits
        if self._turn.shape != values.shape:
            self._start(values, shown.saturated, at_s)
            return 0.0, 0.0
        if self._red and not shown.saturated.any() and not self._turn_red.any():
            self._passed = values
            return 0.0, 0.0
        if self._passed is not None:
            # What was passed by while nothing was red; the nearest frame of it will do.
            back = (self._turn - self._passed) * self._side
            np.copyto(self._turn, self._passed, where=back < 0)
            self._passed = None
        # How far a place has come back from its last turning point.
        back = (self._turn - values) * self._side
        further = back < 0
        np.copyto(self._turn, values, where=further)
        if self._red:
            np.copyto(self._turn_red, shown.saturated, where=further)
        turned = np.flatnonzero(back >= self._least)
        turned = turned[self._counts(turned, self._turn, self._turn_red, shown)]
        rising = self._side.ravel()[turned] < 0
        rose, fell = turned[rising], turned[~rising]
        if at_s < self._watch_first_until:
            fell = np.union1d(fell, self._first_falls(values, shown))
        self._turn.ravel()[turned] = values.ravel()[turned]
        self._turn_red.ravel()[turned] = shown.saturated.ravel()[turned]
        self._side.ravel()[turned] *= -1
        self._untouched.ravel()[rose] = False
        self._untouched.ravel()[fell] = False
        self._rose.ravel()[rose] = at_s
        self._fell.ravel()[fell] = at_s
        return (
            _share(rose.size, self._rose, at_s),
            _share(fell.size, self._fell, at_s),
        )

    def _counts(
        self, places: NDArray[np.intp], old: Array, old_red: Mask, shown: Shown
    ) -> Mask:
        """Return which places' change since `old` counts."""
        if self._red:
            ends = old_red.ravel()[places] | shown.saturated.ravel()[places]
            return np.asarray(ends, np.bool_)
        before, now = old.ravel()[places], shown.nits.ravel()[places]
        need = needed_nits(np.minimum(before, now), hdr=self._hdr)
        return np.asarray(np.abs(before - now) >= need, np.bool_)

    def _first_falls(self, values: Array, shown: Shown) -> NDArray[np.intp]:
        """Return places that begin by falling: no turning point lies before it."""
        low = self._untouched & (self._first - values >= self._least)
        places = np.flatnonzero(low)
        return places[self._counts(places, self._first, self._first_red, shown)]


def _share(now: int, when: NDArray[np.float64], at_s: float) -> float:
    """Return the percent of places that turned a short while ago, if some do now."""
    if now < _FRESH_SHARE * when.size or not now:
        return 0.0
    recent = np.count_nonzero(when > at_s - _TOGETHER_S + _TICK_S)
    return 100.0 * recent / when.size
