"""How long the shutter was open at most, told by the detail that motion left.

A phone in daylight opens its shutter for a hundredth of a frame; the picture may then
move by pixels without a smear. Frames of a shot that surely moved and are sharp all the
same tell so, and what one shutter did not smear then it does not smear a moment later.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.focus.motionblur import edge_share

__all__ = ["open_by_detail", "smear_for"]

# Shifts (pixels) that tell, how many frames it takes, which of them count, and what is
# added for readings that are off and light that changes (house choices).
_TELLING_PX, _FEWEST = 0.5, 12
_PERCENTILE, _MARGIN = 20.0, 1.2
# A frame is held against frames that moved less than it may have, down to this share.
# Not against those that moved more: of a picture a long smear leaves more than of a
# single edge, so that from them a shutter seems quicker than it is.
_SLOWEST = 0.25
# Speeds of frames are alike up to this factor.
_ALIKE = 1.3
# Smears that are told apart, in widths of the edge, and up to which.
_STEPS, _WIDEST = 2000, 40.0


def smear_for(share: NDArray[np.floating], sigma: float) -> NDArray[np.float64]:
    """Return the length of the smear, pixels, that leaves such a share of an edge.

    Parameters
    ----------
    share : array
        Of fine detail, as `edge_share` gives it; 1 and more is no smear.
    sigma : float
        Blur of the unsmeared edge, standard deviation in pixels.
    """
    lengths = np.linspace(_WIDEST, 0.0, _STEPS) * sigma
    # Shares must rise for the interpolation.
    return np.asarray(np.interp(share, edge_share(lengths, sigma), lengths))


def open_by_detail(
    left: NDArray[np.floating],
    shift: NDArray[np.floating],
    lengths: NDArray[np.floating],
    sigma: float,
) -> NDArray[np.float64]:
    """Return for what share of a frame the shutter was open at most, frame by frame.

    Parameters
    ----------
    left : (n, 2) array
        Detail along and down the picture over its best in the shot; NaN if unknown.
    shift : (n, 2) array
        How far each frame surely moved along and down, pixels a frame; NaN if unsure.
    lengths : (m,) array
        How far other frames of the shot moved at most, pixels a frame.
    sigma : float
        Blur of the shot's crispest edges, standard deviation in pixels.

    Returns
    -------
    (m,) array of float64
        1 where too few frames moved.

    Notes
    -----
    What is out of focus has lost more than its smear took and only tells of a longer
    shutter: the sharpest frames that moved tell of all.
    """
    out = np.ones(len(lengths))
    with np.errstate(invalid="ignore", divide="ignore"):
        telling = (shift > _TELLING_PX) & (left > 0)
        bins = np.floor(np.log(lengths) / math.log(_ALIKE))
    row, axis = np.nonzero(telling)
    moved = shift[row, axis]
    at_most = smear_for(left[row, axis], sigma) / moved
    for number in np.unique(bins[np.isfinite(bins) & (lengths > _TELLING_PX)]):
        most = _ALIKE**number
        slower = (moved <= most) & (moved >= _SLOWEST * most)
        if np.unique(row[slower]).size >= _FEWEST:
            share = _MARGIN * float(np.percentile(at_most[slower], _PERCENTILE))
            out[bins == number] = min(share, 1.0)
    return out
