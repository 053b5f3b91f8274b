"""Which part of a picture turned brighter, darker or red, as a screen would show it.

A change counts from one turning point of a place's brightness to the next, however
many frames it takes. Area is counted place by place, each once in a short while.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from qc.kernels.flash import (
    ScreenTable,
    TurnLimits,
    Turns,
    needed,
    redness,
    screen_light,
)
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
# A Michelson contrast of 1/17 is an eighth of the darker.
_HDR_CONTRAST = 8.0
SDR_WHITE_NITS = 200.0
HLG_PEAK_NITS = 1000.0
_PQ_PEAK_NITS = 10_000.0
# BT.709 and BT.2100 reference display: BT.1886 exponent; HLG gamma at 1000 cd/m2.
_BT1886_GAMMA = 2.4
_HLG_GAMMA = 1.2
# What a signal over 100 % may still show; coded video ends at 109 %.
_MOST = 1.1
_TABLE_STEPS = 8192
# For what the table's steps round away, a share of the signal.
_HAIR = 0.002

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
    return needed(darker, _luminance_limits(hdr=hdr))


def _luminance_limits(*, hdr: bool) -> TurnLimits:
    contrast = _HDR_CONTRAST if hdr else 0.0
    return TurnLimits(FLASH_NITS, DARK_NITS, contrast, _FRESH_SHARE)


class Shown:
    """What a screen shows of a picture.

    Attributes
    ----------
    nits : (h, w) array
        Luminance, cd/m2.
    may_be_red : bool
        False where colour alone says that nothing is saturated red.
    is_red : bool
        Whether anything is.
    """

    __slots__ = ("_light", "_red", "_table", "is_red", "may_be_red", "nits")

    def __init__(
        self,
        nits: Array,
        light: Array,
        table: ScreenTable,
        *,
        red: tuple[Array, Mask] | None = None,
        is_red: bool = False,
    ) -> None:
        self.nits = nits
        self.may_be_red = red is not None
        self.is_red = is_red
        self._light = light
        self._table = table
        self._red = red

    @property
    def red(self) -> Array:
        """320 (R - G - B), at least 0; R, G, B linear, 1 at white: (h, w)."""
        return self._redness()[0]

    @property
    def saturated(self) -> Mask:
        """Red is at least 80 % of R + G + B: (h, w)."""
        return self._redness()[1]

    def _redness(self) -> tuple[Array, Mask]:
        if self._red is None:
            self._red = redness(self._light, self._table)
        return self._red


class Screen:
    """Turns pictures into what a reference screen shows, on a small grid.

    The grid is half as fine as `proxy_luma`. Luma is averaged over each cell; its
    colour is that of one sample, so that the chroma planes need not be gone through.
    """

    def __init__(self, signal: Signal) -> None:
        light = display_light(signal)
        least, times = _least_red(light, signal)
        self._hlg = signal.transfer == "hlg"
        self._was_red = False
        self._table = ScreenTable(
            light,
            _to_places(signal),
            _mix(signal),
            red_from=signal.chroma_zero + signal.chroma_span * least,
            red_zero=signal.chroma_zero - _HAIR * signal.chroma_span,
            # Percent of luma over which a cell of this Cr is not saturated red.
            red_luma=100.0 * times / signal.chroma_span,
            red_step=_RED_STEP,
        )

    def show(self, picture: Picture) -> Shown:
        """Return luminance and redness of a picture."""
        light, red, found = screen_light(
            picture.view(proxy_luma),
            picture.cb,
            picture.cr,
            self._table,
            red=self._was_red,
        )
        if red is not None:
            # Red goes on from picture to picture: no need to look for it first.
            self._was_red = found
        nits: Array = light[3]
        if self._hlg:
            nits = np.float32(HLG_PEAK_NITS) * nits ** np.float32(_HLG_GAMMA)
        return Shown(nits, light, self._table, red=red, is_red=found)


def _mix(signal: Signal) -> Array:
    """Return what makes luminance, redness and "saturated red" of linear R, G, B.

    The last is R - 0.8 (R + G + B): at least 0 where red is 80 % of the whole.
    """
    kr, kb = LUMA_WEIGHTS[signal.matrix]
    # Red is judged against white: of HLG and PQ against 1000 cd/m2.
    scale, rest = _RED_SCALE / _red_white(signal), _RED_SHARE
    rows = [[kr, 1 - kr - kb, kb], [scale, -scale, -scale], [1 - rest, -rest, -rest]]
    return np.array(rows, np.float32)


def _red_white(signal: Signal) -> float:
    """Return the light of one channel of white, in the table's unit."""
    return {"hlg": 1.0, "pq": HLG_PEAK_NITS}.get(signal.transfer, SDR_WHITE_NITS)


def _least_red(light: Array, signal: Signal) -> tuple[float, float]:
    """Return which Cr a cell must have at least to be saturated red.

    Returns
    -------
    least : float
        As a share of Cr's span.
    times : float
        Luma, as a share, is at most so many times Cr.

    Notes
    -----
    Saturated, green and blue together have at most a quarter of red's light: luma Y' is
    at most the mean, by its weights, of R' and of O', what a quarter of red's light is
    as a signal. Cr = (R' - Y') / (2 (1 - kr)), in which the weights cancel: it is at
    least (R' - O') / 2. So R' is at most 2 Cr over the least (R' - O') / R', and Y' is
    R' - 2 (1 - kr) Cr.
    """
    share = np.linspace(0.0, _MOST, len(light))
    shown = light >= _RED_STEP / _RED_SCALE * _red_white(signal)
    other = np.interp((1.0 / _RED_SHARE - 1.0) * light, light, share)
    apart = (share - other)[shown]
    kr, _ = LUMA_WEIGHTS[signal.matrix]
    times = 2.0 / float((apart / share[shown]).min()) - 2.0 * (1.0 - kr)
    return float(0.5 * apart.min()) - _HAIR, times


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
        self._red = red
        limits = _luminance_limits(hdr=hdr)
        self._limits = limits._replace(least=_RED_STEP) if red else limits
        self._turns: Turns | None = None
        self._watch_first_until = 0.0
        self._passed: Shown | None = None

    def read(self, shown: Shown, at_s: float) -> tuple[float, float]:
        """Return the shares of the picture that rose and that fell, in percent.

        A place counts if it did within the last tenth of a second; 0 where hardly any
        did so in this very frame.
        """
        turns = self._turns
        if turns is None or turns.shape != shown.nits.shape:
            red = shown.saturated if self._red else None
            values = shown.red if self._red else shown.nits
            self._turns = Turns(values, red, self._limits)
            self._watch_first_until = at_s + 1.0
            self._passed = None
            return 0.0, 0.0
        if self._red and not shown.is_red and not turns.ever_red:
            self._passed = shown
            return 0.0, 0.0
        if self._passed is not None:
            # What was passed by while nothing was red; the nearest frame of it will do.
            turns.passed(self._passed.red)
            self._passed = None
        return turns.read(
            shown.red if self._red else shown.nits,
            shown.saturated if self._red else None,
            at_s=at_s,
            since_s=at_s - _TOGETHER_S + _TICK_S,
            watch_first=at_s < self._watch_first_until,
        )
