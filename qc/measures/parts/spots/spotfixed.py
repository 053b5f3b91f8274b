"""Spots that keep their place, to a fraction of a pixel, while the scene goes by.

`spotlayers` parts the looks of a take into the scene and what stays. Of each place
that stays in a spot's shape it is asked where every look shows it (Lucas and Kanade,
IJCAI 1981, one step; from memory) and how far the scene has come there. What lies on
the lens does not move at all; what the scene left over moves with it, by some share;
and a thing that the camera follows is hardly ever held still to a small share of the
way that the ground behind it goes.
A smear need not darken anything: what keeps its place is sought in the level of the
looks and in how fine their detail is, which a smear takes out of whatever passes.
"""

from __future__ import annotations

import functools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.kernels.layers import middles
from qc.measures.parts.spots.spotkept import Box, Kept, Map, come_to, kept_in
from qc.measures.parts.spots.spotlayers import Layers
from qc.measures.parts.spots.spotpassing import Passing
from qc.measures.parts.spots.spotranks import middle, ranked, rms
from qc.measures.parts.spots.spotshape import is_compact, on_map, ring_around
from qc.measures.parts.spots.spotslopes import slopes
from qc.measures.parts.spots.spotsway import Fixed
from qc.measures.parts.spots.spotways import Shows

__all__ = [
    "LEVEL",
    "Outline",
    "Place",
    "Search",
    "as_fixed",
    "fixed_spots",
    "goes_by",
    "how_kept",
    "outline",
]

Mask = NDArray[np.bool_]

_GROUND = 1.7  # how much wider the ground is that a spot stands out of
_REACH = 2.5, 3.0  # px around a place: times the scale, and more
_WEIGHT = 1.6, 1.0
_FAR, _MOST_WANDERS = 0.8, 0.2  # how far the scene must come, px, in the mean; of that
_USUAL = 0.7, 1.35  # of what it is, in most looks
_BORDER, _DEEP, _OUT = 0.45, 0.7, 24  # of its strongest place; px
_FILLED, _LONGEST, _EDGE = 0.5, 2.6, 2
_MOST_OF = 0.9
_NEAR, _FAR_PX = 5, 13  # px across, of the rings around it
_CLOSE = 2  # px from a place to its strongest, at most
# Of the picture's places with contrast, how many must come along; where fewer do, the
# ring itself must change by so much (natural logarithm), and by less once the scene is
# laid over itself, and the spot must be surer.
_ALONG = 0.9
_LESS = 0.8
_SURELY, _SURELY_RING = 1 / 2, 2 / 3  # of what is allowed
# A plain ring changes little. There what keeps its place to this share of the scene's
# way will do, if laying the scene over itself leaves so little of the change. Over 242
# takes without a spot, of which 40 follow a thing, the least share was 1.3 %.
_STILL, _LAID = 0.01, 0.4
# The other way round, what wanders more, or is shown less evenly, is told before a ring
# that changes much and is surely laid over itself: so many times what is allowed, if
# the spot is as strong as this and its ring as plain. What the camera follows brings
# its own ring: over the same takes one place was near (1.7 times `moves`), and `hides`
# denies it; of 84 takes with spots nine places passed, all of them at the spot.
_LOOSE, _LOOSE_LEAST, _LOOSE_RING = 1.5, 0.15, 0.3
_COMES, _COMES_LEFT = 2.0, 0.5  # times `moves`; of that
# A dark spot of that strength may lie in a ring that shows more itself, up to this, if
# it keeps its place to this share of what is allowed. Over the same takes none did.
_UNEVEN, _UNEVEN_STILL, _UNEVEN_LEFT = 0.65, 2 / 3, 0.4
# What is asked of brighter ones: wandering, ring, share that it makes up.
_BRIGHT = 0.05, 0.2, 0.8


@dataclass(frozen=True, slots=True)
class Search:
    """What a spot must be on maps of one kind; natural logarithms.

    Attributes
    ----------
    name : str
        Of the maps.
    signs : tuple of int
        1 for more than the scene, -1 for less.
    scales : tuple of float
        Standard deviations of spots, px.
    each : int
        Places of a scale, the surest.
    stands_out, least : float
        Of its ground; by itself.
    wanders, goes : float
        Of the way that the scene comes: by how much it may wander, and go along.
    unsteady : float
        Px by which noise makes it wander, however little the scene comes.
    alike, tells : float
        See `Kept`.
    places : (int, int)
        Fewest and most px.
    steepest, ring, uneven : float
        Of its strongest place: slope, px to px; what most of its ring may show, and
        that of a dark one which surely keeps still.
    moves, clip : float
        By how much the ring changes, at least where that is asked; at most.
    loose : float
        Times what it may wander and be shown unevenly, before a ring that tells more.
    """

    name: str
    signs: tuple[int, ...]
    scales: tuple[float, ...]
    each: int
    stands_out: float
    least: float
    wanders: float
    goes: float
    unsteady: float
    alike: float
    tells: float
    places: tuple[int, int]
    steepest: float
    ring: float
    uneven: float
    moves: float
    clip: float
    loose: float

    def may_wander(self, far: float) -> float:
        """Return px, where the scene comes so far."""
        return max(self.wanders * far, min(self.unsteady, _MOST_WANDERS * far))


