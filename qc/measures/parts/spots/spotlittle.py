"""Spots before a picture that moves little: all the ways to look for them."""

from __future__ import annotations

from qc.measures.parts.spots.spotfixed import fixed_spots
from qc.measures.parts.spots.spotgain import gain_spots
from qc.measures.parts.spots.spotpassing import passing
from qc.measures.parts.spots.spotslow import slow_spots
from qc.measures.parts.spots.spotsway import Fixed, SwayBank

__all__ = ["little_spots"]


def little_spots(bank: SwayBank) -> list[Fixed]:
    """Return what stays before a scene that sways, creeps or goes by slowly."""
    out = bank.spots() + slow_spots(bank.looks)
    scene = passing(bank.looks)
    return out if scene is None else out + fixed_spots(scene) + gain_spots(scene)
