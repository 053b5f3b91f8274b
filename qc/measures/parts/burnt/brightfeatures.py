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

from qc.kernels.bright import (
    MAPS,
    OWN,
    TABLE_STEPS,
    BrightLevels,
    Drawn,
    draw_maps,
    group_ratios,
    square_ratios,
)
from qc.measures.parts.burnt.brightcues import LAMP_SLOPE, Plane, Scene
from qc.measures.parts.burnt.brightcues import stops_between as stops
from qc.measures.parts.burnt.brightobjects import objects_of
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
_WARM_FROM, _WARM_RED, _WARM_LUMA, _STILL_WARM = 0.3, 0.05, 0.2, 0.12
_WHITE_RED, _WHITE_BLUE, _WHITE_LUMA = 0.12, 0.15, 0.35
# Sides of the squares that evidence is gathered in, in places of two by two cells.
_SQUARES = {"near": 3, "mid": 9, "wide": 21, "vast": 41}
_SQUARE = np.ones((3, 3), np.uint8)
# A white is told from this luma on.
_TABLE_FROM = 0.25
# A place with less of its pixels burnt out is not worth a row of its own.
_ANY_BURNT = 0.02
# So many places of tissue give its luma; without them these stand, shares of the level.
_TISSUE_PLACES, _NO_TISSUE = 12, (0.5, 0.7, 0.8)

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
    *(f"{w} {n}" for w in (*_SQUARES, "area", "object") for n in MAPS),
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


def _white_tables(
    white: tuple[float, float], scene: Scene
) -> tuple[Rows, float, float]:
    """Return a white's red and blue over green, and R' and B', over steps of luma.

    And the luma at which the tables begin, and their steps to one of luma.
    """
    kr, kb = LUMA_WEIGHTS[scene.matrix]
    green = np.linspace(_TABLE_FROM, 3.5, 326)
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
    grid = np.linspace(_TABLE_FROM, scene.end, TABLE_STEPS)
    tables = np.array([np.interp(grid, y, t) for t in of], np.float32)
    scale = (TABLE_STEPS - 1) / max(scene.end - _TABLE_FROM, 1e-3)
    return tables, _TABLE_FROM, scale


def _draw(scene: Scene, colour: Plane, white: tuple[float, float]) -> Drawn:
    """Draw the evidence."""
    end, (tables, first, scale) = scene.end, _white_tables(white, scene)
    levels = BrightLevels(
        end=end,
        told_under=end - _PLATEAU,
        ended_from=end - _ENDED,
        rim_from=_RIM_FROM * scene.level,
        most_stops=_MOST_STOPS,
        warm_luma=_WARM_LUMA,
        warm_from=_WARM_FROM,
        warm_red=_WARM_RED,
        pale_luma=_WHITE_LUMA,
        pale_red=_WHITE_RED,
        pale_blue=_WHITE_BLUE,
        blood_luma=_BLOOD_LUMA,
        blood_from=_BLOOD_FROM,
        still_warm=_STILL_WARM,
        white_red=white[0],
        table_from=first,
        table_scale=scale,
    )
    return draw_maps(scene.rgb, scene.luma, scene.burnt, colour, tables, levels)


def _even(planes: Plane) -> Plane:
    """Return planes with even sides: the last row and column once more if need be."""
    h, w = planes.shape[-2:]
    if not (h % 2 or w % 2):
        return planes
    out = np.empty((*planes.shape[:-2], h + h % 2, w + w % 2), np.float32)
    out[..., :h, :w] = planes
    out[..., h:, :w] = planes[..., -1:, :]
    out[..., w:] = out[..., w - 1 : w]
    return out


def _groups(labels: Labels) -> Labels:
    """Return what each place belongs to, (h * w,): what is beside it if to nothing."""
    beside = cv2.dilate(labels.astype(np.float32), _SQUARE).astype(np.int32)
    out: Labels = np.where(labels > 0, labels, beside).ravel()
    return out


def _deepest(labels: Labels, number: int, depth: Rows) -> Rows:
    """Return how far the middle of each area lies from its border."""
    out = np.zeros(number, np.float32)
    own = labels.ravel()
    inside = np.flatnonzero(own)
    np.maximum.at(out, own[inside], depth[inside])
    return out


@dataclass(frozen=True, slots=True, eq=False)
class _Areas:
    """What is measured over each place's burnt area and object; see `Places`."""

    pooled: tuple[Rows, Rows]
    shapes: list[Rows]
    area: Index
    object: Index


