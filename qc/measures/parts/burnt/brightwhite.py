"""What a white thing shows in a picture: which lamp lights it, against its balance.

Private to `brightparts`. Every lamp's white lies on one line of red over blue (the
Planckian locus); skin and tissue lie off it, to the red, drapes to the green. Under a
lamp that the camera is not balanced for, one channel of a white thing reaches the end
of the signal long before the others: then those that are left still tell on which lamp
it would be white. So each place of the small picture votes for a lamp, by kind of vote,
and a small fitted network weighs what each of a row of lamps has for and against it.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.burnt import brightlamps
from qc.measures.parts.burnt.brightcues import LAMP_SLOPE, Plane, Scene, stops_between
from qc.measures.parts.burnt.brightweights import Network

__all__ = [
    "LAMPS",
    "LAMP_FEATURES",
    "Votes",
    "chances",
    "evidence_of",
    "settled",
    "votes_of",
    "white_of",
]

Rows = NDArray[np.float32]
Flags = NDArray[np.bool_]

LAMPS = np.linspace(-2.2, 2.2, 45)
"""Stops of blue over green that a white thing may show."""
_STEP = 0.1
# A channel is at its end from here on; brighter than these shares of the level a place
# is bright, or at least lit.
_ENDED, _BRIGHT, _LIT, _DARK, _SEEN = 0.03, 0.45, 0.28, 0.12, 0.15
# So many stops off the line of lamps a place may still be white, and surely is not.
_ON, _OFF, _SLACK = 0.12, 0.25, 0.07
_AROUND = np.ones((5, 5), np.uint8)
# So many places, and so near to a lamp, tell where exactly white lies.
_FEW_PLACES, _NEAR_LAMP = 6, 0.15
# The lamp is known if it and its neighbours have this chance together.
_SURE = 0.5

_KINDS = (
    "bright", "bright near", "lit", "lit near", "dark", "dark near", "redder",
    "greener", "blue ended", "blue ended near", "red ended", "red ended near",
    "red left", "blue left",
)  # fmt: skip
_SPANS = ("here", "about", "bluer", "yellower")
LAMP_FEATURES = (
    *(f"{span} {kind}" for kind in _KINDS for span in _SPANS),
    "lamp", "lamp off", "lamp even", "all ended", "burnt", "end over level",
)  # fmt: skip
"""Names of the numbers that speak for a lamp, in order."""


def _bank() -> Rows:
    """Return what gathers votes: for each lamp, in `_SPANS`."""
    apart = np.arange(len(LAMPS))[:, None] - np.arange(len(LAMPS))[None, :]
    here = np.select([apart == 0, np.abs(apart) == 1], [0.5, 0.25], 0.0)
    about = np.where(np.abs(apart) <= 3, np.exp(-0.5 * (apart / 1.5) ** 2), 0.0) / 3.68
    return np.concatenate([here, about, apart > 2, apart < -1], axis=1).astype(
        np.float32
    )


_BANK = _bank()
_NETWORK = Network.of(
    LAMP_FEATURES, brightlamps.TABLE, brightlamps.HIDDEN, brightlamps.OUT,
    brightlamps.CONSTANT,
)  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class Votes:
    """What places of a small picture vote for.

    Attributes
    ----------
    kind : (n,) array of int
        Index into `_KINDS` of every place that has a vote.
    red, blue : (n,) arrays of float32
        Stops of the red it shows, and of the blue of the lamp it votes for.
    places : int
        How many there are, with those that have none.
    whole : (float, float, float)
        Share of places with all channels at their end, share burnt out, and how far
        the signal goes over the level.
    """

    kind: NDArray[np.intp]
    red: Rows
    blue: Rows
    places: int
    whole: tuple[float, float, float]


def votes_of(scene: Scene, colour: Plane) -> Votes:
    """Return the votes of every other place.

    Parameters
    ----------
    colour : (2, h, w) array of float32
        Stops of red and blue over green.
    """
    rgb, (red, blue) = (
        np.ascontiguousarray(c[:, ::2, ::2]) for c in (scene.rgb, colour)
    )
    luma, level = np.ascontiguousarray(scene.luma[::2, ::2]), scene.level
    reach = np.float32(min(scene.end, 1.02 * level) - _ENDED)
    r_left, g_left, b_left = rgb < reach
    burns = scene.burnt[::2, ::2] > 0.5
    near = cv2.dilate(burns.view(np.uint8), _AROUND) > 0
    off = red + np.float32(LAMP_SLOPE) * blue
    by_red = red * np.float32(-1 / LAMP_SLOPE)
    bright, seen = luma > _BRIGHT * level, luma > _SEEN
    some = r_left & g_left
    free, lone = some & b_left, ~g_left & (r_left ^ b_left)
    lit = 4 - 2 * (luma > _LIT * level).view(np.int8) - 2 * bright.view(np.int8)
    on = free & (np.abs(off) < _ON) & (luma > _DARK * level)
    kind = np.where(on, lit + near, np.int8(-1))
    free &= seen
    kind[free & (off > _OFF)] = 6
    kind[free & (off < -_OFF)] = 7
    for first, mask, lamp in (
        (8, some & ~b_left & bright, by_red),
        (10, g_left & b_left & ~r_left, blue),
    ):
        at = np.flatnonzero(mask)
        # The channel that is at its end would be there under the lamp voted for.
        green, bluer = rgb[1].ravel()[at], lamp.ravel()[at]
        over = stops_between(green, np.full_like(green, reach), scene.transfer) + _SLACK
        more = bluer if first == 8 else -np.float32(LAMP_SLOPE) * bluer
        at = at[over + more > 0]
        kind.ravel()[at] = first + near.ravel()[at]
    kind[lone & r_left], kind[lone & b_left] = 12, 13
    # The nearest lamp of what lies off the line.
    aside = blue - np.float32(LAMP_SLOPE / (1 + LAMP_SLOPE**2)) * off
    vote = np.where((kind == 6) | (kind == 7), aside, blue)
    np.copyto(vote, by_red, where=(kind == 8) | (kind == 9) | (kind == 12))
    has = kind >= 0
    ended = float(np.mean(~(r_left | g_left | b_left)))
    whole = (ended, float(burns.mean()), scene.end - level)
    return Votes(kind[has].astype(np.intp), red[has], vote[has], luma.size, whole)


def _rarely(share: Rows) -> Rows:
    """Return shares of the picture as powers of two over next to nothing."""
    return np.asarray(np.log2(share + np.float32(2e-4)) + np.float32(12.3), np.float32)


def evidence_of(votes: Votes) -> Rows:
    """Return what speaks for each lamp: (len(LAMPS), len(LAMP_FEATURES))."""
    many = len(LAMPS)
    lamp = np.rint((votes.blue - LAMPS[0]) / _STEP).clip(0, many - 1).astype(np.intp)
    counts = np.bincount(votes.kind * many + lamp, minlength=len(_KINDS) * many)
    shares = (counts / votes.places).reshape(len(_KINDS), many).astype(np.float32)
    gathered = _rarely(shares @ _BANK).reshape(len(_KINDS) * len(_SPANS), many)
    ended, burnt, room = votes.whole
    all_ended, some = _rarely(np.array([ended, burnt], np.float32))
    alike = np.ones(many)
    own = [
        LAMPS, np.abs(LAMPS), np.exp(-0.5 * (LAMPS / 0.12) ** 2),
        all_ended * alike, some * alike, room * alike,
    ]  # fmt: skip
    return np.concatenate([gathered, np.array(own, np.float32)]).T


def chances(merits: Rows) -> Rows:
    """Return the chance of each lamp from what a network makes of the evidence."""
    odds = np.exp(merits - merits.max())
    return np.asarray(odds / odds.sum(), np.float32)


def white_of(scene: Scene, colour: Plane) -> tuple[float, float, bool]:
    """Return what a white thing shows: red and blue over green in stops; and if known.

    Parameters
    ----------
    colour : (2, h, w) array of float32
        Stops of red and blue over green.
    """
    votes = votes_of(scene, colour)
    merits = _NETWORK.merits(_NETWORK.weighed(evidence_of(votes)))
    return settled(votes, chances(merits))


def settled(votes: Votes, chance: Rows) -> tuple[float, float, bool]:
    """Return the white that votes and the chances of lamps make; see `white_of`."""
    about = np.convolve(chance, np.ones(5), "same")
    peak = int(np.argmax(about))
    some = slice(max(peak - 3, 0), peak + 4)
    blue = float(chance[some] @ LAMPS[some] / chance[some].sum())
    red = -LAMP_SLOPE * blue
    for most in (2, 6):
        own = (votes.kind < most) & (np.abs(votes.blue - blue) < _NEAR_LAMP)
        if np.count_nonzero(own) >= _FEW_PLACES:
            red, blue = (
                float(np.median(votes.red[own])),
                float(np.median(votes.blue[own])),
            )
            break
    return red, blue, bool(about[peak] >= _SURE)
