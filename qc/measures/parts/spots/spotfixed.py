"""Spots that keep their place, to a fraction of a pixel, while the scene goes by.

`spotlayers` parts the looks of a take into the scene and what stays. Of each place
that stays in a spot's shape it is asked where every look shows it (Lucas and Kanade,
IJCAI 1981, one step; from memory) and how far the scene has come there. What lies on
the lens does not move at all; what the scene left over moves with it, by some share;
and a thing that the camera follows is hardly ever held still to a small share of the
way that the ground behind it goes.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.spots.spotlayers import Layers, middles
from qc.measures.parts.spots.spotpassing import Passing
from qc.measures.parts.spots.spotranks import middle, ranked, rms
from qc.measures.parts.spots.spotshape import is_compact, on_map
from qc.measures.parts.spots.spotslopes import slopes
from qc.measures.parts.spots.spotsway import Fixed
from qc.measures.parts.spots.spotways import Shows

__all__ = ["fixed_spots"]

Map = NDArray[np.float32]
Mask = NDArray[np.bool_]
Box = tuple[slice, slice]

# Standard deviations of spots, px; how much wider the ground is that they stand out of.
_SCALES, _GROUND = (1.2, 2.0, 3.2, 5.0), 1.7
_EACH = 20  # places of a scale, the surest
_STANDS_OUT, _LEAST = 0.008, 0.03  # natural logarithm: of its ground; by itself
_REACH = 2.5, 3.0  # px around a place: times the scale, and more
_WEIGHT = 1.6, 1.0
_ROUND = 0.15  # least slopes one way, of those the other way
_TIMES = 3  # that the shares of the way are told, with less of what is off
# Of the way that the scene comes: by how much it may wander, and go along; and how far
# the scene must come, px, in the mean.
_WANDERS, _GOES, _FAR = 0.06, 0.08, 0.8
_ALIKE, _USUAL, _TELLS = 0.15, (0.7, 1.35), 0.5
_BORDER, _DEEP, _OUT = 0.45, 0.7, 24  # of its strongest place; px
_FEWEST_PX, _FILLED, _LONGEST, _EDGE = 6, 0.5, 2.6, 2
_STEEPEST, _RING, _MOST_OF = 0.62, 0.45, 0.9
_NEAR, _FAR_PX = 5, 13  # px across, of the rings around it
_SIGNS = -1, 1
# Of the picture's places with contrast, how many must come along; where fewer do, the
# ring itself must change by so much (natural logarithm), and by less once the scene is
# laid over itself, and the spot must be surer.
_ALONG = 0.9
_MOVES, _LESS, _CLIP = 0.04, 0.8, 0.5
_SURELY, _SURELY_RING = 0.03, 0.3
# What is asked of brighter ones: wandering, ring, share that it makes up.
_BRIGHT = 0.05, 0.2, 0.8


@dataclass(frozen=True, slots=True)
class _Place:
    """A place that stands out of its ground: where, how wide, which way."""

    row: int
    column: int
    scale: float
    sign: int


@dataclass(frozen=True, slots=True, eq=False)
class _Kept:
    """How a place keeps still.

    Attributes
    ----------
    goes : float
        Share of the scene's way by which it goes along.
    wanders, far : float
        How far off its middle looks show it, and the scene; px.
    shown : (n,) array
        How much of it each look shows; 1 is all.
    alike : float
        By how much half of the looks differ in that.
    tells : float
        Share of what is there, once the scene is gone, that it makes up.
    """

    goes: float
    wanders: float
    far: float
    shown: NDArray[np.float64]
    alike: float
    tells: float


@dataclass(frozen=True, slots=True, eq=False)
class _Shape:
    """A spot's outline, and what is around it.

    Attributes
    ----------
    mask : (h, w) array
    strength : float
        What it usually shows, natural logarithm; darker is less than nothing.
    ring : float
        What most of its ring shows, of that.
    moved, left : float
        How much the ring changes if nothing is moved; if the scene is.
    """

    mask: Mask
    strength: float
    ring: float
    moved: float
    left: float


def fixed_spots(scene: Passing) -> list[Fixed]:
    """Return what keeps its place before a scene, the surest first."""
    layers = scene.layers
    down, across = slopes(layers.stays)
    steep = np.stack([across, down])
    out = [
        _fixed(shape, kept, scene.looks)
        for place in _places(layers)
        for kept in [_kept(layers, steep, place)]
        if kept is not None and _stays(kept)
        for shape in [_shape(layers, place)]
        if shape is not None and _is_told(shape, kept, scene.along)
    ]
    return sorted(out, key=lambda one: -one.sure)


def _places(layers: Layers) -> Iterator[_Place]:
    """Yield what stands out of its ground, the surest of each scale first."""
    h, w = layers.stays.shape
    inner = slice(_EDGE + 1, h - _EDGE - 1), slice(_EDGE + 1, w - _EDGE - 1)
    near = np.ones((5, 5), np.uint8)
    for scale in _SCALES:
        ground = cv2.GaussianBlur(layers.stays, (0, 0), scale * _GROUND)
        out = cv2.GaussianBlur(layers.stays, (0, 0), scale) - ground
        unsure = cv2.GaussianBlur(layers.unsure, (0, 0), scale) + np.float32(0.01)
        for sign in _SIGNS:
            sure = np.float32(sign) * out / unsure
            tops = (sure == cv2.dilate(sure, near)) & (sign * out > _STANDS_OUT)
            rows, columns = np.nonzero(tops[inner])
            rows, columns = rows + inner[0].start, columns + inner[1].start
            order = np.argsort(-sure[rows, columns], kind="stable")[:_EACH]
            for k in order:
                yield _Place(int(rows[k]), int(columns[k]), scale, sign)


def _box(layers: Layers, place: _Place, reach: int, edge: int) -> Box:
    h, w = layers.stays.shape
    return (
        slice(max(place.row - reach, edge), min(place.row + reach + 1, h - edge)),
        slice(max(place.column - reach, edge), min(place.column + reach + 1, w - edge)),
    )


def _kept(layers: Layers, slope: Map, place: _Place) -> _Kept | None:
    """Return how a place keeps still; None if it has no slopes to tell by.

    Parameters
    ----------
    slope : (2, h, w) array
        Of what stays, across and down.
    """
    box = _box(layers, place, round(_REACH[0] * place.scale + _REACH[1]), 1)
    y, x = np.mgrid[box]
    off = (y - place.row) ** 2 + (x - place.column) ** 2
    spread = _WEIGHT[0] * place.scale + _WEIGHT[1]
    weight = np.exp(-off / (2.0 * spread * spread)).astype(np.float32).ravel()
    weight /= weight.sum()
    steep = slope[(slice(None), *box)].reshape(2, -1)
    weighted = steep * weight
    both = (weighted @ steep.T).astype(np.float64)
    least, most = np.linalg.eigvalsh(both)
    if least < _ROUND * most:
        return None
    own = layers.stays[box].ravel()
    own = own - own @ weight
    rest = layers.rest[(slice(None), *box)].reshape(len(layers.rest), -1)
    rest = rest - (rest @ weight)[:, None]
    size = float((own * own) @ weight)
    shown = ((rest @ (own * weight)) / size).astype(np.float64)
    power = float(middle((rest * rest) @ weight))
    # Where a look shows it: one step of least squares from where it stays.
    lies = -np.linalg.solve(both, weighted @ (rest - own).T).T
    lies -= np.median(lies, axis=0)
    way = layers.moves[:, place.row, place.column].astype(np.float64)
    way = way - np.median(way, axis=0)
    goes, trust = 0.0, np.ones((len(way), 1))
    for _ in range(_TIMES):
        goes = float((trust * way * lies).sum() / max((trust * way * way).sum(), 1e-9))
        wrong = np.hypot(*(lies - goes * way).T)[:, None]
        trust = 1.0 / (1.0 + (wrong / (2.0 * max(middle(wrong), 0.02))) ** 2)
    return _Kept(
        goes,
        middle(np.hypot(*lies.T)),
        float(np.sqrt((way * way).sum(axis=1).mean())),
        shown,
        middle(np.abs(shown - middle(shown))),
        size / max(power, 1e-12),
    )


def _stays(kept: _Kept) -> bool:
    usual = middle(kept.shown)
    return (
        kept.far >= _FAR
        and kept.wanders <= _WANDERS * kept.far
        and abs(kept.goes) <= _GOES
        and kept.alike <= _ALIKE
        and _USUAL[0] <= usual <= _USUAL[1]
        and kept.tells >= _TELLS
    )


def _shape(layers: Layers, place: _Place) -> _Shape | None:
    """Return the outline of what stays there; None if it is no spot's."""
    box = _box(layers, place, _OUT, 0)
    stays = np.float32(place.sign) * layers.stays[box]
    row, column = place.row - box[0].start, place.column - box[1].start
    close = slice(max(row - 2, 0), row + 3), slice(max(column - 2, 0), column + 3)
    top = float(stays[close].max())
    if top < _LEAST:
        return None
    at = np.unravel_index(int(np.argmax(stays[close])), stays[close].shape)
    _, labels = cv2.connectedComponents((stays > _BORDER * top).astype(np.uint8))
    part = labels == labels[close][at]
    if not is_compact(
        part, edge=1, fewest=_FEWEST_PX, filled=_FILLED, longest=_LONGEST
    ):
        return None
    soft = cv2.GaussianBlur(stays, (0, 0), 0.5)
    down, across = slopes(np.asarray(soft, np.float32))
    if float(np.hypot(down, across)[part].max()) > _STEEPEST * top:
        return None
    near, far = (
        cv2.dilate(part.astype(np.uint8), np.ones((size, size), np.uint8)) > 0
        for size in (_NEAR, _FAR_PX)
    )
    ring = far & ~near
    if not ring.any():
        return None
    around = stays[ring]
    changes = [
        _change((maps[(slice(None), *box)] - taken)[:, ring])
        for maps, taken in ((layers.level, 0), (layers.rest, layers.stays[box]))
    ]
    mask = np.zeros(layers.stays.shape, np.bool_)
    mask[box] = part
    strength = place.sign * middle(stays[part & (stays > _DEEP * top)])
    most = ranked(np.abs(around - middle(around)), _MOST_OF)
    return _Shape(mask, strength, most / top, *changes)


