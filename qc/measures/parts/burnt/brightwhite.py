"""What a white thing shows in a picture: which lamp lights it, against its balance.

Private to `brightparts`. Every lamp's white lies on one line of red over blue (the
Planckian locus), or a little beside it where the lamp is greener or pinker than a black
body, as LEDs are: its tint. Skin and tissue lie farther off, to the red, drapes to the
green. Under a lamp that the camera is not balanced for, one channel of a white thing
reaches the end of the signal long before the others: then those that are left still
tell on which lamp it would be white. So for each of a few tints each place of the small
picture votes for a lamp, by kind of vote, and a small fitted network weighs what each
lamp of each tint has for and against it.
"""

from __future__ import annotations

from collections.abc import Sequence
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
    "TINTS",
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
TINTS = (-0.45, -0.3, -0.15, 0.0, 0.15, 0.3)
"""Stops of red over a black body's white of the same blue: under 0 green, over 0 pink.

0.4 is a Duv of 0.01 at 4300 to 5600 K in BT.709 primaries; lamps for white light stay
within 0.006 (ANSI C78.377, from memory), a balance by hand is off by some more.
"""
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
    "lamp", "lamp off", "lamp even", "green tint", "pink tint", "all ended", "burnt",
    "end over level",
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
    """What places of a small picture vote for, if lamps have a tint.

    Attributes
    ----------
    kind : (n,) array of int
        Index into `_KINDS` of every place that has a vote.
    red, blue : (n,) arrays of float32
        Stops of the red it shows, and of the blue of the lamp it votes for.
    tint : float
        Of `TINTS`.
    places : int
        How many there are, with those that have none.
    whole : (float, float, float)
        Share of places with all channels at their end, share burnt out, and how far
        the signal goes over the level.
    """

    kind: NDArray[np.intp]
    red: Rows
    blue: Rows
    tint: float
    places: int
    whole: tuple[float, float, float]


@dataclass(frozen=True, slots=True, eq=False)
class _Some:
    """Places that may vote in one way: what they show, and what kind of vote it is.

    Attributes
    ----------
    kind : (n,) array of int8
        Index into `_KINDS`.
    off : (n,) array of float32
        Stops of red over a black body's white of the same blue.
    room : (n,) array of float32
        Stops that green lacks to the end of the signal, with some slack.
    """

    red: Rows
    blue: Rows
    off: Rows
    kind: NDArray[np.int8]
    room: Rows


