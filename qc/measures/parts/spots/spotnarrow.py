"""Narrow spots among what a scene full of detail leaves over.

What stays is found from slopes (see `spotpairs`), so that what is wrong with it grows
with its breadth: broad streaks, of which a grain of dust is a part that no threshold
parts from them. As for any signal in such noise, what is told is how far a place lies
below its near ground, against how far the two halves of the scene's way differ in just
that. A streak has a ground like itself; what has gone on with the scene from the one
half to the other differs.
And where it lies must be the same in both halves, to a small share of the way that the
scene has come between them: one step of least squares (Lucas and Kanade, IJCAI 1981;
from memory) from the one half to the other.
"""

from __future__ import annotations

from collections.abc import Iterator

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.spots.spotpairs import (
    USUAL_SHARE,
    Laid,
    Stays,
    around,
    beside,
    comes_on,
    explained,
)
from qc.measures.parts.spots.spotranks import middle, ranked
from qc.measures.parts.spots.spotshape import is_compact
from qc.measures.parts.spots.spotslopes import slopes

__all__ = ["narrow_spots"]

Map = NDArray[np.float32]
Mask = NDArray[np.bool_]

# Standard deviations of spots, px; how much wider the ground is that they stand out of;
# over how many of them the halves are compared, and over how many px at least.
_SCALES, _GROUND, _COMPARED = (1.2, 2.0), 1.7, (2.0, 6.0)
_EACH = 6  # places of a scale, the surest
# Times what the halves differ by. Over 231 takes without a spot, and beside the spots
# of 186 others, nothing passed this and what follows, nor would have with 4; most dust
# has 15 to 60.
_SURE = 5.0
_LEAST = 0.03  # natural logarithm
_CLOSE = 0.8  # px from a place to its strongest, and its scale
_RING_FROM, _RING_TO = (2.4, 1.0), (3.6, 2.0)  # its ring: times the scale, and px more
_BORDER, _DEEP = 0.45, 0.7  # of its strongest place
_WIDEST = 2.2, 1.2  # its radius: times the scale, and px more
_FEWEST, _FILLED, _LONGEST, _EDGE = 8, 0.5, 2.0, 4  # px; of its box; times; px
_MARGIN = 7  # px around it
_ALIKE = 0.6  # of it, what either half must show
_STEEPEST, _AROUND, _MOST_OF = 0.62, 0.6, 0.9  # of it: px to px; of most around
_EXPLAINED = 0.25  # share of what was left over, that it tells
# Px that the scene has come from half to half; how far off, of that, the halves may
# have the spot.
_CAME, _WANDERS = 1.5, 0.25


def narrow_spots(
    stays: Stays, laid: Laid, known: Mask
) -> list[tuple[Mask, float, float]]:
    """Return narrow dark spots, the surest first.

    Parameters
    ----------
    known : (h, w) array of bool
        Where spots are known already.

    Returns
    -------
    list of (mask, strength, sure)
        Where; natural logarithm; times what the halves differ by.
    """
    out: list[tuple[Mask, float, float]] = []
    tried = known.copy()
    for sure, row, column, scale in sorted(_places(stays), reverse=True):
        if tried[row, column]:
            continue
        mask = _shape(stays.gain, row, column, scale)
        if mask is None:
            continue
        tried |= mask
        strength = _told(mask, stays, laid)
        if strength < 0:
            out.append((mask, strength, sure))
    return out


def _places(stays: Stays) -> Iterator[tuple[float, int, int, float]]:
    """Yield places that surely lie below their ground: how surely, where, how wide."""
    near = np.ones((5, 5), np.uint8)
    inner = slice(_EDGE, -_EDGE), slice(_EDGE, -_EDGE)
    for scale in _SCALES:
        one, two = (_out_of_ground(half, scale) for half in stays.halves)
        shown, off = -0.5 * (one + two), 0.5 * (one - two)
        usual = USUAL_SHARE * max(1.4826 * middle(np.abs(shown[::2, ::2])), 1e-5)
        spread = max(_COMPARED[0] * scale, _COMPARED[1])
        unsure = cv2.GaussianBlur(off * off, (0, 0), spread) + np.float32(usual**2)
        sure = shown / np.sqrt(unsure)
        tops = (sure == cv2.dilate(sure, near)) & (sure > _SURE)
        rows, columns = np.nonzero(tops[inner])
        rows, columns = rows + _EDGE, columns + _EDGE
        for k in np.argsort(-sure[rows, columns], kind="stable")[:_EACH]:
            row, column = int(rows[k]), int(columns[k])
            yield float(sure[row, column]), row, column, scale


