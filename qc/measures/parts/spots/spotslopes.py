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

from qc.measures.parts.spots.spotranks import middle

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
    known = np.isfinite(rims.left) & (np.abs(rims.left) < rims.clip)
    rest = np.where(known, rims.left, np.float32(0))
    trust = known.astype(np.float32)
    if rims.trust is not None:
        trust = np.where(known, rims.trust, np.float32(0))
    weight = trust
    g = np.zeros(rims.left.shape[1:], np.float32)
    for number, steps in enumerate(_STEPS):
        if number:
            down, across = slopes(g)
            off = rims.moves[:, 0] * across
            off += rims.moves[:, 1] * down
            off += rest
            few = np.abs(off[:, ::_FEW, ::_FEW])[known[:, ::_FEW, ::_FEW]]
            usual = middle(few) if few.size else 0.0
            off *= np.float32(1.0 / max(2.0 * usual, rims.floor))
            off *= off
            off += 1.0
            weight = trust / off
        g = _integrated(*_sums(rims.moves, rest, weight), g, steps)
    return np.asarray(g - cv2.GaussianBlur(g, (0, 0), wide), np.float32)


def _sums(moves: Map, rest: Map, weight: Map) -> tuple[list[Map], list[Map]]:
    """Return the sums of the moves' products, and of moves times what is left over."""
    right, down = moves[:, 0], moves[:, 1]
    x, y = weight * right, weight * down
    a = [np.einsum("nhw,nhw->hw", *two) for two in ((x, right), (x, down), (y, down))]
    b = [-np.einsum("nhw,nhw->hw", one, rest) for one in (x, y)]
    return a, b


def slopes(g: Map) -> tuple[Map, Map]:
    """Return central differences, down and across."""
    down, across = np.zeros_like(g), np.zeros_like(g)
    np.subtract(g[2:], g[:-2], out=down[1:-1])
    down *= np.float32(0.5)
    np.subtract(g[:, 2:], g[:, :-2], out=across[:, 1:-1])
    across *= np.float32(0.5)
    return down, across


def _integrated(a: list[Map], b: list[Map], g: Map, steps: int) -> Map:
    """Solve for the map whose slopes fit best, by conjugate gradients (textbook).

    Parameters
    ----------
    a : three (h, w) arrays
        Sums of the moves' products: across, mixed, down; they are written.
    b : two (h, w) arrays
        Sums of moves times what is left over: across, down.
    g : (h, w) array
        To begin with; it is written.
    """
    usual = max(float(np.median((a[0] + a[2])[::_FEW, ::_FEW])), 1e-6)
    stiff, back = np.float32(_STIFF * usual), np.float32(_BACK * usual)
    (wide, mixed, tall), (right, down) = a, b
    wide += stiff
    tall += stiff
    for sums in a:
        sums *= np.float32(0.25)  # central differences, there and back
    own, near = np.float32(back + 4 * stiff), np.float32(4 * stiff)
    up, along, part = (np.zeros_like(g) for _ in range(3))

    def applied(g: Map) -> Map:
        np.subtract(g[2:], g[:-2], out=up[1:-1])
        np.subtract(g[:, 2:], g[:, :-2], out=along[:, 1:-1])
        # Central differences do not see every second place: a little of the nearest.
        out: Map = np.asarray(cv2.blur(g, (3, 3)), np.float32)
        out *= -near
        np.multiply(g, own, out=part)
        out += part
        ways = tall * up
        ways += np.multiply(mixed, along, out=part)
        _add_back(out, ways, rows=True)
        np.multiply(wide, along, out=ways)
        ways += np.multiply(mixed, up, out=part)
        _add_back(out, ways, rows=False)
        return out

    rest = -applied(g)
    _add_back(rest, np.float32(0.5) * down, rows=True)
    _add_back(rest, np.float32(0.5) * right, rows=False)
    way = rest.copy()
    size = start = _dot(rest, rest)
    for _ in range(steps):
        if size <= 1e-6 * start:
            break
        to = applied(way)
        step = np.float32(size / max(_dot(way, to), 1e-12))
        g += np.multiply(way, step, out=part)
        to *= step
        rest -= to
        new = _dot(rest, rest)
        way *= np.float32(new / max(size, 1e-30))
        way += rest
        size = new
    return g


def _add_back(out: Map, ways: Map, *, rows: bool) -> None:
    """Add the transpose of differences of places two apart, in place."""
    if rows:
        out[2:] += ways[1:-1]
        out[:-2] -= ways[1:-1]
    else:
        out[:, 2:] += ways[:, 1:-1]
        out[:, :-2] -= ways[:, 1:-1]


def _dot(one: Map, other: Map) -> float:
    return float(np.einsum("hw,hw->", one, other))
