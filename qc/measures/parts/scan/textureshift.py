"""How much of what changes between two frames is texture that has moved a little.

A picture that moves by part of a pixel changes by its own slope: left of an edge one
way, right of it the other. Noise knows nothing of slopes. So the difference of two
frames is fitted, block by block, by the slopes of their mean: what fits has moved.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from qc.kernels.pairs import SIDE

__all__ = ["shifted_shares"]

# So many blocks of a band tell whether the picture moves.
_ENOUGH_ACROSS = 16
# Slopes are taken inside a block, a pixel from its edges.
_INSIDE = SIDE - 2


def shifted_shares(
    before: NDArray[np.unsignedinteger], now: NDArray[np.unsignedinteger]
) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
    """Return how much of what changes in some blocks is a shift of what they show.

    Parameters
    ----------
    before, now : (bands, 16, W) arrays
        The same lines of both frames in native codes.

    Returns
    -------
    places : (n,) array of int
        Of the blocks looked at, counted along the bands.
    shares : (n,) array
        Part of the difference's variance that a shift explains, 0 to 1; 0 where
        nothing changes.

    Notes
    -----
    For small shifts the difference is the shift times the slope (the optical flow
    equation: Lucas and Kanade, 1981, from memory), here of one shift for each block,
    by least squares. Noise of either frame is in the slope of the mean as well, but
    with opposite signs, so that it explains no more than two of a block's freedoms.
    """
    bands, rows, width = before.shape
    across = width // SIDE
    if not across or rows != SIDE:
        return np.empty(0, np.intp), np.empty(0)
    every = max(1, across // _ENOUGH_ACROSS)
    one, two = (
        codes[:, :, : across * SIDE]
        .reshape(bands, SIDE, across, SIDE)[:, :, ::every]
        .astype(np.float32)
        for codes in (before, now)
    )
    change, both = two - one, two + one
    right = (both[:, 1:-1, :, 2:] - both[:, 1:-1, :, :-2]).swapaxes(1, 2)
    down = (both[:, 2:, :, 1:-1] - both[:, :-2, :, 1:-1]).swapaxes(1, 2)
    change = change[:, 1:-1, :, 1:-1].swapaxes(1, 2)
    d, x, y = (_about_mean(part) for part in (change, right, down))
    xx, yy, xy = _products(x, x), _products(y, y), _products(x, y)
    dx, dy, dd = _products(d, x), _products(d, y), _products(d, d)
    # Both slopes alike, or none: what one of them explains.
    known = xx * yy - xy**2
    both_fit = known > 1e-3 * xx * yy
    fitted = np.divide(
        dx**2 * yy + dy**2 * xx - 2.0 * dx * dy * xy,
        known,
        out=np.divide(dx**2, xx, out=np.zeros_like(dx), where=xx > 0),
        where=both_fit,
    )
    shares = np.divide(fitted, dd, out=np.zeros_like(dd), where=dd > 0)
    places = np.arange(bands * across).reshape(bands, across)[:, ::every]
    return places.ravel(), np.clip(shares, 0.0, 1.0)


def _about_mean(part: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return each block's values about their mean, one block a row."""
    values = part.reshape(-1, _INSIDE * _INSIDE)
    return np.asarray(values - values.mean(axis=1, keepdims=True), np.float32)


def _products(
    one: NDArray[np.float32], two: NDArray[np.float32]
) -> NDArray[np.float64]:
    return np.asarray(np.einsum("ij,ij->i", one, two), np.float64)
