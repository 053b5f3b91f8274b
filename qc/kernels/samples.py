"""Parts of all three planes of a picture: a patch, and single pixels on a grid.

Both ways do the same operations in the same order, so that they agree to the last bit.
"""

from __future__ import annotations

from itertools import pairwise
from typing import NamedTuple, TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray

from qc import kernels

if kernels.compiled:  # else slower, and otherwise the same
    from qc.kernels import _planes

__all__ = [
    "TILES",
    "BandTable",
    "Coding",
    "LightTables",
    "NearBurnt",
    "PatchLook",
    "PatchLooks",
    "band_tints",
    "closed_stops",
    "grid_colours",
    "near_burnt",
    "patch_looks",
    "pile_up",
]

_Plane: TypeAlias = NDArray[np.unsignedinteger]
_Planes: TypeAlias = tuple[_Plane, _Plane, _Plane]
_Array: TypeAlias = NDArray[np.float32]

TILES = 4
"""Tiles of a patch, along each side."""
# What the passes in C have room for.
_MOST_ACROSS = _MOST_BAND = 4096


def _are_dense(planes: tuple[_Plane, ...]) -> bool:
    return all(plane.strides[1] == plane.itemsize for plane in planes)


# --------------------------------------------------------------------- a patch


class PatchLook(NamedTuple):
    """What one plane of a patch holds, in codes.

    Attributes
    ----------
    total : int
        Sum over all pixels.
    least, most : int
        Lowest and highest code.
    tile_least, tile_most, tile_total : int
        The same of the means of 4 x 4 tiles, in whole codes. Tiles are of whole pixels;
        what is left over at the right and below is in none.
    """

    total: int
    least: int
    most: int
    tile_least: int
    tile_most: int
    tile_total: int


PatchLooks: TypeAlias = tuple[PatchLook, PatchLook, PatchLook]
"""Of Y, Cb and Cr."""


def patch_looks(planes: _Planes) -> PatchLooks:
    """Return what the planes of a patch hold.

    Parameters
    ----------
    planes : three (h, w) arrays of uint8 or uint16
        None empty. A side shorter than 4 pixels is stretched for the tiles.
    """
    if kernels.compiled and _are_dense(planes) and _has_tiles(planes):
        looks = _planes.patch_looks(*planes)
        return PatchLook(*looks[0]), PatchLook(*looks[1]), PatchLook(*looks[2])
    y, cb, cr = planes
    return _portable_look(y), _portable_look(cb), _portable_look(cr)


def _has_tiles(planes: _Planes) -> bool:
    return all(min(plane.shape) >= TILES for plane in planes)


def _portable_look(plane: _Plane) -> PatchLook:
    tiles = _tile_means(plane).ravel().tolist()
    total = int(plane.sum(dtype=np.int64))
    ends = int(plane.min()), int(plane.max())
    return PatchLook(total, *ends, min(tiles), max(tiles), sum(tiles))


