"""A scene that goes by slowly: the looks of a take that show it, parted into layers."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.spots.spotlayers import Layers, layers_along, layers_of
from qc.measures.parts.spots.spotways import Shows, along_of

__all__ = ["Fine", "Passing", "passing"]

_LEAST_S, _FEWEST, _MOST = 2.5, 6, 14  # of looks
_LITTLE_SIDE = 48  # px of the small picture
_HARDLY = 0.8  # of its places with contrast, that must come along at least


class Fine(Shows, Protocol):
    """A look with the small picture in full."""

    @property
    def seconds(self) -> float:
        """Time of the look."""

    @property
    def fine(self) -> NDArray[np.floating] | None:
        """Its level; None for a flat picture."""


@dataclass(frozen=True, slots=True, eq=False)
class Passing:
    """Looks at a scene that goes by.

    Attributes
    ----------
    looks : sequence of Fine
        Evenly over the take, all followed one from the other.
    along : float
        Share of the picture's places with contrast that come along with it.
    layers, detail : Layers
        What the level of the looks is made of; and how fine their detail is.
    """

    looks: Sequence[Fine]
    along: float
    layers: Layers
    detail: Layers


def passing(looks: Sequence[Fine]) -> Passing | None:
    """Return a scene that goes by; None if there are too few looks, or it rests."""
    some = _chosen(looks)
    if not some:
        return None
    along = along_of(some)
    if along < _HARDLY:
        return None
    layers = _layers(some)
    detail = np.stack([one.maps["detail"] for one in some])
    return Passing(some, along, layers, layers_along(detail, layers.moves))


def _chosen(looks: Sequence[Fine]) -> list[Fine]:
    """Return looks of the chain that has most of them, evenly over it."""
    known = [one for one in looks if one.fine is not None]
    if not known:
        return []
    chain, _ = Counter(one.chain for one in known).most_common(1)[0]
    some = [one for one in known if one.chain == chain]
    if len(some) < _FEWEST or some[-1].seconds - some[0].seconds < _LEAST_S:
        return []
    at = np.linspace(0, len(some) - 1, min(len(some), _MOST))
    some = [some[round(k)] for k in at]
    shapes = {one.fine.shape for one in some if one.fine is not None}
    if len(shapes) > 1 or min(min(shape) for shape in shapes) < _LITTLE_SIDE:
        return []
    return some


def _layers(looks: Sequence[Fine]) -> Layers:
    level = np.stack([one.fine for one in looks if one.fine is not None])
    places = np.stack([one.place for one in looks])
    return layers_of(level.astype(np.float32), np.float32(level.shape[2]) * places)
