"""What other devices put into sound: steady whines, and the bursts of telephones.

Both are read from the spectra of short blocks. A whine is a narrow line that stands
over what is beside it in nearly every block, for many seconds: voices, music and beeps
come and go. A telephone sends in slots that come 216.7 times a second: the harmonics
of that rate stand in a row, up to a few kilohertz, for some tenths of a second.
"""

from __future__ import annotations

import functools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "BLOCKS",
    "LineCounts",
    "block_samples",
    "chained",
    "line_counts",
    "slot_coherence",
    "slot_power",
    "slot_scores",
    "spectra",
]

BLOCKS = 16
"""Blocks that are counted together."""

_BLOCK_S = 0.0853  # 4096 samples at 48 kHz
_BESIDE_HZ = 260.0
_OVER_DB = 9.0
_LEAST = 2  # blocks of a count from which on it is kept
_LOW_HZ, _HIGH_HZ = 600.0, 19_000.0
# 3GPP TS 45.002: 8 time slots in 60/13 ms. The comb is read from 1.3 to 3.9 kHz.
_SLOT_HZ = 13_000.0 / 60.0
_TEETH = np.arange(6, 19)
_GRID_TEETH = 7

Array = NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class LineCounts:
    """In how many of `BLOCKS` blocks a line stands out, for the bins where it does.

    Attributes
    ----------
    bins : (n,) array
    counts : (n,) array
    power : (n,) array
        Mean square of the line in those blocks.
    hertz : (n,) array
        Where it lies, between the bins.
    sag_db : (n,) array
        How far its weakest tenth of blocks lies under its median.
    """

    bins: NDArray[np.int32]
    counts: NDArray[np.int32]
    power: NDArray[np.float64]
    hertz: NDArray[np.float64]
    sag_db: NDArray[np.float64]

    @classmethod
    def none(cls) -> LineCounts:
        """Return that there are no lines."""
        whole, real = np.zeros(0, np.int32), np.zeros(0)
        return cls(whole, whole, real, real, real)


def block_samples(sample_rate: int) -> int:
    """Return the length of a block, a power of two close to 85 ms.

    Examples
    --------
    >>> block_samples(48_000), block_samples(44_100), block_samples(96_000)
    (4096, 4096, 8192)
    """
    return int(2 ** np.rint(np.log2(_BLOCK_S * sample_rate)))


@functools.cache
def _window(count: int) -> Array:
    return np.hanning(count + 1)[:count].astype(np.float32)


def spectra(samples: Array) -> Array:
    """Return log power spectra of blocks under a Hann window, in natural units.

    A sine of amplitude 1 has log(0.5 x 2/3) in its highest bin if it lies on one.

    Parameters
    ----------
    samples : (..., n) array
    """
    window = _window(samples.shape[-1])
    found = np.fft.rfft(samples * window)
    power = np.square(found.real) + np.square(found.imag)
    power *= np.float32(2.0 / (samples.shape[-1] * float(np.sum(window**2))))
    power += np.float32(1e-20)
    return np.asarray(np.log(power), np.float32)


def line_counts(log_power: Array, sample_rate: int) -> LineCounts:
    """Count the blocks of one channel in which a line stands over what is beside it.

    Parameters
    ----------
    log_power : (blocks, bins) array
        Natural logarithm of the power.
    """
    blocks, bins = log_power.shape
    step = 0.5 * sample_rate / (bins - 1)
    reach = max(round(_BESIDE_HZ / step), 4)
    low = max(round(_LOW_HZ / step), reach)
    high = min(round(_HIGH_HZ / step), bins - reach - 1)
    if high <= low:
        return LineCounts.none()
    summed = np.cumsum(log_power, axis=1, dtype=np.float64)
    around = (
        summed[:, low + reach : high + reach] - summed[:, low - reach : high - reach]
    )
    around /= 2.0 * reach
    part = log_power[:, low:high]
    over = part - around > _OVER_DB / 10.0 * np.log(10.0)
    over &= (part >= log_power[:, low - 1 : high - 1]) & (
        part > log_power[:, low + 1 : high + 1]
    )
    # A line between two bins is highest now in the one, now in the other.
    counts = over.sum(axis=0)
    paired = counts[:-1] + counts[1:]
    counts[:-1] = np.where(counts[:-1] >= counts[1:], paired, counts[:-1])
    at = np.flatnonzero(counts >= _LEAST)
    lines = low + at
    if not len(at):
        return LineCounts.none()
    each = np.exp(
        np.stack([log_power[:, lines + k] for k in (-1, 0, 1)]).astype(np.float64)
    )
    power = each.sum(axis=0)
    beside = np.median((each[2] - each[0]) / power, axis=0)
    return LineCounts(
        lines.astype(np.int32),
        np.minimum(counts[at], blocks).astype(np.int32),
        np.median(power, axis=0),
        (lines + beside) * step,
        10.0 * np.log10(np.median(power, axis=0) / np.quantile(power, 0.1, axis=0)),
    )


