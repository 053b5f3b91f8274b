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
    LAMP_DUV,
    CoarseLight,
    Map,
    coarse_light,
    lamp_duv,
    least_duv,
)
from qc.measures.parts.neutral.neutralpieces import (
    SPREAD,
    Piece,
    bright_end,
    find_pieces,
    median,
)
from qc.records import Picture
from qc.signal import Signal

__all__ = [
    "FLAT_TEXTURE",
    "SHEETS_REFUSED",
    "Candidate",
    "Features",
    "Scene",
    "Search",
    "find_candidates",
]

Rectangle = tuple[int, int, int, int]

_AGREE_STOPS = 0.08

_LARGE_SHARE = 0.1  # of the picture, of a patch that may be one with what is clipped
_SHEET_SHARE = 0.93  # of the picture, that one sheet fills
FLAT_TEXTURE = 0.2
"""Median deviation of a flat sheet's luminance, in stops (house choice)."""

SHEETS_REFUSED = {
    "burnt": "it is burnt out; close the iris",
    "coloured": "no lamp of 2300 to 9000 K makes white look so (its colour lies over "
    "0.03 Duv from theirs); take something white, and look for coloured light",
    "uneven": "it is not flat and evenly lit; hold it flat and square to the lamp",
    "skin": "it is warmer than what else is seen in the take allows, as skin is, or a "
    "white before the balance was set",
    "doubtful": "skin has this colour as well as a white under a warmer lamp, and "
    "nothing else in the take tells which; hold something white before the lens for "
    "two seconds at the start of a take, lit as the field is",
}
"""Why what fills the picture is no white reference, and what to do."""

# Deviations of R/G, in stops, of what is red by one paint, and of flesh and blood: the
# reds of drawn tissue have 0.2 to 0.35, those of drawn furniture 0.02 to 0.08.
_ONE_RED = (0.08, 0.16)

_THIN = 3  # of so many pixels each way one is compared with


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
    purple_share : float
        Share of the lit pixels that would be purple if this were white: redder and
        bluer than green. Next to nothing is, in the body or in a room.
    reds_blue_stops : float
        Median B/G, over this one's, of what is clearly redder: blood, flesh, skin, wood
        and brick have less blue than green under their own white; 0 without such.
    over_red_stops, over_blue_stops : float
        How far the brightest red and blue light of the picture (98th percentile) lie
        over its own: a white sends back most of all in every channel.
    flesh_share : float
        Share of the picture that would have the colour of flesh and blood, as far as
        it runs from pale to deep red as those do: a painted thing is of one red.
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
    purple_share: float
    reds_blue_stops: float
    over_red_stops: float
    over_blue_stops: float
    flesh_share: float


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
    clips : float
        Level at which channels seem to clip, share of black to white.
    sheet : str
        Why a sheet that fills the picture is no white reference, a key of
        `SHEETS_REFUSED`; empty if there is none, or it may be one.
    scene : Scene
        What candidates were compared with.
    """

    candidates: tuple[Candidate, ...]
    clips: float
    sheet: str
    scene: Scene


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
    found = find_pieces(coarse, signal)
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
    return Search(tuple(out), coarse.clips, _sheet(coarse, scene), scene)


def _sheet(coarse: CoarseLight, scene: Scene) -> str:
    """Return why one even sheet that fills the picture is no white reference."""
    if scene.clipped >= _SHEET_SHARE * scene.size:
        return "burnt"
    if _THIN * _THIN * scene.red.size < _SHEET_SHARE * scene.size:
        return ""
    red, blue = median(scene.red), median(scene.blue)
    off = np.hypot(scene.red - np.float32(red), scene.blue - np.float32(blue))
    if float(np.mean(off <= SPREAD)) < _SHEET_SHARE:
        return ""
    if abs(least_duv(scene.lamps, red, blue)) >= LAMP_DUV:
        return "coloured"
    uneven = np.abs(scene.green - np.float32(median(scene.green)))
    return "uneven" if median(uneven) > FLAT_TEXTURE else ""


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """What candidates are compared with: every third usable pixel, as rows."""

    red: Map
    blue: Map
    green: Map
    warmth: Map
    bright: float  # stops of G that 2 % of the picture exceed
    bright_red: float
    bright_blue: float
    lamps: Map
    size: int  # pixels of the coarse picture
    clipped: int  # those of them that are clipped


def _scene(coarse: CoarseLight, signal: Signal) -> Scene:
    thin = (slice(None, None, _THIN),) * 2
    usable = coarse.usable[thin] > 0
    red, blue, green = (
        p[thin][usable] for p in (coarse.red, coarse.blue, coarse.green)
    )
    bright = bright_end(coarse)
    size = coarse.luma.size
    clipped = np.count_nonzero(coarse.full[thin])
    return Scene(
        red,
        blue,
        green,
        red - blue,
        bright,
        float(np.percentile((coarse.green + coarse.red)[thin], 98)),
        float(np.percentile((coarse.green + coarse.blue)[thin], 98)),
        lamp_duv(signal.primaries),
        size,
        _THIN * _THIN * int(clipped),
    )


def _box(piece: Piece, scale: tuple[float, float], size: tuple[int, int]) -> Rectangle:
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
    piece: Piece,
    found: list[Piece],
    coarse: CoarseLight,
    scene: Scene,
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
    off_red, off_blue = scene.red - piece.red, scene.blue - piece.blue
    purple = lit & (off_red > 0.25) & (off_blue > 0.15)
    reds = scene.green > piece.level - 4.0
    reds &= (off_red > 0.5) & (off_red < 2.5)
    blues = off_blue[reds]
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
        purple_share=float(np.count_nonzero(purple))
        / max(int(np.count_nonzero(lit)), 1),
        reds_blue_stops=median(blues) if blues.size > 0.005 * lit.size else 0.0,
        over_red_stops=scene.bright_red - piece.level - piece.red,
        over_blue_stops=scene.bright_blue - piece.level - piece.blue,
        flesh_share=_flesh_share(off_red, off_blue),
    )


def _flesh_share(off_red: Map, off_blue: Map) -> float:
    """Return the share of pixels that are flesh, from R/G and B/G over a white's."""
    flesh = (off_red > 1.15) & (off_red < 2.5) & (off_blue > -0.5) & (off_blue < 0.15)
    reds = off_red[flesh]
    if not reds.size:
        return 0.0
    varied = np.interp(float(reds.std()), _ONE_RED, (0.0, 1.0))
    return float(varied) * reds.size / off_red.size


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


def _surroundings(piece: Piece, coarse: CoarseLight) -> tuple[float, float]:
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
    step = piece.level - median(coarse.green[inside][ring])
    edge = math.hypot(
        median(coarse.red[inside][ring]) - piece.red,
        median(coarse.blue[inside][ring]) - piece.blue,
    )
    return step, edge
