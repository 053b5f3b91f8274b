"""What many places side by side say together, each of them too unsure by itself.

A drop on a dark picture differs everywhere by a little more than chance; so does no
part of the scene. Student's t is averaged over places as far apart as spots are large,
and what is left is held against what the other places of the same take show.
"""

from __future__ import annotations

from collections.abc import Iterator

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.spots.spotranks import middle

__all__ = ["FEWEST", "pooled_regions"]

Map = NDArray[np.float32]

FEWEST = 4  # framings
_PROXY = 120.0  # px of the small maps across
# Standard deviation of the weight, px of such maps, with the least mean t. Over nine
# takes of real and rendered scenes in motion, without spots, the most was 2.8 and 1.5
# in level, 1.9 and 1.2 in detail.
_SCALES = {
    "level": ((1.5, 3.2), (3.0, 1.9)),
    "detail": ((1.5, 2.4), (3.0, 1.6)),
}
# Times the usual deviation of all places of the take; there the most was 10 and 7.
_BEYOND = {"level": 11.0, "detail": 8.5}
_ENOUGH = 12.0  # framings; of fewer, more is asked
_MOST_T = 8.0  # one place must not speak for those around it
_LEAST_WEIGHT = 0.25  # of places that are known around one
_LEAST_SHARE = 0.02  # of the picture
_BORDER = 0.5  # of the strongest place
# Only what agrees both ways is averaged, which is less than what is there.
_AGREES = 0.4


def pooled_regions(
    told: tuple[Map, Map, Map], name: str, least: float
) -> Iterator[NDArray[np.bool_]]:
    """Yield masks of what lies beyond all that the take's other places show.

    Parameters
    ----------
    told : (mean, t, n)
        See `spotmaps.Sums.tell`.
    name : "level" or "detail"
    least : float
        Least change that counts, in natural logarithms.

    Yields
    ------
    array of bool
        Of the maps' size.
    """
    height, width = told[0].shape
    share = min(1.0, _PROXY / width)
    size = max(round(width * share), 1), max(round(height * share), 1)
    known = (told[2] >= FEWEST).astype(np.float32)
    t = np.clip(told[1], -_MOST_T, _MOST_T) * known
    weight, t, mean, n = (
        _smaller(m, size) for m in (known, t, told[0] * known, told[2])
    )
    fewer = np.sqrt(np.maximum(_ENOUGH / np.maximum(n, 1), 1))
    if float(weight.mean()) < _LEAST_SHARE:
        return
    for sigma, least_t in _SCALES[name]:
        around = np.maximum(_spread(weight, sigma), _LEAST_WEIGHT)
        inside = weight >= 0.5
        pooled = np.where(inside, _spread(t, sigma) / around, 0)
        change = np.where(inside, _spread(mean, sigma) / around, 0)
        usual = 1.4826 * middle(np.abs(pooled[inside]))
        needed = max(least_t, _BEYOND[name] * usual) * fewer
        for sign in (1, -1) if name == "level" else (-1,):
            cores = (sign * pooled > needed) & (sign * change > _AGREES * least)
            for mask in _parts(sign * pooled, cores):
                wide = cv2.resize(mask.astype(np.uint8), (width, height), None, 0, 0, 0)
                yield _drawn(np.float32(sign) * told[0], wide > 0)


def _drawn(strength: Map, wide: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return the part of a mask that the spot itself fills: averaging spreads it."""
    smooth = _spread(np.where(wide, strength, 0), 1.0)
    core = wide & (smooth > _BORDER * float(smooth.max()))
    _, labels, facts, _ = cv2.connectedComponentsWithStats(core.astype(np.uint8))
    if len(facts) < 2:
        return wide
    largest = 1 + int(np.argmax(facts[1:, cv2.CC_STAT_AREA]))
    return np.asarray(labels == largest)


def _parts(values: Map, cores: NDArray[np.bool_]) -> Iterator[NDArray[np.bool_]]:
    """Yield each part with a core, as far as half of its strongest place."""
    left = cores.copy()
    while left.any():
        at = np.unravel_index(int(np.argmax(np.where(left, values, 0))), left.shape)
        mask = (values > _BORDER * values[at]).astype(np.uint8)
        _, labels = cv2.connectedComponents(mask)
        part = labels == labels[at]
        left &= ~part
        yield part


def _smaller(values: Map, size: tuple[int, int]) -> Map:
    if values.shape[::-1] == size:
        return np.asarray(values, np.float32)
    return np.asarray(
        cv2.resize(values.astype(np.float32), size, None, 0, 0, cv2.INTER_AREA),
        np.float32,
    )


def _spread(values: Map, sigma: float) -> Map:
    return np.asarray(cv2.GaussianBlur(values, (0, 0), sigma), np.float32)
