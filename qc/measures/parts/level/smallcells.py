"""A picture in a few cells, each the mean of its part of `proxy_luma`.

Several measures read the picture in 27 rows of cells, more or fewer of them across. The
rows are added up once for all; what is left is little.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.records import Picture
from qc.views import proxy_luma

__all__ = ["ROWS", "small_cells"]

Array = NDArray[np.float32]

ROWS = 27
"""Rows of cells; five rows of `proxy_luma` each in 16:9."""


def small_cells(picture: Picture, columns: int, rows: int = ROWS) -> Array:
    """Return the picture in cells, percent of black-to-white.

    Returns
    -------
    (rows, columns) array
        Area means. A small picture that is cut into whole pixels is only added up;
        any other is resampled by area.
    """
    luma = picture.view(proxy_luma)
    height, width = luma.shape
    if rows != ROWS or height % ROWS or width % columns:
        small = cv2.resize(luma, (columns, rows), interpolation=cv2.INTER_AREA)
        return np.asarray(small, np.float32)
    summed = picture.view(_row_sums)
    across = width // columns
    out = summed[:, ::across].copy()
    for i in range(1, across):
        out += summed[:, i::across]
    out *= np.float32(1.0 / (across * (height // ROWS)))
    return out


def _row_sums(picture: Picture) -> Array:
    luma = picture.view(proxy_luma)
    height, width = luma.shape
    out: Array = np.add.reduce(luma.reshape(ROWS, height // ROWS, width), axis=1)
    return out
