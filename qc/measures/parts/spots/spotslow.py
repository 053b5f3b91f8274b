"""Spots before far things that hardly move: a sky, a horizon.

Where the scene comes along by less than a spot is large, nothing passes it. But its
rim tells: it fits when looks are laid over each other as they are, and the worse the
farther they are laid as the scene beside it has come. A thing of the scene does the
opposite.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.spots.spotranks import middle
from qc.measures.parts.spots.spotsway import Fixed, come
from qc.measures.parts.spots.spotways import (
    Shows,
    compact_parts,
    goes_along,
    way_of,
)

__all__ = ["slow_spots"]

Map = NDArray[np.float32]
Mask = NDArray[np.bool_]
Box = tuple[slice, slice]

_FEWEST = 8  # looks
# Standard deviation of the weight, and how far off the places around are; px of a map
# 120 px wide.
_SCALES = (1.0, 3), (2.2, 7), (3.5, 10)
_CAME = 1.0, 12.0  # px, of the scene from end to end: farther, and it runs past
_LEAST = 0.03  # natural logarithm
_MARGIN, _BORDER = 10, 2  # px
# The strongest places; pairs of looks half of the time apart, and the first of them.
_TRIED, _PAIRS, _FIRST = 8, 8, 2
_SHARES = (0.0, 0.25, 0.5, 1.0)  # of what the scene has come
# How much worse the rim fits then, and how much better what is around it. Over 22 takes
# with no spot nothing passed both; of 14 spots the least was 1.6.
_WORSE, _BETTER = (1.0, 0.95, 1.1, 1.6), 0.9
_CLIP = 0.4  # natural logarithm; more is another thing
_PARTS = 0.0, 0.4  # of the looks, from there to the end


def slow_spots(looks: Sequence[Shows]) -> list[Fixed]:
    """Return what stays in its place while a far scene creeps, the surest first."""
    out: list[Fixed] = []
    for first in _PARTS:
        some = looks[int(first * len(looks)) :]
        if len(some) >= _FEWEST:
            out += _found(some)
    if not out or not goes_along(looks):
        return []
    return sorted(out, key=lambda one: -one.sure)


def _found(looks: Sequence[Shows]) -> Iterator[Fixed]:
    h, w = looks[0].maps["level"].shape
    far = way_of(looks, (h, w)).far * np.float32(120.0 / w)
    creeps = (far >= _CAME[0]) & (far <= _CAME[1])
    # Where all of it only creeps or sways, `spotsway` does better.
    if not creeps.any() or not (far > _CAME[1]).any():
        return
    level, detail = (
        np.stack([one.maps[name] for one in looks]).mean(axis=0)
        for name in ("level", "detail")
    )
    tried = sorted(_places(level, creeps), key=lambda one: -one[0])
    for _, mask in tried[:_TRIED]:
        box = _box(mask)
        told = _fits(looks, mask, box)
        if told is None:
            continue
        rim, around = told
        if (rim < _WORSE).any() or around[2:].min() > _BETTER:
            continue
        ring = _beside(mask[box], 5)
        shows = [float(m[mask].mean()) - middle(m[box][ring]) for m in (level, detail)]
        yield Fixed(
            mask, "level", shows[0], rim[-1], shows[1], looks[0].row, looks[-1].row
        )


def _places(level: Map, creeps: Mask) -> Iterator[tuple[float, Mask]]:
    """Yield places that differ from all that is around them, and by how much."""
    h, w = level.shape
    share = w / 120.0
    for sigma, far in _SCALES:
        d = max(round(far * share), 1)
        k = max(round(0.7 * d), 1)
        smooth = cv2.GaussianBlur(level, (0, 0), sigma * share)
        wide = cv2.copyMakeBorder(smooth, d, d, d, d, cv2.BORDER_REPLICATE)
        around = np.stack(
            [
                wide[d + y : d + y + h, d + x : d + x + w]
                for y, x in (
                    (0, d), (0, -d), (d, 0), (-d, 0), (k, k), (k, -k), (-k, k), (-k, -k)
                )
            ]
        )  # fmt: skip
        for shown in (around.min(axis=0) - smooth, smooth - around.max(axis=0)):
            shown = np.where(creeps, shown, np.float32(0))
            parts = compact_parts(shown, shown > _LEAST, 1.0)
            inside = ((float(shown[at]), mask) for mask, at in parts if _inside(mask))
            yield from itertools.islice(inside, _TRIED)  # the strongest come first


def _inside(mask: Mask) -> bool:
    rows, columns = np.nonzero(mask)
    return bool(
        min(rows.min(), columns.min()) >= _BORDER
        and rows.max() < mask.shape[0] - _BORDER
        and columns.max() < mask.shape[1] - _BORDER
    )


def _box(mask: Mask) -> Box:
    rows, columns = np.nonzero(mask)
    (top, left), (h, w) = (rows.min(), columns.min()), mask.shape
    return (
        slice(max(int(top) - _MARGIN, 0), min(int(rows.max()) + _MARGIN + 1, h)),
        slice(max(int(left) - _MARGIN, 0), min(int(columns.max()) + _MARGIN + 1, w)),
    )


def _beside(part: Mask, reach: int) -> Mask:
    size = 2 * reach - 1
    wide = cv2.dilate(part.astype(np.uint8), np.ones((size, size), np.uint8))
    return np.asarray(wide == 0)


def _fits(
    looks: Sequence[Shows], mask: Mask, box: Box
) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """Return how much worse looks fit, the farther they are laid as the scene has come.

    Returns
    -------
    rim, around : (shares,) arrays
        Times what is left over if they are laid as they are: at the place and its rim,
        and around it. None if nothing can be told.
    """
    near, ring = ~_beside(mask[box], 4), _beside(mask[box], 5)
    y, x = np.mgrid[box].astype(np.float32)
    half = len(looks) // 2
    rims, rings = [], []
    for at in np.linspace(0, len(looks) - half - 1, min(len(looks) - half, _PAIRS)):
        old, new = looks[round(at)], looks[round(at) + half]
        if old.chain != new.chain:
            continue
        right, down = _step(old, new, mask)
        each = []
        for share in np.array(_SHARES, np.float32) / 2:
            left = come(new.maps["level"], x - share * right, y - share * down)
            left -= come(old.maps["level"], x + share * right, y + share * down)
            known = np.isfinite(left)
            if not (known & ring).any() or not (known & near).any():
                break
            left -= middle(left[known & ring])
            off = np.minimum(left * left, np.float32(_CLIP**2))
            each.append([float(off[known & part].mean()) for part in (near, ring)])
        if len(each) == len(_SHARES):
            rim, beside = np.sqrt(np.array(each) + 1e-8).T
            rims.append(rim / rim[0])
            rings.append(beside / beside[0])
        if len(rims) == _FIRST and np.median(rims, axis=0)[-1] < 1.0:
            return None  # a thing of the scene, as nearly all are
    if not rims:
        return None
    return np.median(rims, axis=0), np.median(rings, axis=0)


def _step(old: Shows, new: Shows, mask: Mask) -> tuple[np.float32, np.float32]:
    """Return how far the scene has come around a place: the spot itself did not."""
    steps = (old.place - new.place) * np.float32(mask.shape[1])
    rows, columns = np.nonzero(mask)
    high, wide = steps.shape[:2]
    row = int((rows.mean() + 0.5) / mask.shape[0] * high - 0.5)
    column = int((columns.mean() + 0.5) / mask.shape[1] * wide - 0.5)
    few = steps[max(row - 2, 0) : row + 4, max(column - 2, 0) : column + 4]
    return np.float32(middle(few[..., 0])), np.float32(middle(few[..., 1]))
