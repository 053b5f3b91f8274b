"""Detail along one axis of the picture over its best, in frames that moved.

Which way detail lies is read every few frames alone. Within a frame or two a jerk
changes it: of detail as little as then, much more lies across the motion than in the
frame that was read.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.focus.motionblur import telling_axes
from qc.measures.parts.focus.tiles import LEAST_SHARE

__all__ = ["over_best"]


def over_best(
    detail: NDArray[np.floating],
    across: NDArray[np.floating],
    references: list[NDArray[np.float64]],
    allowed: tuple[NDArray[np.float64], NDArray[np.float64]],
) -> NDArray[np.float64]:
    """Return tiles' detail over its best, along the axis that tells more of the lens.

    Parameters
    ----------
    detail : (n, tiles) array
        Fine detail of frames that follow one another.
    across : (n, tiles) array
        Share of its energy along the lines; NaN in frames between two readings.
    references : two (tiles,) arrays
        The best along the lines, and down; NaN for none.
    allowed : two (n,) arrays
        Share that a smear leaves at the least, along the lines, and down.

    Returns
    -------
    (n, tiles) array of float64
        Where motion may have taken as much along both axes, of both together. NaN
        where a smear may explain nearly all.
    """
    # What both axes have left together at the least, of a picture in focus.
    least = np.sqrt(
        sum(
            np.square(np.outer(left, np.nan_to_num(best)))
            for best, left in zip(references, allowed, strict=True)
        )
    )
    clear = (np.fmax(*allowed) >= LEAST_SHARE)[:, None] & (least > 0)
    out = np.where(clear, detail / np.where(clear, least, 1.0), np.nan)
    along, down = telling_axes(*allowed)
    shares = across, 1.0 - across
    for way, other in ((0, down), (1, along)):
        alone = np.isnan(other)
        left = np.where(allowed[way] >= LEAST_SHARE, allowed[way], np.nan)
        read = detail * np.sqrt(shares[way]) / references[way] / left[:, None]
        out[alone] = _between(read, out, ~np.isnan(left))[alone]
    return np.asarray(out, np.float64)


def _between(
    read: NDArray[np.floating],
    together: NDArray[np.floating],
    known: NDArray[np.bool_],
) -> NDArray[np.float64]:
    """Return detail along an axis over its best, also in frames between two readings.

    There it is what both axes have left together, but no more than in the sharper of
    the frames read before and behind.
    """
    rows = np.flatnonzero(~np.isnan(read).all(axis=1) | ~known)
    if not rows.size:
        return np.asarray(together, np.float64)
    # A reading that a smear may explain says nothing.
    exact = np.where(known[:, None], read, np.inf)
    at = np.arange(len(read))
    before = rows[np.maximum(np.searchsorted(rows, at, "right") - 1, 0)]
    after = rows[np.minimum(np.searchsorted(rows, at), len(rows) - 1)]
    beside = np.fmax(exact[before], exact[after])
    most = np.where(np.isnan(beside), np.inf, beside)
    return np.asarray(np.minimum(together, most), np.float64)
