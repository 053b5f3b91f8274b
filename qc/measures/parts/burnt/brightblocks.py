"""Burnt-out pixels counted in blocks of 4 x 4, and the largest connected area.

Private to the highlights: areas closer together than four pixels are one area, since
coding noise frays edges.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.kernels.bright import BLOCK, block_counts

__all__ = ["BLOCK", "at_least", "block_counts", "largest_area", "largest_of_blocks"]

Box = tuple[int, int, int, int]
Codes = NDArray[np.uint8]


def at_least(
    plane: NDArray[np.unsignedinteger], code: int, out: Codes | None = None
) -> Codes:
    """Return 1 where the plane is at or above `code`, else 0.

    Parameters
    ----------
    out : (H, W) array of uint8 or None
        Memory that may be used for the result.
    """
    if out is None or out.shape != plane.shape:
        out = np.empty(plane.shape, np.uint8)
    if plane.dtype == np.uint8 and plane.size:
        found = cv2.threshold(plane, code - 1, 1, cv2.THRESH_BINARY, out)[1]
        return np.asarray(found, np.uint8)
    np.greater_equal(plane, code, out=out.view(np.bool_))
    return out


def largest_area(mask: Codes) -> tuple[int, Box | None]:
    """Return the largest connected area of a mask: its pixels and where it is.

    Parameters
    ----------
    mask : (H, W) array of uint8
        0 or 1.

    Returns
    -------
    pixels : int
        Pixels of the mask in the area, counted exactly. Pixels whose 4 x 4 blocks
        touch, also by a corner, belong together: areas less than 4 pixels apart
        always do, areas 7 or more apart never.
    box : (x, y, w, h) or None
        Smallest rectangle around the area's pixels; None for an empty mask.
    """
    if not mask.size:
        return 0, None
    return largest_of_blocks(mask, block_counts(mask))


def largest_of_blocks(
    plane: NDArray[np.unsignedinteger], counts: Codes, code: int = 1
) -> tuple[int, Box | None]:
    """Return the largest area at or above a code among the blocks that count.

    Parameters
    ----------
    plane : (H, W) array of uint8 or uint16
    counts : (bh, bw) array of uint8
        What `block_counts` gave; blocks set to 0 are left out.
    code : int
        1 for a mask of 0 and 1.
    """
    number, labels = cv2.connectedComponents(counts, connectivity=8, ltype=cv2.CV_32S)
    if number < 2:
        return 0, None
    filled = np.flatnonzero(counts > 0)
    pixels = np.bincount(
        labels.ravel()[filled], weights=counts.ravel()[filled], minlength=number
    )
    best = int(pixels.argmax())
    rows, columns = np.divmod(filled[labels.ravel()[filled] == best], counts.shape[1])
    bx, by = int(columns.min()), int(rows.min())
    bw, bh = int(columns.max()) - bx + 1, int(rows.max()) - by + 1
    inside = labels[by : by + bh, bx : bx + bw] == best
    x, y = bx * BLOCK, by * BLOCK
    blocks = plane[y : y + bh * BLOCK, x : x + bw * BLOCK]
    down, across = bh * BLOCK - blocks.shape[0], bw * BLOCK - blocks.shape[1]
    if down or across:
        blocks = np.pad(blocks, ((0, down), (0, across)))
    x0, y0, x1, y1 = _exact_box(blocks, inside, code)
    return int(pixels[best]), (x + x0, y + y0, x1 - x0, y1 - y0)


def _exact_box(
    blocks: NDArray[np.unsignedinteger], inside: NDArray[np.bool_], code: int
) -> Box:
    """Return left, top, right and bottom of an area to the pixel, from its rim alone.

    Parameters
    ----------
    blocks : (4 h, 4 w) array
        The rectangle of blocks around the area.
    inside : (h, w) array of bool
        Blocks that belong to the area.
    code : int
        Pixels at or above it count.
    """

    def ends(
        strip: NDArray[np.unsignedinteger], own: NDArray[np.bool_]
    ) -> tuple[int, int]:
        """First and last of the strip's four lines that hold pixels of the area."""
        lines = np.flatnonzero(((strip >= code) & np.repeat(own, BLOCK)).any(axis=1))
        return int(lines[0]), int(lines[-1])

    height, width = blocks.shape
    top, _ = ends(blocks[:BLOCK], inside[0])
    _, bottom = ends(blocks[-BLOCK:], inside[-1])
    left, _ = ends(blocks[:, :BLOCK].T, inside[:, 0])
    _, right = ends(blocks[:, -BLOCK:].T, inside[:, -1])
    return left, top, width - BLOCK + right + 1, height - BLOCK + bottom + 1
