"""How bright the burnt part of a picture was: its light, as far as it can be told.

Pixels are sampled on a grid at full resolution and turned into light. A channel that is
cut off is rebuilt from the other two by the colours of what is not cut off; pixels cut
off in all three are censored, and a normal distribution of log light is fitted to the
upper part of the picture. All stops are counted from the level at which a pixel burns;
what it takes until no channel is cut off is counted apart (`cutchannels`).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from qc.kernels.samples import (
    BandTable,
    Coding,
    LightTables,
    band_tints,
    closed_stops,
    grid_colours,
    near_burnt,
    pile_up,
)
from qc.measures.parts.level.censored import BIN_STOPS, BINS, LOW
from qc.measures.parts.level.cutchannels import CutChannels, count
from qc.records import Picture
from qc.signal import LUMA_WEIGHTS, Signal, Transfer, to_linear

__all__ = ["TINT_BANDS", "BurntLight"]

_Number = TypeVar("_Number", np.float32, np.int32)

_SAMPLES = 6_000
# Signals are turned into log light by a table of this many steps a unit.
_STEPS, _TOP = 1024, 1.35
# And back by one of so many steps a stop, over so many stops.
_INVERSE_STEPS, _INVERSE_STOPS = 256, 10
# Fewer samples than this say nothing.
_FEW = 30
# Every so many samples tell the light's colour: of these ranks of luma, where no
# channel is black or near its clip.
_TINT_EVERY = 8
# Bands of rank: what a band holds stays while nothing of it is cut off.
_TINT_RANKS = (0.2, 0.33, 0.46, 0.59, 0.72, 0.85)
_TINT_KNOWN = 0.7
TINT_BANDS = len(_TINT_RANKS) - 1
_TINT_LOW, _TINT_TOP = 0.03, 0.9
# Grey within a white balance that is a little off still counts as warm.
_WARM_STOPS = 0.25
# Less apart than this, channels are white or grey; under this share of coloured
# samples a picture says nothing of tissue (house choice).
_GREY_STOPS = 0.5
_COLOURED = 0.05
# Every so many samples are enough to tell where colours would burn.
_SPARE_EVERY = 3
# Irrational strides spread points evenly over a square (golden ratio and its kin).
_STRIDES = (0.7548776662, 0.5698402910)


class BurntLight:
    """Counts how far sampled pixels lie over the level and over the clip, in stops.

    Parameters
    ----------
    signal : Signal
    level_percent : float
        Luma level from which a pixel is burnt.
    worth : float
        Share of the picture under which burnt pixels are not looked into.
    judged : function of (height, width) to mask, or None
        Which pixels count; None: all.

    Attributes
    ----------
    clip : float
        Level at which this camera cuts off a channel, as a share of black-to-white:
        where pixels pile up; the signal's ceiling until they do.
    luma, total : (n,) array of float32, int
        Judged luma samples of the last picture, as shares of black-to-white, and how
        many samples there were in all.
    tint : (TINT_BANDS, 2) array
        How much more light red and blue have than green in the last picture, stops;
        medians over bands of its pixels, from darker to brighter ones. NaN where much
        of a band is too dark or too bright.
    """

    def __init__(
        self,
        signal: Signal,
        *,
        level_percent: float,
        worth: float = 0.0,
        judged: Callable[[int, int], NDArray[np.bool_]] | None = None,
    ) -> None:
        self._signal = signal
        self._worth = worth
        self._judged = judged
        self._mask: NDArray[np.bool_] | None = None
        self._at = (slice(0), slice(0))
        self._reads = 0
        self.luma: NDArray[np.float32] = np.zeros(0, np.float32)
        self.total = 0
        self.tint = np.full((TINT_BANDS, 2), math.nan)
        values = np.maximum(np.arange(round(_TOP * _STEPS) + 1), 1) / _STEPS
        light = np.maximum(to_linear(values, transfer=signal.transfer), 1e-7)
        self._log = np.log2(light).astype(np.float32)
        inverse_from = np.float32(self._log[-1] - _INVERSE_STOPS)
        steps = np.arange(_INVERSE_STOPS * _INVERSE_STEPS + 1) / _INVERSE_STEPS
        inverse = np.interp(steps + inverse_from, self._log, values)
        self._burns = level_percent / 100.0
        self._level = self._stops_of(self._burns)
        red, blue = LUMA_WEIGHTS[signal.matrix]
        self._tables = LightTables(
            log=self._log,
            steps=_STEPS,
            inverse=inverse.astype(np.float32),
            inverse_from=float(inverse_from),
            inverse_steps=_INVERSE_STEPS,
            level=self._level,
            red=red,
            blue=blue,
        )
        self._coding = _coding_of(signal)
        self._tints = BandTable(
            self._log, _STEPS, _TINT_LOW, _TINT_TOP, _FEW, _TINT_KNOWN
        )
        self.clip = (signal.ceiling - signal.black) / (signal.white - signal.black)
        self._piled = np.zeros(40, np.int64)
        self._rgb: NDArray[np.float32] = np.zeros((3, 0), np.float32)

    def _stops_of(self, value: float) -> float:
        return _stops_of(value, self._signal.transfer)

    def read(self, picture: Picture) -> tuple[NDArray[np.float32], CutChannels] | None:
        """Count one picture.

        Returns
        -------
        counts : (BINS + 1,) array of float32
            Judged samples by stops of luma over the level, in shares of all samples;
            the last bin is what is cut off in every channel.
        cut : CutChannels
            The channels that are cut off.

        None when too little is burnt to matter.
        """
        rgb, luma = self._sample(picture)
        total = self.total = rgb.shape[1]
        self.tint = self._tint(rgb, luma)
        if self._judged is not None:
            keep = self._kept(picture)
            rgb, luma = rgb[:, keep], luma[keep]
        self.luma, self._rgb = luma, rgb
        if not total or not rgb.shape[1]:
            return None
        highest = pile_up(rgb, self._piled)
        self._learn_clip()
        cut = self._stops_of(self.clip)
        floor = min(self._level, cut) + LOW
        near = near_burnt(
            rgb,
            luma,
            highest,
            self._tables,
            burns=(self._burns, self.clip - 0.01),
            # Light rises with the signal: the table tells from which place on.
            first=float(self._log.searchsorted(np.float32(floor - 0.7))),
            warm=_WARM_STOPS,
            enough=self._worth * total,
        )
        if near is None:
            return None
        place, light, over, warm = near
        channels, lost, some, rebuilt = count(light, over, cut=cut, total=total)
        stops = closed_stops(place, light, some, rebuilt, self._tables, cut=cut)
        # Drapes are green or blue, tissue and skin are not (common practice, no
        # source). How light lies on the drapes says nothing of the field's burnt part;
        # where hardly anything is warm, all counts.
        if np.count_nonzero(warm) >= _FEW:
            counted = np.flatnonzero(~lost & (warm | (stops >= 0.0)))
        else:
            counted = np.flatnonzero(~lost)
        out = np.empty(BINS + 1, np.float32)
        out[:BINS] = _binned(stops.take(counted))
        out[BINS] = np.count_nonzero(lost)
        out /= total
        return out, channels

    def spare_stops(self, allowed: float) -> float:
        """Return how far the last picture may be opened until coloured parts burn.

        Parameters
        ----------
        allowed : float
            Share of the picture that may.

        Returns
        -------
        float
            Until luma reaches the level or a channel 100 %, whichever is first, of
            all that is not white (swabs, paper); negative when they burn already. NaN
            where hardly anything has a colour.
        """
        light = self._log.take(self._tables.places(self._rgb[:, ::_SPARE_EVERY]))
        top = _largest(light)
        least = np.minimum(np.minimum(light[0], light[1]), light[2])
        coloured = np.flatnonzero(top - least > _GREY_STOPS)
        total = self.total / _SPARE_EVERY
        rank = int(allowed * total)
        if len(coloured) <= max(rank, _COLOURED * total):
            return math.nan
        luma = self.luma[::_SPARE_EVERY].take(coloured)
        luma = self._log.take(self._tables.places(luma))
        # The channel's end is not known while nothing comes near it: white.
        rooms = ((self._stops_of(1.0), top.take(coloured)), (self._level, luma))
        return min(
            end - float(np.partition(values, -1 - rank)[-1 - rank])
            for end, values in rooms
        )

    def _tint(
        self, rgb: NDArray[np.float32], luma: NDArray[np.float32]
    ) -> NDArray[np.float64]:
        # Chosen by rank, so that a gain leaves the choice as it was.
        order = np.argsort(luma[::_TINT_EVERY])
        edges = _tint_edges(order.size)
        return band_tints(rgb, order, edges, self._tints, every=_TINT_EVERY)

    def _sample(
        self, picture: Picture
    ) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Return R'G'B' (3, n) and Y' (n,) of single pixels, not averaged."""
        height, width = picture.y.shape
        step = max(1, round(math.sqrt(height * width / _SAMPLES)))
        # The grid shifts from picture to picture, so that no weave hides between its
        # lines for a whole take.
        self._reads += 1
        down, across = (int(step * (self._reads * g % 1.0)) for g in _STRIDES)
        self._at = (slice(down, None, step), slice(across, None, step))
        planes = picture.y, picture.cb, picture.cr
        return grid_colours(planes, (down, across), step, self._coding)

    def _kept(self, picture: Picture) -> NDArray[np.bool_]:
        if self._mask is None or self._mask.shape != picture.y.shape:
            assert self._judged is not None  # noqa: S101 - the caller looked
            self._mask = self._judged(picture.height, picture.width)
        return self._mask[self._at].ravel()

    def _learn_clip(self) -> None:
        """Find where the brightest channel piles up, over the take so far.

        Bins of a hundredth from 0.9 up; a pile holds, with its neighbours, more than
        twice what lies just under it; in HLG more than that, and hardly anything lies
        over it.
        """
        heap = self._piled.copy()  # each bin with its neighbours
        heap[1:] += self._piled[:-1]
        heap[:-1] += self._piled[1:]
        peak = 8 + int(heap[8:-1].argmax())
        steep = 2.2
        if self._signal.transfer == "hlg":
            # It packs light closely there: a pile stands out less, but all ends at it.
            beyond = int(self._piled[peak + 2 :].sum())
            steep = 1.2 if beyond <= 0.05 * heap[peak] else math.inf
        if heap[peak] >= _FEW and heap[peak] > steep * heap[peak - 4]:
            middle = self._piled[peak - 1 : peak + 2] @ np.arange(peak - 1, peak + 2)
            self.clip = 0.9 + float(middle) / float(heap[peak]) / 100.0

    def least_lost(self) -> float:
        """Return how far over the level a pixel cut off in all channels surely lies."""
        return max(self._stops_of(self.clip) - self._level, 0.0)


