"""Sharpness in motion against frames of the same shot that moved as far, or farther.

On a boom that sways the picture goes to and fro at the same speeds for as long as it
swings. What a shutter smears at one speed it smears each time, so that a frame with
far less detail than others had at its own speed is out of focus, whatever the shutter.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.focus.motionblur import Smear
from qc.measures.parts.focus.tiles import CHUNK, relative_sharpness, tile_rows
from qc.records import Readings

__all__ = ["against_like_motion"]

# Speeds are alike up to this factor; as far moves what moves by this share of it.
_ALIKE, _AS_FAR = 1.3, 0.8
# The best of so many frames at most, and at least: no better than this share of them.
_MOST, _FEWEST, _BEST_SHARE = 400, 12, 0.9


def against_like_motion(
    readings: Readings,
    rows: NDArray[np.intp],
    smear: Smear,
    moved: NDArray[np.bool_],
    counts: NDArray[np.bool_],
    weights: NDArray[np.floating],
    *,
    share: float,
) -> NDArray[np.float64]:
    """Return sharpness against the best of frames in like motion, percent.

    Parameters
    ----------
    rows : (n,) array
        Rows of one shot.
    moved : (n,) array of bool
        Which of them are asked for.
    counts : (tiles,) array of bool
        Tiles of the subject.
    weights, share
        As for `relative_sharpness`.

    Returns
    -------
    (n,) array of float64
        NaN for frames at rest, of unsure motion, or of which too few are alike.

    Notes
    -----
    A frame may have moved as far as the picture did to the frame before, or after,
    whichever is more; those it is held against, as far as the lesser of the two.
    """
    out = np.full(len(rows), np.nan)
    far, near = smear.farthest[rows], smear.nearest[rows]
    speed = np.hypot(far[:, 0], far[:, 1])
    with np.errstate(invalid="ignore", divide="ignore"):
        bins = np.floor(np.log(speed) / np.log(_ALIKE))
    bins[~np.isfinite(bins) | ~moved] = np.nan
    for number in np.unique(bins[~np.isnan(bins)]):
        here = np.flatnonzero(bins == number)
        least = _AS_FAR * np.median(far[here], axis=0)
        with np.errstate(invalid="ignore"):
            as_far = np.flatnonzero((near >= least).all(axis=1))
        if len(as_far) < _FEWEST:
            continue
        some = rows[as_far[:: -(-len(as_far) // _MOST)]]
        best = _best(tile_rows(readings, some))
        best = np.where(counts & (best > 0), best, np.nan)
        for at in range(0, len(here), CHUNK):
            part = here[at : at + CHUNK]
            out[part] = relative_sharpness(
                tile_rows(readings, rows[part]), best, weights, share=share
            )
    return out


def _best(detail: NDArray[np.floating]) -> NDArray[np.floating]:
    """Return what a tenth of the frames exceed in each tile; NaN sorts last."""
    known = np.count_nonzero(~np.isnan(detail), axis=0)
    at = np.maximum((_BEST_SHARE * (known - 1)).astype(np.intp), 0)
    return np.asarray(np.sort(detail, axis=0)[at, np.arange(detail.shape[1])])
