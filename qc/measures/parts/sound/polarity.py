"""Polarity of two channels that hear one sound, each at its own time.

A sound that reaches one microphone later is turned in phase at its high tones only,
and a delay undone brings it back; polarity turned round stays. So the low band of every
channel is kept, and two of them are compared at every lag that microphones in a room
have: the highest correlation, up or down, tells. A voice is like itself a period of its
pitch later, and upside down half a period later, so that a lag beyond those looked at
would show its lobes alone: they are taken out first, by making all tones of the band
equally strong.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.running import running_median
from qc.measures.parts.sound.soundpieces import cell_means

__all__ = ["Compared", "LowBand", "LowKeeper", "compared"]

_KEPT_HZ = 1500.0
# The fourth root in 127 steps, 6 % of -20 dBFS: enough for signs and lags.
_STEPS = 127.0
_BAND_HZ = (80.0, 650.0)
# Nearly seven metres of way: as far as two microphones of one room lie apart.
_LAG_S, _LAG_STEP_S = 20e-3, 2.5e-4
_WINDOW_S, _HOP_S = 2.0, 1.0
_ENOUGH = 0.25  # of a window's rows must be loud enough
# Samples that a lag and its filter reach over: 20 ms at 1500 Hz are 30, and 8 of taps.
_REACH = 64
_PIECE = 1 << 18  # samples looked at together
_CALMED = 5  # windows whose middle lag is taken
# From this correlation on a window's lag is believed, of tones all equally strong.
# Tried with voices in rooms, at lags within what is looked at and beyond: none was told
# the wrong way round.
_SURE = 0.4
# Turned round only if it is so much more alike than the right way up. The lobes beside
# the true lag of a flat band of 80 to 650 Hz reach 0.37 of it (arithmetic).
_CLEARER = 1.5
_FAR_S = 0.08  # what is heard so much later counts for nothing
_FLAT_HZ = 40.0  # strength is evened out over so much: about half a voice's pitch
_ROWS = 100  # a second
_MEAN_ROWS = 40
# Products of larger matrices would be shared out among processors, at a cost.
_MOST_AT_ONCE = 4

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class LowBand:
    """The low band of a track's channels in stretches without a gap.

    Attributes
    ----------
    rate : float
        Samples a second.
    runs : sequence of (first, codes)
        Number of the first sample since the take's start, (channels, n) array.
    """

    rate: float
    runs: Sequence[tuple[int, NDArray[np.int8]]]

    def line(self, channel: int, first: int, count: int) -> NDArray[np.float32]:
        """Return so many samples of a channel, 0 where there are none."""
        out = np.zeros(count, np.float32)
        for start, codes in self.runs:
            a, b = max(start, first), min(start + codes.shape[1], first + count)
            if a < b:
                part = codes[channel, a - start : b - start] / np.float32(_STEPS)
                size = np.square(np.square(part))
                out[a - first : b - first] = np.copysign(size, part)
        return out


class LowKeeper:
    """Keeps the low band of a track as it is read.

    Parameters
    ----------
    rate : float
        Samples a second of what is fed.
    """

    def __init__(self, channels: int, rate: float) -> None:
        self._size = max(round(rate / _KEPT_HZ), 1)
        self._rate = rate / self._size
        self._rest = np.zeros((channels, 0), np.float32)
        self._runs: list[tuple[int, list[NDArray[np.int8]]]] = []
        self._open = False

    def feed(self, samples: NDArray[np.float32], first: int) -> None:
        """Take samples whose first is number `first` since the take's start."""
        size = self._size
        if not self._open:
            # The same places in every track.
            skip = -first % size
            if samples.shape[1] < skip + 1:
                return
            samples, first = samples[:, skip:], first + skip
            self._runs.append((first // size, []))
            self._open = True
            self._rest = self._rest[:, :0]
        joined = np.concatenate([self._rest, samples], axis=1)
        count = joined.shape[1] // size
        self._rest = joined[:, count * size :].copy()
        if count:
            self._runs[-1][1].append(_codes(cell_means(joined, size)))

    def reset(self) -> None:
        """Begin anew: what follows does not join on."""
        self._open = False

    def finish(self) -> LowBand:
        """Return what was kept."""
        whole = [(k, np.concatenate(parts, axis=1)) for k, parts in self._runs if parts]
        return LowBand(self._rate, whole)


def _codes(samples: NDArray[np.float32]) -> NDArray[np.int8]:
    size = np.abs(samples)
    np.minimum(size, np.float32(1.0), out=size)
    np.sqrt(size, out=size)
    np.sqrt(size, out=size)
    size *= np.float32(_STEPS)
    np.copysign(size, samples, out=size)
    return np.rint(size, out=size).astype(np.int8)


@dataclass(frozen=True, slots=True, eq=False)
class Compared:
    """How alike two channels are in their low band, row by row of a hundredth.

    Attributes
    ----------
    correlation : (rows,) array
        Over the 400 ms around each row, the lag undone; NaN where it is not loud.
    lag_s : (rows,) array
        By how much the second channel hears it later.
    both, apart : (rows,) arrays
        Energy of the sum of the two as they are, and of the one and the other.
    product : (rows,) array
        What the two have in common, the lag undone; negative where turned round.
    verdicts : sequence of (first, last, sign)
        Windows, in rows, in which it is clear which way round the two are: +1 or -1.
    """

    correlation: Array
    lag_s: Array
    both: Array
    apart: Array
    product: Array
    verdicts: Sequence[tuple[int, int, int]]

    def turned(self, first: int, last: int) -> bool:
        """Tell whether more windows over some rows are clearly turned than right."""
        return sum(s for a, b, s in self.verdicts if a < last and first < b) < 0


def compared(
    a: tuple[LowBand, int],
    b: tuple[LowBand, int],
    *,
    first_row: int,
    loud: NDArray[np.bool_],
) -> Compared:
    """Compare two channels, each given as a low band and its index in it.

    Parameters
    ----------
    first_row : int
        Number of the first row since the take's start.
    loud : (rows,) array
        Rows in which both are loud enough to tell.
    """
    rate, rows = a[0].rate, len(loud)
    first = math.ceil(first_row * rate / _ROWS)
    count = max(math.floor((first_row + rows) * rate / _ROWS) - first, 0)

    def rows_at(samples: NDArray[np.int64]) -> NDArray[np.int64]:
        row = ((first + samples) * _ROWS / rate).astype(np.int64) - first_row
        return np.clip(row, 0, max(rows - 1, 0))

    x, y = (low.line(index, first, count) for low, index in (a, b))
    for begin, end in _pieces(0, count):
        heard = loud[rows_at(np.arange(begin, end))]
        x[begin:end] *= heard
        y[begin:end] *= heard
    starts, lags, signs = _lags(x, y, rate)
    ends = np.minimum(starts + round(_WINDOW_S * rate), count) - 1
    verdicts = [
        (int(i), int(j) + 1, int(sign))
        for i, j, sign in zip(rows_at(starts), rows_at(ends), signs, strict=True)
        if sign
    ]
    until, calm = _nearest(starts, lags, count, rate)
    energy, samples = np.zeros((5, rows)), np.zeros(rows, np.int64)
    lines = x, y, _undone(y, until, calm, rate)
    for begin, end in _pieces(0, count):
        row = rows_at(np.arange(begin, end))
        low, size = int(row[0]), int(row[-1] - row[0]) + 1
        one, two, late = (line[begin:end] for line in lines)
        into = slice(low, low + size)
        samples[into] += np.bincount(row - low, minlength=size)
        products = (
            one * late,
            one * one,
            late * late,
            (one + two) ** 2,
            one * one + two * two,
        )
        for summed, values in zip(energy, products, strict=True):
            summed[into] += np.bincount(row - low, values, minlength=size)
    product, *alone, both, apart = energy
    sums = [_centred(v) for v in (product, *alone)]
    with np.errstate(invalid="ignore", divide="ignore"):
        correlation = np.clip(sums[0] / np.sqrt(sums[1] * sums[2]), -1.0, 1.0)
    correlation[~(_centred(loud.astype(np.float64)) >= _ENOUGH * _MEAN_ROWS)] = math.nan
    lag_rows = np.zeros(rows)
    if count:
        at = np.minimum(np.cumsum(samples) - samples, count - 1)
        lag_rows = calm[np.searchsorted(until, at, "right")]
    return Compared(correlation, lag_rows, both, apart, product, verdicts)


def _undone(
    line: NDArray[np.float32], until: NDArray[np.int64], calm: Array, rate: float
) -> NDArray[np.float32]:
    """Return a line with its lags undone; see `_nearest`."""
    out = np.zeros_like(line)
    for begin, end, lag in _of_one_lag(until, calm):
        for i, j in _pieces(begin, end):
            around = slice(max(i - _REACH, 0), j + _REACH)
            moved = _shifted(line[around], lag * rate)
            out[i:j] = moved[i - around.start :][: j - i]
    return out


def _pieces(first: int, last: int) -> Iterator[tuple[int, int]]:
    """Yield parts of a line one after the other: an hour is not held several times."""
    for begin in range(first, last, _PIECE):
        yield begin, min(begin + _PIECE, last)


def _of_one_lag(
    until: NDArray[np.int64], calm: Array
) -> Iterator[tuple[int, int, float]]:
    """Yield stretches of samples that share a lag as (first, last, lag)."""
    begin = 0
    for k, end in enumerate(until.tolist()):
        if k + 1 < len(calm) and calm[k + 1] == calm[k]:
            continue
        if begin < end:
            yield begin, end, float(calm[k])
        begin = max(begin, end)


def _centred(values: Array) -> Array:
    """Return sums over 400 ms around each row."""
    half = _MEAN_ROWS // 2
    summed = np.concatenate([[0.0], np.cumsum(values)])
    at = np.arange(len(values))
    upper = np.minimum(at + half, len(values))
    return np.asarray(summed[upper] - summed[np.maximum(at - half, 0)])


def _lags(
    x: NDArray[np.float32], y: NDArray[np.float32], rate: float
) -> tuple[NDArray[np.int64], Array, NDArray[np.int64]]:
    """Return where windows begin, the lag of each in seconds, and which way round.

    The lag is NaN if not sure; the way +1, -1, or 0 if it is not clear.
    """
    width, hop = round(_WINDOW_S * rate), round(_HOP_S * rate)
    width = min(width, len(x))
    if width < 64:
        return np.zeros(0, np.int64), np.zeros(0), np.zeros(0, np.int64)
    starts = np.unique([*range(0, len(x) - width + 1, hop), len(x) - width])
    out, signs = np.full(len(starts), math.nan), np.zeros(len(starts), np.int64)
    for k in range(0, len(starts), _MOST_AT_ONCE):
        some = slice(k, k + _MOST_AT_ONCE)
        at = starts[some, np.newaxis] + np.arange(width)
        out[some], signs[some] = _best(*correlations(x[at], y[at], rate))
    signs[np.isnan(out)] = 0
    if signs.any():
        # Microphones stay where they are: what is clear speaks for what is not.
        out[signs == 0] = math.nan
    return starts, out, signs


def correlations(
    x: NDArray[np.floating], y: NDArray[np.floating], rate: float
) -> tuple[Array, Array]:
    """Return the correlation of windows in the low band at every lag; see `_grid`.

    Returns
    -------
    (windows, lags) array
        NaN without sound.
    (windows, lags) array
        The same with all parts of the band made equally strong first.
    """
    width = x.shape[-1]
    window = np.hanning(width + 2)[1:-1]
    length = 1 << (width + 32 - 1).bit_length()
    hertz = np.fft.rfftfreq(length, 1.0 / rate)
    band = (hertz >= _BAND_HZ[0]) & (hertz <= _BAND_HZ[1])
    fx, fy = (
        np.fft.rfft(v * window, length)[:, band].astype(np.complex64) for v in (x, y)
    )
    over = round(_FLAT_HZ * length / rate)
    even = _evened(fx, over), _evened(fy, over)
    return _at_lags(fx, fy, length, rate), _at_lags(*even, length, rate)


def _at_lags(
    fx: NDArray[np.complex64], fy: NDArray[np.complex64], length: int, rate: float
) -> Array:
    common = fx * np.conj(fy)
    # The real part of the product with exp(-i turn): even and odd over the lags.
    cosines, sines = _waves(length, rate)
    real, imag = (np.ascontiguousarray(v) for v in (common.real, common.imag))
    even, odd = real @ cosines, imag @ sines
    summed = np.concatenate([(even - odd)[:, :0:-1], even + odd], axis=1)
    power = [
        np.square(f.real).sum(axis=1) + np.square(f.imag).sum(axis=1) for f in (fx, fy)
    ]
    with np.errstate(invalid="ignore", divide="ignore"):
        size = np.sqrt(power[0] * power[1])
        return np.asarray(summed / size[:, np.newaxis], np.float64)


def _evened(spectra: NDArray[np.complex64], width: int) -> NDArray[np.complex64]:
    """Return spectra over what is usual of their size around each frequency."""
    power = np.square(spectra.real) + np.square(spectra.imag)
    half, bins = width // 2, power.shape[1]
    summed = np.pad(np.cumsum(power, axis=1, dtype=np.float64), ((0, 0), (1, 0)))
    low = np.maximum(np.arange(bins) - half, 0)
    high = np.minimum(np.arange(bins) + half + 1, bins)
    usual = np.maximum(summed[:, high] - summed[:, low], 0.0) / (high - low)
    size = np.sqrt(np.maximum(usual, 1e-12 * usual.max(axis=1, keepdims=True)))
    out = np.zeros_like(spectra)
    np.divide(spectra, size, out=out, where=size > 0, casting="same_kind")
    return out


@functools.lru_cache(maxsize=4)
def _waves(length: int, rate: float) -> tuple[NDArray[np.float32], ...]:
    """Return cosine and sine of the band's frequencies at the lags from 0 up."""
    hertz = np.fft.rfftfreq(length, 1.0 / rate)
    band = (hertz >= _BAND_HZ[0]) & (hertz <= _BAND_HZ[1])
    lags = _grid()[len(_grid()) // 2 :]
    turn = 2.0 * math.pi * hertz[band, np.newaxis] * lags
    return np.cos(turn).astype(np.float32), np.sin(turn).astype(np.float32)


@functools.cache
def _grid() -> Array:
    """Return the lags that are looked at, in seconds."""
    count = round(_LAG_S / _LAG_STEP_S)
    return np.asarray(np.arange(-count, count + 1) * _LAG_STEP_S, np.float64)


def _best(found: Array, even: Array) -> tuple[Array, NDArray[np.int64]]:
    """Return the lag at which each window is most alike, or most turned round.

    The even band tells which of both, the band as it is at which lag.

    Returns
    -------
    (windows,) array
        NaN where the two have too little in common.
    (windows,) array of int64
        +1 or -1 where it is clear which of both; of a single tone it never is. Where
        it is not, 0, and the lag is that of the right way round.
    """
    known = np.nan_to_num(even)
    up, down = known.argmax(axis=1), known.argmin(axis=1)
    each = np.arange(len(known))
    most, least = known[each, up], -known[each, down]
    way = np.where(least > _CLEARER * most, -1.0, 1.0)[:, np.newaxis]
    plain = np.nan_to_num(found)
    # A voice that keeps its pitch is alike at every period: the shortest way of all.
    nearer = 1.0 - np.abs(_grid()) / _FAR_S
    at = (way * plain * nearer).argmax(axis=1)
    lag = _grid()[at] + _between(plain, at)
    lag[np.maximum(most, least) < _SURE] = math.nan
    right, turned = most > _CLEARER * least, least > _CLEARER * most
    return np.asarray(lag), right.astype(np.int64) - turned


def _between(found: Array, at: NDArray[np.integer]) -> Array:
    """Return by how much the highest point of a parabola lies beside each peak."""
    each, last = np.arange(len(found)), found.shape[1] - 1
    near = np.clip(at, 1, last - 1)
    a, b, c = (found[each, near + k] for k in (-1, 0, 1))
    bend = a - 2.0 * b + c
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.where((bend != 0) & (near == at), 0.5 * (a - c) / bend, 0.0)
    fine = np.clip(np.rint(share * 4.0) / 4.0, -0.5, 0.5)  # few lags, long stretches
    return np.asarray(fine * _LAG_STEP_S, np.float64)


def _nearest(
    starts: NDArray[np.int64], lags: Array, count: int, rate: float
) -> tuple[NDArray[np.int64], Array]:
    """Return the lag of the nearest window that is sure, for every sample.

    Returns
    -------
    (n,) array of int64
        Up to which sample, not included, each lag holds.
    (n,) array
        The lags.
    """
    sure = ~np.isnan(lags)
    if not sure.any():
        return np.array([count], np.int64), np.zeros(1)
    # Where polarity turns, a window holds both and tells no lag: its neighbours do.
    calm = running_median(lags[sure], _CALMED)
    # Windows may be shorter than two seconds only if there is but one.
    middles = starts[sure] + _WINDOW_S * rate / 2
    borders = (middles[1:] + middles[:-1]) / 2
    ends = np.clip(np.append(np.ceil(borders), count), 0, count).astype(np.int64)
    return ends, calm


def _shifted(line: NDArray[np.float32], by: float) -> NDArray[np.float32]:
    """Return a line read `by` samples later, between samples by a windowed sinc."""
    whole = math.floor(by)
    at = np.arange(-7, 9) - (by - whole)
    taps = np.sinc(at) * np.cos(math.pi * at / 17.0) ** 2
    out = np.convolve(line, taps[::-1].astype(np.float32))
    # out[k] is the sum over j of line[k - j] taps[::-1][j]: read so that tap 0 is line.
    begin = 8 + whole
    padded = np.pad(out, (32, 32))
    return np.asarray(padded[32 + begin : 32 + begin + len(line)], np.float32)
