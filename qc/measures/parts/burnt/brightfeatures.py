"""What is measured of each burnt-out place before it is judged: one row of numbers.

Private to `brightparts`; the weights are in `brightweights`.
Colours are stops of red and blue over green, against what a white thing would show at
the same luma under this light: as a white burns out, its channels reach the end of the
signal one after the other, and a white under a warm lamp passes through yellow.
Evidence is drawn on the small picture and gathered, in squares of four sizes, over
each connected burnt area and over each object in it, on a grid of half its size.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.burnt.brightcues import LAMP_SLOPE, Plane, Scene
from qc.measures.parts.burnt.brightcues import stops_between as stops
from qc.measures.parts.burnt.brightobjects import dips, objects_of
from qc.signal import LUMA_WEIGHTS

__all__ = ["FEATURES", "Places", "places_of"]

Flags = NDArray[np.bool_]
Rows = NDArray[np.float32]
Index = NDArray[np.intp]
Labels = NDArray[np.int32]

# From here to the level lies the rim of a burnt area.
_RIM_FROM = 0.66
_ENDED = 0.03
_PLATEAU = 0.012
_MOST_STOPS = 1.2
# What was fitted saw whites no farther off a black body's than this: a tinted lamp's
# white counts as the last of them.
_MOST_TINT = 0.06
# So much more red than a white, in stops, shows blood, wet or on cloth.
_BLOOD_FROM, _BLOOD_LUMA = 2.0, 0.08
# What is not burnt out is tissue from so many stops of red over blue on, and white up
# to so many off: between them nothing is said.
_WARM_FROM, _WARM_LUMA, _STILL_WARM = 0.3, 0.2, 0.12
_WHITE_RED, _WHITE_BLUE, _WHITE_LUMA = 0.12, 0.15, 0.35
# Sides of the squares that evidence is gathered in, in places of two by two cells.
_SQUARES = {"near": 3, "mid": 9, "wide": 21, "vast": 41}
_SQUARE = np.ones((3, 3), np.uint8)
_AROUND = np.ones((9, 9), np.uint8)
# A place with less of its pixels burnt out is not worth a row of its own.
_ANY_BURNT = 0.02
# So many places of tissue give its luma; without them these stand, shares of the level.
_TISSUE_PLACES, _NO_TISSUE = 12, (0.5, 0.7, 0.8)
# Added below every ratio, so that it means nothing where there is next to nothing.
_FEW = np.float32(0.004)

_POOLED = (
    "burnt", "told", "ended", "lacks weakest", "told blue", "told lacks red",
    "told lacks blue", "rim", "rim red", "rim blue", "rim off", "rim grain", "edge",
    "edge steep", "grain", "tissue", "tissue luma", "tissue red", "tissue blue",
    "white", "blood", "warm edge", "warm edge steep", "line",
)  # fmt: skip
_OWN = (
    "red", "blue", "under end strongest", "under end weakest", "seen red", "seen blue",
    "under end", "burnt here", "depth", "area size", "area depth", "area fills box",
    "object size", "object depth", "object of area",
)  # fmt: skip
_WHOLE = (
    "tissue luma 50", "tissue luma 90", "tissue luma 98", "tissue in all",
    "tissue still warm", "burnt in all", "ended of burnt", "warm of burnt",
    "end over level", "white blue", "white off", "cast", "no white", "white in all",
)  # fmt: skip
FEATURES = (
    *(f"{w} {n}" for w in (*_SQUARES, "area", "object") for n in _POOLED),
    *_OWN,
    *_WHOLE,
)
"""Names of the numbers, in order."""


@dataclass(frozen=True, slots=True, eq=False)
class Places:
    """The burnt-out places of a picture and what is measured of them.

    Attributes
    ----------
    shape : (int, int)
        Rows and columns of the grid; a place is two by two cells of the small picture.
    at : (n,) array
        Flat indices of the places that hold burnt-out pixels.
    burnt : (n,) array
        Share of each that is burnt out.
    rows : (n, len(FEATURES)) array
    white : (h, w) array of float32
        1 where a cell of the small picture is white and not burnt out.
    area, object : (n,) arrays
        Numbers of the connected burnt area and of the object that a place belongs to;
        0: of none.
    """

    shape: tuple[int, int]
    at: Index
    burnt: Rows
    rows: Rows
    white: Plane
    area: Index
    object: Index


def _white_at(
    luma: Plane, white: tuple[float, float], scene: Scene
) -> tuple[Plane, Plane, Plane, Plane]:
    """Return a white's red and blue over green, and R' and B', at each place's luma."""
    kr, kb = LUMA_WEIGHTS[scene.matrix]
    green = np.linspace(0.25, 3.5, 326)
    if scene.transfer in ("hlg", "pq"):
        one, low = np.ones(1, np.float32), np.full(1, 0.9, np.float32)
        unit = 10 * float(stops(one, low, scene.transfer)[0])
        red, blue = green + white[0] / unit, green + white[1] / unit
    else:
        red, blue = (green * 2.0 ** (w / 2.2) for w in white)
    red, green, blue = (np.minimum(c, scene.end) for c in (red, green, blue))
    y = kr * red + (1 - kr - kb) * green + kb * blue
    table = np.stack([red, blue, green]).astype(np.float32)
    of = (
        stops(table[0], table[2], scene.transfer),
        stops(table[1], table[2], scene.transfer),
        table[0],
        table[1],
    )
    # A table over even steps of luma: looking up is then a plain index.
    grid = np.linspace(0.25, scene.end, 512)
    place = (luma - np.float32(0.25)) * np.float32(511 / max(scene.end - 0.25, 1e-3))
    at = np.clip(place, 0, 511).astype(np.int16)
    first, second, third, fourth = (
        np.take(np.interp(grid, y, t).astype(np.float32), at) for t in of
    )
    return first, second, third, fourth


@dataclass(frozen=True, slots=True, eq=False)
class _Drawn:
    """Maps on the small picture: what is gathered, and what a place shows itself."""

    maps: list[Plane]
    own: list[Plane]
    still_warm: float
    objects: Labels


def _draw(scene: Scene, colour: Plane, white: tuple[float, float]) -> _Drawn:
    """Draw the evidence, in the order in which `_ratios` takes it."""
    (r, g, b), luma, end, level = scene.rgb, scene.luma, scene.end, scene.level
    w_red, w_blue, w_r, w_b = _white_at(luma, white, scene)
    red = np.clip(colour[0] - w_red, -_MOST_STOPS, _MOST_STOPS)
    blue = np.clip(colour[1] - w_blue, -_MOST_STOPS, _MOST_STOPS)
    highest, lowest = cv2.max(cv2.max(r, g), b), cv2.min(cv2.min(r, g), b)
    burns = scene.burnt > 0.5
    mask = burns.view(np.uint8)
    burnt = burns.astype(np.float32)
    told = (burns & (luma < end - _PLATEAU)).astype(np.float32)
    ended = (burns & (lowest > end - _ENDED)).astype(np.float32)
    per_under = told / np.maximum(end - luma, 0.004)
    lacks_red = np.clip((w_r - r) * per_under, -2, 2)
    lacks_blue = np.clip((w_b - b) * per_under, -2, 4)
    near = cv2.dilate(mask, _AROUND) > 0
    rim = (near & ~burns & (luma > _RIM_FROM * level)).astype(np.float32)
    grain = np.abs(cv2.Laplacian(luma, cv2.CV_32F))
    edge = (cv2.dilate(mask, _SQUARE) - cv2.erode(mask, _SQUARE)).astype(np.float32)
    steep = cv2.magnitude(
        cv2.Sobel(luma, cv2.CV_32F, 1, 0, scale=0.25),
        cv2.Sobel(luma, cv2.CV_32F, 0, 1, scale=0.25),
    )
    free = (highest < end - _ENDED) & ~burns
    warmth = red - blue
    tissue = free & (luma > _WARM_LUMA) & (warmth > _WARM_FROM) & (red > 0.05)
    tissue = tissue.astype(np.float32)
    pale = free & (luma > _WHITE_LUMA) & (np.abs(red) < _WHITE_RED)
    pale = (pale & (np.abs(blue) < _WHITE_BLUE)).astype(np.float32)
    red_all = colour[0] - np.float32(white[0])
    blood = (free & (luma > _BLOOD_LUMA) & (red_all > _BLOOD_FROM)).astype(np.float32)
    beside = edge * cv2.dilate(cv2.max(tissue, blood), _SQUARE)
    weakest_dips = dips(lowest)
    maps = [
        burnt, told, ended, np.clip(end - lowest, 0, 1) * burnt,
        told * blue, lacks_red, lacks_blue, rim,
        rim * red, rim * blue, rim * cv2.magnitude(red, blue), rim * grain,
        edge, edge * steep, burnt * grain, tissue,
        tissue * luma, tissue * red, tissue * blue, pale,
        blood, beside, beside * steep, weakest_dips * burnt,
    ]  # fmt: skip
    still = float(np.mean(told * (warmth > _STILL_WARM)))
    own = [red, blue, highest, lowest, *colour, luma, scene.burnt]
    return _Drawn(maps, own, still, objects_of(scene.burnt, luma, weakest_dips))


def _ratios(sums: list[Rows], level: float) -> list[Rows]:
    """Return `_POOLED` from means of the maps."""
    (
        burnt, told, ended, weakest, t_blue, t_lack_red, t_lack_blue, rim, r_red,
        r_blue, r_off, r_grain, edge, steep, grain, tissue, luma, red, blue, white,
        blood, beside, b_steep, line,
    ) = sums  # fmt: skip
    all_, some, rims, edges, flesh = (
        s + _FEW for s in (burnt, told, rim, edge, tissue)
    )
    free = 1 - burnt + _FEW
    return [
        burnt, told / all_, ended / all_, weakest / all_, t_blue / some,
        t_lack_red / some, t_lack_blue / some, rim / all_, r_red / rims, r_blue / rims,
        r_off / rims, 30 * r_grain / rims, edge / all_, 20 * steep / edges,
        20 * grain / all_, tissue / free, (luma + _FEW / 2) / flesh / np.float32(level),
        red / flesh, blue / flesh, white / free,
        blood / free, beside / edges, 20 * b_steep / (beside + _FEW), 50 * line / all_,
    ]  # fmt: skip


def _even(plane: Plane) -> Plane:
    """Return a plane with even sides: its last row and column once more if need be."""
    h, w = plane.shape
    if not (h % 2 or w % 2):
        return plane
    out = cv2.copyMakeBorder(plane, 0, h % 2, 0, w % 2, cv2.BORDER_REPLICATE)
    return np.asarray(out, np.float32)


def _halved(planes: list[Plane]) -> Plane:
    """Return up to four planes of even sides at half size, as channels."""
    h, w = planes[0].shape
    size = (w // 2, h // 2)
    # A plane at a time is faster than channels beside each other.
    half = [cv2.resize(p, size, interpolation=cv2.INTER_AREA) for p in planes]
    return np.asarray(cv2.merge(half), np.float32)


def _over(
    labels: Labels, number: int, sums: list[Plane], at: Index, level: float
) -> tuple[list[Rows], Index]:
    """Return `_POOLED` over what each place belongs to, and the number of that."""
    beside = cv2.dilate(labels.astype(np.float32), _SQUARE).astype(np.int32)
    flat = np.where(labels > 0, labels, beside).ravel()
    inside = np.flatnonzero(flat)
    of = flat[inside]
    count = np.bincount(of, minlength=number).astype(np.float32) + np.float32(1e-3)
    means = [
        np.bincount(of, m.ravel().take(inside), number).astype(np.float32) / count
        for m in sums
    ]
    mine = flat[at].astype(np.intp)
    return [m.take(mine) for m in _ratios(means, level)], mine


def _deepest(labels: Labels, number: int, depth: Rows) -> Rows:
    """Return how far the middle of each area lies from its border."""
    out = np.zeros(number, np.float32)
    np.maximum.at(out, labels.ravel(), depth)
    out[0] = 0
    return out


@dataclass(frozen=True, slots=True, eq=False)
class _Areas:
    """What is measured over each place's burnt area and object; see `Places`."""

    pooled: list[Rows]
    shapes: list[Rows]
    area: Index
    object: Index


