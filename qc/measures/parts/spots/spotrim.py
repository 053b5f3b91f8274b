"""Spots told by their rim, which stands still all round while the scene goes by.

Whatever lies on the lens has an edge that every look shows at the same place, darker
inside, from every side at once. Edges of the scene come and go there, and what the
parting into layers leaves of them points this way and that. So the slopes of the looks
less the scene are averaged, each look by how quiet it is near the place: a spot that is
before a plain ground now and before hair or lit windows a moment later is told by the
former (weights by inverse variance, and Student's t of their mean). A place is as sure
as the least sure of twelve parts of its rim.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.spots.spotfixed import (
    LEVEL,
    Kept,
    Outline,
    Place,
    as_fixed,
    how_kept,
    outline,
)
from qc.measures.parts.spots.spotlayers import Layers
from qc.measures.parts.spots.spotpassing import Passing
from qc.measures.parts.spots.spotslopes import slopes
from qc.measures.parts.spots.spotsway import Fixed

__all__ = ["Rim", "closed_rims", "rim_spots"]

Map = NDArray[np.float32]

_PARTS = 12  # of a rim
_RADII = 2.0, 2.6, 3.4, 4.4, 5.7, 7.4, 9.6, 12.5  # px of the small picture
_SOFT, _NEAR = 0.7, 2.5  # px: of the looks; in which a look's quiet is told
_NOISE = 0.006  # natural logarithm, px to px: of the quietest look
_FEWEST = 4  # looks that a mean is made of, at least
_EDGE = 2  # px
_LEAST, _MOST_RIMS = 4.0, 12  # Student's t of the least sure part
# The surer, the more of the scene has come by: looks that show nearly the same behind a
# rim say the same. Px that count once, and at most.
_WAY, _MOST_WAY = 10.0, 20.0
# Of 242 takes without a spot, 40 of which follow a thing and 12 have one at rest
# before the lens, no dark rim of the scene is surer than 9.5. What is followed is
# surer, but it wanders by more of the scene's way than 0.04, goes along with it, or its
# own ring comes along: laying the scene over itself leaves 0.45 of what changes there,
# or more. What is surer than 8 and comes along no more than that is weak, or its ring
# shows as much. One of these ways must be open: wandering, going along, least sure, how
# much the ring changes (natural logarithm), most of that which is left, most that the
# ring shows of the spot, how strong that is at least (natural logarithm).
_WAYS = (
    (0.018, 0.05, 11.0, 0.0, math.inf, math.inf, 0.0),
    (0.045, 0.05, 11.0, 0.04, 0.5, math.inf, 0.0),
    (0.07, 0.05, 28.0, 0.04, math.inf, math.inf, 0.0),
    (0.16, 0.15, 11.0, 0.05, 0.4, math.inf, 0.0),
    (0.13, 0.15, 8.5, 0.05, 0.35, 0.45, 0.12),
)
_SCALE = 1.5  # radius of a spot, in scales of `spotfixed`
_ANY = replace(LEVEL, loose=math.inf)


@dataclass(frozen=True, slots=True)
class Rim:
    """A closed rim, darker inside.

    Attributes
    ----------
    row, column : int
        Its middle, px of the small picture.
    radius : float
        Px.
    least : float
        Student's t of the least sure part of it.
    """

    row: int
    column: int
    radius: float
    least: float


def rim_spots(scene: Passing) -> list[Fixed]:
    """Return dark spots whose rim surely stands still before a scene."""
    down, across = slopes(scene.layers.stays)
    steep = np.stack([across, down])
    return [
        one for rim in closed_rims(scene.layers) for one in _told(scene, steep, rim)
    ]


def _told(scene: Passing, steep: Map, rim: Rim) -> Iterator[Fixed]:
    layers = scene.layers
    scale = min(LEVEL.scales, key=lambda s: abs(s - rim.radius / _SCALE))
    place = Place(rim.row, rim.column, scale, -1)
    kept = how_kept(layers, steep, place, _ANY)
    if kept is None:
        return
    shape = outline(layers, place, _ANY)
    if shape is not None and _is_told(_sure(layers, rim), kept, shape):
        yield as_fixed(shape, kept, scene.looks, _ANY)


def _sure(layers: Layers, rim: Rim) -> float:
    way = layers.moves[:, rim.row, rim.column]
    come = math.hypot(*np.ptp(way, axis=0).tolist())
    return rim.least * min(come, _MOST_WAY) / _WAY


def _is_told(sure: float, kept: Kept, shape: Outline) -> bool:
    return any(
        kept.wanders <= wanders * kept.far
        and abs(kept.goes) <= goes
        and sure >= least
        and shape.moved >= moves
        and shape.left <= left * max(shape.moved, 1e-9)
        and shape.ring <= ring
        and -shape.strength >= strong
        for wanders, goes, least, moves, left, ring, strong in _WAYS
    )


def closed_rims(layers: Layers) -> list[Rim]:
    """Return dark places whose rim is sure all the way round, the surest first."""
    across, down = _sure_slopes(layers)
    rings = [_ring(across, down, radius) for radius in _RADII]
    found = []
    for k, radius in enumerate(_RADII):
        # A spot need not be a circle: each part lies where it is surest.
        parts = np.maximum.reduce(rings[max(k - 1, 0) : k + 2])
        least = parts.min(axis=0)
        least[:_EDGE] = least[-_EDGE:] = least[:, :_EDGE] = least[:, -_EDGE:] = 0.0
        tops = (least >= _LEAST) & (least == cv2.dilate(least, np.ones((5, 5))))
        found += [
            Rim(int(row), int(column), radius, float(least[row, column]))
            for row, column in zip(*np.nonzero(tops), strict=True)
        ]
    found.sort(key=lambda rim: (-rim.least, rim.row, rim.column))
    out: list[Rim] = []
    for rim in found:
        if len(out) == _MOST_RIMS:
            break
        if all(_apart(rim, other) for other in out):
            out.append(rim)
    return out


def _apart(one: Rim, other: Rim) -> bool:
    off = math.hypot(one.row - other.row, one.column - other.column)
    return off > max(one.radius, other.radius)


def _sure_slopes(layers: Layers) -> tuple[Map, Map]:
    """Return the mean slope of what stays, across and down, in its standard errors."""
    each = [_soft_slopes(rest) for rest in layers.rest]
    across, down = (np.stack(both) for both in zip(*each, strict=True))
    usual = _soft_slopes(layers.stays)
    off = (across - usual[0]) ** 2 + (down - usual[1]) ** 2
    near = [cv2.GaussianBlur(one, (0, 0), _NEAR) for one in off]
    weight = 1.0 / (np.float32(0.5) * np.stack(near) + np.float32(_NOISE**2))
    # A mean of one quiet look alone would say nothing.
    weight = np.minimum(weight, weight.sum(axis=0) / _FEWEST)
    total = weight.sum(axis=0)
    means = [(weight * one).sum(axis=0) / total for one in (across, down)]
    off = weight * ((across - means[0]) ** 2 + (down - means[1]) ** 2)
    # Looks that differ by more than their quiet says are less sure.
    spread = off.sum(axis=0) / (2 * (len(off) - 1))
    per_error = np.sqrt(total / np.maximum(spread, 1.0))
    return np.asarray(means[0] * per_error), np.asarray(means[1] * per_error)


def _soft_slopes(level: Map) -> tuple[Map, Map]:
    soft = cv2.GaussianBlur(level, (0, 0), _SOFT)
    across, down = (
        cv2.Sobel(soft, cv2.CV_32F, *way, scale=1 / 8) for way in ((1, 0), (0, 1))
    )
    return np.asarray(across, np.float32), np.asarray(down, np.float32)


def _ring(across: Map, down: Map, radius: float) -> Map:
    """Return how surely it becomes brighter outwards on a circle around each place.

    Returns
    -------
    (parts, h, w) array
        The parts go round.
    """
    h, w = across.shape
    out = np.empty((_PARTS, h, w), np.float32)
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    for k in range(_PARTS):
        x, y = math.cos(2 * math.pi * k / _PARTS), math.sin(2 * math.pi * k / _PARTS)
        outwards = np.float32(x) * across + np.float32(y) * down
        there = np.array([[1, 0, radius * x], [0, 1, radius * y]])
        cv2.warpAffine(outwards, there, (w, h), out[k], flags)
    return out
