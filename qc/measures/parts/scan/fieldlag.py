"""Arithmetic of interlace: how much later one field was taken than the other."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

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
    """

    frames: float
    moving: float
    teeth: float


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
    """
    if before.shape[0] == 0:
        return FieldLag(math.nan, math.nan, math.nan)
    fine = [_narrow(bands, max(1, bands.shape[2] // _CELLS)) for bands in (before, now)]
    lags, teeth, tried = _patches(*fine, width=_PATCH, least_change=least_change)
    if len(lags) < _FEWEST_PATCHES:
        # Fast motion: look at coarser cells.
        coarse = [_narrow(bands, _COARSER) for bands in fine]
        more = _patches(*coarse, width=_COARSE_PATCH, least_change=least_change)
        if len(more[0]) > len(lags):
            lags, teeth, tried = more
    if not tried:
        return FieldLag(math.nan, math.nan, math.nan)
    moving = len(lags) / tried
    if len(lags) < _FEWEST_PATCHES:
        return FieldLag(math.nan, moving, math.nan)
    low, lag, high = (float(v) for v in np.percentile(lags, (25, 50, 75)))
    # Standard error of a median from the spread between the quartiles (normal: 1.349
    # standard deviations; 1.2533 the median's loss of efficiency).
    error = 1.2533 * (high - low) / 1.349 / math.sqrt(len(lags))
    if error > _WORST_ERROR_FRAMES:
        return FieldLag(math.nan, moving, math.nan)
    return FieldLag(lag, moving, abs(lag) * float(np.percentile(teeth, 90)))


def _narrow(bands: NDArray[np.generic], factor: int) -> NDArray[np.float32]:
    """Return bands averaged by a whole factor across, not rounded."""
    width = bands.shape[2] // factor * factor
    # Whole numbers as long as the codes are: twice as fast. 16 bits hold the sum of
    # 257 8-bit codes, more than any picture's factor.
    kinds = {"uint8": np.uint16, "uint16": np.uint32}
    out = bands[:, :, 0:width:factor].astype(kinds.get(bands.dtype.name, np.float32))
    for k in range(1, factor):
        out += bands[:, :, k:width:factor]
    return out.astype(np.float32) * np.float32(1.0 / factor)


def _patches(
    before: NDArray[np.float32],
    now: NDArray[np.float32],
    *,
    width: int,
    least_change: float,
) -> tuple[NDArray[np.float64], NDArray[np.float64], int]:
    """Return lag and change of each moving patch, and how many were looked at."""
    count, rows, cells = now.shape
    across = cells // width
    if not across:
        return np.empty(0), np.empty(0), 0

    def fields(bands: NDArray[np.float32]) -> tuple[NDArray[np.float32], ...]:
        used = bands[:, : rows // 2 * 2, : across * width]
        top, bottom = used[:, 0::2], used[:, 1::2]
        return 0.5 * (top[:, :-1] + top[:, 1:]), bottom[:, :-1]

    def mean(values: NDArray[np.float32]) -> NDArray[np.float64]:
        lines = values.sum(axis=1).reshape(count, across, width)
        sums = lines.sum(axis=2, dtype=np.float64)
        return np.asarray(sums / (values.shape[1] * width), np.float64)

    top_before, bottom_before = fields(before)
    top, bottom = fields(now)
    by_top, by_bottom = top - top_before, bottom - bottom_before
    change = 0.5 * (by_top + by_bottom)
    apart = 0.5 * (bottom + bottom_before - top - top_before)
    m_top, m_bottom = mean(by_top), mean(by_bottom)
    # Means are taken off: light that changes everywhere at once is no motion.
    both = mean(by_top * by_bottom) - m_top * m_bottom
    top_squares = mean(by_top * by_top) - m_top**2
    bottom_squares = mean(by_bottom * by_bottom) - m_bottom**2
    held = mean(change * apart) - 0.5 * (m_top + m_bottom) * mean(apart)
    m_now, m_then = mean(top), mean(top_before)
    structure = mean(top * top) - m_now**2 + mean(top_before * top_before) - m_then**2
    alike = _ALIKE * np.sqrt(np.maximum(top_squares * bottom_squares, 0.0))
    changing = (both > alike) & (both > least_change**2)
    moving = changing & (top_squares < _CHANGED * structure)
    if moving.sum() < _FOLLOWED * changing.sum():
        moving[:] = False
    return held[moving] / both[moving], np.sqrt(both[moving]), int(moving.size)
