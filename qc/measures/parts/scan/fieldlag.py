"""Arithmetic of interlace: how much later one field was taken than the other."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from qc.kernels.pairs import lag_sums
from qc.measures.parts.scan.framepairs import percentile

__all__ = ["FieldLag", "field_lag"]

# Bands are area-averaged across to about this many cells a line: teeth are as high
# as before, and motion of several pixels still is a small step.
_CELLS = 480
_COARSER = 4
_PATCH = 16
_COARSE_PATCH = 8
# Both fields must change alike for a patch to count as moving; noise does not.
_ALIKE = 0.5
# After a larger change the patch holds other things: at a cut, in fast motion.
_CHANGED = 0.5
# Where most of what changes has changed that much, the rest is alike by chance.
_FOLLOWED = 0.3
# So few patches, or patches that agree so badly, tell nothing.
_FEWEST_PATCHES = 4
_WORST_ERROR_FRAMES = 0.08
# From here on the fields are held against each other the other way round as well: of
# progressive pictures hardly any go so far (recordings, one moment in a thousand).
_LOOKED_AT_TWICE = 0.1
# Of a single band a lag is told that lies between these both ways round, by so many of
# its patches (of 700 progressive recordings none had three such moments in a row).
_BAND_LAG, _FEWEST_OF_BAND = (0.3, 0.75), 2


@dataclass(frozen=True, slots=True)
class FieldLag:
    """How much later the bottom field was taken than the top field.

    Attributes
    ----------
    frames : float
        In frame periods: 0 for progressive, 0.5 for top field first, -0.5 for bottom
        field first; NaN when it cannot be told.
    moving : float
        Share of patches that moved, 0 to 1.
    teeth : float
        How far the fields stand apart at moving edges for it, in codes; NaN if unknown.
    bands : tuple of float
        The lag of each band where it has one, both ways round; 0 where it has none or
        that is not sure, NaN where it cannot be told.
    changing : int
        Patches in which either field changes, alike or not.
    """

    frames: float
    moving: float
    teeth: float
    bands: tuple[float, ...] = ()
    changing: int = 0


def field_lag(
    before: NDArray[np.unsignedinteger],
    now: NDArray[np.unsignedinteger],
    *,
    least_change: float,
) -> FieldLag:
    """Tell from two neighbouring frames how far apart in time their fields are.

    Parameters
    ----------
    before, now : (bands, rows, W) arrays
        The same lines of both frames in native codes; each band begins with a line of
        the top field.
    least_change : float
        Codes (rms) by which a patch must change to count as moving.

    Notes
    -----
    Let t be the top field, interpolated to the lines of the bottom field b. From frame
    to frame both change by what a whole frame period brings; if b is taken later by a
    share of it, b - t holds that share of the change. So the lag is the slope of b - t
    on the change. Detail that stands still, noise and woven texture are in b - t too,
    but not in step with the change: they cancel. The denominator is the covariance of
    the fields' two changes, which noise does not raise.

    Where focus changes, the change is detail itself, and so is what interpolating a
    field leaves out of it: a lag that there is none. Interpolated the other way round,
    b to the lines of t, a true lag has the other sign and this one has not: half the
    difference of both is told.
    """
    if before.shape[0] == 0:
        return FieldLag(math.nan, math.nan, math.nan)
    one = _one_way(before, now, least_change=least_change)
    if math.isnan(one.lag):
        return FieldLag(math.nan, one.moving, math.nan, changing=one.changing)
    lasts = np.abs(one.bands) >= _BAND_LAG[0]
    if now.shape[1] < 6 or not (abs(one.lag) > _LOOKED_AT_TWICE or lasts.any()):
        bands = tuple(np.where(np.isnan(one.bands), math.nan, 0.0).tolist())
        return _told(one, one.lag, one.error, bands)
    other = _one_way(
        np.ascontiguousarray(before[:, 1:-1]),
        np.ascontiguousarray(now[:, 1:-1]),
        least_change=least_change,
    )
    bands = _both_ways(one.bands, other.bands)
    little = abs(one.lag) <= _LOOKED_AT_TWICE or math.isnan(other.lag)
    if little or not one.error <= _WORST_ERROR_FRAMES:
        return _told(one, one.lag, one.error, bands)
    error = 0.5 * math.hypot(one.error, other.error)
    if error > _WORST_ERROR_FRAMES and one.lag * other.lag < 0:
        # Not well enough for a figure; that both point one way is something.
        return _told(one, one.lag, one.error, bands)
    return _told(one, 0.5 * (one.lag - other.lag), error, bands)


def _told(one: _OneWay, lag: float, error: float, bands: tuple[float, ...]) -> FieldLag:
    if not error <= _WORST_ERROR_FRAMES:
        return FieldLag(math.nan, one.moving, math.nan, bands, one.changing)
    return FieldLag(lag, one.moving, abs(lag) * one.change, bands, one.changing)


def _both_ways(
    one: NDArray[np.float64], other: NDArray[np.float64]
) -> tuple[float, ...]:
    """Return the lag of each band that has one: the same both ways round, but signs."""
    low, high = _BAND_LAG
    least, most = (f(np.abs(one), np.abs(other)) for f in (np.minimum, np.maximum))
    has = (one * other < 0) & (least >= low) & (most <= high)
    out = np.where(has, 0.5 * (one - other), 0.0)
    return tuple(np.where(np.isnan(one + other), math.nan, out).tolist())


@dataclass(frozen=True, slots=True)
class _OneWay:
    """A lag by one field that is interpolated to the lines of the other.

    Attributes
    ----------
    lag, error : float
        In frame periods, and its standard error; NaN when too few patches move.
    moving : float
        Share of patches that moved; NaN when none could be looked at.
    change : float
        By how much moving edges change, codes.
    bands : (bands,) array
        Lags of single bands; NaN where too few patches move.
    changing : int
        Patches in which either field changes.
    """

    lag: float
    error: float
    moving: float
    change: float
    bands: NDArray[np.float64]
    changing: int


def _one_way(
    before: NDArray[np.unsignedinteger],
    now: NDArray[np.unsignedinteger],
    *,
    least_change: float,
) -> _OneWay:
    """Interpolate the field of the first line to the lines of the other one."""
    factor = max(1, before.shape[2] // _CELLS)
    lags, teeth, places, changing = _patches(
        before, now, factor=factor, width=_PATCH, least_change=least_change
    )
    if len(lags) < _FEWEST_PATCHES:
        # Fast motion: look at coarser cells.
        more = _patches(
            before,
            now,
            factor=factor * _COARSER,
            width=_COARSE_PATCH,
            least_change=least_change,
        )
        if len(more[0]) > len(lags):
            lags, teeth, places, _ = more
    moving = len(lags) / places.size if places.size else math.nan
    bands = np.full(len(before), math.nan)
    if len(lags) < _FEWEST_PATCHES:
        return _OneWay(math.nan, math.nan, moving, math.nan, bands, changing)
    begins = [0, *np.cumsum(places.sum(axis=1)).tolist()]
    for band, (first, last) in enumerate(pairwise(begins)):
        if last - first >= _FEWEST_OF_BAND:
            bands[band] = percentile(np.sort(lags[first:last]), 50.0)
    ordered = np.sort(lags)
    low, lag, high = (percentile(ordered, share) for share in (25.0, 50.0, 75.0))
    # Standard error of a median from the spread between the quartiles (normal: 1.349
    # standard deviations; 1.2533 the median's loss of efficiency).
    error = 1.2533 * (high - low) / 1.349 / math.sqrt(len(lags))
    edges = percentile(np.sort(teeth), 90.0)
    return _OneWay(lag, error, moving, edges, bands, changing)


def _patches(
    before: NDArray[np.unsignedinteger],
    now: NDArray[np.unsignedinteger],
    *,
    factor: int,
    width: int,
    least_change: float,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.bool_], int]:
    """Return lag and change of each moving patch, which (bands, across) move.

    And in how many either field changes.
    """
    rows, cells = now.shape[1], now.shape[2] // factor
    lines = rows // 2 - 1
    if cells < width or lines < 1:
        return np.empty(0), np.empty(0), np.zeros((len(now), 0), np.bool_), 0
    sums = lag_sums(before, now, factor=factor, width=width)
    # Everything came doubled, and as sums over cells.
    unit, pixels = 2.0 * factor, float(width * lines)
    means = sums.reshape(len(sums), -1) / pixels
    m_top, m_bottom, both, top_squares, bottom_squares, m_held, held = means[:7]
    m_now, now_squares, m_then, then_squares = means[7:]
    # Means are taken off: light that changes everywhere at once is no motion.
    both = (both - m_top * m_bottom) / unit**2
    top_squares = (top_squares - m_top**2) / unit**2
    bottom_squares = (bottom_squares - m_bottom**2) / unit**2
    # Half the sum of the fields' changes, times half that of what they differ by.
    held = (held - (m_top + m_bottom) * m_held) / (4.0 * unit**2)
    structure = now_squares - m_now**2 + then_squares - m_then**2
    alike = _ALIKE * np.sqrt(np.maximum(top_squares * bottom_squares, 0.0))
    changing = (both > alike) & (both > least_change**2)
    moving = changing & (top_squares * unit**2 < _CHANGED * structure)
    if moving.sum() < _FOLLOWED * changing.sum():
        moving[:] = False
    places = moving.reshape(sums.shape[1:])
    some = np.maximum(top_squares, bottom_squares) > least_change**2
    changes = int(np.count_nonzero(some))
    return held[moving] / both[moving], np.sqrt(both[moving]), places, changes