def votes_of(scene: Scene, colour: Plane) -> list[Votes]:
    """Return the votes of every other place, for each of `TINTS`.

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
    near = (cv2.dilate(burns.view(np.uint8), _AROUND) > 0).view(np.int8)
    bright = luma > _BRIGHT * level
    lit = 4 - 2 * (luma > _LIT * level).view(np.int8) - 2 * bright.view(np.int8) + near
    off = red + np.float32(LAMP_SLOPE) * blue
    green = rgb[1].ravel()

    def some(where: Flags, kind: NDArray[np.int8]) -> _Some:
        at = np.flatnonzero(where)
        mine = green[at]
        room = stops_between(mine, np.full_like(mine, reach), scene.transfer)
        r, b, o = (of.ravel()[at] for of in (red, blue, off))
        return _Some(r, b, o, kind.ravel()[at], room + _SLACK)

    both, lone = r_left & g_left, ~g_left & (r_left ^ b_left)
    free = both & b_left
    groups = (
        some(free & (luma > _DARK * level), lit),
        some(free & (luma > _SEEN), np.full_like(lit, 6)),
        some(both & ~b_left & bright, near + np.int8(8)),
        some(g_left & b_left & ~r_left, near + np.int8(10)),
        some(lone & r_left, np.full_like(lit, 12)),
        some(lone & b_left, np.full_like(lit, 13)),
    )
    ended = float(np.mean(~(r_left | g_left | b_left)))
    whole = (ended, float(burns.mean()), scene.end - level)
    return [_votes(groups, tint, luma.size, whole) for tint in TINTS]


def _votes(
    groups: tuple[_Some, ...],
    tint: float,
    places: int,
    whole: tuple[float, float, float],
) -> Votes:
    """Return the votes of places for lamps of a tint; groups as in `votes_of`."""
    slope, off = np.float32(LAMP_SLOPE), np.float32(tint)
    free, seen, no_blue, no_red, red_left, blue_left = groups
    # Places by number: faster than by flags.
    on = np.flatnonzero(np.abs(free.off - off) < _ON)
    aside = seen.off - off
    beside = np.flatnonzero(np.abs(aside) > _OFF)
    aside = aside[beside]
    by_red, by_lone = ((off - g.red) / slope for g in (no_blue, red_left))
    # The channel that is at its end would be there under the lamp voted for.
    blue_ends = no_blue.room + by_red > 0
    red_ends = no_red.room + off - slope * no_red.blue > 0
    parts = (
        (free.kind[on], free.red[on], free.blue[on]),
        # What lies off the line votes for the nearest lamp.
        (seen.kind[beside] + (aside < 0), seen.red[beside],
         seen.blue[beside] - slope / (1 + slope**2) * aside),
        (no_blue.kind[blue_ends], no_blue.red[blue_ends], by_red[blue_ends]),
        (no_red.kind[red_ends], no_red.red[red_ends], no_red.blue[red_ends]),
        (red_left.kind, red_left.red, by_lone),
        (blue_left.kind, blue_left.red, blue_left.blue),
    )  # fmt: skip
    kind, red, blue = (np.concatenate(p) for p in zip(*parts, strict=True))
    return Votes(kind.astype(np.intp), red, blue, tint, places, whole)


def _rarely(share: Rows) -> Rows:
    """Return shares of the picture as powers of two over next to nothing."""
    return np.asarray(np.log2(share + np.float32(2e-4)) + np.float32(12.3), np.float32)


def evidence_of(votes: Votes) -> Rows:
    """Return what speaks for each lamp: (len(LAMPS), len(LAMP_FEATURES))."""
    many = len(LAMPS)
    place = (votes.blue - np.float32(LAMPS[0])) * np.float32(1 / _STEP)
    lamp = np.rint(place, out=place).clip(0, many - 1, out=place).astype(np.intp)
    counts = np.bincount(votes.kind * many + lamp, minlength=len(_KINDS) * many)
    shares = (counts / votes.places).reshape(len(_KINDS), many).astype(np.float32)
    gathered = _rarely(shares @ _BANK).reshape(len(_KINDS) * len(_SPANS), many)
    ended, burnt, room = votes.whole
    all_ended, some = _rarely(np.array([ended, burnt], np.float32))
    alike = np.ones(many)
    own = [
        LAMPS, np.abs(LAMPS), np.exp(-0.5 * (LAMPS / 0.12) ** 2),
        max(-votes.tint, 0) * alike, max(votes.tint, 0) * alike,
        all_ended * alike, some * alike, room * alike,
    ]  # fmt: skip
    return np.concatenate([gathered, np.array(own, np.float32)]).T


def chances(merits: Rows) -> Rows:
    """Return the chance of each lamp of each tint: (len(TINTS), len(LAMPS)).

    Parameters
    ----------
    merits : (len(TINTS) * len(LAMPS),) array
        What a network makes of the evidence, tint after tint.
    """
    odds = np.exp(merits - merits.max()).reshape(len(TINTS), len(LAMPS))
    return np.asarray(odds / odds.sum(), np.float32)


def white_of(scene: Scene, colour: Plane) -> tuple[float, float, bool]:
    """Return what a white thing shows: red and blue over green in stops; and if known.

    Parameters
    ----------
    colour : (2, h, w) array of float32
        Stops of red and blue over green.
    """
    votes = votes_of(scene, colour)
    evidence = np.concatenate([evidence_of(v) for v in votes])
    return settled(votes, chances(_NETWORK.merits(_NETWORK.weighed(evidence))))


def settled(votes: Sequence[Votes], chance: Rows) -> tuple[float, float, bool]:
    """Return the white that votes and the chances of lamps make; see `white_of`.

    Parameters
    ----------
    votes : one for each of `TINTS`
    chance : (len(TINTS), len(LAMPS)) array
        As `chances` gives it.
    """
    # Sums over neighbours: three tints, five lamps.
    about = cv2.boxFilter(
        chance, -1, (5, 3), normalize=False, borderType=cv2.BORDER_CONSTANT
    )
    tint, peak = divmod(int(np.argmax(about)), len(LAMPS))
    tints, lamps = slice(max(tint - 1, 0), tint + 2), slice(max(peak - 3, 0), peak + 4)
    part = chance[tints, lamps] / chance[tints, lamps].sum()
    blue = float(part.sum(axis=0) @ LAMPS[lamps])
    off = float(part.sum(axis=1) @ np.array(TINTS[tints]))
    red = off - LAMP_SLOPE * blue
    mine = votes[int(np.argmin(np.abs(np.array(TINTS) - off)))]
    for most in (2, 6):
        own = (mine.kind < most) & (np.abs(mine.blue - blue) < _NEAR_LAMP)
        if np.count_nonzero(own) >= _FEW_PLACES:
            red, blue = (
                float(np.median(mine.red[own])),
                float(np.median(mine.blue[own])),
            )
            break
    return red, blue, bool(about[tint, peak] >= _SURE)
