"""Arithmetic of noise: what changes from frame to frame where a picture is flat."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from qc.kernels.pairs import SIDE, pair_sums
from qc.measures.parts.scan.framepairs import percentile
from qc.measures.parts.scan.rowsalike import without_rows_alike
from qc.measures.parts.scan.textureshift import shifted_shares
from qc.signal import Signal

__all__ = [
    "BLOCK",
    "LEVELS_PERCENT",
    "MID_PERCENT",
    "REPEATED_SHARE",
    "UNEVEN",
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
# Noise is alike everywhere at one level. Where even the less changing blocks differ
# this much, something moves in most of them, or the coder has been at work.
UNEVEN = 0.6
# Then the blocks that change least may still agree: the variances that these shares
# stay under, of so many blocks at least. What moves makes them more, never less.
_TAIL, _TAIL_BLOCKS = (8.0, 15.0, 25.0), 40
# Where nothing is at mid level, what lies darker or lighter is carried to it. Over the
# curve of BT.709-6 noise of photons hardly depends on the level and that of reading
# grows with the slope; half of each at mid level is taken on the dark side, and no
# more than at mid level on the light side (house choices, on the low side).
_WIDER_PERCENT, _CENTRE_PERCENT = (15.0, 80.0), 45.0
_ALPHA = 1.099
# Noise is not in one place only: levels between these show no less of it than mid level
# does. Where so many blocks there have less than this share of a coarse tremble at mid
# level, it is texture of something that moves (house choices).
_SHOWN_PERCENT, _QUIET, _MOSTLY = (6.0, 80.0), 1.0 / 8.0, 0.6
_COARSE = 1.3
_SHARES = (5.0, 20.0, 35.0, 50.0)
# What rows do alike is looked for where half of the blocks change by more than this,
# percent of range, and texture that moves from a noise of this on: less would be told
# by no limit.
_MUCH_PERCENT = 0.5
# Where a slight shift of what they show explains so much of what changes in half of
# the blocks, texture goes by, by hand tremor say. Of noise alone it explains one part
# in a hundred (house choice).
_SHIFTED = 0.6
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
# The same for the 15th percentile.
_TAIL_BIAS = (1 - 2 / (9 * _FREEDOM) - 1.0364 * math.sqrt(2 / (9 * _FREEDOM))) ** 3


@dataclass(frozen=True, slots=True, eq=False)
class FlatNoise:
    """Noise of one pair of frames, in native codes.

    Attributes
    ----------
    mid : float
        Standard deviation at mid level, or carried to it from darker and lighter
        blocks where there are none; NaN when it cannot be told.
    grain : float
        Noise of 2 x 2 means over what independent pixels would leave; 1 for noise
        that differs from pixel to pixel, 2 for noise of coarse grain.
    repeated : float
        Share of flat mid-level blocks that did not change at all, 0 to 1.
    uneven : float
        How much the less changing blocks differ (20th to 50th percentile of variance
        over the 35th); about 0.1 for noise alone. Over `UNEVEN` the 8th to 25th over
        the 15th, and `mid` from that, if these are less uneven. Infinite where it is
        coarse and most of the picture does not tremble at all, or where it is texture
        that has moved a little.
    levels : (n,) array
        Standard deviation by level, between the edges of `LEVELS_PERCENT`.
    shares : (4,) array
        Variances that 5, 20, 35 and 50 % of the blocks stay under, of all levels that
        show noise, carried to mid level; NaN where there are few.
    """

    mid: float
    grain: float
    repeated: float
    uneven: float
    levels: NDArray[np.float64]
    shares: NDArray[np.float64]


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
    less that of rounding, is the noise: detail that stands still is not in it, nor what
    whole rows do alike, as under bands of light that roll. What moves is; so the less
    changing blocks of a level count, with the bias of choosing them taken off.
    """
    level, flatness, variance, coarse = _blocks(before, now)
    span = signal.white - signal.black
    level = 100.0 * (level - signal.black) / span
    much = 2.0 * (_MUCH_PERCENT / 100.0 * span) ** 2
    if np.count_nonzero(variance > much) > 0.5 * variance.size:
        variance, coarse = without_rows_alike(before, now, variance, coarse)
    as_read = variance
    changes = variance > 0
    levels = _by_level(level[changes], variance[changes])
    shares = _shares(level, variance, carried=signal.transfer == "bt709")
    at_mid = _at_mid(level)
    if signal.transfer == "bt709" and np.count_nonzero(at_mid) < _FEWEST_BLOCKS:
        at_mid = (level >= _WIDER_PERCENT[0]) & (level < _WIDER_PERCENT[1])
        variance, coarse = _carried(level, variance, coarse)
    repeated = _repeated(at_mid, flatness, variance)
    chosen = np.sort(variance[at_mid & changes])
    if chosen.size < _FEWEST_BLOCKS or not repeated < REPEATED_SHARE:
        return FlatNoise(math.nan, math.nan, repeated, math.nan, levels, shares)
    least, low, more = (percentile(chosen, share) for share in (20.0, _LOW, 50.0))
    uneven = (more - least) / low if low > 0 else math.inf
    mid = _sigma(low, _LOW_BIAS)
    if uneven > UNEVEN and np.count_nonzero(at_mid) >= _TAIL_BLOCKS:
        # What does not change at all belongs to the least.
        every = np.sort(variance[at_mid])
        least, low, most = (percentile(every, share) for share in _TAIL)
        if low > 0 and most - least <= UNEVEN * low:
            uneven, more, mid = (most - least) / low, most, _sigma(low, _TAIL_BIAS)
    still = at_mid & changes & (variance <= more)
    grain = math.sqrt(4.0 * float(coarse[still].sum()) / float(variance[still].sum()))
    if grain > _COARSE and _mostly_quiet(level, as_read, mid):
        uneven = math.inf
    if mid > _MUCH_PERCENT / 100.0 * span and _goes_by(before, now, at_mid & changes):
        uneven = math.inf
    return FlatNoise(mid, grain, repeated, uneven, levels, shares)


