"""How much light a shot's frames have against one another, by the contrast of tiles.

Noise is not less where a lamp goes out, and detail is: held against its contrast a dark
frame would be the sharpest of the shot. Frames are held against others alike in light.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.focus.tiles import CHUNK, TILES, tile_rows
from qc.records import Readings

__all__ = ["LIGHTER", "light_of", "nearest"]

# A shot's usual light is that of its lighter fifth; frames with so many times its
# contrast, about a stop, are held against themselves (house choice).
_USUAL_PERCENTILE = 80.0
LIGHTER = 1.35


def light_of(readings: Readings, rows: NDArray[np.intp]) -> NDArray[np.float64]:
    """Return the contrast of a shot's frames over the usual, the middle tile's.

    Parameters
    ----------
    rows : (n,) array
        Rows of one shot.

    Returns
    -------
    (n,) array of float64
        NaN where contrast was not read; a tile too dark to read has none.
    """
    out = np.full(len(rows), np.nan)
    ats: list[NDArray[np.intp]] = []
    parts: list[NDArray[np.float32]] = []
    for at in range(0, len(rows), CHUNK):
        part = tile_rows(readings, rows[at : at + CHUNK], "focus.tile_contrast_percent")
        read = np.flatnonzero(~np.isnan(part).all(axis=1))
        ats.append(at + read)
        parts.append(part[read])
    contrast = np.nan_to_num(np.concatenate(parts)) if parts else np.empty((0, TILES))
    if not len(contrast):
        return out
    usual: NDArray[np.float64] = np.percentile(contrast, _USUAL_PERCENTILE, axis=0)
    lit = usual > 0
    if lit.any():
        out[np.concatenate(ats)] = np.median(contrast[:, lit] / usual[lit], axis=1)
    return out


def nearest(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the less of the readings before and after each row; 1 where none is.

    Examples
    --------
    >>> nearest(np.array([np.nan, 0.5, np.nan, np.nan, 1.0])).tolist()
    [0.5, 0.5, 0.5, 0.5, 1.0]
    """
    read = np.flatnonzero(~np.isnan(values))
    if not read.size:
        return np.ones(len(values))
    at = np.arange(len(values))
    after = np.minimum(np.searchsorted(read, at), len(read) - 1)
    before = np.maximum(np.searchsorted(read, at, "right") - 1, 0)
    return np.minimum(values[read[before]], values[read[after]])
