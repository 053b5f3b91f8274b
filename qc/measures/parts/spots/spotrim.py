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
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.kernels.layers import middles
from qc.kernels.rings import closed_rings
from qc.measures.parts.spots.spotfixed import (
    LEVEL,
    Outline,
    Place,
    as_fixed,
    goes_by,
    outline,
)
from qc.measures.parts.spots.spotkept import (
    Kept,
    about_middle,
    come_to,
    kept_in,
    length_of,
)
from qc.measures.parts.spots.spotlayers import Layers
from qc.measures.parts.spots.spotpassing import Passing
from qc.measures.parts.spots.spotranks import middle
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
_LEAST, _MOST_RIMS = 8.0, 12  # Student's t of the least sure part
# A rim must keep its place: how far the scene must come, px, in the mean; the share of
# its way by which the rim may go along, and against it (what the parting lets into the
# scene comes off the looks again, the other way); how much of what is there it must
# make up, and by how much half of the looks may differ in how much of it they show.
# What strays by so little of a long way need not make up most of what is there.
_FAR, _ALONG, _AGAINST, _TELLS, _ALIKE = 0.8, 0.05, 0.3, 0.75, 0.15
_SURELY = 0.02
# Times what half of the looks come by at least: so far one of them counts. On a sway or
# a way all are nearer.
_FARTHEST = 2.0
# How far around it that is told, and how far beyond it counts: of its radius, and px.
_REACH, _BESIDE = (1.6, 3.0), (0.35, 1.0)
_QUIET = 1.0  # px over which it is told how quiet a place is
_NORMAL = 0.455  # median of a squared normal deviate, of its mean
# What speaks for a spot is a sum of logarithms, weighed by logistic regression over the
# rims of spots and of scenes that come so far: how sure the rim is, and how much its
# ring changes between looks, both beside what the spot takes; how far it strays, of the
# scene's way; and what its ring shows.
_SURE, _CHANGES, _STRAYS, _UNEVEN = 1.3, 1.5, 2.4, 4.8
_LEAST_CHANGE, _LEAST_STRAY, _MOST_UNEVEN = 0.005, 0.01, 1.0
# What strays by less than this share of the way surely stands still, and that counts
# more where all around it surely goes by. Over 640 takes, most without a spot, no other
# rim near to being told strayed by less than 0.3; but a thing at rest beside somebody
# who sways before a plain wall did, by 0.08, and there nothing around it goes by.
_STILL, _STILLER = 0.2, 3.0
_TOLD = 7.9
_SCALE = 1.5  # radius of a spot, in scales of `spotfixed`


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
    layers = scene.layers
    down, across = slopes(layers.stays)
    steep, noise = np.stack([across, down]), _noise_of(layers)
    return [
        one for rim in closed_rims(layers) for one in _told(scene, steep, noise, rim)
    ]


def _noise_of(layers: Layers) -> Map:
    """Return the variance of what most looks show beside what stays."""
    off = (layers.rest - layers.stays) ** 2
    noise = cv2.GaussianBlur(middles(off), (0, 0), _QUIET)
    return np.asarray(noise / _NORMAL + np.float32(_NOISE**2), np.float32)


def _told(scene: Passing, steep: Map, noise: Map, rim: Rim) -> Iterator[Fixed]:
    layers = scene.layers
    kept = _kept(scene, steep, noise, rim)
    if kept is None or not _keeps_place(kept):
        return
    scale = min(LEVEL.scales, key=lambda s: abs(s - rim.radius / _SCALE))
    shape = outline(layers, Place(rim.row, rim.column, scale, -1), LEVEL)
    if shape is not None and shape.strength < 0 and _speaks(rim, kept, shape) >= _TOLD:
        yield as_fixed(shape, kept, scene.looks, LEVEL)


