"""How much of a patch has a channel at full: what is burnt out tells no colour."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from qc.kernels.channels import Coloured, outside
from qc.measures.parts.colour.channelcodes import full_ends
from qc.signal import Signal

__all__ = ["clipped_share"]

Plane = NDArray[np.unsignedinteger]


def clipped_share(
    y: Plane, cb: Plane, cr: Plane, *, signal: Signal, interlaced: bool = False
) -> float:
    """Return the share of pixels in which R', G' or B' is at or above 100 %.

    Parameters
    ----------
    y : (m * h, n * w) array
        Luma that the chroma samples stand for.
    cb, cr : (h, w) arrays
    interlaced : bool
        Rows belong to the two fields in turn.

    Returns
    -------
    float
        0 to 1; NaN without pixels. A channel counts as 100 % if it may have been
        before codes were rounded, for a clipped channel comes back from Y', Cb, Cr a
        fraction of a percent above or below.

    References
    ----------
    ITU-R BT.709-6, items 3.2 and 3.3.
    """
    if not y.size or not cb.size:
        return math.nan
    down, across = y.shape[0] // cb.shape[0], y.shape[1] // cb.shape[1]
    parts = 2 if interlaced else 1
    ends = full_ends(signal)
    count = sum(
        outside(Coloured(y[k::parts], cb[k::parts], cr[k::parts], down, across), ends)
        for k in range(parts)
    )
    return count / y.size
