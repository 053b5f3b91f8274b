"""Detail a step coarser: what noise, rounding and a coder's grain hardly reach.

Where the sharpest edges of a picture are two pixels wide, as at full zoom, there is
little in its finest detail that the lens put there; what is left when focus is lost is
grain. Between means over squares of pixels grain weighs a quarter and edges several
times as much.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.kernels.detail import both_ways
from qc.measures.parts.focus.medians import median, median_of_known
from qc.measures.parts.focus.sharpness import RISE_LONG_SIDE
from qc.views import TILE_COLUMNS, TILE_ROWS, tile_edges

__all__ = ["coarser_detail", "true_percent"]

# Coarse lines that are read together, and about how many such bands.
_BAND, _BANDS = 3, 60
# Noise of variance s^2 puts 6 s^2 into a second difference, along as down.
_BOTH_ENERGY = 12.0
# Rounding to whole codes, a variance.
_ROUNDING = 1.0 / 12.0
# The finest detail contradicts a loss where so much of the usual is left of it, and
# there is none where so much of the coarser is, of the best (house choices).
_CONTRADICTS, _LOST = 0.9, 0.6
# Readings of fine detail differ by so much between what is lost and what is not.
_APART = 0.05
# Frames to either side that a reading is held against.
_BESIDE = 2


def coarser_detail(
    planes: Sequence[NDArray[np.unsignedinteger]], *, noise: float
) -> NDArray[np.float64]:
    """Return each tile's detail between squares of 2 pixels, of the softer field.

    Parameters
    ----------
    planes : one or two (H, W) arrays of uint8 or uint16
        Luma codes: the picture, or its fields. Pictures over `RISE_LONG_SIDE` are read
        at so many times coarser squares.
    noise : float
        Standard deviation of the noise, native code values.

    Returns
    -------
    (rows, columns) array of float64
        Root of the energy of second differences along and down, less the share of the
        noise, native code values; NaN for a picture too small.
    """
    found = [_energy(plane, noise, fields=len(planes)) for plane in planes]
    softer = min(found, key=lambda energy: float(np.median(energy)))
    return np.sqrt(softer)


def _energy(
    plane: NDArray[np.unsignedinteger], noise: float, *, fields: int
) -> NDArray[np.float64]:
    height, width = plane.shape
    side = 2 * max(1, round(max(width, height * fields) / RISE_LONG_SIDE))
    # The lines of a field lie twice as far apart.
    tall = max(1, side // fields)
    lines, pixels = height // tall, width // side
    if lines < 2 * _BAND * TILE_ROWS or pixels < 4 * TILE_COLUMNS:
        return np.full((TILE_ROWS, TILE_COLUMNS), np.nan)
    bands = min(_BANDS, lines // _BAND)
    apart = lines // bands * tall
    parts = plane[: bands * apart, : pixels * side].reshape(bands, apart, -1)
    some = parts[:, : _BAND * tall].reshape(bands * _BAND * tall, -1)
    size = (pixels, bands * _BAND)
    small = cv2.resize(some, size, interpolation=cv2.INTER_AREA).astype(
        plane.dtype, copy=False
    )
    along, down = both_ways(small, step=_BAND, tiles=(TILE_ROWS, TILE_COLUMNS))
    read = (bands * _BAND - 2) // _BAND
    energy = along / _tile_sizes(read, pixels - 2) + down / _tile_sizes(read, pixels)
    # Means are rounded again.
    level = _BOTH_ENERGY * (noise**2 / (side * tall) + _ROUNDING)
    return np.asarray(np.maximum(energy - level, 0.0), np.float64)


@lru_cache(maxsize=8)
def _tile_sizes(lines: int, pixels: int) -> NDArray[np.float64]:
    """Return how many differences are in each tile."""
    rows = np.diff(tile_edges(lines, TILE_ROWS))
    out = np.outer(rows, np.diff(tile_edges(pixels, TILE_COLUMNS))).astype(np.float64)
    out.flags.writeable = False
    return out


def true_percent(
    fine: NDArray[np.floating], coarser: NDArray[np.floating]
) -> NDArray[np.float64]:
    """Return sharpness without the grain that stays when focus is lost.

    Parameters
    ----------
    fine : (n,) array
        Fine detail of each frame against the best of the shot, percent.
    coarser : (n,) array
        Coarser detail likewise; NaN in the frames between two readings.

    Returns
    -------
    (n,) array of float64

    Notes
    -----
    Of the energy ``F^2`` of fine detail a share ``g`` is grain and the rest follows
    the lens as coarser detail does: ``F^2 = g + (1 - g) C^2`` gives ``g`` where both
    are read, the more of the readings before and after holds between them; between a
    lost one and another, the way that fine detail has gone from the one to the other
    tells. Where edges
    are as narrow as pixels, coarser detail falls less than fine and ``g`` is 0. Where
    as much of the fine detail is there as usual in the shot, nothing is lost, whatever
    coarser detail does: a shadow or a hand.
    """
    as_read: NDArray[np.float64] = np.array(fine, np.float64)
    whole, known = as_read / 100.0, np.asarray(coarser, np.float64) / 100.0
    read = np.flatnonzero(~np.isnan(known) & ~np.isnan(whole))
    grain, usual = np.zeros(len(whole)), whole.copy()
    there = read[known[read] >= _LOST]
    if not there.size or there.size == read.size:
        return as_read
    for row in read:
        # A coder gives each kind of frame another share of the grain: a few of them.
        usual[row] = median_of_known(whole[max(row - _BESIDE, 0) : row + _BESIDE + 1])
    most = _CONTRADICTS * min(float(median(usual[there])), 1.0)
    for row in read[(known[read] < _LOST) & (usual[read] < most)]:
        lens = min(float(known[row]), float(usual[row])) ** 2
        grain[row] = (usual[row] ** 2 - lens) / (1.0 - lens)
    if not grain.any():
        return as_read
    at = np.arange(len(whole))
    before = read[np.maximum(np.searchsorted(read, at, "right") - 1, 0)]
    after = read[np.minimum(np.searchsorted(read, at), len(read) - 1)]
    share = np.maximum(grain[before], grain[after])
    lost = np.where(grain[before] >= grain[after], before, after)
    other = np.where(lost == before, after, before)
    with np.errstate(invalid="ignore", divide="ignore"):
        left = np.sqrt(np.maximum(whole**2 - share, 0.0) / (1.0 - share))
        # No less is left than was read to either side.
        left = np.maximum(left, np.minimum(known[before], known[after]))
        # Between one that is lost and one that is not, it is where fine detail is.
        way = (whole - usual[lost]) / (usual[other] - usual[lost])
        between = known[lost] + np.clip(way, 0.0, 1.0) * (known[other] - known[lost])
        mixed = grain[other] == 0.0
        between = np.where(usual[other] - usual[lost] > _APART, between, whole)
        true = np.minimum(np.where(mixed, between, left), whole)
        return np.where((share > 0.0) & (whole < 1.0), 100.0 * true, as_read)
