"""What is measured of a burnt-out area on the small picture: maps, and means of them.

Both ways do the same operations in the same order, so that they agree to the last bit.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple, TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray

from qc import kernels

if kernels.compiled:  # else slower, and otherwise the same
    from qc.kernels import _planes

__all__ = [
    "BLOCK",
    "MAPS",
    "OWN",
    "TABLE_STEPS",
    "BrightLevels",
    "Drawn",
    "block_counts",
    "draw_maps",
    "group_ratios",
    "square_ratios",
]

_Array: TypeAlias = NDArray[np.float32]
_Index: TypeAlias = NDArray[np.intp]
_Plane: TypeAlias = NDArray[np.unsignedinteger]
_Codes: TypeAlias = NDArray[np.uint8]

MAPS = (
    "burnt", "told", "ended", "lacks weakest", "told blue", "told lacks red",
    "told lacks blue", "rim", "rim red", "rim blue", "rim off", "rim grain", "edge",
    "edge steep", "grain", "tissue", "tissue luma", "tissue red", "tissue blue",
    "white", "blood", "warm edge", "warm edge steep", "line",
)  # fmt: skip
"""Names of what is drawn and gathered, in order."""
OWN = ("red", "blue", "highest", "lowest", "seen red", "seen blue", "luma", "burnt")
"""Names of what a place shows itself, in order."""
BLOCK = 4
"""Pixels of a block's side."""
TABLE_STEPS = 512
"""Steps of the tables of what a white shows at each luma."""
_MOST_WIDE, _MOST_GROUPS = 1024, 65536  # what the passes in C have room for
_SQUARE, _LINE, _BESIDE = (np.ones((n, n), np.uint8) for n in (3, 5, 9))
# Added below every ratio, so that it means nothing where there is next to nothing.
_FEW = np.float32(0.004)


class BrightLevels(NamedTuple):
    """Levels between which things are told apart.

    Attributes
    ----------
    end : float
        Luma at which the camera's highlights pile up, 1 is nominal white.
    told_under, ended_from, rim_from : float
        What burns has luma left to tell its colour by under the first; a channel is at
        its end from the second on; the rim of a burnt area begins at the third.
    most_stops : float
        No colour counts for more.
    warm_luma, warm_from, warm_red : float
        Tissue is brighter, has so many stops more of red over blue, and of red.
    pale_luma, pale_red, pale_blue : float
        White is brighter, and no farther from a white.
    blood_luma, blood_from : float
        Blood is brighter and has so many stops more of red.
    still_warm : float
        Stops of red over blue from which what burns is still warm.
    white_red : float
        Stops of red over green of a white.
    table_from, table_scale : float
        Luma at which the tables of a white begin, and their steps to one of luma.
    """

    end: float
    told_under: float
    ended_from: float
    rim_from: float
    most_stops: float
    warm_luma: float
    warm_from: float
    warm_red: float
    pale_luma: float
    pale_red: float
    pale_blue: float
    blood_luma: float
    blood_from: float
    still_warm: float
    white_red: float
    table_from: float
    table_scale: float


class Drawn(NamedTuple):
    """Maps of a small picture.

    Attributes
    ----------
    maps : (len(MAPS), h / 2, w / 2) array of float32
    own : (len(OWN), h / 2, w / 2) array of float32
    white, dips : (h, w) arrays of float32
        1 where a cell is white and does not burn; how far narrow dark lines of the
        weakest channel lie under what is on both their sides.
    still_warm : int
        Cells that burn, have a colour, and are warm.
    """

    maps: _Array
    own: _Array
    white: _Array
    dips: _Array
    still_warm: int