def _change(values: Map) -> float:
    """Return by how much places change between looks, each about its middle."""
    off = values - np.array([[middle(one)] for one in values], np.float32)
    off -= middles(off)
    return rms(np.clip(off, -_CLIP, _CLIP))


def _is_told(shape: _Shape, kept: _Kept, along: float) -> bool:
    """Return whether the scene surely goes by behind a spot, and nothing else stays.

    Glints stay too, where a wet thing turns under the lamp: of what is brighter more
    is asked.
    """
    bright = shape.strength > 0
    wanders, ring, tells = _BRIGHT if bright else (_WANDERS, _RING, _TELLS)
    if kept.wanders > wanders * kept.far or shape.ring > ring or kept.tells < tells:
        return False
    if along >= _ALONG:
        return True
    surely = kept.wanders <= _SURELY * kept.far and shape.ring <= _SURELY_RING
    moves = shape.moved >= _MOVES and shape.left <= _LESS * shape.moved
    return surely and moves


def _fixed(shape: _Shape, kept: _Kept, looks: Sequence[Shows]) -> Fixed:
    mask = on_map(shape.mask, looks[0].maps["detail"].shape)
    sure = _WANDERS * kept.far / max(kept.wanders, 1e-3)
    rows = looks[0].row, looks[-1].row
    return Fixed(mask, "level", shape.strength, sure, 0.0, *rows)
