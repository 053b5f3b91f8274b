"""What first merits say of a place's neighbourhood and of what it belongs to.

Private to `brightparts`. One place of a swab may look like fat, beside blood or under
a warm lamp; the swab as a whole does not. So merits are gathered, as `brightfeatures`
gathers evidence, in squares, over burnt areas and over objects, to be weighed again.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.burnt.brightfeatures import Places

__all__ = ["AGAIN", "again_of"]

Rows = NDArray[np.float32]

AGAIN = (
    "merit", "near merit", "mid merit", "wide merit", "vast merit", "object merit",
    "object merit spread", "area merit", "merit in all", "cloth of burnt",
)  # fmt: skip
"""Names of the numbers, in order."""
# Sides of the squares, in places; no merit counts for more than this.
_SQUARES, _MOST = (3, 9, 21, 41), 4.0
_FEW = np.float32(0.004)


def _mean_over(number_of: NDArray[np.intp], values: Rows, weights: Rows) -> Rows:
    """Return the mean over all places of the same number, for each place."""
    total = np.bincount(number_of, values * weights)
    mean = total / (np.bincount(number_of, weights) + 1e-3)
    return np.asarray(mean[number_of], np.float32)


def again_of(places: Places, first: Rows) -> Rows:
    """Gather what was found at first sight.

    Parameters
    ----------
    first : (n,) array
        Merit of each place.

    Returns
    -------
    (n, len(AGAIN)) array
    """
    merit, burnt, at = np.clip(first, -_MOST, _MOST), places.burnt, places.at
    pair = np.zeros((*places.shape, 2), np.float32)
    pair.reshape(-1, 2)[at, 0] = merit * burnt
    pair.reshape(-1, 2)[at, 1] = burnt
    columns = [merit]
    for side in _SQUARES:
        pooled = cv2.blur(pair, (side, side), borderType=cv2.BORDER_REPLICATE)
        total, of = pooled.reshape(-1, 2)[at].T
        columns.append(total / (of + _FEW))
    mean = _mean_over(places.object, merit, burnt)
    square = _mean_over(places.object, merit * merit, burnt)
    spread = np.sqrt(np.maximum(square - mean * mean, 0))
    area = _mean_over(places.area, merit, burnt)
    whole, ones = burnt.sum() + np.float32(1e-3), np.ones_like(merit)
    columns += [
        np.where(places.object > 0, mean, merit),
        np.where(places.object > 0, spread, 0),
        np.where(places.area > 0, area, merit),
        ones * ((merit * burnt).sum() / whole),
        ones * (burnt[merit > 0].sum() / whole),
    ]
    return np.asarray(columns, np.float32).T
