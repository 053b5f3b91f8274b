"""The way of the scene behind a spot: where it goes, and whether it comes along."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.spots.spotsway import come, moves_along

__all__ = [
    "MOSTLY_ALONG",
    "Shows",
    "Way",
    "along_of",
    "compact_parts",
    "goes_along",
    "way_of",
]

Map = NDArray[np.float32]
Mask = NDArray[np.bool_]

# Of a part: as far as this share of its strongest place; of the map, of its box, and
# times as long as it is wide at most.
_BORDER = 0.5
_AREA, _FILLED, _LONGEST = 0.03, 0.4, 3.5
_STEPS = 8  # that are tried
MOSTLY_ALONG = 0.7  # of the picture, that must move for a pixel to stand still
# Of its places with contrast. Of 20 moved takes the least was 0.86; of four before a
# camera that stands still, where people and things move, the most was 0.82.
PICTURE_ALONG = 0.84


class Shows(Protocol):
    """A look: maps by name, and where the scene lay (see `spotlooks.Look`)."""

    @property
    def row(self) -> int:
        """Row of the readings."""

    @property
    def maps(self) -> dict[str, Map]:
        """Level and detail, of one size."""

    @property
    def chain(self) -> int:
        """Looks of one chain were followed one from the other."""

    @property
    def place(self) -> Map:
        """How far the scene has come, on a grid."""


@dataclass(frozen=True, slots=True, eq=False)
class Way:
    """The way of the scene at every place of a map, and how far it came, px."""

    right: Map
    down: Map
    far: Map


def way_of(looks: Sequence[Shows], shape: tuple[int, int]) -> Way:
    """Return the main way of the scene."""
    h, w = shape
    places = np.stack([one.place for one in looks]) * np.float32(w)
    places -= places.mean(axis=0)
    x, y = np.moveaxis(places, -1, 0)
    mixed, more = 2.0 * (x * y).sum(axis=0), (x * x - y * y).sum(axis=0)
    # Twice the angle: a way has no sign, and must not lose its length to that.
    size = np.maximum(np.hypot(mixed, more), 1e-9)
    both = np.stack([more / size, mixed / size], axis=-1).astype(np.float32)
    angle = 0.5 * np.arctan2(mixed, more)
    unit = np.stack([np.cos(angle), np.sin(angle)], axis=-1)
    far = np.ptp((places * unit).sum(axis=-1), axis=0)
    both, wide = (
        np.asarray(cv2.resize(m.astype(np.float32), (w, h)), np.float32)
        for m in (both, np.asarray(far))
    )
    angle = 0.5 * np.arctan2(both[..., 1], both[..., 0])
    return Way(np.cos(angle), np.sin(angle), wide)


def compact_parts(
    shown: Map, cores: Mask, narrowest: float
) -> Iterator[tuple[Mask, tuple[int, int]]]:
    """Yield each part with a core, as far as half of its strongest place."""
    left = cores.copy()
    while left.any():
        row, column = np.unravel_index(
            int(np.argmax(np.where(left, shown, 0))), left.shape
        )
        wide = (shown > _BORDER * shown[row, column]).astype(np.uint8)
        _, labels = cv2.connectedComponents(wide)
        part = labels == labels[row, column]
        left &= ~part
        rows, columns = np.nonzero(part)
        tall, across = int(np.ptp(rows)) + 1, int(np.ptp(columns)) + 1
        if rows.size > _AREA * part.size or rows.size < _FILLED * tall * across:
            continue
        narrow = min(tall, across)
        if narrow >= narrowest and max(tall, across) <= _LONGEST * narrow:
            yield part, (int(row), int(column))


def goes_along(looks: Sequence[Shows], least: float = PICTURE_ALONG) -> bool:
    """Return whether the picture as a whole comes along, or a thing held before it.

    Parameters
    ----------
    least : float
        Share of its places with contrast.
    """
    return along_of(looks) >= least


def along_of(looks: Sequence[Shows]) -> float:
    """Return the share of the picture's places with contrast that come along."""
    # From one chain to the next nobody knows how far the picture has come.
    pairs = [both for both in pairwise(looks) if both[0].chain == both[1].chain]
    if len(looks) > 1 and not pairs:
        return 0.0
    shares = []
    for at in np.linspace(0, len(pairs) - 1, min(len(pairs), _STEPS)):
        before, after = pairs[round(at)]
        old, new = before.maps["level"], after.maps["level"]
        h, w = new.shape
        steps = before.place - after.place
        steps = cv2.resize(steps * np.float32(w), (w, h))
        y, x = np.mgrid[:h, :w].astype(np.float32)
        left = new - come(old, x + steps[..., 0], y + steps[..., 1])
        shares.append(moves_along(left, new - old))
    return float(np.median(shares)) if shares else 1.0
