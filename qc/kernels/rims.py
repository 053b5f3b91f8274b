"""Sums over what pairs of looks left over, and a step of the search for what stays.

See `qc.measures.parts.spots.spotslopes`, which these do the arithmetic of.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from qc import kernels

if kernels.compiled:  # else slower, and otherwise the same
    from qc.kernels import _planes

__all__ = ["apply_rims", "rim_sums", "solved_rims"]

Map = NDArray[np.float32]


def rim_sums(
    moves: Map,
    left: Map,
    trust: Map | None,
    clip: float,
    slopes: Map | None = None,
    scale: float = 0.0,
) -> tuple[Map, Map]:
    """Return sums over pairs, at every place, of products of moves and of what is left.

    Parameters
    ----------
    moves : (n, 2, h, w) array of float32
        To the right and down.
    left : (n, h, w) array of float32
        What is left over; where it is NaN, or `clip` and more, a pair says nothing.
    trust : (n, h, w) array of float32, or None
        How much a place of a pair counts; None for alike.
    slopes : (2, h, w) array of float32, or None
        Of what stays, down and across: what they do not tell of `left`, times `scale`,
        makes a place count for less, by 1 / (1 + off**2).

    Returns
    -------
    (3, h, w), (2, h, w) arrays of float32
        Of right by right, right by down, down by down; of right and down by less what
        is left.
    """
    n, h, w = left.shape
    if kernels.compiled and all(
        one is None or _is_dense(one) for one in (moves, left, trust, slopes)
    ):
        out = np.empty((5, h, w), np.float32)
        _planes.rim_sums((n, h, w), moves, left, trust, slopes, clip, scale, out)
        return out[:3], out[3:]
    known = np.abs(left) < np.float32(clip)
    rest = np.where(known, left, np.float32(0))
    weight = known.astype(np.float32)
    if trust is not None:
        weight = np.where(known, trust, np.float32(0))
    right, down = moves[:, 0], moves[:, 1]
    if slopes is not None:
        off = right * slopes[1]
        off += down * slopes[0]
        off += rest
        off *= np.float32(scale)
        off *= off
        off += 1.0
        weight = weight / off
    x, y = weight * right, weight * down
    a = np.zeros((3, h, w), np.float32)
    b = np.zeros((2, h, w), np.float32)
    for k in range(n):  # one after the other: the order of sums is part of the numbers
        a += x[k] * right[k], x[k] * down[k], y[k] * down[k]
        b += x[k] * rest[k], y[k] * rest[k]
    return a, -b


def apply_rims(g: Map, around: Map, sums: Map, near: float, own: float) -> Map:
    """Return what the sums of a least-squares problem make of a map.

    Parameters
    ----------
    g : (h, w) array of float32
    around : (h, w) array of float32
        Means of its places and their neighbours.
    sums : (3, h, w) array of float32
        Of products of moves: across, mixed, down.
    near, own : float
        How much of `around` is taken away, and how much of `g` is added.

    Returns
    -------
    (h, w) array
        Differences of places two apart, by the sums, and back by their transpose.
    """
    h, w = g.shape
    if kernels.compiled and _is_dense(g) and _is_dense(around) and _is_dense(sums):
        out = np.empty((h, w), np.float32)
        _planes.apply_rims((h, w), g, around, sums, near, own, out)
        return out
    wide, mixed, tall = sums
    up, along = np.zeros((2, h, w), np.float32)
    up[1:-1] = g[2:] - g[:-2]
    along[:, 1:-1] = g[:, 2:] - g[:, :-2]
    out = around * -np.float32(near) + g * np.float32(own)
    ways = tall * up + mixed * along
    out[2:] += ways[1:-1]
    out[:-2] -= ways[1:-1]
    ways = wide * along + mixed * up
    out[:, 2:] += ways[:, 1:-1]
    out[:, :-2] -= ways[:, 1:-1]
    return out


def solved_rims(
    sums: Map, aim: Map, near: float, own: float, steps: int, g: Map
) -> None:
    """Go some steps of conjugate gradients (textbook) towards a map that fits the sums.

    Parameters
    ----------
    sums, near, own
        See `apply_rims`, which is to give `aim`; `around` are means over 3 x 3 places.
    aim : (h, w) array of float32
        It is written.
    steps : int
        At most; fewer once what is left over is a thousandth of what it was.
    g : (h, w) array of float32
        To begin with; it is written.
    """
    if kernels.compiled and all(_is_dense(one) for one in (sums, aim, g)):
        _planes.solved_rims(g.shape, sums, aim, near, own, steps, g)
        return
    rest = aim
    rest -= apply_rims(g, _means(g), sums, near, own)
    way = rest.copy()
    size = start = _product(rest, rest)
    for _ in range(steps):
        if size <= 1e-6 * start:
            break
        to = apply_rims(way, _means(way), sums, near, own)
        step = np.float32(size / max(_product(way, to), 1e-12))
        g += way * step
        rest -= to * step
        new = _product(rest, rest)
        way *= np.float32(new / max(size, 1e-30))
        way += rest
        size = new


def _means(g: Map) -> Map:
    """Return means of places and their neighbours, mirrored about the outermost."""
    wide = np.pad(g, 1, mode="reflect")
    across = wide[:, :-2] + wide[:, 1:-1] + wide[:, 2:]
    mean = (across[:-2] + across[1:-1] + across[2:]) * np.float32(1 / 9)
    return np.asarray(mean, np.float32)


def _product(one: Map, other: Map) -> float:
    columns = np.add.reduce(one * other, axis=0)  # row after row
    return float(np.cumsum(columns.astype(np.float64))[-1])


def _is_dense(values: Map) -> bool:
    return values.dtype == np.float32 and values.flags.c_contiguous
