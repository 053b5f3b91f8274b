"""A picture in a few cells, each the mean of its part of `proxy_luma`.

Several measures read the picture in 27 rows of cells, more or fewer of them across.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.kernels.light import mean_cells
from qc.records import Picture
from qc.views import proxy_luma

__all__ = ["CELLS", "ROWS", "cells_of", "level_cells", "small_cells"]

Array = NDArray[np.float32]

ROWS = 27
"""Rows of cells; five rows of `proxy_luma` each in 16:9."""
CELLS = (48, ROWS)
"""Width and height of `level_cells`."""


def level_cells(picture: Picture) -> Array:
    """Return the picture in `CELLS`, fewer in a small one: a view; never write to it.

    Returns
    -------
    (rows, columns) array
        See `small_cells`.
    """
    height, width = picture.view(proxy_luma).shape
    return small_cells(picture, min(CELLS[0], width), min(CELLS[1], height))


def small_cells(picture: Picture, columns: int, rows: int = ROWS) -> Array:
    """Return the picture in cells, percent of black-to-white.

    Returns
    -------
    (rows, columns) array
        Area means. A small picture that is cut into whole pixels is only added up;
        any other is resampled by area.
    """
    return cells_of(picture.view(proxy_luma), columns, rows)


def cells_of(luma: Array, columns: int, rows: int = ROWS) -> Array:
    """Return a small luma picture in cells; see `small_cells`."""
    height, width = luma.shape
    if rows != ROWS or height % ROWS or width % columns:
        small = cv2.resize(luma, (columns, rows), interpolation=cv2.INTER_AREA)
        return np.asarray(small, np.float32)
    return mean_cells(luma, rows, columns)