LEVEL = Search(
    name="level",
    signs=(-1, 1),
    scales=(1.2, 2.0, 3.2, 5.0),
    each=26,
    stands_out=0.008,
    least=0.03,
    wanders=0.06,
    goes=0.08,
    unsteady=0.0,
    alike=0.15,
    tells=0.5,
    places=(6, 10**6),
    steepest=0.62,
    ring=0.45,
    uneven=_UNEVEN,
    moves=0.04,
    clip=0.5,
    loose=_LOOSE,
)
# On maps half as large. Over 242 takes without a spot one was told, a flat thing that
# the camera follows; with the ring as above there were more of these.
_DETAIL = Search(
    name="detail",
    signs=(-1,),
    scales=(0.8, 1.2, 2.0, 3.0),
    each=12,
    stands_out=0.08,
    least=0.3,
    wanders=0.1,
    goes=0.12,
    unsteady=0.5,
    alike=0.4,
    tells=0.7,
    places=(6, 50),
    steepest=0.65,
    ring=0.3,
    uneven=0.3,
    moves=0.08,
    clip=2.0,
    loose=1.0,
)


@dataclass(frozen=True, slots=True)
class Place:
    """A place that stands out of its ground: where, how wide, which way."""

    row: int
    column: int
    scale: float
    sign: int


@dataclass(frozen=True, slots=True, eq=False)
class Outline:
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
    out = [
        one
        for layers, search in ((scene.layers, LEVEL), (scene.detail, _DETAIL))
        for one in _found(scene, layers, search)
    ]
    return sorted(out, key=lambda one: -one.sure)


def _found(scene: Passing, layers: Layers, search: Search) -> Iterator[Fixed]:
    down, across = slopes(layers.stays)
    steep = np.stack([across, down])
    for place in _places(layers, search):
        if _top(layers, place) < search.least:
            continue
        kept = how_kept(layers, steep, place, search)
        if kept is None or not _stays(kept, search):
            continue
        shape = outline(layers, place, search)
        if shape is not None and _is_told(shape, kept, scene.along, search):
            yield as_fixed(shape, kept, scene.looks, search)


def _places(layers: Layers, search: Search) -> Iterator[Place]:
    """Yield what stands out of its ground, the surest of each scale first."""
    h, w = layers.stays.shape
    inner = slice(_EDGE + 1, h - _EDGE - 1), slice(_EDGE + 1, w - _EDGE - 1)
    near = np.ones((5, 5), np.uint8)
    for scale in search.scales:
        ground = cv2.GaussianBlur(layers.stays, (0, 0), scale * _GROUND)
        out = cv2.GaussianBlur(layers.stays, (0, 0), scale) - ground
        unsure = cv2.GaussianBlur(layers.unsure, (0, 0), scale) + np.float32(0.01)
        for sign in search.signs:
            sure = np.float32(sign) * out / unsure
            tops = (sure == cv2.dilate(sure, near)) & (sign * out > search.stands_out)
            rows, columns = np.nonzero(tops[inner])
            rows, columns = rows + inner[0].start, columns + inner[1].start
            order = np.argsort(-sure[rows, columns], kind="stable")[: search.each]
            for k in order:
                yield Place(int(rows[k]), int(columns[k]), scale, sign)


def _box(layers: Layers, place: Place, reach: int, edge: int) -> Box:
    h, w = layers.stays.shape
    return (
        slice(max(place.row - reach, edge), min(place.row + reach + 1, h - edge)),
        slice(max(place.column - reach, edge), min(place.column + reach + 1, w - edge)),
    )


def _top(layers: Layers, place: Place) -> float:
    """Return the most that stays at a place or beside it."""
    close = layers.stays[_box(layers, place, _CLOSE, 0)]
    return float(close.max()) if place.sign > 0 else -float(close.min())


@functools.lru_cache(maxsize=64)
def _weights(up: int, down: int, left: int, right: int, spread: float) -> Map:
    """Return how much the places of a box count, from where it reaches to where."""
    y, x = np.mgrid[up:down, left:right]
    weight = np.exp(-(y**2 + x**2) / (2.0 * spread * spread)).astype(np.float32).ravel()
    weight /= weight.sum()
    weight.flags.writeable = False
    return np.asarray(weight, np.float32)


def how_kept(layers: Layers, slope: Map, place: Place, search: Search) -> Kept | None:
    """Return how a place keeps still; None if nothing tells it, or if it does not.

    Parameters
    ----------
    slope : (2, h, w) array
        Of what stays, across and down.
    """
    box = _box(layers, place, round(_REACH[0] * place.scale + _REACH[1]), 1)
    ends = (box[0].start, box[0].stop), (box[1].start, box[1].stop)
    (up, low), (left, right) = ends
    weight = _weights(
        *(up - place.row, low - place.row, left - place.column, right - place.column),
        _WEIGHT[0] * place.scale + _WEIGHT[1],
    )
    far = come_to(layers, place.row, place.column)
    if far < _FAR:
        return None
    most = search.loose * search.may_wander(far)  # as nearly all
    return kept_in(layers, slope, (place.row, place.column), box, weight, most)


