"""What stays in its place, from what pairs of looks laid over each other leave over.

What is left over of a spot that covers itself is its rim, darker on one side and
brighter on the other, the more the farther the scene has come. Over many pairs of looks
that gives the slope of what stays, and the slopes give the spot (as the gain of a
telescope's sensor is found from pictures of the sky that were moved against each other;
a least-squares problem, solved by conjugate gradients).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.kernels.rims import rim_sums, solved_rims
from qc.measures.parts.spots.spotranks import median, middle

__all__ = ["Rims", "fixed_pattern", "slopes"]

Map = NDArray[np.float32]

_STEPS = 22, 10  # of conjugate gradients, each with weights by what was left
_STIFF, _BACK = 0.03, 0.002  # against slopes, and against anything, of what is known
_WIDE = 14.0  # px of the small maps
_FEW = 3  # every so many places are enough for a median


@dataclass(frozen=True, slots=True, eq=False)
class Rims:
    """What pairs of looks left over.

    Attributes
    ----------
    moves : (n, 2, h, w) array
        Of the scene, px to the right and down from the later look to the earlier.
    left : (n, h, w) array
        The later look less the earlier one, each moved half the way; NaN if unknown.
    clip, floor : float
        More is another thing; less is noise.
    trust : (n, h, w) array or None
        How much a place of a pair counts; None for alike.
    """

    moves: Map
    left: Map
    clip: float
    floor: float
    trust: Map | None = None


def fixed_pattern(rims: Rims, *, wide: float = _WIDE) -> Map:
    """Return what stays in its place, but for what changes slowly over the picture.

    Parameters
    ----------
    wide : float
        Px; what changes more widely is taken away, for it is not told from light that
        falls off.

    Returns
    -------
    (h, w) array
    """
    given = rims.moves, rims.left, rims.trust, rims.clip
    g = np.zeros(rims.left.shape[1:], np.float32)
    g = _integrated(*rim_sums(*given), g, _STEPS[0])
    both = np.stack(slopes(g))
    scale = 1.0 / max(2.0 * _usually_off(rims, both), rims.floor)
    g = _integrated(*rim_sums(*given, both, scale), g, _STEPS[1])
    return np.asarray(g - cv2.GaussianBlur(g, (0, 0), wide), np.float32)


def _usually_off(rims: Rims, both: Map) -> float:
    """Return how much slopes, down and across, usually leave of what is left over."""
    left, moves = (v[..., ::_FEW, ::_FEW] for v in (rims.left, rims.moves))
    down, across = both[:, ::_FEW, ::_FEW]
    off = moves[:, 0] * across
    off += moves[:, 1] * down
    off += left
    few = np.abs(off[np.abs(left) < np.float32(rims.clip)])
    return middle(few) if few.size else 0.0


def slopes(g: Map) -> tuple[Map, Map]:
    """Return central differences, down and across."""
    down, across = np.zeros_like(g), np.zeros_like(g)
    np.subtract(g[2:], g[:-2], out=down[1:-1])
    down *= np.float32(0.5)
    np.subtract(g[:, 2:], g[:, :-2], out=across[:, 1:-1])
    across *= np.float32(0.5)
    return down, across


def _integrated(a: Map, b: Map, g: Map, steps: int) -> Map:
    """Solve for the map whose slopes fit best.

    Parameters
    ----------
    a : (3, h, w) array
        Sums of the moves' products: across, mixed, down; they are written.
    b : (2, h, w) array
        Sums of moves times what is left over: across, down.
    g : (h, w) array
        To begin with; it is written.
    """
    usual = max(float(median((a[0] + a[2])[::_FEW, ::_FEW].ravel())), 1e-6)
    stiff, back = np.float32(_STIFF * usual), np.float32(_BACK * usual)
    right, down = np.float32(0.5) * b
    a[::2] += stiff
    a *= np.float32(0.25)  # central differences, there and back
    own, near = float(np.float32(back + 4 * stiff)), float(np.float32(4 * stiff))

    aim = np.zeros_like(g)
    aim[2:] += down[1:-1]
    aim[:-2] -= down[1:-1]
    aim[:, 2:] += right[:, 1:-1]
    aim[:, :-2] -= right[:, 1:-1]
    # Central differences do not see every second place: a little of the nearest.
    solved_rims(a, aim, near, own, steps, g)
    return g
