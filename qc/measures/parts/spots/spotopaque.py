"""Whether a thing that stays in its place shows itself, however the picture moves on.

The hand and the instrument that work in the middle stay there while the camera goes on
to another place: looks laid over each other leave them over as they do dirt. But what
lies on a lens is far out of focus: what it takes, it takes from whatever lies behind,
and shows the rest. What lies behind a place now is seen beside it in other looks, and
`spothides` asks the same of a scene that goes by slowly.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.spots.spothides import DARK, breadth_of, inner_of
from qc.measures.parts.spots.spotmaps import Spot
from qc.measures.parts.spots.spotranks import median
from qc.measures.parts.spots.spotshape import on_map, ring_around
from qc.measures.parts.spots.spotways import Shows

__all__ = ["shows_itself"]

Mask = NDArray[np.bool_]
Places = tuple[NDArray[np.integer[Any]], ...]  # rows, columns

_CORE = 0.7  # of the breadth: the rim is partly clear
_FEWEST, _LOOKS, _OTHERS = 3, 6, 3  # px; looks; other looks that show what is behind
_BESIDE = 2.0  # px that this must lie beside the spot, besides its breadth
# The ring by which two looks are laid over each other: px around; of it that must be
# in both; natural logarithm it may differ by, usually.
_RING, _IN_BOTH, _OFF = (5, 13), 0.6, 0.25
# The natural logarithm by which what is behind must change (standard deviation), and
# the share of that which must show, with two standard errors. Of nine hands and
# instruments that passed for spots the most was 0.5; of 12 spots before such scenes the
# least was 0.8.
_CHANGES, _THROUGH = 0.1, 0.6


def shows_itself(looks: Sequence[Shows], spot: Spot) -> bool:
    """Return whether what stays in a place surely hides what lies behind it.

    A drop so thick that nothing passes is dark, and is not denied.

    Parameters
    ----------
    looks : sequence of Shows
        Of all of the take; those that surely show the spot are asked.
    """
    mask = spot.mask
    if mask is None or spot.level < DARK or not looks:
        return False
    shape = looks[-1].maps["level"].shape
    looks = [one for one in looks if one.maps["level"].shape == shape]
    core = np.nonzero(inner_of(mask, _CORE, shape))
    ring = np.nonzero(ring_around(on_map(mask, shape), *_RING))
    if len(core[0]) < _FEWEST or not len(ring[0]):
        return False
    beside = breadth_of(mask, shape) + _BESIDE
    told = []
    for one in looks:
        if spot.first_row <= one.row <= spot.row:
            behind = sorted(_behind(one, looks, (core, ring), beside))
            if behind:
                best = np.array([level for _, level in behind[:_OTHERS]])
                told.append((float(one.maps["level"][core].mean()), median(best)))
    if len(told) < _LOOKS:
        return False
    shown, scene = (np.array(one) - np.mean(one) for one in zip(*told, strict=True))
    power = float(scene @ scene)
    if power < len(told) * _CHANGES**2:
        return False
    share = float(scene @ shown) / power
    left = shown - share * scene
    error = np.sqrt(float(left @ left) / (len(told) - 2) / power)
    return bool(share + 2.0 * error < _THROUGH)


def _behind(
    now: Shows, looks: Sequence[Shows], places: tuple[Places, Places], beside: float
) -> Iterator[tuple[float, float]]:
    """Yield what other looks show of what lies behind a place, and how badly they fit.

    Parameters
    ----------
    places : (core, ring)
    beside : float
        Px that they must show it off the place.

    Yields
    ------
    off, level : float
        How far off they are in the ring, and the level in the core as the light is now.
    """
    core, ring = places
    level = now.maps["level"]
    h, w = level.shape
    high, wide = now.place.shape[:2]
    row = min(int(core[0].mean() * high / h), high - 1)
    column = min(int(core[1].mean() * wide / w), wide - 1)
    for other in looks:
        if other.chain != now.chain:
            continue
        right, down = (w * (other.place - now.place)[row, column]).tolist()
        if np.hypot(right, down) < beside:
            continue
        theirs = core[0] + round(down), core[1] + round(right)
        if not _within(theirs, (h, w)).all():
            continue
        around = ring[0] + round(down), ring[1] + round(right)
        both = _within(around, (h, w))
        if both.mean() < _IN_BOTH:
            continue
        y, x = (one[both] for one in around)
        off = level[ring[0][both], ring[1][both]] - other.maps["level"][y, x]
        usual = float(np.median(off))
        far = float(np.median(np.abs(off - usual)))
        if far <= _OFF:
            yield far, float(other.maps["level"][theirs].mean()) + usual


def _within(places: Places, shape: tuple[int, int]) -> Mask:
    inside = (places[0] >= 0) & (places[0] < shape[0])
    return np.asarray(inside & (places[1] >= 0) & (places[1] < shape[1]))
