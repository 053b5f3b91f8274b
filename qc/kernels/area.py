"""Fine detail along lines, made smaller by averaging over areas as OpenCV does it.

OpenCV's way for sides that do not divide keeps its sums in memory, and waits for each.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from qc import kernels

if kernels.compiled:  # else slower, and otherwise the same
    from qc.kernels import _planes

__all__ = ["shrunk_steps"]

_FINER = 8  # times a step of 8-bit codes: whole codes are too coarse for small means


def shrunk_steps(
    lines: NDArray[np.unsignedinteger], size: tuple[int, int]
) -> tuple[NDArray[np.unsignedinteger], int]:
    """Return the mean change over two pixels along lines, by areas.

    Parameters
    ----------
    lines : (H, W) array of uint8 or uint16
        Read where they lie.
    size : (w, h)

    Returns
    -------
    small : (h, w) array of the same type
        As ``cv2.INTER_AREA`` has it.
    times : int
        How many times as large steps were made: 8 of 8-bit codes, at most to 255.
    """
    (width, height), (rows, columns) = size, lines.shape
    columns -= 2
    times = _FINER if lines.dtype == np.uint8 else 1
    if (
        kernels.compiled
        and lines.strides[1] == lines.itemsize
        and 0 < height <= rows
        and 0 < width <= columns
        and (rows % height or columns % width)  # else OpenCV takes whole sums
    ):
        out = np.empty((height, width), lines.dtype)
        _planes.shrunk_steps(lines, times, height, width, out)
        return out, times
    steps = cv2.absdiff(lines[:, 2:], lines[:, :-2])
    if times > 1:
        steps = cv2.convertScaleAbs(steps, alpha=float(times))
    small = cv2.resize(steps, size, None, 0, 0, cv2.INTER_AREA)
    return np.asarray(small, lines.dtype), times
