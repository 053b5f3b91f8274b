"""Spots before a picture that moves little: all the ways to look for them."""

from __future__ import annotations

from dataclasses import dataclass

from qc.measures.parts.spots.spotfixed import fixed_spots
from qc.measures.parts.spots.spotgain import gain_spots
from qc.measures.parts.spots.spothides import hides
from qc.measures.parts.spots.spotmaps import Spot
from qc.measures.parts.spots.spotpassing import Passing, passing
from qc.measures.parts.spots.spotrim import rim_spots
from qc.measures.parts.spots.spotslow import slow_spots
from qc.measures.parts.spots.spotsway import Fixed, SwayBank

__all__ = ["Little", "little_spots"]

_SURELY = 15.0  # Student's t of a spot that pairs of looks do not deny
_STILL = 2.0  # times as still as `spotfixed` asks for


@dataclass(frozen=True, slots=True, eq=False)
class Little:
    """What little moves say.

    Attributes
    ----------
    found : list of Fixed
        What stays in its place.
    bank : SwayBank
    scene : Passing or None
        That goes by, if one does.
    """

    found: list[Fixed]
    bank: SwayBank
    scene: Passing | None

    def denies(self, spot: Spot) -> bool:
        """Return whether a spot that seemed there from the start is none."""
        if spot.without >= 0 or spot.mask is None:
            return False
        if self.scene is not None and hides(self.scene, spot.mask, spot.level):
            return True
        if spot.sure >= _SURELY:
            return False
        return self.bank.denies(spot.mask, spot.level, spot.detail)


def little_spots(bank: SwayBank) -> Little:
    """Look for what stays before a scene that sways, creeps or goes by slowly."""
    found = bank.spots() + slow_spots(bank.looks)
    scene = passing(bank.looks)
    if scene is not None:
        found = [one for one in found if not _hidden(scene, one)]
        found += [
            one
            for one in fixed_spots(scene)
            if not _hidden(scene, one, still=one.sure >= _STILL)
        ]
        found += [one for one in gain_spots(scene) if not _hidden(scene, one)]
        found += [
            one for one in rim_spots(scene) if not _hidden(scene, one, still=True)
        ]
    return Little(found, bank, scene)


def _hidden(scene: Passing, one: Fixed, *, still: bool = False) -> bool:
    level = one.strength if one.name == "level" else min(one.other, 0.0)
    return hides(scene, one.mask, level, still=still)
