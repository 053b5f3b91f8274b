"""Arithmetic of sound peaks: true peaks, runs of clipped samples, silences.

True peaks and runs look over the border of a block. They give the same numbers however
the samples are cut into blocks, down to the last bit: every output comes from the same
sums in the same order.
"""

from __future__ import annotations

import functools
import math
import re

import numpy as np
from numpy.typing import NDArray

from qc.spans import Span, bridged, runs

__all__ = [
    "SILENCE_DBFS",
    "ClippedRuns",
    "TruePeaks",
    "busiest_window",
    "dbfs",
    "is_floating",
    "keeps_full_scale",
    "keeps_samples",
    "lfe_index",
    "oversampling",
    "phase_filter",
    "row_reduce",
    "silences",
]

SILENCE_DBFS = -200.0
"""What digital silence reads: far under any converter, yet a number that can be drawn,
averaged and written as JSON."""

# Samples that the interpolation looks ahead, and as many back: 32 taps a phase where
# Annex 2 of BS.1770 prints 12. With this window the response is flat within 0.03 dB up
# to 0.42 of the sample rate (20 kHz at 48 kHz).
_HALF = 16
_KAISER_BETA = 5.0

_KEEPS_EVERY_SAMPLE = {"alac", "ape", "flac", "mlp", "truehd", "tta", "wavpack"}
# Full scale of these lies up to 0.17 dB under 1.0, or comes back only roughly.
_COARSE_PCM = {"pcm_u8", "pcm_s8", "pcm_alaw", "pcm_mulaw"}

# Samples that go through one product of matrices, and how often for one group; groups
# done at a time, so that their arrays stay in a core's own cache.
_STRETCH, _STRETCHES, _GROUPS = 32, 50, 15
_WINDOW = _STRETCH + 2 * _HALF - 1  # samples that the points of a stretch look at
_GROUP = _STRETCH * _STRETCHES


def dbfs(value: NDArray[np.floating] | float) -> NDArray[np.float64]:
    """Return levels in dB re full scale 1.0, not under `SILENCE_DBFS`; NaN stays NaN.

    Examples
    --------
    >>> dbfs(np.array([1.0, 0.5, 0.0])).round(2).tolist()
    [0.0, -6.02, -200.0]
    """
    floor = 10.0 ** (SILENCE_DBFS / 20.0)
    level = np.log10(np.maximum(np.asarray(value, np.float64), floor))
    return np.asarray(20.0 * level, np.float64)


def oversampling(sample_rate: int) -> int:
    """Return how many points a sample are looked at: 4, from 96 kHz 2, from 192 kHz 1.

    References
    ----------
    ITU-R BS.1770-5 Annex 2: four times at 48 kHz; higher rates need proportionally
    less (from memory). Lower rates get four times as well.
    """
    if sample_rate >= 192_000:
        return 1
    return 2 if sample_rate >= 96_000 else 4


def phase_filter(shift: float) -> NDArray[np.float64]:
    """Return the taps that give the signal `shift` of a sample after a sample.

    Parameters
    ----------
    shift : float
        0 to 1.

    Returns
    -------
    (32,) array
        Weights of the samples from 15 before to 16 after: a sinc in a Kaiser window.

    Examples
    --------
    >>> taps = phase_filter(0.0)
    >>> float(taps[15]), bool(abs(np.delete(taps, 15)).max() < 1e-15)
    (1.0, True)
    """
    at = np.arange(1 - _HALF, _HALF + 1) - shift
    window = np.i0(_KAISER_BETA * np.sqrt(np.maximum(1.0 - (at / _HALF) ** 2, 0.0)))
    taps: NDArray[np.float64] = np.sinc(at) * window / np.i0(_KAISER_BETA)
    return taps


@functools.cache
def _weights(factor: int) -> NDArray[np.float32]:
    """Return the taps of the points between samples, as matrices.

    Returns
    -------
    (factor - 1, window, stretch) array
        A window of samples times a matrix gives one point behind each of a stretch.
    """
    out = np.zeros((factor - 1, _WINDOW, _STRETCH), np.float32)
    for k in range(1, factor):
        taps = phase_filter(k / factor).astype(np.float32)
        for at in range(_STRETCH):
            out[k - 1, at : at + len(taps), at] = taps
    return out