def _coding_of(signal: Signal) -> Coding:
    """Return how codes become colours, as a stream names it."""
    kr, kb = LUMA_WEIGHTS[signal.matrix]
    return Coding(
        black=signal.black,
        range=signal.white - signal.black,
        zero=signal.chroma_zero,
        span=signal.chroma_span,
        red=2.0 * (1.0 - kr),
        blue=2.0 * (1.0 - kb),
        from_red=kr,
        from_blue=kb,
        green=1.0 - kr - kb,
    )


@lru_cache(maxsize=8)
def _tint_edges(samples: int) -> NDArray[np.int64]:
    """Return the ranks, of so many samples, between which the bands of tint lie."""
    return np.array([round(share * samples) for share in _TINT_RANKS], np.int64)


@lru_cache(maxsize=64)
def _stops_of(value: float, transfer: Transfer) -> float:
    """Return the log2 light of a signal value; where a camera clips stays for long."""
    return math.log2(max(float(to_linear(value, transfer=transfer)), 1e-7))


def _largest(channels: NDArray[_Number]) -> NDArray[_Number]:
    """Return the largest of three channels; many times faster than a reduction."""
    out: NDArray[_Number] = np.maximum(channels[0], channels[1])
    np.maximum(out, channels[2], out=out)
    return out


def _binned(stops: NDArray[np.float32]) -> NDArray[np.intp]:
    """Return how many lie in each bin; those under the first are left out. Overwrites.

    Those over the last count as of the last.
    """
    stops -= np.float32(LOW)
    stops /= np.float32(BIN_STOPS)
    np.maximum(stops, np.float32(-1), out=stops)
    np.minimum(stops, np.float32(BINS - 1), out=stops)
    at = np.floor(stops, out=stops).astype(np.intp)
    at += 1
    return np.bincount(at, minlength=BINS + 1)[1:]