def _shares(
    level: NDArray[np.float64], variance: NDArray[np.float64], *, carried: bool
) -> NDArray[np.float64]:
    """Return the variances of one frame that some shares of the blocks stay under."""
    shown = (level >= _SHOWN_PERCENT[0]) & (level < _SHOWN_PERCENT[1])
    if np.count_nonzero(shown) < _TAIL_BLOCKS:
        return np.full(len(_SHARES), np.nan)
    of_shown = variance[shown]
    if carried:
        of_shown = _carried(level[shown], of_shown, of_shown)[0]
    ordered = np.sort(of_shown)
    return np.array([0.5 * percentile(ordered, share) for share in _SHARES])


def _goes_by(
    before: NDArray[np.unsignedinteger],
    now: NDArray[np.unsignedinteger],
    counted: NDArray[np.bool_],
) -> bool:
    """Return whether what changes in the blocks that count is texture that moves."""
    places, shares = shifted_shares(before, now)
    shares = shares[counted[places]]
    return shares.size > 0 and float(np.median(shares)) >= _SHIFTED


def _mostly_quiet(
    level: NDArray[np.float64], variance: NDArray[np.float64], mid: float
) -> bool:
    """Return whether most of the picture has next to none of a noise at mid level."""
    shown = (level >= _SHOWN_PERCENT[0]) & (level < _SHOWN_PERCENT[1])
    least = 2.0 * ((_QUIET * mid) ** 2 + _ROUNDING)
    return bool(np.mean(variance[shown] < least) >= _MOSTLY) if shown.any() else False


@lru_cache(maxsize=1)
def _carrying() -> NDArray[np.float64]:
    """Return noise in codes over that at mid level, for levels of 0 to 100 %."""
    level = np.maximum(np.arange(101.0), 8.1) / 100.0  # under 8.1 % the curve is a line
    signal = (level + _ALPHA - 1.0) / _ALPHA
    centre = (_CENTRE_PERCENT / 100.0 + _ALPHA - 1.0) / _ALPHA
    light = (signal / centre) ** (1.0 / 0.45)
    noise = light ** (0.45 - 1.0) * np.sqrt(0.5 * light + 0.5)
    return np.asarray(np.maximum(noise, 1.0), np.float64)


def _carried(
    level: NDArray[np.float64],
    variance: NDArray[np.float64],
    coarse: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return variances as they would be at mid level; what does not change stays so."""
    factor = _carrying()[np.clip(np.rint(level), 0, 100).astype(np.intp)] ** 2
    rounding = 2.0 * _ROUNDING
    left = np.maximum(variance - rounding, 0.0) / factor + rounding
    return np.where(variance > 0, left, 0.0), coarse / factor


def _by_level(
    level: NDArray[np.float64], variance: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the noise between the edges of `LEVELS_PERCENT`."""
    place = np.searchsorted(LEVELS_PERCENT, level, side="right")
    order = np.lexsort((variance, place))
    edges = np.searchsorted(place[order], np.arange(1, len(LEVELS_PERCENT) + 1))
    ordered = variance[order]
    out = np.full(len(edges) - 1, np.nan)
    for i, (a, b) in enumerate(pairwise(edges.tolist())):
        if b - a >= _FEWEST_BLOCKS:
            out[i] = _sigma(percentile(ordered[a:b], _LOW), _LOW_BIAS)
    return out


def _sigma(low: float, bias: float) -> float:
    """Return the noise of one frame from a low variance of differences of two."""
    return math.sqrt(max(low / bias / 2.0 - _ROUNDING, 0.0))


def _flattest(
    wanted: NDArray[np.bool_], flatness: NDArray[np.floating]
) -> NDArray[np.intp]:
    """Return the flattest of the wanted blocks; empty if there are too few."""
    there = np.flatnonzero(wanted)
    if there.size < _FEWEST_BLOCKS:
        return there[:0]
    count = max(_FEWEST_BLOCKS, math.ceil(_FLATTEST * there.size))
    if count >= there.size:
        return there
    return there[np.argpartition(flatness[there], count - 1)[:count]]


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
