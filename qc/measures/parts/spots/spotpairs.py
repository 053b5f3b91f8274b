"""Pairs of looks laid over each other, and what they say stays in its place.

What two looks that lie a few pixels apart leave over is laid into the middle of its
way, by the motion of each place that `spotlayers` found once the spots were taken out,
and the least-squares problem of `spotslopes` gives what stays, as the gain of a sensor
is found from pictures that were moved against each other (Kuhn, Lin and Loranz, PASP
103, 1991; from memory). Each place of a pair counts by how well it can be laid there;
where nothing moves nothing is known.
What the scene leaves over by being followed wrongly belongs to the part of the scene
that passes; so it is told in two halves of the scene's way.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.kernels.layers import laid_pair
from qc.measures.parts.spots.spotpassing import Passing
from qc.measures.parts.spots.spotranks import middle
from qc.measures.parts.spots.spotslopes import Rims, fixed_pattern, slopes

__all__ = [
    "FEWEST_PAIRS",
    "USUAL_SHARE",
    "Laid",
    "Stays",
    "around",
    "beside",
    "comes_on",
    "explained",
    "laid_over",
    "pairs_of",
    "what_stays",
]

Map = NDArray[np.float32]
Mask = NDArray[np.bool_]
Box = tuple[slice, slice]

FEWEST_PAIRS, _MOST_PAIRS, _EACH = 10, 26, 3  # each: with so many earlier looks
# Of the width, between two looks of a pair in the mean; at a place.
_SHIFT, _BEST, _MOST_MOVE = (0.004, 0.04), 0.012, 0.03
_FEW = 5  # every so many places of a mean
# Natural logarithm of noise; px by which a place may be laid beside itself.
_NOISE, _OFF = 0.02, 0.4
_CLIP, _FLOOR = 0.6, 0.02
_WIDE = 24.0  # px; what is wider is not told from light that falls off
_SIGMA = 6.0  # px, over which the halves are compared
USUAL_SHARE = 0.7  # of what most places show, which counts as unsure as well
_OUTLIER = 0.3  # natural logarithm: more counts no more
# Of what the ring changes by if nothing moved: what may be left of it.
_COMES = 0.3


@dataclass(frozen=True, slots=True, eq=False)
class Laid:
    """Pairs of looks, laid over each other in the middle of their way.

    Attributes
    ----------
    moves : (n, 2, h, w) array
        Of the scene, px to the right and down.
    left, rest : (n, h, w) arrays
        What is left over, NaN if unknown; what is if nothing moved.
    trust : (n, h, w) array
        How much a place counts.
    places : (n, 2, rows, columns, 2) array
        Where the scene lay in both looks, on the grid of points, px.
    """

    moves: Map
    left: Map
    rest: Map
    trust: Map
    places: Map


@dataclass(frozen=True, slots=True, eq=False)
class Stays:
    """What stays in its place: by all, by each half of the way, and how unsure."""

    gain: Map
    halves: tuple[Map, Map]
    unsure: Map
    usual: float


def pairs_of(scene: Passing, backs: Map) -> list[tuple[int, int]]:
    """Choose pairs that lie well apart, in order along the way of the scene."""
    width = backs.shape[2]
    few = np.ascontiguousarray(backs[:, ::_FEW, ::_FEW])
    tried: list[tuple[int, int]] = []
    for i, new in enumerate(few):
        far = [
            (abs(float(np.log(size / _BEST))), k)
            for k, size in enumerate(_sizes(few[:i] - new) / width)
            if _SHIFT[0] <= size <= _SHIFT[1]
        ]
        tried += [(k, i) for _, k in sorted(far)[:_EACH]]
    at = np.linspace(0, len(tried) - 1, min(len(tried), _MOST_PAIRS))
    pairs = [tried[round(k)] for k in at]
    if not pairs:
        return []
    places = [one.place for one in scene.looks]
    where = np.stack([(places[a] + places[b]).mean(axis=(0, 1)) for a, b in pairs])
    where -= where.mean(axis=0)
    x, y = where.astype(np.float64).T
    angle = 0.5 * np.arctan2(2.0 * (x * y).sum(), (x * x - y * y).sum())
    along = x * np.cos(angle) + y * np.sin(angle)
    return [pairs[k] for k in np.argsort(along, kind="stable")]


def _sizes(moves: Map) -> NDArray[np.float64]:
    far = np.hypot(moves[..., 0], moves[..., 1]).mean(axis=(1, 2))
    return np.asarray(far, np.float64)


def laid_over(scene: Passing, backs: Map, pairs: list[tuple[int, int]]) -> Laid:
    """Lay the looks of each pair into the middle of their way."""
    level = scene.layers.level
    h, w = level.shape[1:]
    n = len(pairs)
    moves = np.empty((n, 2, h, w), np.float32)
    left, rest, trust = (np.empty((n, h, w), np.float32) for _ in range(3))
    for k, (old, new) in enumerate(pairs):
        levels, ways = (level[old], level[new]), (backs[old], backs[new])
        out = moves[k], left[k], trust[k]
        laid_pair(levels, ways, _MOST_MOVE * w, _NOISE, _OFF, out)
        few = left[k, ::3, ::3]
        few = few[np.isfinite(few)]
        left[k] -= np.float32(middle(few) if few.size else 0.0)
        np.subtract(level[new], level[old], out=rest[k])
        rest[k] -= np.float32(middle(rest[k, ::3, ::3]))
    places = [one.place for one in scene.looks]
    both = np.stack([np.stack([places[old], places[new]]) for old, new in pairs])
    return Laid(moves, left, rest, trust, both * np.float32(w))


def what_stays(laid: Laid) -> Stays:
    """Return what stays in its place by both halves of the way."""
    half = len(laid.left) // 2
    one, two = (
        fixed_pattern(
            Rims(laid.moves[part], laid.left[part], _CLIP, _FLOOR, laid.trust[part]),
            wide=_WIDE,
        )
        for part in (slice(0, half), slice(half, None))
    )
    gain, off = 0.5 * (one + two), 0.5 * (one - two)
    usual = USUAL_SHARE * max(1.4826 * middle(np.abs(gain[::2, ::2])), 1e-4)
    unsure = cv2.GaussianBlur(off * off, (0, 0), _SIGMA) + np.float32(usual**2)
    return Stays(gain, (one, two), np.sqrt(unsure), usual)


def around(mask: Mask, margin: int) -> Box:
    """Return the box of a mask and so much around it; it may end beyond the map."""
    rows, columns = np.nonzero(mask)
    return (
        slice(max(int(rows.min()) - margin, 0), int(rows.max()) + margin + 1),
        slice(max(int(columns.min()) - margin, 0), int(columns.max()) + margin + 1),
    )


def beside(part: Mask, size: int) -> Mask:
    """Return what lies farther from a part than half of so many px."""
    wide = cv2.dilate(part.astype(np.uint8), np.ones((size, size), np.uint8))
    return np.asarray(wide == 0)


def comes_on(laid: Laid, box: Box) -> tuple[float, float]:
    """Return how far the scene at a place came from half to half of its way, px.

    The grid is coarse: its way is as long as what was followed at the place says.
    """
    n, _, rows, columns, _ = laid.places.shape
    h, w = laid.left.shape[1:]
    row = min(int((box[0].start + min(box[0].stop, h)) / (2 * h) * rows), rows - 1)
    column = min(
        int((box[1].start + min(box[1].stop, w)) / (2 * w) * columns), columns - 1
    )
    near = laid.places[:, :, max(row - 1, 0) : row + 2, max(column - 1, 0) : column + 2]
    old, new = np.moveaxis(near.mean(axis=(2, 3)), 1, 0)
    steps = (old - new).astype(np.float64)
    moves = laid.moves[(slice(None), slice(None), *box)].reshape(n, 2, -1)
    followed = np.median(moves, axis=2)
    share = float((followed * steps).sum()) / max(float((steps * steps).sum()), 1e-6)
    middles = 0.5 * share * (old + new)
    way = middles[n // 2 :].mean(axis=0) - middles[: n // 2].mean(axis=0)
    return float(way[0]), float(way[1])


def explained(laid: Laid, gain: Map, box: Box, ring: Mask) -> float:
    """Return the share of what was left over that a spot tells; 0 if the scene rests.

    Of the pairs the middle one counts: in some of them something passes.
    """
    down, across = slopes(gain)
    down, across = down[box], across[box]
    own = laid.left[(slice(None), *box)]
    moves = laid.moves[(slice(None), slice(None), *box)]
    trust = np.where(np.isfinite(own), laid.trust[(slice(None), *box)], np.float32(0))
    shown = own + moves[:, 0] * across + moves[:, 1] * down
    before, after, rest = (
        np.clip(np.nan_to_num(one), -_OUTLIER, _OUTLIER) ** 2
        for one in (own, shown, laid.rest[(slice(None), *box)])
    )
    ring = ring & np.isfinite(own)
    come = (before * ring).sum(axis=(1, 2)) / np.maximum(
        (rest * ring).sum((1, 2)), 1e-6
    )
    known = trust.sum(axis=(1, 2)) > 0
    if not known.any() or middle(come[known]) > _COMES:
        return 0.0
    left = (trust * after).sum((1, 2)) / np.maximum((trust * before).sum((1, 2)), 1e-9)
    return max(0.0, 1.0 - middle(left[known]))