def _tile_means(plane: _Plane) -> NDArray[np.integer]:
    """Return means of tiles, rounded as OpenCV's INTER_AREA does."""
    down, across = (n // TILES for n in plane.shape)
    whole = plane[: TILES * down or None, : TILES * across or None]
    if not (down and across):
        means = cv2.resize(whole, (TILES, TILES), interpolation=cv2.INTER_AREA)
        return np.asarray(means, plane.dtype)
    parts = whole.astype(np.int64).reshape(TILES, down, TILES, across)
    sums = parts.sum(axis=(1, 3))
    if down == across == 2:
        return np.asarray((sums + 2) // 4)
    share = np.float32(1) / np.float32(down * across)
    return np.asarray(np.rint(sums.astype(np.float32) * share), np.int64)


# --------------------------------------------------------------------- a grid


class Coding(NamedTuple):
    """How codes become colours.

    Attributes
    ----------
    black, range, zero, span : float
        Of luma, the code of black and how many it is to white; the code of no colour,
        and codes between the extremes of Cb and Cr.
    red, blue : float
        How much of Cr is in R' beside luma, of Cb in B'.
    from_red, from_blue, green : float
        Luma weights.
    """

    black: float
    range: float
    zero: float
    span: float
    red: float
    blue: float
    from_red: float
    from_blue: float
    green: float


def grid_colours(
    planes: _Planes, first: tuple[int, int], step: int, coding: Coding
) -> tuple[_Array, _Array]:
    """Return the colours of single pixels, with the chroma sample each lies in.

    Parameters
    ----------
    planes : three arrays of uint8 or uint16
        None empty.
    first : (line, column)
        Of luma, in the picture.
    step : int
        From one to the next, along both sides.

    Returns
    -------
    rgb : (3, n) array of float32
        R', G', B', shares of black to white.
    luma : (n,) array of float32
    """
    y, cb, cr = planes
    (height, width), (down, across) = y.shape, first
    rows, columns = np.arange(down, height, step), np.arange(across, width, step)
    rgb = np.empty((3, rows.size * columns.size), np.float32)
    if kernels.compiled and _are_dense(planes) and columns.size <= _MOST_ACROSS:
        luma = np.empty(rgb.shape[1], np.float32)
        _planes.grid_colours(*planes, (down, across, step), coding, rgb, luma)
        return rgb, luma
    (black, range_, zero, span), (red, blue, from_red, from_blue, green) = (
        [np.float32(v) for v in part] for part in (coding[:4], coding[4:])
    )
    luma = (y[down::step, across::step].astype(np.float32).ravel() - black) / range_
    pb, pr = (
        (_at(p, rows * p.shape[0] // height, columns * p.shape[1] // width) - zero)
        / span
        for p in (cb, cr)
    )
    rgb[0] = luma + red * pr
    rgb[2] = luma + blue * pb
    rgb[1] = (luma - from_red * rgb[0] - from_blue * rgb[2]) / green
    return rgb, luma


def _at(plane: _Plane, rows: NDArray[np.intp], columns: NDArray[np.intp]) -> _Array:
    return plane[np.ix_(rows, columns)].astype(np.float32).ravel()


# --------------------------------------------------------------------- tint


class BandTable(NamedTuple):
    """How colours are turned into log light, and when a band of them tells its tint.

    Attributes
    ----------
    table : (n,) array of float32
        Log light.
    scale : float
        Places of the table from black to white.
    low, top : float
        Levels between which all channels must lie, inside the table.
    few, share : float
        How many pixels of a band must, and what share of them.
    """

    table: _Array
    scale: float
    low: float
    top: float
    few: float
    share: float


def band_tints(
    rgb: _Array,
    order: NDArray[np.intp],
    edges: NDArray[np.int64],
    how: BandTable,
    *,
    every: int,
) -> NDArray[np.float64]:
    """Return how much more light red and blue have than green, by bands of pixels.

    Parameters
    ----------
    rgb : (3, n) array of float32
    order : (m,) array of int64
        Of every so manieth pixel, by rank.
    edges : (bands + 1,) array of int64
        Ranks between which the bands lie.

    Returns
    -------
    (bands, 2) array
        Medians, stops; NaN where too few of a band tell it.
    """
    bands = len(edges) - 1
    out = np.full((bands, 2), np.nan)
    small = int(np.diff(edges).max(initial=0)) <= _MOST_BAND
    if kernels.compiled and small and rgb.flags.c_contiguous and order.size:
        _planes.band_tints(
            rgb.shape[1], rgb, every, order.size, order, bands, edges,
            len(how.table), how.table, how.scale, how.low, how.top, how.few, how.share,
            out,
        )  # fmt: skip
        return out
    for band, (first, last) in enumerate(pairwise(edges.tolist())):
        kept = rgb.take(order[first:last] * every, axis=1)
        least, most = kept.min(axis=0), kept.max(axis=0)
        known = (least >= np.float32(how.low)) & (most <= np.float32(how.top))
        count = int(np.count_nonzero(known))
        if not count or count < max(how.few, how.share * (last - first)):
            continue
        place = kept[:, known] * np.float32(how.scale) + np.float32(0.5)
        light = how.table[place.astype(np.intp)]
        out[band] = np.median(light[0] - light[1]), np.median(light[2] - light[1])
    return out


# --------------------------------------------------------------------- closing


def pile_up(rgb: _Array, piled: NDArray[np.int64]) -> _Array:
    """Return the largest channel of pixels, and count where it lies.

    Parameters
    ----------
    rgb : (3, n) array of float32
        R'G'B', shares of black to white.
    piled : (bins,) array of int64
        Of a hundredth, from 0.9 up; what is counted is added.

    Returns
    -------
    (n,) array of float32
    """
    if kernels.compiled and rgb.flags.c_contiguous:
        highest = np.empty(rgb.shape[1], np.float32)
        _planes.pile_up(highest.size, rgb, len(piled), piled, highest)
        return highest
    # Two by two: many times faster than along an axis of three.
    most: _Array = np.maximum(np.maximum(rgb[0], rgb[1]), rgb[2])
    bright = most[most > 0.89]
    place = np.floor((bright - 0.9) * 100.0 + 0.5).astype(np.int64)
    inside = (place >= 0) & (place < len(piled))
    piled += np.bincount(place[inside], minlength=len(piled))
    return most


class NearBurnt(NamedTuple):
    """Pixels near what burns.

    Attributes
    ----------
    place : (3, m) array of int64
        Where R', G', B' lie in the table of log light.
    light : (3, m) array of float32
        Log light.
    over : (m,) array of float32
        How far luma lies over the level, stops.
    warm : (m,) array of bool
        Red is no more than some stops under green and blue.
    """

    place: NDArray[np.intp]
    light: _Array
    over: _Array
    warm: NDArray[np.bool_]


def near_burnt(
    rgb: _Array,
    luma: _Array,
    highest: _Array,
    tables: LightTables,
    *,
    burns: tuple[float, float],
    first: float,
    warm: float,
    enough: float,
) -> NearBurnt | None:
    """Return the pixels near what burns, in log light; None if too few burn.

    Parameters
    ----------
    rgb, luma, highest : (3, n), (n,) and (n,) arrays of float32
        R'G'B', luma and the largest channel, shares of black to white.
    burns : (float, float)
        Levels from which luma, or any channel, burns.
    first : float
        Place of the table from which the largest channel is near.
    warm : float
        Stops.
    enough : float
        More pixels than this must burn.
    """
    n, dense = luma.size, all(a.flags.c_contiguous for a in (rgb, luma, highest))
    if kernels.compiled and dense:
        place, light = np.empty(3 * n, np.intp), np.empty(3 * n, np.float32)
        over, flags = np.empty(n, np.float32), np.empty(n, np.bool_)
        m = _planes.near_burnt(
            n, rgb, luma, highest, len(tables.log), tables.log, tables.steps,
            (*burns, first, tables.level, warm, enough), place, light, over, flags,
        )  # fmt: skip
        if m < 0:
            return None
        both = place[: 3 * m].reshape(3, m), light[: 3 * m].reshape(3, m)
        return NearBurnt(*both, over[:m], flags[:m])
    if np.count_nonzero((luma >= burns[0]) | (highest >= burns[1])) <= enough:
        return None
    near = np.flatnonzero(np.rint(highest * np.float32(tables.steps)) >= first)
    place = tables.places(rgb.take(near, axis=1))
    light = tables.log.take(place)
    over = tables.log.take(tables.places(luma.take(near))) - np.float32(tables.level)
    flags = light[0] >= np.maximum(light[1], light[2]) - np.float32(warm)
    return NearBurnt(place, light, over, flags)


class LightTables(NamedTuple):
    """How signals are turned into log light, and back.

    Attributes
    ----------
    log : (n,) array of float32
        Log light of signals from 0 up.
    steps : float
        Places of it from black to white.
    inverse : (m,) array of float32
        Signals of log light from `inverse_from` up.
    inverse_from, inverse_steps : float
        And its places a stop.
    level : float
        Log light of luma at which a pixel burns.
    red, blue : float
        Luma weights.
    """

    log: _Array
    steps: float
    inverse: _Array
    inverse_from: float
    inverse_steps: float
    level: float
    red: float
    blue: float

    def places(self, values: _Array) -> NDArray[np.intp]:
        """Return where signal values lie in the table of log light."""
        place = values * np.float32(self.steps)
        np.rint(place, out=place)
        np.maximum(place, np.float32(0), out=place)
        np.minimum(place, np.float32(len(self.log) - 1), out=place)
        return place.astype(np.intp)

    def values(self, light: _Array) -> _Array:
        """Return signal values of log light, to a few thousandths of a stop."""
        place = light - np.float32(self.inverse_from)
        place *= np.float32(self.inverse_steps)
        place += np.float32(0.5)
        np.maximum(place, np.float32(0), out=place)
        np.minimum(place, np.float32(len(self.inverse) - 1), out=place)
        return np.asarray(self.inverse.take(place.astype(np.intp)), np.float32)

    def luma_stops(self, value: _Array) -> _Array:
        """Return how far the luma of R'G'B' lies over the level, in stops."""
        green = np.float32(1.0 - self.red - self.blue)
        luma = np.float32(self.red) * value[0] + green * value[1]
        luma += np.float32(self.blue) * value[2]
        out: _Array = self.log.take(self.places(luma))
        out -= np.float32(self.level)
        return out


def closed_stops(
    place: NDArray[np.intp],
    light: _Array,
    some: NDArray[np.intp],
    rebuilt: _Array,
    how: LightTables,
    *,
    cut: float,
) -> _Array:
    """Return how far to close until luma is under the level; negative where it is.

    Closed by as much as luma is over the level, the brightest channel may still be cut
    off: luma is darker then.

    Parameters
    ----------
    place : (3, n) array of int64
        Where R', G', B' lie in the table of log light.
    light : (3, n) array of float32
        Log light.
    some : (m,) array of int64
        Pixels, ascending, whose light is another than the signal says.
    rebuilt : (3, m) array of float32
        It.
    cut : float
        Log light at which channels are cut off.

    Returns
    -------
    (n,) array of float32
        Stops.
    """
    share = 1.0 / how.steps
    dense = all(a.flags.c_contiguous for a in (place, light, some, rebuilt))
    if kernels.compiled and dense:
        out = np.empty(light.shape[1], np.float32)
        numbers = (
            how.steps, share, how.inverse_from, how.inverse_steps, how.level, cut,
            how.red, 1.0 - how.red - how.blue, how.blue,
        )  # fmt: skip
        _planes.closed_stops(
            out.size, place, light, some.size, some, rebuilt, len(how.log), how.log,
            len(how.inverse), how.inverse, numbers, out,
        )  # fmt: skip
        return out
    value = place.astype(np.float32) * np.float32(share)
    light = light.copy()
    light[:, some] = rebuilt
    value[:, some] = how.values(rebuilt)
    over = np.maximum(how.luma_stops(value), np.float32(0))
    closed = np.minimum(light - over, np.float32(cut))
    return np.asarray(over + how.luma_stops(how.values(closed)), np.float32)
