"""Finding a neutral surface by itself: where in a picture a white or grey thing lies.

Candidates are even patches whose colour a white surface could have under some lamp.
How far each can be believed is a probability, from what tells a white thing from
skin, fat, gloves and drapes: see `qc.measures.parts.neutral.neutralweights`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import cv2
import numpy as np

from qc.measures.parts.neutral.neutrallight import (
    BIN_STOPS,
    BLUE_RANGE,
    RED_RANGE,
    CoarseLight,
    Map,
    Mask,
    coarse_light,
    lamp_duv,
    least_duv,
)
from qc.records import Picture
from qc.signal import Signal

__all__ = ["Candidate", "Features", "Search", "find_candidates"]

Rectangle = tuple[int, int, int, int]

# Under this luma nothing is bright enough to be a white thing in a lit field.
_DARKEST_LUMA = 0.16

_SPREAD = 0.15  # stops about a peak of the histogram that a patch may reach
_PEAKS, _PIECES, _MOST = 7, 3, 9
_NEAR_PEAK = 2  # bins
_SMALLEST_SHARE = 0.0012  # of the picture
_SMALLEST_RADIUS = 2.0  # proxy pixels
_AGREE_STOPS = 0.08

_LARGE_SHARE = 0.1  # of the picture, of a patch that may be one with what is clipped
_CLIPPED_LUMA = 0.8
_ENOUGH = 1500  # values that a median is taken of


class Features(NamedTuple):
    """What a candidate looks like; the unit is in the name, ``stops`` being log2.

    Attributes
    ----------
    area_log : float
        log2 of the share of the picture.
    spread_stops : float
        Median deviation of R/G and B/G within it.
    texture_stops : float
        Median deviation of luminance.
    level_stops : float
        Luminance over the bright end (98th percentile) of the picture, clipped parts
        included.
    step_stops : float
        Luminance over that of what lies around it.
    edge_stops : float
        Distance in R/G and B/G from what lies around it.
    duv : float
        The least of a lamp that explains the colour, over what cameras are set to.
    red_stops, blue_stops : float
        log2 R/G, B/G.
    bluer_share : float
        Share of the lit pixels that are bluer than this without being greener: next
        to nothing is, beside a white.
    redder_share : float
        Share of the bright pixels that are redder.
    agreeing_log : float
        log2 of 1 + the area of other candidates of the same colour over its own.
    fill : float
        Its area over that of the smallest rectangle round it.
    weave_log : float
        log2 of the contrast of its finest detail: cloth has a weave, skin has none.
    width_log : float
        log2 of the width of the square that fits into it, over the picture's.
    filled_log : float
        log2 of the share of the picture with all of this colour and what is clipped,
        if it is large: a white held before the lens burns out in its middle.
    """

    area_log: float
    spread_stops: float
    texture_stops: float
    level_stops: float
    step_stops: float
    edge_stops: float
    duv: float
    red_stops: float
    blue_stops: float
    bluer_share: float
    redder_share: float
    agreeing_log: float
    fill: float
    weave_log: float
    width_log: float
    filled_log: float


@dataclass(frozen=True, slots=True, eq=False)
class Candidate:
    """An even patch that may be a white or grey surface.

    Attributes
    ----------
    box : (x, y, w, h)
        Pixels of the coded picture: inside the patch, where it is bright and even.
    area_share : float
        Of the picture, 0 to 1: the patch; see `Features.filled_log`.
    features : Features
    """

    box: Rectangle
    area_share: float
    features: Features


@dataclass(frozen=True, slots=True, eq=False)
class Search:
    """One look for neutrals.

    Attributes
    ----------
    candidates : tuple of Candidate
    whole : (2, h, w) array of float32
        log2 R/G and B/G of the whole picture, coarse; NaN where clipped or dark.
    """

    candidates: tuple[Candidate, ...]
    whole: Map


def find_candidates(picture: Picture) -> Search:
    """Look for even patches that could be white or grey under some lamp.

    Parameters
    ----------
    picture : Picture

    Returns
    -------
    Search
        Candidates in no order; none for a picture without colour or light.
    """
    signal = picture.signal
    coarse = picture.view(coarse_light)
    found = _pieces(coarse, signal)
    scene = _scene(coarse, signal)
    rows, columns = coarse.luma.shape
    scale = picture.width / columns, picture.height / rows
    size = picture.width, picture.height
    out = []
    for piece in found:
        box = _box(piece, scale, size)
        weave = _weave_log(picture, box)
        features = _features(piece, found, coarse, scene, weave)
        out.append(Candidate(box, 2.0**features.filled_log, features))
    return Search(tuple(out), coarse.whole())


@dataclass(frozen=True, slots=True, eq=False)
class _Piece:
    """A connected patch of one colour in the coarse picture."""

    mask: Mask  # of the part of the coarse picture below
    corner: tuple[int, int]  # row, column of that part
    area: int
    centre: tuple[int, int]  # row, column in the coarse picture
    radius: float
    red: float
    blue: float
    level: float  # stops of G
    spread: float
    texture: float


@dataclass(frozen=True, slots=True, eq=False)
class _Scene:
    """What candidates are compared with: every other usable pixel, as rows."""

    red: Map
    blue: Map
    green: Map
    warmth: Map
    bright: float  # stops of G that 2 % of the picture exceed
    lamps: Map
    size: int  # pixels of the coarse picture
    clipped: int  # those of them that are clipped


def _scene(coarse: CoarseLight, signal: Signal) -> _Scene:
    thin = (slice(None, None, 2),) * 2
    usable = coarse.usable[thin] > 0
    red, blue, green = (
        p[thin][usable] for p in (coarse.red, coarse.blue, coarse.green)
    )
    bright = float(np.percentile(coarse.green[thin], 98))
    size = coarse.luma.size
    clipped = np.count_nonzero((usable == 0) & (coarse.luma[thin] > _CLIPPED_LUMA))
    return _Scene(
        red,
        blue,
        green,
        red - blue,
        bright,
        lamp_duv(signal.primaries),
        size,
        4 * int(clipped),
    )


def _peaks(coarse: CoarseLight, signal: Signal) -> list[tuple[float, float]]:
    """Return R/G and B/G of the commonest colours that a lamp could give."""
    lights = ~np.isnan(lamp_duv(signal.primaries))
    mask = coarse.usable & (coarse.luma > _DARKEST_LUMA).astype(np.uint8)
    counts = cv2.calcHist(
        [coarse.red, coarse.blue],
        [0, 1],
        mask,
        list(lights.shape),
        [
            RED_RANGE[0],
            RED_RANGE[0] + BIN_STOPS * lights.shape[0],
            BLUE_RANGE[0],
            BLUE_RANGE[0] + BIN_STOPS * lights.shape[1],
        ],
    )
    counts = cv2.GaussianBlur(counts, (5, 5), 0.9) * lights
    least = 0.2 * _SMALLEST_SHARE * coarse.luma.size
    out = []
    for _ in range(_PEAKS):
        _, most, _, (column, row) = cv2.minMaxLoc(counts)
        if most < least:
            break
        out.append(
            (
                RED_RANGE[0] + BIN_STOPS * (row + 0.5),
                BLUE_RANGE[0] + BIN_STOPS * (column + 0.5),
            )
        )
        counts[
            max(0, row - _NEAR_PEAK) : row + _NEAR_PEAK + 1,
            max(0, column - _NEAR_PEAK) : column + _NEAR_PEAK + 1,
        ] = 0
    return out


def _pieces(coarse: CoarseLight, signal: Signal) -> list[_Piece]:
    out: list[_Piece] = []
    size = coarse.luma.size
    cross = cv2.getStructuringElement(cv2.MORPH_CROSS, (3, 3))
    planes = cv2.merge([coarse.red, coarse.blue, coarse.luma])
    for red, blue in _peaks(coarse, signal):
        low = (red - _SPREAD, blue - _SPREAD, _DARKEST_LUMA)
        high = (red + _SPREAD, blue + _SPREAD, 2.0)
        mask = np.asarray(cv2.inRange(planes, low, high), np.uint8) & coarse.usable
        mask = np.asarray(cv2.morphologyEx(mask, cv2.MORPH_OPEN, cross), np.uint8)
        _, labels, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=4)
        order = 1 + np.argsort(stats[1:, cv2.CC_STAT_AREA])[::-1][:_PIECES]
        for k in order.tolist():
            x, y, w, h, area = stats[k].tolist()
            if area < _SMALLEST_SHARE * size:
                break
            part = (labels[y : y + h, x : x + w] == k).astype(np.uint8)
            piece = _piece(part, (y, x), area, coarse)
            if piece is not None and not _known(piece, out):
                out.append(piece)
    # Bright and large first; the rest only costs time.
    out.sort(key=lambda p: p.level + 0.5 * math.log2(p.area), reverse=True)
    return out[:_MOST]


def _known(piece: _Piece, others: list[_Piece]) -> bool:
    """Return whether a patch was found before, from a neighbouring peak."""
    return any(
        math.dist(piece.centre, other.centre) < max(piece.radius, other.radius)
        for other in others
    )


def _piece(
    part: Mask, corner: tuple[int, int], area: int, coarse: CoarseLight
) -> _Piece | None:
    """Describe a patch, by what lies well inside it."""
    room = cv2.distanceTransform(
        cv2.copyMakeBorder(part, 1, 1, 1, 1, cv2.BORDER_CONSTANT), cv2.DIST_C, 3
    )[1:-1, 1:-1]
    radius = float(room.max())
    if radius < _SMALLEST_RADIUS:
        return None
    y, x = corner
    inside = slice(y, y + part.shape[0]), slice(x, x + part.shape[1])
    green = coarse.green[inside]
    core = room >= min(2.0, radius)
    level = _median(green[core])
    # The box: roomy, and where the patch is bright, away from shadow and reflections.
    smooth = cv2.blur(green, (3, 3))
    merit = np.where(room >= 0.6 * radius, smooth + 0.5 * room / radius, -np.inf)
    row, column = np.unravel_index(int(np.argmax(merit)), merit.shape)
    reds, blues = coarse.red[inside][core], coarse.blue[inside][core]
    red, blue = _median(reds), _median(blues)
    texture = _median(np.abs(green[core] - level))
    if texture == 0.0:
        return None  # a drawn area; what a camera sees has shading and grain
    spread = _median(np.abs(reds - red)) + _median(np.abs(blues - blue))
    return _Piece(
        part,
        corner,
        area,
        (y + int(row), x + int(column)),
        float(room[row, column]),
        red,
        blue,
        level,
        spread,
        texture,
    )


def _median(values: Map) -> float:
    """Return the upper median; of every few values if there are many."""
    some = values[:: 1 + values.size // _ENOUGH]
    return float(np.partition(some, some.size // 2)[some.size // 2])


def _box(piece: _Piece, scale: tuple[float, float], size: tuple[int, int]) -> Rectangle:
    """Return the square well inside the patch, in pixels of the coded picture."""
    row, column = piece.centre
    half = max(piece.radius - 1.0, 0.5)
    across, down = scale
    left = max(0, math.ceil((column + 0.5 - half) * across))
    top = max(0, math.ceil((row + 0.5 - half) * down))
    right = min(size[0], math.floor((column + 0.5 + half) * across))
    bottom = min(size[1], math.floor((row + 0.5 + half) * down))
    return left, top, right - left, bottom - top


def _features(
    piece: _Piece,
    found: list[_Piece],
    coarse: CoarseLight,
    scene: _Scene,
    weave: float,
) -> Features:
    duv = least_duv(scene.lamps, piece.red, piece.blue)
    step, edge = _surroundings(piece, coarse)
    agreeing = sum(
        p.area
        for p in found
        if p is not piece
        and p.level > piece.level - 1.5
        and math.hypot(p.red - piece.red, p.blue - piece.blue) < _AGREE_STOPS
    )
    filled = piece.area
    if piece.area >= _LARGE_SHARE * scene.size:
        filled = min(piece.area + agreeing + scene.clipped, scene.size)
    # Usable pixels only, the thinned picture as one row.
    bluer = (scene.blue > piece.blue + 0.25) & (scene.red > piece.red - 0.4)
    lit = scene.green > piece.level - 1.5
    redder = lit & (scene.warmth > piece.red - piece.blue + 0.3)
    contours, _ = cv2.findContours(piece.mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    around = cv2.minAreaRect(max(contours, key=len))[1]
    return Features(
        area_log=math.log2(piece.area / coarse.luma.size),
        spread_stops=piece.spread,
        texture_stops=piece.texture,
        level_stops=piece.level - scene.bright,
        step_stops=step,
        edge_stops=edge,
        duv=duv,
        red_stops=piece.red,
        blue_stops=piece.blue,
        bluer_share=float(np.count_nonzero(bluer)) / max(lit.size, 1),
        redder_share=float(np.count_nonzero(redder))
        / max(int(np.count_nonzero(lit)), 1),
        agreeing_log=math.log2(1.0 + agreeing / piece.area),
        fill=min(piece.area / ((around[0] + 1.0) * (around[1] + 1.0)), 1.0),
        weave_log=weave,
        filled_log=math.log2(filled / scene.size),
        width_log=math.log2(2.0 * piece.radius / coarse.luma.shape[1]),
    )


def _weave_log(picture: Picture, box: Rectangle) -> float:
    """Return log2 of the contrast of the finest detail of luma in a box."""
    x, y, w, h = box
    # The middle is enough.
    x, w = (x + (w - 96) // 2, 96) if w > 96 else (x, w)
    y, h = (y + (h - 96) // 2, 96) if h > 96 else (y, h)
    part = picture.y[y : y + h, x : x + w]
    if picture.interlaced:
        part = part[::2]
    if min(part.shape) < 3:
        return -8.0
    part = part.astype(np.float32)
    detail = part - cv2.GaussianBlur(part, (0, 0), 1.6)
    mean = float(part.mean()) - picture.signal.black
    return math.log2(float(detail.std()) / max(mean, 1.0) + 2.0**-8)


def _surroundings(piece: _Piece, coarse: CoarseLight) -> tuple[float, float]:
    """Return how a patch stands out from what lies around it, in stops."""
    pad = 6
    y, x = piece.corner
    h, w = piece.mask.shape
    top, left = max(0, y - pad), max(0, x - pad)
    bottom = min(coarse.luma.shape[0], y + h + pad)
    right = min(coarse.luma.shape[1], x + w + pad)
    whole = np.zeros((bottom - top, right - left), np.uint8)
    whole[y - top : y - top + h, x - left : x - left + w] = piece.mask
    near = cv2.dilate(whole, np.ones((5, 5), np.uint8))
    far = cv2.dilate(near, np.ones((7, 7), np.uint8))
    ring = np.asarray(far) != np.asarray(near)
    if np.count_nonzero(ring) < 8:
        return 0.0, 0.0  # it fills the picture
    inside = slice(top, bottom), slice(left, right)
    step = piece.level - _median(coarse.green[inside][ring])
    edge = math.hypot(
        _median(coarse.red[inside][ring]) - piece.red,
        _median(coarse.blue[inside][ring]) - piece.blue,
    )
    return step, edge
