"""Even patches of one colour in the coarse picture: where to look for a neutral."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from qc.measures.parts.neutral.neutrallight import (
    BIN_STOPS,
    BLUE_RANGE,
    RED_RANGE,
    CoarseLight,
    Map,
    Mask,
    lamp_duv,
)
from qc.signal import Signal

__all__ = ["SPREAD", "Piece", "bright_end", "find_pieces", "median"]

# Under this luma nothing is bright enough to be a white thing in a lit field.
_DARKEST_LUMA = 0.16

SPREAD = 0.15
"""Stops of R/G and B/G about a colour that a patch may reach."""
_PEAKS, _PIECES, _MOST = 9, 3, 12
_BRIGHT_STOPS = 1.6  # under the bright end; whites under uneven light lie within
_NEAR_PEAK = 2  # bins
_SMALLEST_SHARE = 0.0012  # of the picture
_SMALLEST_RADIUS = 2.0  # proxy pixels
_ENOUGH = 1500  # values that a median is taken of


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
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


def _peaks(coarse: CoarseLight, signal: Signal) -> list[tuple[float, float]]:
    """Return R/G and B/G of the commonest colours that a lamp could give."""
    lights = ~np.isnan(lamp_duv(signal.primaries))
    mask = coarse.usable & (coarse.luma > _DARKEST_LUMA).astype(np.uint8)
    counts = _counted(coarse, mask, lights.shape)
    # A white is among the brightest things, but often a small one.
    bright = mask & (coarse.green > bright_end(coarse) - _BRIGHT_STOPS).astype(np.uint8)
    brighter = _counted(coarse, bright, lights.shape)
    weight = float(counts.sum()) / max(float(brighter.sum()), 1.0)
    counts = (counts + max(weight, 1.0) * brighter) * lights
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


def _counted(coarse: CoarseLight, mask: Mask, shape: tuple[int, ...]) -> Map:
    """Return how many pixels of a mask have each colour, smoothed over the bins."""
    (red, blue), (rows, columns) = (RED_RANGE[0], BLUE_RANGE[0]), shape
    counts = cv2.calcHist(
        [coarse.red, coarse.blue],
        [0, 1],
        mask,
        list(shape),
        [red, red + BIN_STOPS * rows, blue, blue + BIN_STOPS * columns],
    )
    return np.asarray(cv2.GaussianBlur(counts, (5, 5), 0.9), np.float32)


def bright_end(coarse: CoarseLight) -> float:
    """Return stops of G that 2 % of the picture exceed, clipped parts included."""
    return float(np.percentile(coarse.green[::2, ::2], 98))


def find_pieces(coarse: CoarseLight, signal: Signal) -> list[Piece]:
    """Return patches whose colour a lamp could give to a white, likelier ones first."""
    out: list[Piece] = []
    size = coarse.luma.size
    cross = cv2.getStructuringElement(cv2.MORPH_CROSS, (3, 3))
    planes = cv2.merge([coarse.red, coarse.blue, coarse.luma])
    for red, blue in _peaks(coarse, signal):
        low = (red - SPREAD, blue - SPREAD, _DARKEST_LUMA)
        high = (red + SPREAD, blue + SPREAD, 2.0)
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


def _known(piece: Piece, others: list[Piece]) -> bool:
    """Return whether a patch was found before, from a neighbouring peak."""
    return any(
        math.dist(piece.centre, other.centre) < max(piece.radius, other.radius)
        for other in others
    )


def _piece(
    part: Mask, corner: tuple[int, int], area: int, coarse: CoarseLight
) -> Piece | None:
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
    level = median(green[core])
    # The box: roomy, and where the patch is bright, away from shadow and reflections.
    smooth = cv2.blur(green, (3, 3))
    merit = np.where(room >= 0.6 * radius, smooth + 0.5 * room / radius, -np.inf)
    row, column = np.unravel_index(int(np.argmax(merit)), merit.shape)
    reds, blues = coarse.red[inside][core], coarse.blue[inside][core]
    red, blue = median(reds), median(blues)
    texture = median(np.abs(green[core] - level))
    if texture == 0.0:
        return None  # a drawn area; what a camera sees has shading and grain
    spread = median(np.abs(reds - red)) + median(np.abs(blues - blue))
    return Piece(
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


def median(values: Map) -> float:
    """Return the upper median; of every few values if there are many."""
    some = values[:: 1 + values.size // _ENOUGH]
    return float(np.partition(some, some.size // 2)[some.size // 2])
