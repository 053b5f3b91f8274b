"""How surely it becomes brighter outwards on circles around each place of a map.

See `qc.measures.parts.spots.spotrim`, which this does the arithmetic of.
"""

from __future__ import annotations

import functools
import math

import numpy as np
from numpy.typing import NDArray

from qc import kernels

if kernels.compiled:  # else slower, and otherwise the same
    from qc.kernels import _planes

__all__ = ["closed_rings"]

Map = NDArray[np.float32]


def closed_rings(across: Map, down: Map, radii: tuple[float, ...], parts: int) -> Map:
    """Return how surely the least sure part of a circle is brighter outside.

    Parameters
    ----------
    across, down : (h, w) arrays of float32
        How surely it becomes brighter to the right, and down; nothing outside.
    radii : tuple of float
        Px.
    parts : int
        Places on a circle, evenly.

    Returns
    -------
    (radii, h, w) array of float32
        Each part may lie on the circle before or behind, where it is surest.
    """
    h, w = across.shape
    places, shares = _parts(radii, parts)
    margin = math.ceil(max(radii)) + 1
    right, low = np.pad(across, margin), np.pad(down, margin)
    if kernels.compiled and across.dtype == down.dtype == np.float32:
        out = np.empty((len(radii), h, w), np.float32)
        shape = (len(radii), parts, h, w)
        _planes.closed_rings(shape, margin, right, low, places, shares, out)
        return out
    rings = np.empty((len(radii), parts, h, w), np.float32)
    each = zip(rings.reshape(-1, h, w), places.tolist(), shares, strict=True)
    for ring, (column, row), (more_right, more_down, x, y) in each:
        outwards = x * right + y * low
        first = outwards[margin + row : margin + row + h + 1]
        first = first[:, margin + column : margin + column + w + 1]
        lines = first[:-1] + more_down * (first[1:] - first[:-1])
        ring[:] = lines[:, :-1] + more_right * (lines[:, 1:] - lines[:, :-1])
    near = [rings[max(k - 1, 0) : k + 2].max(axis=0) for k in range(len(radii))]
    return np.stack([one.min(axis=0) for one in near])


@functools.lru_cache(maxsize=4)
def _parts(
    radii: tuple[float, ...], parts: int
) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
    """Return of each part whole px to it, and what is left of them, and its way."""
    turns = 2.0 * np.pi * np.arange(parts) / parts
    ways = np.stack([np.cos(turns), np.sin(turns)], axis=-1)
    there = np.array(radii)[:, None, None] * ways
    whole = np.floor(there)
    both = np.concatenate([there - whole, np.broadcast_to(ways, there.shape)], axis=-1)
    return (
        whole.astype(np.int64).reshape(-1, 2),
        both.astype(np.float32).reshape(-1, 4),
    )
