"""Whether a thing that stays in its place hides the scene that goes by behind it.

What lies on a lens is far out of focus: it takes light, or adds some, but the scene
shows through, and what it shows changes as the scene behind it does. A hand or an
instrument that the camera follows, or that rests before it, shows itself instead.
A drop so thick that nothing passes is dark, and is not denied so. Where the scene does
not come on by the breadth of the spot, what is behind it never shows beside it, and
nothing can be told.
"""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.kernels.layers import middles
from qc.measures.parts.spots.spotlayers import Layers
from qc.measures.parts.spots.spotpassing import Passing
from qc.measures.parts.spots.spotranks import rms
from qc.measures.parts.spots.spotshape import ring_around

__all__ = ["DARK", "breadth_of", "hides", "inner_of"]

Mask = NDArray[np.bool_]

DARK = -0.69
"""Natural logarithm, half of the scene's level: a drop so thick may hide it."""
_FEWEST = 4  # px
# Of the breadth: its inner part, for the rim is partly clear, and what a blur may bring
# into that. Natural logarithm, by which the scene must change there (standard
# deviation), and the share of that which the inner part shows, with two standard
# errors. Of 251 spots two were denied so, both before a thing that the camera follows;
# of 23 such things that were taken for spots eight were.
_PARTS = (0.7, 0.04, 0.4), (2.0, 0.03, 0.5)
# Where the scene is not laid over itself, nobody knows what is behind a spot: in a ring
# so many px around it, that may leave so much of what changes there (natural logarithm,
# at most). Bright things are denied even so: they hide by themselves.
_RING, _LESS, _CLIP = (5, 13), 0.8, 0.5


def hides(scene: Passing, mask: Mask, level: float, *, still: bool = False) -> bool:
    """Return whether a spot surely hides what goes by behind it.

    Parameters
    ----------
    mask : (h, w) array of bool
        Of any size.
    level : float
        How much brighter than the scene it is, natural logarithm.
    still : bool
        It surely keeps its place while the scene goes by.
    """
    if level < DARK:
        return False
    level_of, rest = scene.layers.level, scene.layers.rest
    core = inner_of(mask, _PARTS[0][0], level_of.shape[1:])
    if np.count_nonzero(core) < _FEWEST:
        return False
    if _way(scene.layers.moves, core) < breadth_of(mask, level_of.shape[1:]):
        return False
    if level < 0 and still and not _is_laid(scene.layers, mask):
        return False
    shown = level_of[:, core].mean(axis=1, dtype=np.float64)
    shown -= shown.mean()
    for breadth, changes, through in _PARTS:
        part = inner_of(mask, breadth, level_of.shape[1:])
        behind = (level_of[:, part] - rest[:, part]).mean(axis=1, dtype=np.float64)
        behind -= behind.mean()
        power = float(behind @ behind)
        if power < len(behind) * changes**2:
            return False
        share = float(behind @ shown) / power
        left = shown - share * behind
        error = np.sqrt(float(left @ left) / (len(left) - 2) / power)
        if share + 2.0 * error >= through:
            return False
    return True


def _is_laid(layers: Layers, mask: Mask) -> bool:
    """Return whether what changes around a spot is told by how the scene moves."""
    h, w = layers.level.shape[1:]
    part = cv2.resize(mask.astype(np.uint8), (w, h), None, 0, 0, cv2.INTER_NEAREST)
    ring = ring_around(part > 0, *_RING)
    if not ring.any():
        return False
    moved, left = (
        rms(np.clip(off - middles(off), -_CLIP, _CLIP))
        for off in (layers.level[:, ring], layers.rest[:, ring])
    )
    return left <= _LESS * moved


def _way(moves: NDArray[np.float32], part: Mask) -> float:
    """Return how far the scene got from where it was at a part, px."""
    across, down = np.ptp(moves[:, part].mean(axis=1), axis=0).tolist()
    return math.hypot(across, down)


def breadth_of(mask: Mask, shape: tuple[int, ...]) -> float:
    """Return the longer side of a mask's box on a map of another size, px."""
    longest = 0.0
    for axis, places in enumerate(np.nonzero(mask)):
        side = float(np.ptp(places) + 1) * shape[axis] / mask.shape[axis]
        longest = max(longest, side)
    return longest


def inner_of(mask: Mask, breadth: float, shape: tuple[int, ...]) -> Mask:
    """Return a share of the ellipse in a mask's box, on a map of another size."""
    off = []
    for axis, places in enumerate(np.nonzero(mask)):
        size = shape[axis] / mask.shape[axis]
        low, high = size * places.min(), size * (places.max() + 1)
        at = np.arange(shape[axis]) + 0.5 - 0.5 * (low + high)
        off.append((at / (0.5 * breadth * (high - low))) ** 2)
    return np.asarray(off[0][:, None] + off[1] <= 1.0)