def _areas(
    burnt: Plane, objects: Labels, sums: list[Plane], at: Index, level: float
) -> _Areas:
    """Gather over each place's burnt area and object, and tell their shapes."""
    solid = (burnt > 0.5).astype(np.uint8)
    number, found, stats, _ = cv2.connectedComponentsWithStats(
        solid, connectivity=4, ltype=cv2.CV_32S
    )
    labels = np.asarray(found, np.int32)
    depth = np.asarray(cv2.distanceTransform(solid, cv2.DIST_L2, 3), np.float32).ravel()
    over, area = _over(labels, number, sums, at, level)
    cells = stats[:, cv2.CC_STAT_AREA].astype(np.float32)
    box = stats[:, cv2.CC_STAT_WIDTH] * stats[:, cv2.CC_STAT_HEIGHT]
    cells[0] = 0
    fill = cells / np.maximum(box, 1).astype(np.float32)
    many = int(objects.max()) + 1
    own, part = _over(objects, many, sums, at, level)
    parts = np.bincount(objects.ravel(), minlength=many).astype(np.float32)
    parts[0] = 0
    shapes = [
        np.log2(1 + depth[at]), np.log2(1 + cells)[area],
        np.log2(1 + _deepest(labels, number, depth))[area], fill[area],
        np.log2(1 + parts)[part], np.log2(1 + _deepest(objects, many, depth))[part],
        parts[part] / (cells[area] + 1),
    ]  # fmt: skip
    return _Areas(over + own, shapes, area, part)


