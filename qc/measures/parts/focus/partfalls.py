"""Falls of fine detail in some tiles of the picture while the others keep theirs."""

from __future__ import annotations

import math
import warnings
from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.focus.medians import known_median
from qc.measures.parts.focus.sharpness import LAPLACIAN_ENERGY
from qc.measures.parts.focus.tiles import CHUNK, TILES, tile_rows
from qc.records import Readings
from qc.spans import runs
from qc.views import TILE_COLUMNS, TILE_ROWS

__all__ = ["Fall", "falls_of"]

# Detail is looked through in steps of so long; before a fall, and behind it, so many of
# them are taken together.
_STEP_S, _TOGETHER = 0.1, 4
# A fall may take so many steps.
_WITHIN = (1, 3, 10, 20, 32)
# Fine detail (codes for each percent of coarse contrast) that a lens can take; and the
# energy of noise, known no better than this share, may hide no more of it than half.
_FLOOR, _HIDDEN, _UNSURE_ENERGY = 0.1, 0.5, 0.15
# Less than rounding to whole codes makes (uniform, sd the root of 1/12) is none: on a
# plain wall a coder leaves it, or takes it, as it has data to spare.
_ROUNDING = math.sqrt(LAPLACIAN_ENERGY / 12.0)
# Losses of this share of another are its equals.
_EQUAL = 0.98
# A tile fell to this share or under; it kept its detail from this share to that one.
_FELL, _KEPT = 0.65, (0.75, 1.5)
# So many tiles fall together, side by side, and so large a share of those with detail,
# half of them so far; so many others keep theirs.
_FEWEST, _LEAST_SHARE, _DEEP = 5, 0.15, 0.55
_FEWEST_KEPT, _KEPT_SHARE = 4, 0.12

Tiles = NDArray[np.bool_]
Levels = NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class Fall:
    """A fall of detail in a part of the picture.

    Attributes
    ----------
    before, behind : (int, int)
        Rows from which detail is known before it, and behind.
    tiles, rest : (tiles,) arrays of bool
        Those that fell together, and those that kept their detail.
    was, left : (tiles,) arrays of float64
        Detail before, and the share of it behind.
    """

    before: tuple[int, int]
    behind: tuple[int, int]
    tiles: Tiles
    rest: Tiles
    was: NDArray[np.float64]
    left: NDArray[np.float64]


def falls_of(
    readings: Readings, first: int, last: int, *, step: float = 1.0
) -> Iterator[Fall]:
    """Yield the falls within some rows of one shot, the deepest of each second or so.

    Parameters
    ----------
    first, last : int
        Rows, half-open.
    step : float
        From one code to the next, in codes of 8 bits.
    """
    seconds = float(readings.start(last) - readings.start(first))
    each = max(1, round(_STEP_S * (last - first) / seconds)) if seconds > 0 else 1
    levels = _together(_steps(readings, first, last, each))
    if len(levels) <= _TOGETHER:
        return
    floor = np.maximum(_FLOOR, _noise_floor(readings, first, last, step))
    best = np.zeros(len(levels))
    ahead = np.zeros(len(levels), np.intp)
    for within in _WITHIN:
        apart = _TOGETHER + within - 1
        if apart >= len(levels):
            break
        for low in range(0, len(levels) - apart, CHUNK):
            was = levels[low : min(low + CHUNK, len(levels) - apart)]
            lost = _lost(was, levels[low + apart : low + apart + len(was)], floor)
            better = np.flatnonzero(lost > best[low : low + len(lost)])
            best[low + better], ahead[low + better] = lost[better], apart
    for low, high in runs(best > 0):
        for at in low + np.array(_peaks(best[low:high])):
            was, now = levels[at], levels[at + ahead[at]]
            tiles, rest = _part(was, now, floor)
            if tiles.any():
                begin, end = (first + int(row) * each for row in (at, at + ahead[at]))
                yield Fall(
                    before=(begin, begin + _TOGETHER * each),
                    behind=(end, min(end + _TOGETHER * each, last)),
                    tiles=tiles,
                    rest=rest,
                    was=was.astype(np.float64),
                    left=_share(was, now).astype(np.float64),
                )


