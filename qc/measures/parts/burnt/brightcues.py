"""What the colours and edges around a burnt-out place say of it.

Private to `brightparts`. All of it works on the small picture of `qc.views.proxy_rgb`,
one cell about 8 x 8 pixels at 1080p, so that noise averages out.

The cue is one-sided by nature: an object that is not neutral reaches the end of the
signal in one channel before the others, so that as long as any channel is left its
colour still shows, pressed together but not gone. Only where all three channels are at
the end does a place have no colour of its own.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.signal import Matrix, Transfer

__all__ = [
    "LAMP_SLOPE",
    "Cues",
    "Plane",
    "Scene",
    "read_cues",
    "reference_white",
    "spread_of",
    "stops_between",
    "stops_of",
]

Plane = NDArray[np.float32]
Flags = NDArray[np.bool_]

# Over this many stops between strongest and weakest channel a place is coloured,
# under the other it is neutral: cotton reads 0.03 to 0.05, pale skin 0.6 and more, and
# with its red and green already at the end still 0.15 to 0.3 (rendered scenes).
_COLOURED_STOPS = 0.12
_NEUTRAL_STOPS = 0.09
# At the end of the signal cloth reads 0.00: so near to it, a trace is enough.
_TRACE_STOPS, _CLEAR_STOPS = 0.03, 0.05
_BELOW_STOPS = 0.05
_DEEP = np.ones((5, 5), np.uint8)
_PLATEAU = 0.012
_NEARLY_STOPS = 0.26
_WHITE_CELLS = 30
# From lamp to lamp the red of a white rises by 0.57 stops as its blue falls by one
# (Planckian locus, 2500 to 12000 K, in BT.709 primaries).
LAMP_SLOPE, _LAMP_WIDTH = 0.57, 0.06
# Under a share of the level the colour of a place says nothing of the burnt one
# beside it: a fade passes through here, a step does not.
_FADE_FROM = 0.85
_CLOTH_FROM = 0.72
# A channel this close to the camera's end (shares of the signal) may be clipped.
_AT_END = 0.03
# As narrow as an instrument's shaft is no cloth: 7 cells are 3 % of the width.
_BODY = np.ones((7, 7), np.uint8)
_BODY_FROM = 0.35
# Two cells off a step edge the picture is at least this much darker than the level.
_STEP_TO = 0.80
# Above this a soft knee may press the colour out of tissue: neutral proves nothing.
_KNEE_FREE = 1.01


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """One small picture and where its signal ends.

    Attributes
    ----------
    rgb : (3, h, w) array of float32
        R'G'B', 1 is nominal white.
    luma : (h, w) array of float32
        Y', 1 is nominal white.
    burnt : (h, w) array of float32
        Share of each cell's pixels at or above the level.
    level, end : float
        The level, and the luma at which this camera's highlights pile up.
    transfer, matrix : str
        Names of the transfer curve and of the matrix.
    """

    rgb: Plane
    luma: Plane
    burnt: Plane
    level: float
    end: float
    transfer: Transfer
    matrix: Matrix = "bt709"


@dataclass(frozen=True, slots=True, eq=False)
class Cues:
    """What each cell of the small picture says, (h, w) arrays.

    Attributes
    ----------
    tissue : array of bool
        Bright and coloured, and so is what lies around: the fade of a burnt patch.
    cloth : array of bool
        Bright, neutral and with every channel short of the end: a white object.
    step : array of bool
        The rim of a burnt area ends in a step to something much darker.
    deep : array of bool
        So deep in a burnt and pale area that nothing beside it shows.
    faint : array of uint8
        There: 0 no colour left, 1 a trace, 2 more than a trace.
    body : array of bool
        Part of something plain and broad: cloth, or burnt out without a trace.
    pale : array of bool
        Burnt out and without a trace of colour.
    colour : (2, h, w) array of float32
        Stops of red and blue over green.
    """

    tissue: Flags
    cloth: Flags
    step: Flags
    deep: Flags
    faint: NDArray[np.uint8]
    body: Flags
    pale: Flags
    colour: Plane


def stops_between(a: Plane, b: Plane, transfer: Transfer) -> Plane:
    """Return how many stops of light `a` lies over `b`, for values over a half.

    BT.709's curve is close to a power of 0.45 there; HLG's is a logarithm (BT.2100-2,
    a = 0.17883277); PQ's rises 13.5 stops a unit between 203 and 1000 cd/m2.
    """
    if transfer == "hlg":
        return (a - b) * np.float32(1 / (0.17883277 * np.log(2)))
    if transfer == "pq":
        return (a - b) * np.float32(13.5)
    power = 1.0 if transfer == "linear" else 2.2
    low = np.float32(0.02)
    ratio = np.maximum(a, low) / np.maximum(b, low)
    return np.asarray(np.log2(ratio) * np.float32(power), np.float32)


def stops_of(rgb: Plane, transfer: Transfer) -> Plane:
    """Return red and blue over green in stops of light, (2, h, w)."""
    red, green, blue = rgb
    return np.stack(
        [stops_between(red, green, transfer), stops_between(blue, green, transfer)]
    )


def spread_of(colour: Plane) -> Plane:
    """Return the stops between the strongest and the weakest channel."""
    red, blue = colour
    high = np.maximum(np.maximum(red, blue), 0)
    low = np.minimum(np.minimum(red, blue), 0)
    return np.asarray(high - low, np.float32)


def read_cues(scene: Scene) -> Cues:
    """Read the cues of one small picture."""
    rgb, luma, burnt = scene.rgb, scene.luma, scene.burnt
    level, end = scene.level, scene.end
    colour = stops_of(rgb, scene.transfer)
    highest = rgb.max(axis=0)
    own = _against_white(scene, colour, highest)
    square = np.ones((3, 3), np.uint8)
    around = cv2.erode(luma, square)
    wide = cv2.erode(around, square)
    free = highest < end - _AT_END
    spread = spread_of(own)
    # Where red and green stand at their ends, only what blue lacks still tells.
    red, blue = own
    warm = np.maximum(-blue, np.where(free, red, 0))
    # Green and blue cloth is coloured too, but it is not tissue: it stays untold.
    warm[red < -_NEUTRAL_STOPS] = 0
    coloured = np.maximum(warm, np.where(free, spread, np.maximum(-blue, -red)))
    coloured = coloured > _COLOURED_STOPS
    tissue = (warm > _COLOURED_STOPS) & (around > _FADE_FROM * level)
    cloth = (highest < _KNEE_FREE * level) & (spread < _NEUTRAL_STOPS)
    cloth &= free & (luma > _CLOTH_FROM * level)
    mask = (burnt > 0.5).astype(np.uint8)
    rim = (mask > 0) & (cv2.erode(mask, square) == 0)
    step = rim & (wide < _STEP_TO * level)
    plain = (free & (spread < _NEUTRAL_STOPS) & (luma > _BODY_FROM * level)) | (
        (burnt > 0.5) & ~coloured
    )
    body = cv2.morphologyEx(plain.astype(np.uint8), cv2.MORPH_OPEN, _BODY) > 0
    pale = (burnt > 0.3) & ~coloured
    deep = cv2.erode((pale & (burnt > 0.9)).astype(np.uint8), _DEEP) > 0
    # Tissue loses blue or red last; a rim beside blood or cloth may lack green too.
    lack = np.where(deep, np.maximum(-own[0], -own[1]), 0)
    more = np.where(luma > end - _PLATEAU, 0, _BELOW_STOPS)
    faint = (lack > _TRACE_STOPS + more).astype(np.uint8)
    faint += lack > _CLEAR_STOPS + more
    return Cues(tissue, cloth & body, step, deep, faint, body, pale, colour)


def _against_white(scene: Scene, colour: Plane, highest: Plane) -> Plane:
    """Return the colour of each place against what a white object reads here."""
    level, end = scene.level, scene.end
    white = reference_white(colour, scene.luma, highest, level=level, end=end)
    light = np.array(white, np.float32)[:, None, None]
    own = colour - light
    # A channel at its end may truly be higher: that it lacks cannot be said of it, and
    # where all are, a place reads neutral whatever the light, or between the two.
    ended = scene.rgb[::2] > end - _AT_END
    own = np.where(ended, np.maximum(own, 0), own)
    if abs(white[0] + LAMP_SLOPE * white[1]) > _LAMP_WIDTH:
        light = np.zeros_like(light)  # no lamp's white: mixed edges, pale things
    seen = colour - np.clip(light, np.minimum(colour, 0), np.maximum(colour, 0))
    out = np.where(scene.luma > end - _PLATEAU, seen, own)
    return np.asarray(out, np.float32)


def reference_white(
    colour: Plane, luma: Plane, highest: Plane, *, level: float, end: float
) -> tuple[float, float]:
    """Return what a white object reads here: red and blue over green, in stops.

    Cotton is not quite neutral, and the balance may be a little off: the middle of all
    bright places that are nearly neutral; neutral where there are too few. Under a
    grossly wrong balance nothing shows which of skin, glove and cotton is the white
    one, so none of them is taken for it.
    """
    clear = (luma > 0.5 * level) & (highest < min(_KNEE_FREE * level, end - _AT_END))
    clear &= spread_of(colour) < _NEARLY_STOPS
    if np.count_nonzero(clear) < _WHITE_CELLS:
        return 0.0, 0.0
    red, blue = (float(np.median(c[clear])) for c in colour)
    return red, blue
