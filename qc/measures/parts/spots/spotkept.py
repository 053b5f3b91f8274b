"""How still a place keeps to its place while the scene goes by, in part of a pixel.

Where each look shows what stays is one step of least squares (Lucas and Kanade, IJCAI
1981; from memory), held against how far the scene has come there.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.spots.spotlayers import Layers
from qc.measures.parts.spots.spotranks import median, middle

__all__ = ["Box", "Kept", "Map", "about_middle", "come_to", "kept_in", "length_of"]

Map = NDArray[np.float32]
Box = tuple[slice, slice]

_ROUND = 0.15  # least slopes one way, of those the other way
_TIMES = 3  # that the shares of the way are told, with less of what is off


@dataclass(frozen=True, slots=True, eq=False)
class Kept:
    """How a place keeps still.

    Attributes
    ----------
    goes : float
        Share of the scene's way by which it goes along.
    wanders, far : float
        How far off its middle looks show it, and the scene; px.
    strays : float
        How far off where it would be if it only went along; px.
    shown : (n,) array
        How much of it each look shows; 1 is all.
    alike : float
        By how much half of the looks differ in that.
    tells : float
        Share of what is there, once the scene is gone, that it makes up.
    """

    goes: float
    wanders: float
    strays: float
    far: float
    shown: NDArray[np.float64]
    alike: float
    tells: float


def come_to(layers: Layers, row: int, column: int) -> float:
    """Return how far the scene comes at a place, px in the mean."""
    return length_of(_way(layers, row, column))


def _way(layers: Layers, row: int, column: int) -> NDArray[np.float64]:
    return about_middle(layers.moves[:, row, column].astype(np.float64))


def about_middle(way: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return where looks show a place, (n, 2), about their middle."""
    return np.asarray(way - median(way))


def length_of(way: NDArray[np.float64]) -> float:
    """Return how far a way goes from its middle: root mean square."""
    return float(np.sqrt((way * way).sum(axis=1).mean()))


def kept_in(
    layers: Layers,
    slope: Map,
    at: tuple[int, int],
    box: Box,
    weight: Map,
    most: float = math.inf,
) -> Kept | None:
    """Return how what is in a box keeps still; None if nothing tells it.

    Parameters
    ----------
    slope : (2, h, w) array
        Of what stays, across and down.
    at : (int, int)
        Row and column, where the scene's way is told.
    weight : (n,) array
        Of the places in the box; they sum to one.
    most : float
        Px that it may wander; None is returned for more.
    """
    steep = slope[(slice(None), *box)].reshape(2, -1)
    weighted = steep * weight
    both = (weighted @ steep.T).astype(np.float64)
    least, greatest = np.linalg.eigvalsh(both)
    if least < _ROUND * greatest:
        return None
    way = _way(layers, *at)
    far = length_of(way)
    rest = layers.rest[(slice(None), *box)].reshape(len(layers.rest), -1)
    # Where a look shows it: one step of least squares, but for what all have alike.
    along = weighted - weighted.sum(axis=1, keepdims=True) * weight
    lies = -np.linalg.solve(both, along @ rest.T).T
    lies -= median(lies)
    wanders = middle(np.hypot(*lies.T))
    if not wanders <= most:
        return None
    own = layers.stays[box].ravel()
    own = own - own @ weight
    rest = rest - (rest @ weight)[:, None]
    size = float((own * own) @ weight)
    shown = ((rest @ (own * weight)) / size).astype(np.float64)
    power = float(middle((rest * rest) @ weight))
    goes, trust = 0.0, np.ones((len(way), 1))
    for _ in range(_TIMES):
        goes = float((trust * way * lies).sum() / max((trust * way * way).sum(), 1e-9))
        wrong = np.hypot(*(lies - goes * way).T)[:, None]
        trust = 1.0 / (1.0 + (wrong / (2.0 * max(middle(wrong), 0.02))) ** 2)
    return Kept(
        goes,
        wanders,
        middle(wrong),
        far,
        shown,
        middle(np.abs(shown - middle(shown))),
        size / max(power, 1e-12),
    )