def _whole(
    scene: Scene, sums: list[Plane], white: tuple[float, float, bool], still: float
) -> list[float]:
    """Return what is alike for all places of a picture, as `_WHOLE` names it."""
    level = scene.level
    tissue, luma = sums[_POOLED.index("tissue")], sums[_POOLED.index("tissue luma")]
    flesh = tissue > 0.6
    lit = list(_NO_TISSUE)
    if np.count_nonzero(flesh) > _TISSUE_PLACES:
        lit = list(np.percentile(luma[flesh] / tissue[flesh], (50, 90, 98)) / level)
    in_all, burnt, ended = (float(m.mean()) for m in (tissue, sums[0], sums[2]))
    red, blue, known = white
    return [
        *lit, in_all, still / (in_all + 0.002), float(np.log2(burnt + 1e-3)),
        ended / (burnt + 1e-4), still / (burnt + 0.001), scene.end - level, blue,
        min(max(red + LAMP_SLOPE * blue, -_MOST_TINT), _MOST_TINT), abs(blue),
        float(not known),
        float(sums[_POOLED.index("white")].mean()),
    ]  # fmt: skip


def places_of(scene: Scene, colour: Plane, white: tuple[float, float, bool]) -> Places:
    """Measure the burnt-out places of a picture.

    Parameters
    ----------
    colour : (2, h, w) array of float32
        Stops of red and blue over green.
    white : (red, blue, known)
        What a white thing shows, as `brightwhite.white_of` gives it.
    """
    h, w = scene.luma.shape
    if h % 2 or w % 2:
        scene = replace(
            scene,
            rgb=np.stack([_even(c) for c in scene.rgb]),
            luma=_even(scene.luma),
            burnt=_even(scene.burnt),
        )
        colour = np.stack([_even(c) for c in colour])
    drawn = _draw(scene, colour, white[:2])
    groups = [_halved(drawn.maps[i : i + 4]) for i in range(0, len(drawn.maps), 4)]
    sums = [np.asarray(p, np.float32) for group in groups for p in cv2.split(group)]
    own = np.concatenate([_halved(drawn.own[i : i + 4]) for i in (0, 4)], axis=2)
    burnt = own[..., 7].ravel()
    at = np.flatnonzero(burnt > _ANY_BURNT)
    columns: list[Rows] = []
    for side in _SQUARES.values():
        means: list[Rows] = []
        for group in groups:
            blurred = cv2.blur(group, (side, side), borderType=cv2.BORDER_REPLICATE)
            means.extend(blurred.reshape(-1, 4).take(at, axis=0).T)
        columns += _ratios(means, scene.level)
    small = cv2.dilate(drawn.objects.astype(np.float32), np.ones((2, 2), np.uint8))
    objects = small[1::2, 1::2].astype(np.int32)
    areas = _areas(sums[0], objects, sums, at, scene.level)
    red, blue, highest, lowest, seen_red, seen_blue, luma, here = own.reshape(-1, 8)[
        at
    ].T
    most, end = _MOST_STOPS, scene.end
    columns += areas.pooled
    columns += [
        red, blue, np.clip(end - highest, -0.1, 1), np.clip(end - lowest, -0.1, 1),
        np.clip(seen_red, -most, most), np.clip(seen_blue, -most, most),
        np.clip(end - luma, -0.1, 0.5), here, *areas.shapes,
    ]  # fmt: skip
    ones = np.ones(len(at), np.float32)
    whole = _whole(scene, sums, white, drawn.still_warm)
    columns += [ones * np.float32(v) for v in whole]
    # A feature after the other in memory: that is how they come, and are weighed.
    rows = np.asarray(columns, np.float32).T
    pale = drawn.maps[_POOLED.index("white")][:h, :w]
    return Places(own.shape[:2], at, burnt[at], rows, pale, areas.area, areas.object)