def slot_scores(log_power: Array, sample_rate: int) -> NDArray[np.float64]:
    """Return how far the comb of a telephone's slots stands out, block by block, in dB.

    Returns
    -------
    (blocks,) array
        Mean height of the teeth over the middle between them; noise has 2 to 6 dB.

    References
    ----------
    3GPP TS 45.002: a frame of eight slots lasts 60/13 ms, 216.7 a second (from memory).
    """
    bins = log_power.shape[-1]
    step = 0.5 * sample_rate / (bins - 1)
    if _TEETH[-1] * _SLOT_HZ > 0.4 * sample_rate:
        return np.zeros(log_power.shape[:-1])
    at = np.rint(_TEETH * _SLOT_HZ / step).astype(int)
    between = np.rint((_TEETH + 0.5) * _SLOT_HZ / step).astype(int)
    teeth = np.stack([log_power[..., at + k] for k in (-1, 0, 1)]).max(axis=0)
    middle = np.stack([log_power[..., between + k] for k in (-2, 0, 2)]).mean(axis=0)
    return np.asarray((teeth - middle).mean(axis=-1) * 10.0 / np.log(10.0), np.float64)


def slot_coherence(blocks: Array, starts: NDArray[np.int64], sample_rate: int) -> float:
    """Return how steadily the slots keep their rate from block to block, 0 to 1.

    A telephone keeps it to a few millionths, so that its slots lie on one grid for
    seconds; the pulses of a voice that happens to have that pitch stray off any grid.

    Parameters
    ----------
    blocks : (n, samples) array
    starts : (n,) array
        First sample of each.
    """
    teeth = _TEETH[:_GRID_TEETH] * _SLOT_HZ
    at = np.arange(blocks.shape[1])
    waves = np.exp(-2j * np.pi * np.outer(at, teeth) / sample_rate)
    found = (blocks * _window(blocks.shape[1])) @ waves
    found *= np.exp(-2j * np.pi * np.outer(starts, teeth) / sample_rate)
    found /= np.maximum(np.abs(found), 1e-20)
    return float(np.abs(found.mean(axis=0)).mean())


def slot_power(log_power: Array, sample_rate: int) -> NDArray[np.float64]:
    """Return the mean square of what is in the comb's band, block by block."""
    step = 0.5 * sample_rate / (log_power.shape[-1] - 1)
    low, high = (round(k * _SLOT_HZ / step) for k in (_TEETH[0], _TEETH[-1]))
    power = np.exp(log_power[..., low:high].astype(np.float64))
    return np.asarray(power.sum(axis=-1), np.float64)


def chained(
    counts: Sequence[LineCounts], *, least: int, gap: int
) -> list[tuple[int, int, int]]:
    """Return lines that go on: first and last count (half-open), and the bin.

    Parameters
    ----------
    least : int
        Blocks of a count in which it must stand out.
    gap : int
        Counts that it may be away for.
    """
    open_: dict[int, tuple[int, int]] = {}  # bin: first, last
    out = []
    for k, one in enumerate(counts):
        for line in one.bins[one.counts >= least].tolist():
            near = next((b for b in (line, line - 1, line + 1) if b in open_), None)
            first = k if near is None else open_.pop(near)[0]
            open_[line] = (first, k + 1)
        for line in [b for b, (_, last) in open_.items() if k + 1 - last > gap]:
            out.append((*open_.pop(line), line))
    return out + [(*span, line) for line, span in open_.items()]