class TruePeaks:
    """Highest magnitude at and between samples of one track, block by block.

    Parameters
    ----------
    channels : int
    factor : int
        Points a sample: 4, 2 or 1; see `oversampling`.

    Attributes
    ----------
    lag : int
        What `feed` returns first belongs to the sample this far before the block.

    Notes
    -----
    The points of a group of samples come from products of matrices of one fixed shape.
    Groups are counted from the first sample behind a gap; one that is not complete is
    filled up with zeros, which points before them do not hear, and is done again with
    the next block. So the numbers do not depend on where blocks end.

    References
    ----------
    ITU-R BS.1770-5 Annex 2 (method); the filter is longer than the one printed there.
    """

    def __init__(self, channels: int, factor: int) -> None:
        if factor not in (1, 2, 4):
            raise ValueError(f"factor must be 1, 2 or 4, got {factor}")
        self._factor = factor
        self.lag = 0 if factor == 1 else _HALF
        size = _GROUPS * _GROUP
        self._line = np.zeros((channels, size + _WINDOW), np.float32)
        self._windows = np.empty((_GROUPS, 1, _STRETCHES, _WINDOW), np.float32)
        self._points = np.empty((factor - 1, _GROUPS, _STRETCHES, _STRETCH), np.float32)
        self._out = np.empty((channels, 0), np.float32)
        self._reset()

    def _reset(self) -> None:
        """Forget what went before; the line begins with what a point looks back on."""
        self._line[:, : 2 * _HALF - 1] = 0.0
        self._held = 0  # samples of a group that is not complete yet

    def feed(self, samples: NDArray[np.float32]) -> NDArray[np.float32]:
        """Return the highest magnitude from each sample up to the next.

        Parameters
        ----------
        samples : (channels, n) array of float32
            Finite.

        Returns
        -------
        (channels, n) array of float32
            Column j is for sample ``j - lag`` of the block.
        """
        return self._feed(samples).copy()

    def rows(
        self, samples: NDArray[np.float32], row_edges: NDArray[np.int64]
    ) -> NDArray[np.float64]:
        """Return the highest of `feed` in each row of columns; (rows, channels)."""
        return row_reduce(np.maximum, self._feed(samples), row_edges)

    def _feed(self, samples: NDArray[np.float32]) -> NDArray[np.float32]:
        n = samples.shape[1]
        if self._out.shape[1] < n:
            self._out = np.empty((samples.shape[0], n), np.float32)
        out = self._out[:, :n]
        if self._factor == 1:
            return np.abs(samples, out=out)
        done = 0
        while done < n:
            upto = min(done + _GROUPS * _GROUP - self._held, n)
            self._piece(samples[:, done:upto], out[:, done:upto])
            done = upto
        return out

    def flush(self) -> NDArray[np.float32]:
        """Return what silence after the last sample brings out, and start anew.

        Returns
        -------
        (channels, 2 lag) array of float32
            The first `lag` columns belong to the last samples, the others lie behind.
        """
        out = self.feed(np.zeros((self._line.shape[0], 2 * self.lag), np.float32))
        self._reset()
        return out

    def _piece(self, samples: NDArray[np.float32], out: NDArray[np.float32]) -> None:
        back, held = 2 * _HALF - 1, self._held
        end = held + samples.shape[1]
        groups = -(-end // _GROUP)
        line = self._line
        line[:, back + held : back + end] = samples
        line[:, back + end : back + groups * _GROUP] = 0.0
        for own, result in zip(line, out, strict=True):
            np.abs(own[held + _HALF - 1 : end + _HALF - 1], out=result)
            self._between(own, groups)
            for points in self._points:
                found = points.reshape(-1)[held:end]
                np.maximum(result, np.abs(found, out=found), out=result)
        full = end // _GROUP * _GROUP
        self._held = end - full
        line[:, : back + self._held] = line[:, full : back + end].copy()

    def _between(self, line: NDArray[np.float32], groups: int) -> None:
        """Put the points behind the samples of so many groups into `_points`."""
        size = line.itemsize
        windows = np.lib.stride_tricks.as_strided(
            line,
            (groups, 1, _STRETCHES, _WINDOW),
            (_GROUP * size, 0, _STRETCH * size, size),
            writeable=False,
        )
        np.copyto(self._windows[:groups], windows)
        np.matmul(
            self._windows[:groups],
            _weights(self._factor),
            out=self._points.swapaxes(0, 1)[:groups],
        )


class ClippedRuns:
    """Counts samples of flat-topped runs in one track, block by block.

    A run is `shortest` or more samples one after another, all at or beyond `level` on
    the same side of zero: a loud tone that swings from one end to the other is none.
    Its first samples count where it has become a run, so that a row may hold up to
    ``shortest - 1`` samples of the row before; no sample is lost or counted twice.

    Parameters
    ----------
    channels : int
    level : float
        Magnitude, 1.0 is full scale.
    shortest : int
        Samples.
    alike : bool
        Only samples of one value are a run: numbers with a floating point go on beyond
        full scale, and what does is whole.
    """

    def __init__(
        self, channels: int, *, level: float, shortest: int, alike: bool = False
    ) -> None:
        self._level = np.float32(level)
        self._shortest = shortest
        self._alike = alike
        self._last = [0.0] * channels
        self._side = [0] * channels
        self._length = [0] * channels

    def feed(
        self, samples: NDArray[np.float32], row_edges: NDArray[np.int64]
    ) -> NDArray[np.int64]:
        """Return how many samples of each row and channel lie in runs.

        Parameters
        ----------
        samples : (channels, n) array of float32
        row_edges : (rows + 1,) array
            Offsets at which rows begin, and the end.

        Returns
        -------
        (rows, channels) array of int64
        """
        channels, rows = samples.shape[0], len(row_edges) - 1
        out = np.zeros((rows, channels), np.int64)
        for channel in range(channels):
            line = samples[channel]
            at = np.flatnonzero(np.abs(line) >= self._level)
            if at.size == 0:
                self._length[channel] = 0
                continue
            side = np.signbit(line[at])
            place = self._places(channel, at, side, line)
            credit = (place > self._shortest).astype(np.int64)
            credit[place == self._shortest] = self._shortest
            row = np.searchsorted(row_edges, at, side="right") - 1
            counted = np.bincount(np.minimum(row, rows - 1), credit, minlength=rows)
            out[:, channel] = np.rint(counted)
            ends_here = int(at[-1]) == line.size - 1
            self._length[channel] = int(place[-1]) if ends_here else 0
            self._side[channel], self._last[channel] = int(side[-1]), float(line[-1])
        return out

    def _places(
        self,
        channel: int,
        at: NDArray[np.intp],
        side: NDArray[np.bool_],
        line: NDArray[np.float32],
    ) -> NDArray[np.int64]:
        """Return which sample of its run each is, from 1."""
        begins = np.ones(at.size, bool)
        begins[1:] = (np.diff(at) > 1) | (side[1:] != side[:-1])
        goes_on = at[0] == 0 and side[0] == self._side[channel]
        if self._alike:
            begins[1:] |= np.diff(line[at]) != 0
            goes_on &= float(line[0]) == self._last[channel]
        count = np.arange(at.size, dtype=np.int64)
        place = count - np.maximum.accumulate(np.where(begins, count, 0)) + 1
        if goes_on and self._length[channel]:
            first = np.flatnonzero(begins)
            place[: first[1] if first.size > 1 else None] += self._length[channel]
        return place

    def reset(self) -> None:
        """Forget an unfinished run: what follows does not join on."""
        self._length = [0] * len(self._length)


def row_reduce(
    reduce: np.ufunc, values: NDArray[np.floating], row_edges: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Reduce each row of (channels, n) values, e.g. by `numpy.maximum`.

    Parameters
    ----------
    reduce : ufunc
    values : (channels, n) array
    row_edges : (rows + 1,) array
        Offsets, from 0 to n; rows may be empty.

    Returns
    -------
    (rows, channels) array
        NaN for empty rows.
    """
    out = np.full((len(row_edges) - 1, values.shape[0]), math.nan)
    filled = np.flatnonzero(np.diff(row_edges) > 0)
    if filled.size:
        out[filled] = reduce.reduceat(values, row_edges[filled], axis=1).T
    return out


def busiest_window(counts: NDArray[np.int64], *, rows: int) -> int:
    """Return the highest sum of `counts` over so many rows, or over all if fewer.

    Examples
    --------
    >>> busiest_window(np.array([3, 0, 5, 4, 0]), rows=2)
    9
    """
    window = min(rows, len(counts))
    summed = np.concatenate([[0], np.cumsum(counts)])
    return int((summed[window:] - summed[: len(summed) - window]).max())


def silences(
    alive: NDArray[np.bool_],
    known: NDArray[np.bool_],
    *,
    min_rows: float,
    bridge_rows: int,
    whole_share: float,
) -> list[tuple[int, int, bool]]:
    """Return the long stretches of rows without sound.

    Parameters
    ----------
    alive, known : (rows,) arrays
        Whether there is sound, and whether that was measured. Rows that are not known
        neither end a stretch nor make one.
    min_rows : float
        Length from which a stretch counts.
    bridge_rows : int
        Sound that is shorter than this does not end a stretch, as long as there is
        little of it: at most 1 - `whole_share` of the stretch.
    whole_share : float
        A stretch that holds this share of the known rows is the whole, and counts
        whatever its length.

    Returns
    -------
    list of (first, last, whole)

    Examples
    --------
    >>> alive = np.array([1, 0, 0, 0, 0, 1, 1, 0], bool)
    >>> silences(alive, ~(alive & ~alive), min_rows=3, bridge_rows=1, whole_share=1)
    [(1, 5, False)]
    """
    out = []
    total = int(np.count_nonzero(known))
    times = np.arange(len(alive) + 1, dtype=np.float64)
    quiet: list[Span] = []
    for first, last in bridged(runs(~alive), times=times, gap=bridge_rows):
        part = alive[first:last]
        if np.count_nonzero(part) <= (1.0 - whole_share) * np.count_nonzero(
            known[first:last]
        ):
            quiet.append((first, last))
        else:
            quiet += [(first + a, first + b) for a, b in runs(~part)]
    for first, last in quiet:
        inside = first + np.flatnonzero(known[first:last])
        if inside.size:
            begin, end = int(inside[0]), int(inside[-1]) + 1
            whole = bool(inside.size >= whole_share * total)
            if whole or end - begin >= min_rows:
                out.append((begin, end, whole))
    return out


def keeps_full_scale(codec: str) -> bool:
    """Return whether a sample that was recorded at full scale is decoded so.

    Examples
    --------
    >>> keeps_full_scale("pcm_s24le"), keeps_full_scale("aac")
    (True, False)
    """
    return keeps_samples(codec) and codec not in _COARSE_PCM


def is_floating(codec: str) -> bool:
    """Return whether samples have a floating point, and so no highest value.

    Examples
    --------
    >>> is_floating("pcm_f32le"), is_floating("pcm_s32le")
    (True, False)
    """
    return codec.startswith("pcm_f")


def keeps_samples(codec: str) -> bool:
    """Return whether every sample is decoded as it was recorded.

    Examples
    --------
    >>> keeps_samples("pcm_u8"), keeps_samples("flac"), keeps_samples("aac")
    (True, True, False)
    """
    return codec in _KEEPS_EVERY_SAMPLE or codec.startswith("pcm_")


def lfe_index(layout: str) -> int | None:
    """Return which channel of a layout carries low-frequency effects only, or None.

    Examples
    --------
    >>> lfe_index("5.1(side)"), lfe_index("2.1"), lfe_index("stereo")
    (3, 2, None)
    """
    # In FFmpeg's order LFE stands behind left, right and, if there is one, centre.
    match = re.match(r"(\d)\.1(?!\d)", layout)
    return min(int(match[1]), 3) if match else None
