"""Which part of a picture turned brighter, darker or red, as a screen would show it.

A change counts from one turning point of a place's brightness to the next, however
many frames it takes. Area is counted place by place, each once in a short while.
"""

from __future__ import annotations

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
    over = darker / np.float32(8.0) if hdr else np.float32(np.inf)
    return np.where(darker < DARK_NITS, np.float32(FLASH_NITS), over).astype(np.float32)


class Shown:
    """What a screen shows of a picture.

    Attributes
    ----------
    nits : (h, w) array
        Luminance, cd/m2.
    may_be_red : bool
        False where colour alone says that nothing is saturated red.
    """

    __slots__ = ("_light", "_mix", "_red", "may_be_red", "nits")

    def __init__(
        self,
        nits: Array,
        light: Array,
        mix: Array,
        *,
        may_be_red: bool,
        red: tuple[Array, Mask] | None = None,
    ) -> None:
        self.nits = nits
        self.may_be_red = may_be_red
        self._light = light
        self._mix = mix
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
            mixed = (self._mix[1:] @ self._light).reshape(2, *self.nits.shape)
            self._red = _redness(mixed)
        return self._red


def _redness(mixed: Array) -> tuple[Array, Mask]:
    """Return redness, and where it is saturated, of the last two rows of `_mix`."""
    excess, over = mixed
    np.maximum(excess, 0, out=excess)
    return excess, (over >= 0) & (excess >= _RED_STEP)


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
        self._was_red = False
        least, times = _least_red(self._table, signal)
        self._red_from = signal.chroma_zero + signal.chroma_span * least
        # Percent of luma over which a cell of this Cr is not saturated red.
        self._red_luma = np.float32(100.0 * times / signal.chroma_span)
        self._red_zero = np.float32(signal.chroma_zero) - np.float32(
            _HAIR * signal.chroma_span
        )
        self._resize(0, 0)

    def _resize(self, height: int, width: int) -> None:
        """Make room for pictures of a size."""
        self._codes = np.ones((4, height, width), np.float32)
        self._at = np.empty((3, height * width), np.float32)
        self._index = np.empty((3, height * width), np.intp)

    def show(self, picture: Picture) -> Shown:
        """Return luminance and redness of a picture."""
        redder = self._place(picture)
        # Kept by what is returned, so never written again.
        light = np.empty(self._at.shape, np.float32)
        self._table.take(self._index, mode="clip", out=light)
        shape = self._codes.shape[1:]
        red = None
        if redder:
            mixed = (self._mix @ light).reshape(3, *shape)
            nits, red = mixed[0], _redness(mixed[1:])
            # Red goes on from picture to picture: no need to look for it first.
            self._was_red = bool(red[1].any())
        else:
            nits = (self._mix[0] @ light).reshape(shape)
        if self._hlg:
            nits = np.float32(HLG_PEAK_NITS) * nits ** np.float32(_HLG_GAMMA)
        return Shown(nits, light, self._mix, may_be_red=redder, red=red)

    def _place(self, picture: Picture) -> bool:
        """Find where R', G', B' of each cell lie in the table.

        Returns
        -------
        bool
            Whether anything may be saturated red.
        """
        luma = picture.view(proxy_luma)
        height, width = luma.shape
        size = max(1, width // 2), max(1, height // 2)
        if self._codes.shape[1:] != (size[1], size[0]):
            self._resize(size[1], size[0])
        codes = self._codes
        # An even part halves exactly, and quickly.
        even = luma[: max(1, height - height % 2), : max(1, width - width % 2)]
        cv2.resize(even, size, dst=codes[0], interpolation=cv2.INTER_AREA)
        codes[1] = cv2.resize(picture.cb, size, interpolation=cv2.INTER_NEAREST)
        cr = cv2.resize(picture.cr, size, interpolation=cv2.INTER_NEAREST)
        codes[2] = cr
        np.matmul(self._to_places, codes.reshape(4, -1), out=self._at)
        np.copyto(self._index, self._at, casting="unsafe")
        if self._was_red:
            return True
        if cr.max() < self._red_from:
            return False
        # A bright cell is red to this degree only if its Cr is large as well.
        red = codes[2] >= self._red_from
        red &= codes[0] <= (codes[2] - self._red_zero) * self._red_luma
        return bool(red.any())


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
        self._hdr = hdr
        self._red = red
        self._least = np.float32(_RED_STEP if red else FLASH_NITS)
        self._start(np.empty((0, 0), np.float32), np.empty((0, 0), np.bool_), 0.0)

    def _start(self, values: Array, saturated: Mask | None, at_s: float) -> None:
        self._turn_red = np.zeros(values.shape, np.bool_)
        if saturated is not None:
            self._turn_red |= saturated
        self._first, self._first_red = values.copy(), self._turn_red.copy()
        # 1 where a fall is awaited, -1 where a rise is. What lies behind is kept with
        # this sign, so that the last turning point is the largest value since.
        self._side = np.full(values.shape, -1, np.float32)
        self._turn = -values
        self._signed = np.empty(values.shape, np.float32)
        self._untouched = np.ones(values.shape, np.bool_)
        self._rose = np.full(values.shape, -np.inf)
        self._fell = np.full(values.shape, -np.inf)
        self._watch_first_until = at_s + 1.0
        self._passed: Shown | None = None

    def read(self, shown: Shown, at_s: float) -> tuple[float, float]:
        """Return the shares of the picture that rose and that fell, in percent.

        A place counts if it did within the last tenth of a second; 0 where hardly any
        did so in this very frame.
        """
        if self._turn.shape != shown.nits.shape:
            values = shown.red if self._red else shown.nits
            self._start(values, shown.saturated if self._red else None, at_s)
            return 0.0, 0.0
        if self._red and not self._turn_red.any() and not _any_red(shown):
            self._passed = shown
            return 0.0, 0.0
        values = shown.red if self._red else shown.nits
        if self._passed is not None:
            # What was passed by while nothing was red; the nearest frame of it will do.
            np.multiply(self._passed.red, self._side, out=self._signed)
            np.maximum(self._turn, self._signed, out=self._turn)
            self._passed = None
        np.multiply(values, self._side, out=self._signed)
        if self._red:
            further = self._signed > self._turn
            np.copyto(self._turn_red, shown.saturated, where=further)
        np.maximum(self._turn, self._signed, out=self._turn)
        # How far a place has come back from its last turning point.
        np.subtract(self._turn, self._signed, out=self._signed)
        rose = fell = np.empty(0, np.intp)
        if self._signed.max() >= self._least:
            rose, fell = self._turned(values, shown)
        if at_s < self._watch_first_until:
            fell = np.union1d(fell, self._first_falls(values, shown))
        for places, when in ((rose, self._rose), (fell, self._fell)):
            if places.size:
                self._untouched.ravel()[places] = False
                when.ravel()[places] = at_s
        return (
            _share(rose.size, self._rose, at_s),
            _share(fell.size, self._fell, at_s),
        )

    def _turned(
        self, values: Array, shown: Shown
    ) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        """Return the places that turned up and down in this frame, and go on there."""
        turned = np.flatnonzero(self._signed >= self._least)
        before = self._turn.ravel()[turned] * self._side.ravel()[turned]
        turned = turned[self._counts(turned, before, self._turn_red, shown)]
        side = self._side.ravel()[turned]
        self._turn.ravel()[turned] = -side * values.ravel()[turned]
        if self._red:
            self._turn_red.ravel()[turned] = shown.saturated.ravel()[turned]
        self._side.ravel()[turned] = -side
        rising = side < 0
        return turned[rising], turned[~rising]

    def _counts(
        self, places: NDArray[np.intp], before: Array, old_red: Mask, shown: Shown
    ) -> Mask:
        """Return which places' change from `before` counts."""
        if self._red:
            ends = old_red.ravel()[places] | shown.saturated.ravel()[places]
            return np.asarray(ends, np.bool_)
        now = shown.nits.ravel()[places]
        need = needed_nits(np.minimum(before, now), hdr=self._hdr)
        return np.asarray(np.abs(before - now) >= need, np.bool_)

    def _first_falls(self, values: Array, shown: Shown) -> NDArray[np.intp]:
        """Return places that begin by falling: no turning point lies before it."""
        low = self._first - values >= self._least
        low &= self._untouched
        places = np.flatnonzero(low)
        if not places.size:
            return places
        before = self._first.ravel()[places]
        return places[self._counts(places, before, self._first_red, shown)]


def _any_red(shown: Shown) -> bool:
    return shown.may_be_red and bool(shown.saturated.any())


def _share(now: int, when: NDArray[np.float64], at_s: float) -> float:
    """Return the percent of places that turned a short while ago, if some do now."""
    if now < _FRESH_SHARE * when.size or not now:
        return 0.0
    recent = np.count_nonzero(when > at_s - _TOGETHER_S + _TICK_S)
    return 100.0 * recent / when.size
