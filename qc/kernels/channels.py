"""Colour channels at their end, told on luma and chroma as they are, in whole codes.

With one chroma sample a channel is luma plus a shift that chroma alone decides, so that
it is at or over a code where luma is over a threshold: ``(base - cb Cb - cr Cr) >>
bits``, cut to what the planes' type holds. Chroma is repeated over the luma that
shares it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from qc import kernels

if kernels.compiled:  # else slower, and otherwise the same
    from qc.kernels import _planes

__all__ = ["Coloured", "Ends", "look", "outside", "places", "thresholds", "values_at"]

Plane: TypeAlias = NDArray[np.unsignedinteger]
_Whole: TypeAlias = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Ends:
    """Where channels end: whole numbers over two to the power `bits`.

    Attributes
    ----------
    lines : (n, 3) array of int64
        Base, what a code of Cb takes off, what one of Cr takes off.
    """

    lines: _Whole
    bits: int


@dataclass(frozen=True, slots=True, eq=False)
class Coloured:
    """Planes of a picture or of one field, and how many luma share a chroma sample."""

    y: Plane
    cb: Plane
    cr: Plane
    down: int
    across: int

    @property
    def readable(self) -> bool:
        """Whether the compiled pass can read the planes where they lie."""
        y, cb, cr = self.y, self.cb, self.cr
        item = y.itemsize
        return (
            y.strides[1] == cb.strides[1] == cr.strides[1] == item
            and y.dtype == cb.dtype == cr.dtype
            and y.flags.aligned
            and cb.flags.aligned
            and cr.flags.aligned
        )

    @property
    def planes(self) -> tuple[Plane, Plane, Plane, int, int]:
        """What the compiled pass is given."""
        return self.y, self.cb, self.cr, self.down, self.across

    def widened(self, plane: Plane) -> Plane:
        """Return chroma-sized values repeated to the size of luma."""
        height, width = self.y.shape
        rows = np.minimum(np.arange(height) // self.down, len(plane) - 1)
        return plane[rows][:, np.arange(width) // self.across]


def thresholds(cb: Plane, cr: Plane, ends: Ends, line: int) -> Plane:
    """Return the luma codes that must be passed for a channel to be at its end."""
    base, of_cb, of_cr = ends.lines[line].astype(np.int32)
    wide = base - of_cb * cb.astype(np.int32) - of_cr * cr.astype(np.int32)
    top = np.iinfo(cb.dtype).max
    out: Plane = np.clip(wide >> ends.bits, 0, top).astype(cb.dtype)
    return out


def look(
    picture: Coloured,
    ends: Ends,
    *,
    level: int,
    steps: Sequence[int],
    every: int,
    mask: NDArray[np.uint8] | None = None,
    area: Plane | None = None,
    area_step: int = 2,
) -> tuple[_Whole, _Whole]:
    """Count where red, green, blue, or any of them is over its threshold.

    Parameters
    ----------
    level : int
        Only luma under this code counts.
    steps : sequence of int
        How far over, in codes; the first is 0.
    every : int
        Every how many chroma lines luma is counted.
    mask : (H, W) array or None
        Other than 0 where pixels count.
    area : array of luma's type or None
        Filled with how far luma is over the lowest threshold, at every second place of
        every `area_step`-th line; where it is not, what was there is left.

    Returns
    -------
    counts : (4, steps) array of int64
        Pixels of red, green, blue and any channel over each step.
    luma : (steps, level) array of int64
        Luma codes where any channel is over the step.
    """
    counts = np.zeros((4, len(steps)), np.int64)
    luma = np.zeros((len(steps), max(level, 1)), np.int64)
    if not picture.y.size:
        return counts, luma
    if kernels.compiled and picture.readable:
        own = np.array(steps, np.int64)
        sizes = (luma, luma.shape[1], every, area, area_step)
        _planes.channel_look(
            picture.planes, mask, ends.lines, ends.bits, level, own, len(own), counts,
            *sizes,
        )  # fmt: skip
        return counts, luma
    low = np.where(picture.y < level, picture.y, 0)
    if mask is not None:
        low = np.where(mask != 0, low, 0)
    excesses = []
    for line in range(3):
        end = picture.widened(thresholds(picture.cb, picture.cr, ends, line))
        excesses.append(np.where(low > end, low - end, 0))
    excesses.append(np.maximum(np.maximum(excesses[0], excesses[1]), excesses[2]))
    counted = np.arange(len(low)) // picture.down % every == 0
    for i, step in enumerate(steps):
        counts[:, i] = [np.count_nonzero(excess > step) for excess in excesses]
        over = low[counted][excesses[3][counted] > step]
        luma[i] = np.bincount(over, minlength=luma.shape[1])
    if area is not None:
        part = excesses[3][::area_step, ::2]
        area[part > 0] = part[part > 0]
    return counts, luma


def outside(picture: Coloured, ends: Ends) -> int:
    """Count pixels whose luma is outside what six thresholds leave.

    Parameters
    ----------
    ends : Ends
        Three channels' upper ends, then their lower ones, by the same codes of chroma:
        luma must be at most the least of the first, and at least the greatest of the
        others.
    """
    if (ends.lines[:3, 1:] != ends.lines[3:, 1:]).any():
        raise ValueError("both ends of a channel must have its shares of chroma")
    if not picture.y.size:
        return 0
    if kernels.compiled and picture.readable:
        return _planes.channel_range(picture.planes, ends.lines, ends.bits)
    found = [thresholds(picture.cb, picture.cr, ends, line) for line in range(6)]
    high = picture.widened(np.minimum(np.minimum(found[0], found[1]), found[2]))
    low = picture.widened(np.maximum(np.maximum(found[3], found[4]), found[5]))
    return int(np.count_nonzero((picture.y < low) | (picture.y > high)))


def places(
    picture: Coloured, ends: Ends, *, step: tuple[int, int], level: int
) -> tuple[int, int]:
    """Count places on a grid of chroma samples where a channel is over its threshold.

    Parameters
    ----------
    step : (int, int)
        Chroma samples from one place to the next, down and across.

    Returns
    -------
    found, all : int
        Places over it with luma under `level`, and all places.
    """
    if not picture.y.size:
        return 0, 0
    if kernels.compiled and picture.readable:
        return _planes.channel_places(
            picture.planes, ends.lines, ends.bits, step, level, None, 1, 0
        )
    y, cb, cr = _picked(picture, step)
    over = [y > thresholds(cb, cr, ends, line) for line in range(3)]
    found = (over[0] | over[1] | over[2]) & (y < level)
    return int(np.count_nonzero(found)), y.size


def values_at(
    picture: Coloured, lines: Ends, *, step: tuple[int, int], shift: int, bins: int
) -> _Whole:
    """Count the codes of the channels at places on a grid of chroma samples.

    Parameters
    ----------
    lines : Ends
        A channel is luma plus ``(base + cb Cb + cr Cr) >> bits``.
    shift : int
        Bits that codes are cut by.
    bins : int
        Codes beyond count as the last one, those under 0 as 0.

    Returns
    -------
    (3, bins) array of int64
    """
    counts = np.zeros((3, bins), np.int64)
    if not picture.y.size:
        return counts
    if kernels.compiled and picture.readable:
        _planes.channel_places(
            picture.planes, lines.lines, lines.bits, step, 0, counts, bins, shift
        )
        return counts
    y, cb, cr = (plane.astype(np.int64) for plane in _picked(picture, step))
    for row, (base, of_cb, of_cr) in zip(counts, lines.lines, strict=True):
        code = ((y << lines.bits) + base + of_cb * cb + of_cr * cr) >> (
            lines.bits + shift
        )
        row[:] = np.bincount(np.clip(code, 0, bins - 1).ravel(), minlength=bins)
    return counts


def _picked(picture: Coloured, step: tuple[int, int]) -> tuple[Plane, Plane, Plane]:
    down, across = step
    y = picture.y[:: down * picture.down, :: across * picture.across]
    cb, cr = picture.cb[::down, ::across], picture.cr[::down, ::across]
    rows, columns = (min(a, b) for a, b in zip(y.shape, cb.shape, strict=True))
    return y[:rows, :columns], cb[:rows, :columns], cr[:rows, :columns]
