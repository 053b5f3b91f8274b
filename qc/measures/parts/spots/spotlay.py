"""How a small part of a picture lies over the same part of another."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.spots.spotranks import middle

__all__ = ["laid_at", "way_of"]

Map = NDArray[np.float32]
Mask = NDArray[np.bool_]
Box = tuple[slice, slice]

_FARTHEST, _TURNS, _SETTLED = 12.0, 4, 0.02  # px; steps; px
_NOISE, _HELD = 0.01, 1e-3  # natural logarithm; of the slopes' power


def laid_at(image: Map, box: Box, move: Map) -> Map:
    """Return what lies so far, (x, y) in px, from a box."""
    rows, columns = box
    matrix = np.array(
        [[1, 0, columns.start + move[0]], [0, 1, rows.start + move[1]]], np.float32
    )
    out = cv2.warpAffine(
        image,
        matrix,
        (columns.stop - columns.start, rows.stop - rows.start),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return np.asarray(out, np.float32)


def way_of(image: Map, goal: Map, box: Box, beside: Mask, start: Map) -> Map:
    """Return how far from a box that lies which a goal shows there, (x, y) in px.

    Lucas and Kanade's steps (IJCAI 1981, from memory); what fits ill weighs little.

    Parameters
    ----------
    goal : (h, w) array
        Natural logarithms in the box.
    beside : (h, w) array of bool
        Places of the box that are compared.
    start : (2,) array
        Where to begin.
    """
    move = start.copy()
    for _ in range(_TURNS):
        laid = laid_at(image, box, move)
        off = (goal - laid)[beside]
        off -= np.float32(middle(off))
        down, across = (np.asarray(v, np.float32) for v in np.gradient(laid))
        scale = 2.0 * (1.4826 * middle(np.abs(off)) + _NOISE)
        weight = (1.0 / (1.0 + (off / scale) ** 2)).astype(np.float32)
        slopes = np.stack([across[beside], down[beside]], axis=1)
        heavy = slopes * weight[:, None]
        square = heavy.T @ slopes
        held = np.float32(_HELD * np.trace(square) + 1e-4)
        square += held * np.eye(2, dtype=np.float32)
        _, step = cv2.solve(square, (heavy.T @ off)[:, None])
        move += np.asarray(step, np.float32).ravel()
        np.clip(move, -_FARTHEST, _FARTHEST, out=move)
        if cv2.norm(step, cv2.NORM_INF) < _SETTLED:
            break
    return move
