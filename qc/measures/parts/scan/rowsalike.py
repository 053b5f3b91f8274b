"""What whole rows of a picture do together, taken out of the differences of frames.

Bands that roll, lamps that beat and fields of unlike brightness change all pixels of a
row alike, however many blocks it crosses. Noise does not: in each block it goes its own
way.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from qc.kernels.pairs import SIDE

__all__ = ["without_rows_alike"]

# Over fewer blocks beside each other a median says little.
_FEWEST_ACROSS = 8
# So much of what changes in a block must be shared by its row, on the average. By
# chance that is one part in 255 for pixels that are independent, and at most one in
# fifteen and one in the number of blocks, where rows change as wholes but each block's
# by themselves (house choice, over it).
_SHARED = 0.12
# So many blocks of a band are enough to tell whether there is anything.
_ENOUGH_ACROSS = 16


def without_rows_alike(
    before: NDArray[np.unsignedinteger],
    now: NDArray[np.unsignedinteger],
    variance: NDArray[np.float64],
    coarse: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the variances of blocks without what rows of all blocks do alike.

    Parameters
    ----------
    before, now : (bands, 16, W) arrays
        The same lines of both frames in native codes.
    variance, coarse : (bands * (W // 16),) arrays
        Of each block the variance of the frames' difference, and that of its means over
        2 x 2 pixels.

    Returns
    -------
    variance, coarse : arrays
        The same ones where rows do not change alike.

    Notes
    -----
    Of a band of blocks, what a row does is the median of the blocks' row means, each
    less its block's mean. Of each block as much of that course is taken out as fits it
    best (least squares): light changes dark blocks less than bright ones. One freedom
    of a block's 15 between rows goes with it; the others stand for it.
    """
    bands, rows, width = before.shape
    across = width // SIDE
    if across < _FEWEST_ACROSS or rows != SIDE:
        return variance, coarse
    squares = variance.reshape(bands, across) * (SIDE * SIDE - 1.0)
    # A part of the blocks tells whether rows do anything alike.
    every = max(1, across // _ENOUGH_ACROSS)
    if _shared(before, now, squares, every).share < _SHARED:
        return variance, coarse
    found = _shared(before, now, squares, 1)
    if found.share < _SHARED:
        return variance, coarse
    course, fitted = found.course, found.fits[:, None] * found.alike
    taken = SIDE * (fitted**2).sum(axis=1)
    between = SIDE * (course**2).sum(axis=1)
    left = squares - taken + np.maximum(between - taken, 0.0) / (SIDE - 2)
    # Of pairs of rows, the sums over 2 x 2 pixels; nothing shared is left in either.
    pairs, shared = (rows[:, 0::2] + rows[:, 1::2] for rows in (course, fitted))
    halves = 8.0 * ((pairs - shared) ** 2 - pairs**2).sum(axis=1)
    n = float(SIDE * SIDE)
    # What changes at all must not be taken for what a coder repeats.
    least = np.where(variance > 0, np.finfo(np.float64).tiny, 0.0)
    return (
        np.maximum(left.ravel() / (n - 1.0), least),
        np.maximum(coarse + halves.ravel() / (n - 4.0), 0.0),
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Shared:
    """What rows do alike.

    Attributes
    ----------
    course : (bands, 16, blocks) array
        How the row means of each block change, less its own mean.
    alike : (bands, 16, 1) array
        The median of them over a band.
    fits : (bands, blocks) array
        How much of it each block does.
    share : float
        How much of what changes in blocks that is, on the average.
    """

    course: NDArray[np.float64]
    alike: NDArray[np.float64]
    fits: NDArray[np.float64]
    share: float


def _shared(
    before: NDArray[np.unsignedinteger],
    now: NDArray[np.unsignedinteger],
    squares: NDArray[np.float64],
    every: int,
) -> _Shared:
    """Look at every so many blocks of a band."""
    bands, _, width = before.shape
    across = width // SIDE
    one, two = (
        codes[:, :, : across * SIDE].reshape(bands, SIDE, across, SIDE)[:, :, ::every]
        for codes in (before, now)
    )
    change = np.subtract(two, one, dtype=np.float32)
    # A product with ones is what numpy sums short rows fastest by.
    means = change.reshape(-1, SIDE) @ np.full(SIDE, 1.0 / SIDE, np.float32)
    course = means.reshape(bands, SIDE, -1).astype(np.float64)
    course -= course.mean(axis=1, keepdims=True)
    alike = np.median(course, axis=2, keepdims=True)
    alike -= alike.mean(axis=1, keepdims=True)
    power = (alike**2).sum(axis=1)
    on = (course * alike).sum(axis=1)
    fits = np.divide(on, power, out=np.zeros_like(on), where=power > 0)
    some = squares[:, ::every]
    taken = SIDE * fits**2 * power
    share = np.divide(taken, some, out=np.zeros_like(taken), where=some > 0)
    return _Shared(course, alike, fits, float(np.mean(share)))
