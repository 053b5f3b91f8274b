"""Arithmetic of noise: what changes from frame to frame where a picture is flat."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from qc.kernels.pairs import SIDE, pair_sums
from qc.measures.parts.scan.framepairs import percentile
from qc.signal import Signal

__all__ = [
    "BLOCK",
    "LEVELS_PERCENT",
    "MID_PERCENT",
    "REPEATED_SHARE",
    "FlatNoise",
    "flat_blocks",
    "flat_noise",
]

# Blocks are squares of this many pixels.
BLOCK = SIDE
# Edges of the levels that noise is told for, in percent of range; below and above,
# black level and white clip cut noise off.
LEVELS_PERCENT = (5.0, 15.0, 25.0, 35.0, 45.0, 55.0, 65.0, 75.0, 85.0)
MID_PERCENT = (30.0, 60.0)
# The flattest of a level's blocks, and how many there must be.
_FLATTEST = 0.25
_FEWEST_BLOCKS = 8
# Where most flat blocks do not change at all, the coder repeats them.
REPEATED_SHARE = 0.5
# Variance of rounding to whole codes.
_ROUNDING = 1.0 / 12.0
# The variance that this share of a level's blocks stays under counts. Lower, it would
# be safer from motion; but a coder smooths some blocks more than others, and those
# would speak for all. For noise alone it lies this much under the mean: chi-squared
# of 255 degrees of freedom by Wilson and Hilferty (1931, from memory); -0.3853 is the
# normal distribution's 35th percentile.
_LOW = 35.0
_FREEDOM = BLOCK**2 - 1
_LOW_BIAS = (1 - 2 / (9 * _FREEDOM) - 0.3853 * math.sqrt(2 / (9 * _FREEDOM))) ** 3


@dataclass(frozen=True, slots=True, eq=False)
class FlatNoise:
    """Noise of one pair of frames, in native codes.

    Attributes
    ----------
    mid : float
        Standard deviation at mid level; NaN when it cannot be told.
    grain : float
        Noise of 2 x 2 means over what independent pixels would leave; 1 for noise
        that differs from pixel to pixel, 2 for noise of coarse grain.
    repeated : float
        Share of flat mid-level blocks that did not change at all, 0 to 1.
    uneven : float
        How much the less changing blocks differ (20th to 50th percentile of variance
        over the 35th); about 0.1 for noise alone.
    levels : (n,) array
        Standard deviation by level, between the edges of `LEVELS_PERCENT`.
    """

    mid: float
    grain: float
    repeated: float
    uneven: float
    levels: NDArray[np.float64]


def flat_noise(
    before: NDArray[np.unsignedinteger],
    now: NDArray[np.unsignedinteger],
    *,
    signal: Signal,
) -> FlatNoise:
    """Measure noise from two neighbouring frames, where they are flat.

    Parameters
    ----------
    before, now : (bands, 16, W) arrays
        The same lines of both frames in native codes.
    signal : Signal
        Range of the codes.

    Notes
    -----
    In each block of 16 x 16 pixels the variance of the frames' difference, halved,
    less that of rounding, is the noise: detail that stands still is not in it. What
    moves is; so the less changing blocks of a level count, with the bias of choosing
    them taken off.
    """
    level, flatness, variance, coarse = _blocks(before, now)
    level = 100.0 * (level - signal.black) / (signal.white - signal.black)
    changes = variance > 0
    levels = _by_level(level[changes], variance[changes])
    at_mid = _at_mid(level)
    repeated = _repeated(at_mid, flatness, variance)
    chosen = np.sort(variance[at_mid & changes])
    if chosen.size < _FEWEST_BLOCKS or not repeated < REPEATED_SHARE:
        return FlatNoise(math.nan, math.nan, repeated, math.nan, levels)
    least, low, more = (percentile(chosen, share) for share in (20.0, _LOW, 50.0))
    uneven = (more - least) / low if low > 0 else math.inf
    still = at_mid & changes & (variance <= more)
    grain = math.sqrt(4.0 * float(coarse[still].sum()) / float(variance[still].sum()))
    return FlatNoise(_sigma(chosen), grain, repeated, uneven, levels)


def _by_level(
    level: NDArray[np.float64], variance: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the noise between the edges of `LEVELS_PERCENT`."""
    place = np.searchsorted(LEVELS_PERCENT, level, side="right")
    order = np.lexsort((variance, place))
    edges = np.searchsorted(place[order], np.arange(1, len(LEVELS_PERCENT) + 1))
    ordered = variance[order]
    return np.array([_sigma(ordered[a:b]) for a, b in pairwise(edges.tolist())])


def _sigma(ordered: NDArray[np.float64]) -> float:
    """Return the noise of one frame from variances, in order, of differences of two."""
    if ordered.size < _FEWEST_BLOCKS:
        return math.nan
    mean = percentile(ordered, _LOW) / _LOW_BIAS
    return math.sqrt(max(mean / 2.0 - _ROUNDING, 0.0))


def _flattest(
    wanted: NDArray[np.bool_], flatness: NDArray[np.floating]
) -> NDArray[np.intp]:
    """Return the flattest of the wanted blocks; empty if there are too few."""
    there = np.flatnonzero(wanted)
    if there.size < _FEWEST_BLOCKS:
        return there[:0]
    count = max(_FEWEST_BLOCKS, math.ceil(_FLATTEST * there.size))
    return there[np.argsort(flatness[there], kind="stable")[:count]]


def _repeated(
    wanted: NDArray[np.bool_],
    flatness: NDArray[np.floating],
    variance: NDArray[np.floating],
) -> float:
    """Return the share of the flattest blocks that did not change; NaN if too few."""
    chosen = _flattest(wanted, flatness)
    return float(np.mean(variance[chosen] == 0)) if chosen.size else math.nan


def _blocks(
    before: NDArray[np.unsignedinteger], now: NDArray[np.unsignedinteger]
) -> tuple[NDArray[np.float64], ...]:
    """Return of each block: level, flatness, variance of the difference, and of 2 x 2.

    Flatness is the variance of the sum of both frames.
    """
    sums = pair_sums(before, now).astype(np.float64)
    difference, squares, total, total_squares, halves = sums
    n = float(BLOCK * BLOCK)
    # Whole numbers so far: where all pixels change alike this is 0 to the last bit.
    variance = (n * squares - difference**2) / (n * (n - 1.0))
    coarse = (n * halves / 4.0 - difference**2) / (n * (n - 4.0))
    return (
        0.5 * total / n,
        (n * total_squares - total**2) / n**2,
        variance,
        np.maximum(coarse, 0.0),
    )


def flat_blocks(
    bands: NDArray[np.unsignedinteger], *, signal: Signal
) -> NDArray[np.intp]:
    """Return which blocks of one frame, counted along the bands, are flat at mid level.

    Parameters
    ----------
    bands : (bands, 16, W) array
        Native codes.
    """
    level, flatness, _, _ = _blocks(bands, bands)
    at_mid = _at_mid(100.0 * (level - signal.black) / (signal.white - signal.black))
    return _flattest(at_mid, flatness)


def _at_mid(level: NDArray[np.floating]) -> NDArray[np.bool_]:
    return (level >= MID_PERCENT[0]) & (level < MID_PERCENT[1])