def _kept(scene: Passing, steep: Map, noise: Map, rim: Rim) -> Kept | None:
    """Return how a rim keeps its place; None where nothing tells it.

    What is quiet there says it: the sky beside a roof tells where a drop lies, and the
    windows that go by under it do not.
    """
    layers = scene.layers
    far = min(come_to(layers, rim.row, rim.column), _picture_comes(scene, rim))
    if far < _FAR:
        return None
    h, w = layers.stays.shape
    reach = round(_REACH[0] * rim.radius + _REACH[1])
    rows = slice(max(rim.row - reach, 1), min(rim.row + reach + 1, h - 1))
    columns = slice(max(rim.column - reach, 1), min(rim.column + reach + 1, w - 1))
    y, x = np.mgrid[rows, columns]
    beyond = np.maximum(np.hypot(y - rim.row, x - rim.column) - rim.radius, 0.0)
    weight = np.exp(-0.5 * (beyond / (_BESIDE[0] * rim.radius + _BESIDE[1])) ** 2)
    weight = (weight / noise[rows, columns]).ravel()
    weight = (weight / weight.sum()).astype(np.float32)
    at = rim.row, rim.column
    kept = kept_in(layers, steep, at, (rows, columns), weight)
    return None if kept is None else replace(kept, far=far)


def _picture_comes(scene: Passing, rim: Rim) -> float:
    """Return how far the picture comes there, px in the mean, but for what moves in it.

    A rod that goes by tells nothing of what rests behind it; nor do a few looks far
    off, before a zoom, of a rim that all the others show at rest.
    """
    h, w = scene.layers.stays.shape
    places = np.stack([one.place for one in scene.looks])
    row, column = rim.row * places.shape[1] // h, rim.column * places.shape[2] // w
    way = about_middle(places[:, row, column].astype(np.float64) * w)
    off = np.hypot(*way.T)
    most = _FARTHEST * middle(off)
    return length_of(way * (most / np.maximum(off, most + 1e-9))[:, None])


def _keeps_place(kept: Kept) -> bool:
    return (
        -_AGAINST <= kept.goes <= _ALONG
        and (kept.tells >= _TELLS or kept.strays <= _SURELY * kept.far)
        and kept.alike <= _ALIKE
    )


def _speaks(rim: Rim, kept: Kept, shape: Outline) -> float:
    """Return how much speaks for a spot; see `_TOLD`."""
    strength = -shape.strength
    strays = kept.strays / kept.far + _LEAST_STRAY
    stiller = math.log(min(strays / _STILL, 1.0)) if goes_by(shape, LEVEL) else 0.0
    return (
        _SURE * math.log(rim.least / strength)
        + _CHANGES * math.log((shape.moved + _LEAST_CHANGE) / strength)
        - _STRAYS * math.log(strays)
        - _STILLER * stiller
        - _UNEVEN * min(shape.ring, _MOST_UNEVEN)
    )


def closed_rims(layers: Layers) -> list[Rim]:
    """Return dark places whose rim is sure all the way round, the surest first."""
    across, down = _sure_slopes(layers)
    found = []
    rings = closed_rings(across, down, _RADII, _PARTS)
    for radius, least in zip(_RADII, rings, strict=True):
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
    n, h, w = layers.rest.shape
    across, down, weight = (np.empty((n, h, w), np.float32) for _ in range(3))
    usual = _soft_slopes(layers.stays)
    for k, rest in enumerate(layers.rest):
        across[k], down[k] = _soft_slopes(rest)
        off = _apart_from(across[k], down[k], usual)
        near = cv2.GaussianBlur(off, (0, 0), _NEAR)
        weight[k] = 1.0 / (np.float32(0.5) * near + np.float32(_NOISE**2))
    # A mean of one quiet look alone would say nothing.
    np.minimum(weight, weight.sum(axis=0) / _FEWEST, out=weight)
    total = weight.sum(axis=0)
    means = [np.einsum("nhw,nhw->hw", weight, one) / total for one in (across, down)]
    # Looks that differ by more than their quiet says are less sure.
    spread = np.zeros((h, w), np.float32)
    for k in range(n):
        spread += weight[k] * _apart_from(across[k], down[k], means)
    spread /= 2 * (n - 1)
    per_error = np.sqrt(total / np.maximum(spread, 1.0))
    return np.asarray(means[0] * per_error), np.asarray(means[1] * per_error)


def _apart_from(across: Map, down: Map, usual: Sequence[Map]) -> Map:
    """Return the square of what slopes are apart from others."""
    off = across - usual[0]
    off *= off
    more = down - usual[1]
    more *= more
    off += more
    return off


def _soft_slopes(level: Map) -> tuple[Map, Map]:
    soft = cv2.GaussianBlur(level, (0, 0), _SOFT)
    across, down = (
        cv2.Sobel(soft, cv2.CV_32F, *way, scale=1 / 8) for way in ((1, 0), (0, 1))
    )
    return np.asarray(across, np.float32), np.asarray(down, np.float32)