def _out_of_ground(values: Map, scale: float) -> Map:
    ground = cv2.GaussianBlur(values, (0, 0), _GROUND * scale)
    return np.asarray(cv2.GaussianBlur(values, (0, 0), scale) - ground, np.float32)


def _shape(gain: Map, row: int, column: int, scale: float) -> Mask | None:
    """Return the outline of what lies below its ring there; None if it is no spot's."""
    reach = round(_RING_TO[0] * scale + _RING_TO[1])
    top, left = max(row - reach, 0), max(column - reach, 0)
    box = slice(top, row + reach + 1), slice(left, column + reach + 1)
    part = gain[box]
    y, x = np.ogrid[: part.shape[0], : part.shape[1]]
    far = np.hypot(y + (top - row), x + (left - column))
    ring = far >= _RING_FROM[0] * scale + _RING_FROM[1]
    shown = np.float32(middle(part[ring])) - part
    close = np.where(far <= scale + _CLOSE, shown, np.float32(-np.inf))
    at = np.unravel_index(int(np.argmax(close)), close.shape)
    if close[at] < _LEAST:
        return None
    _, labels = cv2.connectedComponents((shown > _BORDER * close[at]).astype(np.uint8))
    inside = labels == labels[at]
    mask = np.zeros(gain.shape, np.bool_)
    mask[box] = inside
    widest = np.pi * (_WIDEST[0] * scale + _WIDEST[1]) ** 2
    if np.count_nonzero(inside) > widest or not is_compact(
        mask, edge=_EDGE, fewest=_FEWEST, filled=_FILLED, longest=_LONGEST
    ):
        return None
    return mask


def _told(mask: Mask, stays: Stays, laid: Laid) -> float:
    """Return how strong a spot is, natural logarithm; 0 if it is none."""
    box = around(mask, _MARGIN)
    mask = mask[box]
    ring = beside(mask, 5)
    gain, one, two = (
        half[box] - np.float32(middle(half[box][ring]))
        for half in (stays.gain, *stays.halves)
    )
    lowest = float(gain[mask].min())
    if lowest >= 0:
        return 0.0
    deep = mask & (gain <= _DEEP * lowest)
    strength = float(np.median(gain[deep]))
    soft = slopes(np.asarray(cv2.GaussianBlur(gain, (0, 0), 0.5), np.float32))
    depth = -strength
    alike = [-float(np.median(half[deep])) for half in (one, two)]
    if (
        min(alike) < _ALIKE * depth
        or float(np.hypot(*soft)[mask].max()) > _STEEPEST * depth
        or ranked(-gain[ring], _MOST_OF) > _AROUND * depth
        or not _keeps_still(one - two, np.stack(soft), ~ring, comes_on(laid, box))
        or explained(laid, stays.gain, box, ring) < _EXPLAINED
    ):
        return 0.0
    return strength


def _keeps_still(off: Map, slope: Map, where: Mask, way: tuple[float, float]) -> bool:
    """Return whether both halves have a spot in one place, while the scene goes by.

    Parameters
    ----------
    off : (h, w) array
        By how much they differ.
    slope : (2, h, w) array
        Of what stays, down and across.
    way : (x, y)
        Of the scene, px.
    """
    steep = slope[:, where].astype(np.float64)
    far = float(np.hypot(*way))
    if far < _CAME:
        return False
    rest = off[where] - middle(off)
    both = steep @ steep.T + 1e-6 * np.eye(2)
    lies = np.linalg.solve(both, steep @ rest)
    return float(np.hypot(*lies)) <= _WANDERS * far