def _steps(readings: Readings, first: int, last: int, each: int) -> Levels:
    """Return the median detail of tiles over steps of so many rows."""
    out = np.full(((last - first) // each, TILES), np.nan, np.float32)
    many = max(CHUNK // each, 1)
    for at in range(0, len(out), many):
        stop = min(at + many, len(out))
        rows = readings.columns.part(
            "focus.tile_detail", first + at * each, first + stop * each
        )
        out[at:stop] = _medians(rows.reshape(stop - at, each, TILES).swapaxes(0, 1))
    return out


def _together(steps: Levels) -> Levels:
    """Return the median of each step and the next few."""
    count = max(len(steps) - _TOGETHER + 1, 0)
    out = np.empty((count, TILES), np.float32)
    for at in range(0, count, CHUNK):
        stop = min(at + CHUNK, count)
        next_few = [steps[at + i : stop + i] for i in range(_TOGETHER)]
        out[at:stop] = _medians(np.stack(next_few))
    return out


def _medians(values: Levels) -> Levels:
    """Return the median of what is known along the first axis, the lower of two."""
    ordered = np.sort(values, axis=0)  # NaN comes last
    known = np.count_nonzero(~np.isnan(ordered), axis=0)
    middle = np.maximum(known - 1, 0) // 2
    return np.asarray(np.take_along_axis(ordered, middle[None], axis=0)[0])


def _noise_floor(
    readings: Readings, first: int, last: int, step: float
) -> NDArray[np.float64]:
    """Return how much detail tiles need to be told from noise and rounding."""
    rows = np.arange(first, min(last, first + CHUNK))
    noise = readings.columns.part("focus.noise_codes", first, int(rows[-1]) + 1)
    with warnings.catch_warnings(), np.errstate(invalid="ignore", divide="ignore"):
        warnings.simplefilter("ignore", RuntimeWarning)
        sigma = float(np.nan_to_num(np.nanmedian(noise)))
        contrast = known_median(
            tile_rows(readings, rows, "focus.tile_contrast_percent")
        ).astype(np.float64)
        hidden = math.sqrt(_UNSURE_ENERGY * LAPLACIAN_ENERGY) * sigma / _HIDDEN
        least = max(hidden, _ROUNDING * step)
        return np.asarray(np.nan_to_num(least / contrast, posinf=0.0))


def _share(was: Levels, now: Levels) -> Levels:
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(now / was)


def _kinds(was: Levels, now: Levels, floor: NDArray[np.float64]) -> list[Tiles]:
    """Return which tiles had detail, which of them lost it, and which kept it."""
    left = _share(was, now)
    with np.errstate(invalid="ignore"):
        rich = was >= floor
        kept = rich & (left >= _KEPT[0]) & (left <= _KEPT[1])
        return [np.asarray(kind) for kind in (rich, rich & (left <= _FELL), kept)]


def _lost(was: Levels, now: Levels, floor: NDArray[np.float64]) -> NDArray[np.floating]:
    """Return how much is lost in all tiles; 0 where too few are, or too many."""
    rich, fell, kept = _kinds(was, now, floor)
    known, fallen, stayed = (np.count_nonzero(k, axis=1) for k in (rich, fell, kept))
    told = fallen >= np.maximum(_FEWEST, _LEAST_SHARE * known)
    told &= stayed >= np.maximum(_FEWEST_KEPT, _KEPT_SHARE * known)
    lost = np.where(fell, 1.0 - _share(was, now), 0.0).sum(axis=1)
    return np.asarray(np.where(told, lost, 0.0))


def _peaks(lost: NDArray[np.float64]) -> list[int]:
    """Return where most is lost, of some steps around; of equals the middle one."""
    out: list[int] = []
    left = lost.copy()
    for at in np.argsort(-lost, kind="stable").tolist():
        if left[at] <= 0:
            continue  # too near to a deeper one
        end = at + 1
        while end < len(left) and left[end] >= _EQUAL * left[at]:
            end += 1
        out.append(at + (end - at) // 2)
        left[max(at - 3 * _TOGETHER, 0) : end + 3 * _TOGETHER] = 0.0
    return sorted(out)


def _part(was: Levels, now: Levels, floor: NDArray[np.float64]) -> tuple[Tiles, Tiles]:
    """Return tiles side by side that lost their detail, and those that kept it."""
    rich, fell, kept = _kinds(was, now, floor)
    grid = fell.reshape(TILE_ROWS, TILE_COLUMNS).astype(np.uint8)
    _, shapes = cv2.connectedComponents(grid, connectivity=4)
    sizes = np.bincount(shapes.ravel(), minlength=2)[1:]
    tiles = np.asarray((shapes == 1 + int(sizes.argmax())).ravel(), np.bool_)
    least = max(_FEWEST, _LEAST_SHARE * int(np.count_nonzero(rich)))
    if sizes.max() < least or np.median(_share(was, now)[tiles]) > _DEEP:
        tiles = np.zeros(TILES, np.bool_)
    return tiles, kept