def _stays(kept: Kept, search: Search) -> bool:
    usual = middle(kept.shown)
    return (
        abs(kept.goes) <= search.goes
        and kept.alike <= search.loose * search.alike
        and _USUAL[0] <= usual <= _USUAL[1]
        and kept.tells >= search.tells
    )


def outline(layers: Layers, place: Place, search: Search) -> Outline | None:
    """Return the outline of what stays there; None if it is no spot's."""
    box = _box(layers, place, _OUT, 0)
    stays = np.float32(place.sign) * layers.stays[box]
    row, column = place.row - box[0].start, place.column - box[1].start
    close = (
        slice(max(row - _CLOSE, 0), row + _CLOSE + 1),
        slice(max(column - _CLOSE, 0), column + _CLOSE + 1),
    )
    top = _top(layers, place)
    at = np.unravel_index(int(np.argmax(stays[close])), stays[close].shape)
    _, labels = cv2.connectedComponents((stays > _BORDER * top).astype(np.uint8))
    part = labels == labels[close][at]
    fewest, most = search.places
    if np.count_nonzero(part) > most or not is_compact(
        part, edge=1, fewest=fewest, filled=_FILLED, longest=_LONGEST
    ):
        return None
    soft = cv2.GaussianBlur(stays, (0, 0), 0.5)
    down, across = slopes(np.asarray(soft, np.float32))
    if float(np.hypot(down, across)[part].max()) > search.steepest * top:
        return None
    ring = ring_around(part, _NEAR, _FAR_PX)
    if not ring.any():
        return None
    around = stays[ring]
    changes = [
        _change((maps[(slice(None), *box)] - taken)[:, ring], search.clip)
        for maps, taken in ((layers.level, 0), (layers.rest, layers.stays[box]))
    ]
    mask = np.zeros(layers.stays.shape, np.bool_)
    mask[box] = part
    strength = place.sign * middle(stays[part & (stays > _DEEP * top)])
    shows = ranked(np.abs(around - middle(around)), _MOST_OF)
    return Outline(mask, strength, shows / top, *changes)


def _change(values: Map, most: float) -> float:
    """Return by how much places change between looks, each about its middle."""
    off = values - np.array([[middle(one)] for one in values], np.float32)
    off -= middles(off)
    return rms(np.clip(off, -most, most))


def _is_told(shape: Outline, kept: Kept, along: float, search: Search) -> bool:
    """Return whether the scene surely goes by behind a spot, and nothing else stays.

    Glints stay too, where a wet thing turns under the lamp: of what is brighter more
    is asked.
    """
    if shape.strength > 0:
        wanders, ring, tells = _BRIGHT
        if kept.wanders > wanders * kept.far or shape.ring > ring or kept.tells < tells:
            return False
    if shape.ring > search.ring:
        return along >= _ALONG and _is_among_others(shape, kept, search)
    if kept.wanders > search.may_wander(kept.far) or kept.alike > search.alike:
        return along >= _ALONG and _is_plain(shape, search)
    if along >= _ALONG:
        return True
    surely = kept.wanders <= _SURELY * search.may_wander(kept.far)
    surely &= shape.ring <= _SURELY_RING * search.ring
    moves = shape.moved >= search.moves and shape.left <= _LESS * shape.moved
    still = kept.wanders <= _STILL * kept.far and shape.left <= _LAID * shape.moved
    return surely and (moves or still)


def _is_plain(shape: Outline, search: Search) -> bool:
    """Return whether a spot is strong, and all around it surely goes by."""
    return (
        goes_by(shape, search)
        and abs(shape.strength) >= _LOOSE_LEAST
        and shape.ring <= _LOOSE_RING
    )


def goes_by(shape: Outline, search: Search) -> bool:
    """Return whether what is around a spot surely is a scene that goes by."""
    comes = shape.moved >= _COMES * search.moves
    return comes and shape.left <= _COMES_LEFT * shape.moved


def _is_among_others(shape: Outline, kept: Kept, search: Search) -> bool:
    """Return whether a dark spot is surely still, and its uneven ring goes by."""
    return (
        shape.strength <= -_LOOSE_LEAST
        and shape.ring <= search.uneven
        and kept.wanders <= _UNEVEN_STILL * search.may_wander(kept.far)
        and kept.alike <= search.alike
        and shape.moved >= _COMES * search.moves
        and shape.left <= _UNEVEN_LEFT * shape.moved
    )


def as_fixed(
    shape: Outline, kept: Kept, looks: Sequence[Shows], search: Search
) -> Fixed:
    """Return a spot as all searches tell theirs."""
    mask = on_map(shape.mask, looks[0].maps["detail"].shape)
    sure = search.may_wander(kept.far) / max(kept.wanders, 1e-3)
    rows = looks[0].row, looks[-1].row
    return Fixed(mask, search.name, shape.strength, sure, 0.0, *rows)
