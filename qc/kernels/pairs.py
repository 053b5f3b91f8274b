"""Two frames held against each other, block by block, in whole numbers.

`pair_sums` is what noise is told from, `lag_sums` what the lag between two fields is,
`across_sums` which frame a field is of; `copy_bands` keeps what is needed of a frame
for all of them.
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from qc import kernels

if kernels.compiled:  # else slower, and otherwise the same
    from qc.kernels import _planes

__all__ = ["LAG_SUMS", "SIDE", "across_sums", "copy_bands", "lag_sums", "pair_sums"]

Bands: TypeAlias = NDArray[np.unsignedinteger]

# Blocks are squares of this many pixels.
SIDE = 16
LAG_SUMS = 11


def copy_bands(plane: Bands, tops: NDArray[np.int64], out: Bands) -> None:
    """Copy bands of lines out of a plane, past the cache: they are read seldom.

    Parameters
    ----------
    plane : (H, W) array of uint8 or uint16
    tops : (bands,) array of int64
        Their first lines.
    out : (bands, rows, W) array of the plane's type
        Is filled.
    """
    if kernels.compiled and out.size and plane.strides[1] == plane.itemsize:
        _planes.copy_bands(plane, tops, len(tops), out.shape[1], out)
        return
    for band, top in zip(out, tops.tolist(), strict=True):
        band[:] = plane[top : top + out.shape[1]]


def pair_sums(one: Bands, two: Bands) -> NDArray[np.int64]:
    """Return sums over squares of 16 x 16 pixels of two frames' bands.

    Parameters
    ----------
    one, two : (bands, 16, W) arrays of uint8 or uint16
        The same lines of two frames.

    Returns
    -------
    (5, bands * (W // 16)) array of int64
        Of the difference, of its square; of the sum, of its square; of the square of
        the difference's sums over 2 x 2 pixels.
    """
    bands, rows, width = one.shape
    if kernels.compiled and one.size and _is_dense(one, two):
        out = np.empty((5, bands * (width // SIDE)), np.int64)
        shape = (bands * rows, width)
        _planes.pair_sums(one.reshape(shape), two.reshape(shape), out)
        return out
    across = width // SIDE
    blocks = [
        codes[:, :, : across * SIDE]
        .astype(np.int64)
        .reshape(bands, SIDE, across, SIDE)
        .swapaxes(1, 2)
        for codes in (one, two)
    ]
    difference, total = blocks[1] - blocks[0], blocks[1] + blocks[0]
    halves = difference.reshape(bands, across, SIDE // 2, 2, SIDE // 2, 2)
    halves = halves.sum(axis=(3, 5))
    parts = (difference, difference**2, total, total**2, halves**2)
    return np.stack([part.sum(axis=(2, 3)).ravel() for part in parts])


def lag_sums(
    before: Bands, now: Bands, *, factor: int, width: int
) -> NDArray[np.int64]:
    """Return sums over patches of two frames' fields.

    Parameters
    ----------
    before, now : (bands, rows, W) arrays of uint8 or uint16
        The same lines of both frames; each band begins with a line of the top field.
    factor : int
        Pixels of one cell along a line; cells are kept as sums.
    width : int
        Cells of a patch along the line; a patch is as high as its band.

    Returns
    -------
    (11, bands, W // factor // width) array of int64
        With T the sum of two neighbouring lines of the top field, B twice the line of
        the bottom field between them, both in cells, and dT, dB their change from frame
        to frame: of dT, dB, dT dB, dT dT, dB dB; of D, the sum over both frames of
        B - T, and (dT + dB) D; of T, T T now; of T, T T before.
    """
    bands, rows, pixels = now.shape
    cells = pixels // factor
    across = cells // width
    if kernels.compiled and now.size and _is_dense(before, now):
        out = np.empty((LAG_SUMS, bands, across), np.int64)
        shape = (bands * rows, pixels)
        _planes.lag_sums(
            before.reshape(shape), now.reshape(shape), rows, factor, width, out
        )
        return out
    (t0, b0), (t1, b1) = (
        _doubled_fields(codes, factor, across * width) for codes in (before, now)
    )
    top, bottom, held = t1 - t0, b1 - b0, b1 + b0 - t1 - t0
    parts = (
        *(top, bottom, top * bottom, top * top, bottom * bottom),
        *(held, (top + bottom) * held, t1, t1 * t1, t0, t0 * t0),
    )
    return np.stack(
        [part.sum(axis=1).reshape(bands, across, width).sum(axis=2) for part in parts]
    )


def across_sums(
    one: Bands, two: Bands, *, factor: int, width: int
) -> NDArray[np.int64]:
    """Return how far each field of a frame lies off the other field of another one.

    Parameters
    ----------
    one, two : (bands, rows, W) arrays of uint8 or uint16
        The same lines of both frames; each band begins with a line of the top field.
    factor, width : int
        As `lag_sums` has it.

    Returns
    -------
    (2, bands, W // factor // width) array of int64
        Over patches, the sum of squares of twice a line less both its neighbours of the
        other field in frame `two`, in cells: of the bottom field of `one`, and of its
        top field without the first line.
    """
    bands, rows, pixels = one.shape
    cells = pixels // factor
    across = cells // width
    if kernels.compiled and one.size and _is_dense(one, two):
        out = np.empty((2, bands, across), np.int64)
        shape = (bands * rows, pixels)
        _planes.across_sums(
            one.reshape(shape), two.reshape(shape), rows, factor, width, out
        )
        return out
    (top, bottom), (other_top, other_bottom) = (
        _fields(codes, factor, across * width) for codes in (one, two)
    )
    differ = (
        2 * bottom[:, :-1] - other_top[:, :-1] - other_top[:, 1:],
        2 * top[:, 1:] - other_bottom[:, :-1] - other_bottom[:, 1:],
    )
    return np.stack(
        [
            (part**2).sum(axis=1).reshape(bands, across, width).sum(axis=2)
            for part in differ
        ]
    )


def _doubled_fields(
    bands: Bands, factor: int, cells: int
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    top, bottom = _fields(bands, factor, cells)
    return top[:, :-1] + top[:, 1:], 2 * bottom[:, :-1]


def _fields(
    bands: Bands, factor: int, cells: int
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return both fields in cells."""
    count, rows, _ = bands.shape
    used = bands[:, : rows // 2 * 2, : cells * factor].astype(np.int64)
    used = used.reshape(count, rows // 2 * 2, cells, factor).sum(axis=3)
    return used[:, 0::2], used[:, 1::2]


def _is_dense(*bands: Bands) -> bool:
    return all(b.flags.c_contiguous and b.flags.aligned for b in bands)