def draw_maps(
    rgb: _Array,
    luma: _Array,
    burnt: _Array,
    colour: _Array,
    tables: _Array,
    levels: BrightLevels,
) -> Drawn:
    """Draw the evidence for what burns, and halve it.

    Parameters
    ----------
    rgb : (3, h, w) array of float32
        R'G'B', 1 is nominal white; even sides.
    luma, burnt : (h, w) arrays of float32
        Luma, and the share of each cell that burns.
    colour : (2, h, w) array of float32
        Stops of red and blue over green.
    tables : (4, TABLE_STEPS) array of float32
        A white's red and blue over green, R' and B', by luma.
    """
    given = rgb, luma, burnt, colour, tables
    dense = all(a.flags.c_contiguous for a in given)
    height, width = luma.shape
    if kernels.compiled and dense and max(height, width) <= _MOST_WIDE:
        maps = np.empty((len(MAPS), height // 2, width // 2), np.float32)
        own = np.empty((len(OWN), height // 2, width // 2), np.float32)
        both = np.empty((2, height, width), np.float32)
        still = _planes.bright_maps((height, width), *given, levels, maps, own, both)
        return Drawn(maps, own, both[0], both[1], still)
    return _portable_maps(*given, levels)


def _portable_maps(
    rgb: _Array,
    luma: _Array,
    burnt: _Array,
    colour: _Array,
    tables: _Array,
    levels: BrightLevels,
) -> Drawn:
    v = BrightLevels(*(float(np.float32(level)) for level in levels))
    r, g, b = rgb
    place = (luma - v.table_from) * v.table_scale
    at = np.clip(place, 0, TABLE_STEPS - 1).astype(np.intp)
    w_red, w_blue, w_r, w_b = (table.take(at) for table in tables)
    red = np.clip(colour[0] - w_red, -v.most_stops, v.most_stops)
    blue = np.clip(colour[1] - w_blue, -v.most_stops, v.most_stops)
    highest, lowest = np.maximum(np.maximum(r, g), b), np.minimum(np.minimum(r, g), b)
    burns = burnt > 0.5
    mask, burning = burns.view(np.uint8), burns.astype(np.float32)
    told = (burns & (luma < v.told_under)).astype(np.float32)
    ended = (burns & (lowest > v.ended_from)).astype(np.float32)
    per_under = told / np.maximum(v.end - luma, np.float32(0.004))
    near = cv2.dilate(mask, _BESIDE) > 0
    rim = (near & ~burns & (luma > v.rim_from)).astype(np.float32)
    grain, steep = _slopes(luma)
    edge = cv2.dilate(mask, _SQUARE) > cv2.erode(mask, _SQUARE)
    free = (highest < v.ended_from) & ~burns
    warmth = red - blue
    tissue = free & (luma > v.warm_luma) & (warmth > v.warm_from) & (red > v.warm_red)
    pale = free & (np.abs(red) < v.pale_red) & (np.abs(blue) < v.pale_blue)
    pale &= luma > v.pale_luma
    blood = free & (luma > v.blood_luma)
    blood &= colour[0] - v.white_red > v.blood_from
    flesh = cv2.dilate((tissue | blood).view(np.uint8), _SQUARE) > 0
    beside = (edge & flesh).astype(np.float32)
    dips = cv2.morphologyEx(lowest, cv2.MORPH_BLACKHAT, _LINE)
    sharp, meat, white = (f.astype(np.float32) for f in (edge, tissue, pale))
    maps = [
        burning, told, ended, np.clip(v.end - lowest, 0, 1) * burning, told * blue,
        np.clip((w_r - r) * per_under, -2, 2), np.clip((w_b - b) * per_under, -2, 4),
        rim, rim * red, rim * blue, rim * np.sqrt(red * red + blue * blue), rim * grain,
        sharp, sharp * steep, burning * grain, meat, meat * luma, meat * red,
        meat * blue, white, blood.astype(np.float32), beside, beside * steep,
        dips * burning,
    ]  # fmt: skip
    own = [red, blue, highest, lowest, *colour, luma, burnt]
    still = int(np.count_nonzero((told > 0) & (warmth > v.still_warm)))
    return Drawn(
        _halved(maps), _halved(own), white, np.asarray(dips, np.float32), still
    )


def _slopes(luma: _Array) -> tuple[_Array, _Array]:
    """Return how rough luma is, and how steep; mirrored about its outermost cells."""
    p = np.pad(luma, 1, mode="reflect")
    a, b, c = p[:-2], p[1:-1], p[2:]
    four, two, quarter = np.float32(4), np.float32(2), np.float32(0.25)
    grain = np.abs(
        (a[:, 1:-1] + c[:, 1:-1]) + (b[:, :-2] + b[:, 2:]) - four * b[:, 1:-1]
    )
    across = (a[:, 2:] - a[:, :-2]) + two * (b[:, 2:] - b[:, :-2])
    across = (across + (c[:, 2:] - c[:, :-2])) * quarter
    down = (c[:, :-2] - a[:, :-2]) + two * (c[:, 1:-1] - a[:, 1:-1])
    down = (down + (c[:, 2:] - a[:, 2:])) * quarter
    return grain, np.sqrt(across * across + down * down)


def _halved(planes: list[_Array]) -> _Array:
    """Return means of two by two cells."""
    p = np.stack(planes)
    one, two = p[:, ::2], p[:, 1::2]
    out = (one[..., ::2] + one[..., 1::2]) + (two[..., ::2] + two[..., 1::2])
    return np.asarray(out * np.float32(0.25), np.float32)


def _ratios(means: _Array, level: float) -> _Array:
    """Return what means of the maps say of a burnt-out place, in the maps' order."""
    (
        burnt, told, ended, weakest, t_blue, t_lack_red, t_lack_blue, rim, r_red,
        r_blue, r_off, r_grain, edge, steep, grain, tissue, luma, red, blue, white,
        blood, beside, b_steep, line,
    ) = means  # fmt: skip
    all_, some, rims, edges, flesh = (
        s + _FEW for s in (burnt, told, rim, edge, tissue)
    )
    free = 1 - burnt + _FEW
    return np.stack([
        burnt, told / all_, ended / all_, weakest / all_, t_blue / some,
        t_lack_red / some, t_lack_blue / some, rim / all_, r_red / rims, r_blue / rims,
        r_off / rims, 30 * r_grain / rims, edge / all_, 20 * steep / edges,
        20 * grain / all_, tissue / free, (luma + _FEW / 2) / flesh / np.float32(level),
        red / flesh, blue / flesh, white / free,
        blood / free, beside / edges, 20 * b_steep / (beside + _FEW), 50 * line / all_,
    ])  # fmt: skip


def square_ratios(
    maps: _Array, at: _Index, sides: Sequence[int], level: float
) -> _Array:
    """Return what lies in squares about some places.

    Parameters
    ----------
    maps : (len(MAPS), h, w) array of float32
        Beyond their borders their outermost places are repeated.
    at : (n,) array of int64
        Flat indices of the places.
    sides : sequence of int
        Of the squares; odd.
    level : float
        Luma from which a place burns.

    Returns
    -------
    (len(sides), len(MAPS), n) array of float32
    """
    out = np.empty((len(sides), len(MAPS), len(at)), np.float32)
    height, width = maps.shape[1:]
    small = max(height, width) <= _MOST_WIDE
    if kernels.compiled and small and maps.flags.c_contiguous:
        own = np.array(sides, np.int64)
        _planes.bright_squares(
            (height, width), maps, len(at), at, len(own), own, level, out
        )
        return out
    r = max(sides) // 2
    wide = np.pad(maps, ((0, 0), (r, r), (r, r)), mode="edge").astype(np.float64)
    sums = np.zeros((len(MAPS), height + 2 * r + 1, width + 2 * r + 1))
    sums[:, 1:, 1:] = wide.cumsum(axis=2).cumsum(axis=1)
    rows, columns = np.divmod(at, width)
    for ratios, side in zip(out, sides, strict=True):
        y, x = rows + r - side // 2, columns + r - side // 2
        total = sums[:, y + side, x + side] - sums[:, y + side, x]
        total = total - sums[:, y, x + side] + sums[:, y, x]
        ratios[:] = _ratios((total * (1.0 / side**2)).astype(np.float32), level)
    return out


def group_ratios(
    maps: _Array, groups: NDArray[np.int32], number: int, at: _Index, level: float
) -> _Array:
    """Return what lies in the group of places that each of some places belongs to.

    Parameters
    ----------
    maps : (len(MAPS), h, w) array of float32
    groups : (h * w,) array of int32
        Of each place its group; 0: none.
    number : int
        How many groups there are, with that one.
    at : (n,) array of int64
        Flat indices of the places.
    level : float
        Luma from which a place burns.

    Returns
    -------
    (len(MAPS), n) array of float32
    """
    if kernels.compiled and maps.flags.c_contiguous and number <= _MOST_GROUPS:
        out = np.empty((len(MAPS), len(at)), np.float32)
        _planes.bright_groups(
            groups.size, maps, number, groups, len(at), at, level, out
        )
        return out
    inside = np.flatnonzero(groups)
    of = groups[inside]
    count = np.bincount(of, minlength=number).astype(np.float32) + np.float32(1e-3)
    means = [
        np.bincount(of, m.ravel().take(inside), number).astype(np.float32) / count
        for m in maps
    ]
    return _ratios(np.array(means, np.float32), level).take(groups[at], axis=1)


def block_counts(plane: _Plane, code: int = 1) -> _Codes:
    """Return how many of each 4 x 4 block's pixels are at or above a code.

    Parameters
    ----------
    plane : (H, W) array of uint8 or uint16
        Blocks at the right and lower border may be cut.
    code : int
        1 for a mask of 0 and 1.

    Returns
    -------
    (bh, bw) array of uint8
        0 to 16.
    """
    height, width = plane.shape
    dense = plane.strides[1] == plane.itemsize
    if kernels.compiled and dense and 0 <= code <= np.iinfo(plane.dtype).max:
        out = np.empty((-(-height // BLOCK), -(-width // BLOCK)), np.uint8)
        _planes.bright_blocks(plane, code, out)
        return out
    down, across = -height % BLOCK, -width % BLOCK
    mask = np.pad((plane >= code).view(np.uint8), ((0, down), (0, across)))
    # Four pixels are added at once as the bytes of a word: no byte grows past 16.
    words = mask.view(np.uint32).reshape(len(mask) // BLOCK, BLOCK, -1)
    columns = words.sum(axis=1, dtype=np.uint32)
    return np.asarray((columns * np.uint32(0x01010101)) >> 24, np.uint8)
