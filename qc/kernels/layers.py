"""Looks laid over each other: what lies between places of a map, middles of many.

See `qc.measures.parts.spots.spotlayers` and `spotpairs`, which these do the arithmetic
of. Between places is bilinear; no map here has NaN.
"""

from __future__ import annotations

import functools

import numpy as np
from numpy.typing import NDArray

from qc import kernels

if kernels.compiled:  # else slower, and otherwise the same
    from qc.kernels import _planes

__all__ = ["laid_pair", "left_over", "middles", "shifted_ways", "shown", "usually_left"]

Map = NDArray[np.float32]

_MOST = 64  # looks that the compiled way takes at once


def middles(stack: NDArray[np.floating]) -> Map:
    """Return the upper median over the first axis.

    A network of comparisons (Batcher's odd-even merges) is several times as fast as
    sorting the values of each place for itself.

    Examples
    --------
    >>> middles(np.array([[3.0, 1.0], [1.0, 5.0], [2.0, 4.0]])).tolist()
    [2.0, 4.0]
    """
    count = len(stack)
    if kernels.compiled and count <= _MOST and _is_dense(stack):
        out = np.empty(stack.shape[1:], np.float32)
        _planes.middles(count, out.size, stack, _steps(count), out)
        return out
    rows = [np.array(one) for one in stack]
    spare = np.empty_like(rows[0])
    for low, high, less, more in _network(count):
        if less:
            np.minimum(rows[low], rows[high], out=spare)
        if more:
            np.maximum(rows[low], rows[high], out=rows[high])
        if less:
            rows[low], spare = spare, rows[low]
    return rows[count // 2]


@functools.lru_cache(maxsize=32)
def _steps(count: int) -> NDArray[np.int64]:
    return np.array(_network(count), np.int64).reshape(-1, 4)


@functools.lru_cache(maxsize=32)
def _network(count: int) -> tuple[tuple[int, int, bool, bool], ...]:
    """Return the comparisons that find the upper median of so many.

    Of those that sort them (Knuth 5.2.2, algorithm M) what it hangs on: the places
    compared, and whether the lesser and the greater of the two are asked for.
    """
    asked = {count // 2}
    out = []
    for low, high in reversed(_sorting(count)):
        less, more = low in asked, high in asked
        if less or more:
            asked |= {low, high}
            out.append((low, high, less, more))
    return tuple(reversed(out))


def _sorting(count: int) -> list[tuple[int, int]]:
    out = []
    top = 1 << max(count - 1, 0).bit_length() - 1 if count > 1 else 0
    p = top
    while p > 0:
        q, r, d = top, 0, p
        while True:
            out += [(i, i + d) for i in range(count - d) if i & p == r]
            if q == p:
                break
            d, q, r = q - p, q >> 1, p
        p >>= 1
    return out


def shown(maps: Map, ways: Map, sign: int) -> Map:
    """Return what maps show so far from each place; the border goes on outside.

    Parameters
    ----------
    maps : (n, h, w) array of float32
    ways : (n, h, w, 2) array of float32
        To the right and down, px.
    sign : 1 or -1
        Along the ways, or against them.

    Returns
    -------
    (n, h, w) array
    """
    if _is_compiled(maps.shape, maps, ways):
        out = np.empty_like(maps)
        _planes.left_over(maps.shape, None, maps, ways, sign, None, out)
        return out
    both = zip(maps, ways, strict=True)
    return np.stack([_between(one, *_places(way, sign)) for one, way in both])


def left_over(maps: Map, scene: Map, ways: Map, sign: int) -> Map:
    """Return what a scene, laid over each of some maps, leaves of it.

    Parameters
    ----------
    maps : (n, h, w) array of float32
    scene : (h, w) array of float32
    ways, sign
        See `shown`: where in the scene each place lies.

    Returns
    -------
    (n, h, w) array
    """
    if _is_compiled(maps.shape, maps, ways, scene):
        out = np.empty_like(maps)
        _planes.left_over(maps.shape, maps, scene, ways, sign, None, out)
        return out
    both = zip(maps, ways, strict=True)
    return np.stack([one - _between(scene, *_places(way, sign)) for one, way in both])


def usually_left(maps: Map, scene: Map, ways: Map, sign: int) -> Map:
    """Return the upper median over the maps of what `left_over` gives."""
    if _is_compiled(maps.shape, maps, ways, scene):
        out = np.empty_like(scene)
        steps = _steps(len(maps))
        _planes.left_over(maps.shape, maps, scene, ways, sign, steps, out)
        return out
    return middles(left_over(maps, scene, ways, sign))


def shifted_ways(values: Map, ways: Map, sign: int, *, write: bool = False) -> Map:
    """Return which ways lie so far from each place; the border goes on outside.

    Parameters
    ----------
    values, ways : (n, h, w, 2) arrays of float32
        To the right and down, px.
    sign : 1 or -1
        See `shown`.
    write : bool
        Into `ways`: fresh memory costs as much as the arithmetic.

    Returns
    -------
    (n, h, w, 2) array
    """
    out = ways if write else np.empty_like(values)
    if _is_compiled(values.shape[:3], values, ways):
        _planes.shifted_ways(values.shape[:3], values, ways, sign, out)
        return out
    for k, way in enumerate(ways):
        places = _places(way, sign)
        for one in range(2):
            out[k, ..., one] = _between(values[k, ..., one], *places)
    return out


def laid_pair(
    levels: tuple[Map, Map],
    backs: tuple[Map, Map],
    most: float,
    noise: float,
    off: float,
    out: tuple[Map, Map, Map],
) -> None:
    """Lay two looks over each other in the middle of their way.

    Parameters
    ----------
    levels : (earlier, later)
        (h, w) arrays of float32.
    backs : (earlier, later)
        (h, w, 2) arrays of float32: how far each place lies from where it is in the
        scene.
    most : float
        Px; what moves as far, or farther, is not known.
    noise, off : float
        Of the levels; and px by which a place may be laid beside itself.
    out : (moves, left, trust)
        (2, h, w), (h, w) and (h, w) arrays of float32, written: how the scene moves, to
        the right and down; what the later look has more than the earlier one, NaN where
        it is not known; and how much that counts.
    """
    moves, left, trust = out
    most, noise, off = most**2, noise**2, off**2
    if _is_compiled((1, *left.shape), *levels, *backs, *out):
        _planes.laid_pair(left.shape, *levels, *backs, most, noise, off, *out)
        return
    moves[:] = np.moveaxis(backs[0] - backs[1], -1, 0)
    half = np.float32(0.5) * np.moveaxis(moves, 0, -1)
    both = [
        np.where(_is_within(*places, left.shape), _between(one, *places), np.nan)
        for one, places in zip(
            levels, (_places(half, 1), _places(half, -1)), strict=True
        )
    ]
    earlier, later = (np.asarray(one, np.float32) for one in both)
    far = moves[0] * moves[0] + moves[1] * moves[1]
    left[:] = np.where(far >= np.float32(most), np.float32(np.nan), later - earlier)
    steep = np.zeros_like(left)
    steep[1:-1] = ((later[2:] - later[:-2]) * np.float32(0.5)) ** 2
    steep[:, 1:-1] += ((later[:, 2:] - later[:, :-2]) * np.float32(0.5)) ** 2
    steep *= np.float32(off)
    steep += np.float32(noise)
    np.fmax(np.float32(noise) / steep, 0, out=trust)


def _places(ways: Map, sign: int) -> tuple[Map, Map]:
    """Return the columns and rows that lie so far from each place."""
    h, w = ways.shape[:2]
    right, down = np.float32(sign) * ways[..., 0], np.float32(sign) * ways[..., 1]
    return (
        np.arange(w, dtype=np.float32) + right,
        np.arange(h, dtype=np.float32)[:, None] + down,
    )


def _is_within(x: Map, y: Map, shape: tuple[int, ...]) -> NDArray[np.bool_]:
    return np.asarray((x >= 0) & (x <= shape[1] - 1) & (y >= 0) & (y <= shape[0] - 1))


def _between(values: Map, x: Map, y: Map) -> Map:
    """Return what lies between the places of a map; the border goes on outside."""
    h, w = values.shape
    x, y = np.clip(x, 0, np.float32(w - 1)), np.clip(y, 0, np.float32(h - 1))
    column = np.minimum(x.astype(np.int32), w - 2)
    row = np.minimum(y.astype(np.int32), h - 2)
    right, down = x - column.astype(np.float32), y - row.astype(np.float32)
    up, low = (
        start + right * (values[row + k, column + 1] - start)
        for k, start in ((0, values[row, column]), (1, values[row + 1, column]))
    )
    return np.asarray(up + down * (low - up), np.float32)


def _is_compiled(shape: tuple[int, ...], *arrays: Map) -> bool:
    """Tell whether the compiled way takes so many maps of this size."""
    n, *sides = shape
    return (
        kernels.compiled
        and 1 <= n <= _MOST
        and min(sides) >= 2
        and all(_is_dense(one) for one in arrays)
    )


def _is_dense(values: NDArray[np.floating]) -> bool:
    return values.dtype == np.float32 and values.flags.c_contiguous
