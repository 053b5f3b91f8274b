"""What pairs of looks say stays in its place, told twice: by earlier and later pairs.

What wanders by itself, as a shadow does, is not in the same place in both halves, and
by how much these differ tells how unsure a place is. A hand that passes leaves over
much in some of the pairs: these count for less there (weights by inverse variance).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.spots.spotranks import median, middle
from qc.measures.parts.spots.spotslopes import Rims, fixed_pattern

__all__ = ["Told", "halves_of", "quietest", "trusted"]

Map = NDArray[np.float32]
Mask = NDArray[np.bool_]

_NEAR, _LEAST_WAY = 4.0, 0.1  # px in which a pair's quiet is told; of the usual way
# How far the halves of the pairs differ around a place, over so many px, and the share
# of what most places show that counts as well.
_AROUND_SIGMA, _USUAL_SHARE = 4.0, 0.7
_ALIKE = 0.65, 1.5  # of it, what either half of the pairs must show


@dataclass(frozen=True, slots=True, eq=False)
class Told:
    """What stays in its place, by each half of the pairs, and how unsure that is."""

    g: Map
    halves: tuple[Map, Map]
    unsure: Map

    @classmethod
    def of(cls, one: Map, two: Map) -> Told:
        """Tell it from both halves."""
        g, off = 0.5 * (one + two), 0.5 * (one - two)
        usual = max(1.4826 * middle(np.abs(g)), 1e-4)
        unsure = cv2.GaussianBlur(off * off, (0, 0), _AROUND_SIGMA)
        unsure = np.sqrt(unsure + np.float32((_USUAL_SHARE * usual) ** 2))
        return cls(g, (one, two), unsure)

    def at(self, mask: Mask, deep: Mask) -> tuple[float, float, bool]:
        """Return how strong a place is, how sure, and whether both halves say so.

        Parameters
        ----------
        mask, deep : (h, w) arrays of bool
            All of it; its strongest places.
        """
        strength = float(np.median(self.g[deep]))
        if not strength:
            return 0.0, 0.0, False
        shares = [float(np.median(half[deep])) / strength for half in self.halves]
        sure = abs(strength) / float(np.median(self.unsure[mask]))
        return strength, sure, _ALIKE[0] <= min(shares) and max(shares) <= _ALIKE[1]


def trusted(rims: Rims) -> Map:
    """Return how much a place of a pair counts: less where something passes by then.

    A rim leaves over the same in all pairs, but for how far the scene has come.

    Returns
    -------
    (n, h, w) array
        1 where a pair leaves over no more than most do, towards 0 where it does.
    """
    most = np.float32(rims.clip**2)
    power = np.stack(
        [
            cv2.GaussianBlur(np.minimum(one * one, most), (0, 0), _NEAR)
            for one in np.nan_to_num(rims.left)
        ]
    )
    way = np.einsum("nkhw,nkhw->n", rims.moves, rims.moves)
    way = np.maximum(way / max(middle(way), 1e-9), _LEAST_WAY)[:, None, None]
    usual = way * median(power / way) + np.float32(rims.floor**2)
    return np.asarray(np.minimum(2.0 * usual / (power + usual), 1.0), np.float32)


def halves_of(rims: Rims) -> tuple[Map, Map]:
    """Return what stays in its place by the earlier pairs, and by the later ones."""
    half = len(rims.left) // 2
    one, two = (
        fixed_pattern(
            replace(
                rims,
                moves=rims.moves[part],
                left=rims.left[part],
                trust=None if rims.trust is None else rims.trust[part],
            )
        )
        for part in (slice(0, half), slice(half, None))
    )
    return one, two


def quietest(weights: Map) -> list[int]:
    """Return the half of the pairs in which a place counts most.

    Parameters
    ----------
    weights : (n, h, w) array
        See `trusted`; of the place.
    """
    order = np.argsort(-weights.mean(axis=(1, 2)), kind="stable")
    return [int(at) for at in order[: (len(order) + 1) // 2]]