def _areas(objects: Labels, maps: Plane, at: Index, level: float) -> _Areas:
    """Gather over each place's burnt area and object, and tell their shapes."""
    solid = (maps[0] > 0.5).view(np.uint8)
    number, found, stats, _ = cv2.connectedComponentsWithStats(
        solid, connectivity=4, ltype=cv2.CV_32S
    )
    labels = np.asarray(found, np.int32)
    depth = np.asarray(cv2.distanceTransform(solid, cv2.DIST_L2, 3), np.float32).ravel()
    all_areas, all_objects = _groups(labels), _groups(objects)
    area, part = (g[at].astype(np.intp) for g in (all_areas, all_objects))
    cells = stats[:, cv2.CC_STAT_AREA].astype(np.float32)
    box = stats[:, cv2.CC_STAT_WIDTH] * stats[:, cv2.CC_STAT_HEIGHT]
    cells[0] = 0
    fill = cells / np.maximum(box, 1).astype(np.float32)
    many = int(objects.max()) + 1
    pooled = (
        group_ratios(maps, all_areas, number, at, level),
        group_ratios(maps, all_objects, many, at, level),
    )
    parts = np.bincount(objects.ravel(), minlength=many).astype(np.float32)
    parts[0] = 0
    shapes = [
        np.log2(1 + depth[at]), np.log2(1 + cells)[area],
        np.log2(1 + _deepest(labels, number, depth))[area], fill[area],
        np.log2(1 + parts)[part], np.log2(1 + _deepest(objects, many, depth))[part],
        parts[part] / (cells[area] + 1),
    ]  # fmt: skip
    return _Areas(pooled, shapes, area, part)


def _whole(
    scene: Scene, maps: Plane, white: tuple[float, float, bool], still: float
) -> list[float]:
    """Return what is alike for all places of a picture, as `_WHOLE` names it."""
    level = scene.level
    tissue, luma = maps[MAPS.index("tissue")], maps[MAPS.index("tissue luma")]
    flesh = tissue > 0.6
    lit = list(_NO_TISSUE)
    if np.count_nonzero(flesh) > _TISSUE_PLACES:
        lit = list(np.percentile(luma[flesh] / tissue[flesh], (50, 90, 98)) / level)
    in_all, burnt, ended = (float(m.mean()) for m in (tissue, maps[0], maps[2]))
    red, blue, known = white
    return [
        *lit, in_all, still / (in_all + 0.002), float(np.log2(burnt + 1e-3)),
        ended / (burnt + 1e-4), still / (burnt + 0.001), scene.end - level, blue,
        min(max(red + LAMP_SLOPE * blue, -_MOST_TINT), _MOST_TINT), abs(blue),
        float(not known),
        float(maps[MAPS.index("white")].mean()),
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
            rgb=_even(scene.rgb),
            luma=_even(scene.luma),
            burnt=_even(scene.burnt),
        )
        colour = _even(colour)
    drawn, level, end = _draw(scene, colour, white[:2]), scene.level, scene.end
    places = drawn.own.reshape(len(OWN), -1)
    at = np.flatnonzero(places[-1] > _ANY_BURNT)
    labels = objects_of(scene.burnt, scene.luma, drawn.dips)
    small = cv2.dilate(labels.astype(np.float32), np.ones((2, 2), np.uint8))
    areas = _areas(small[1::2, 1::2].astype(np.int32), drawn.maps, at, level)
    own = places.take(at, axis=1)
    red, blue, highest, lowest, seen_red, seen_blue, luma, here = own
    # A feature after the other in memory: that is how they come, and are weighed.
    rows = np.empty((len(FEATURES), len(at)), np.float32)
    squares = square_ratios(drawn.maps, at, tuple(_SQUARES.values()), level)
    many = len(_SQUARES) * len(MAPS)
    rows[:many] = squares.reshape(many, -1)
    for ratios in areas.pooled:
        rows[many : many + len(MAPS)] = ratios
        many += len(MAPS)
    rows[many : many + len(_OWN)] = [
        red, blue, np.clip(end - highest, -0.1, 1), np.clip(end - lowest, -0.1, 1),
        np.clip(seen_red, -_MOST_STOPS, _MOST_STOPS),
        np.clip(seen_blue, -_MOST_STOPS, _MOST_STOPS),
        np.clip(end - luma, -0.1, 0.5), here, *areas.shapes,
    ]  # fmt: skip
    still = drawn.still_warm / scene.luma.size
    whole = _whole(scene, drawn.maps, white, still)
    rows[many + len(_OWN) :] = np.array(whole, np.float32)[:, None]
    return Places(
        drawn.own.shape[1:], at, here, rows.T, drawn.white[:h, :w], areas.area,
        areas.object,
    )  # fmt: skip
