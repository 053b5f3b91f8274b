"""What several places of the scene behind a pixel say: does it stay, or pass by."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.spots.pixellooks import FACING, GROUND, SIDES

__all__ = ["PLACES", "SEEN", "Weighed", "begin", "goes", "note", "stands", "weigh"]

PLACES = 10  # of the scene, that are told apart behind one pixel
# Looks between which the scene came less are one: px of the full picture, of the width.
_APART_PX, _APART_SHARE = 1.5, 0.0025
# A scene that goes to and fro shows the same again, wherever it was followed to; and a
# thing of the rig rests. Surroundings of some contrast beside their slope (root mean
# square, percent of black-to-white) are the same if they differ by no more than noise
# and this share of it; after a cut others only if they differ by more than that share.
_CONTRAST, _NO_MORE, _SAME, _OTHER = 0.75, 0.3, 0.3, 0.5
# What the scene itself may be off what lies around a pixel: noise and what a codec
# leaves, percent of black-to-white; share of the deviation around; tails (Student's t).
_NOISE, _SHARE, _TAIL = 1.2, 0.5, 3.0
# No place says more than this: fine patterns come by again, and then quite alike.
_MOST_SAID = 6.0
_DENIES, _SPEAKS = -2.5, 1.0  # what a place says that surely lacks, or shows it
_CLEAR = 5.0  # times the scene's own deviation
_MISSED = 2.5  # times the scene's own deviation; half of what was seen at first
# Where what is two pixels away differs by more than noise, so many times what differs
# farther off, and this share of how far the pixel stands out, it is a larger mark.
_FARTHER, _OWN = 1.5, 0.06

# Takes out of what is around its mean and slope: a sky's slope is the same everywhere.
_PLANE = np.column_stack([np.ones(FACING), np.array(SIDES)])
_BENT = (np.eye(FACING) - _PLANE @ np.linalg.pinv(_PLANE)).astype(np.float32)

# Like nothing that is seen.
_UNKNOWN = np.float32(1e6) * (1 - 2 * (np.arange(FACING) % 2)).astype(np.float32)

# What is kept of the places behind a pixel: how many, where the scene lay (shares of
# the width) in which chain, sums over the looks at each, and what was around it.
SEEN = np.dtype(
    [
        ("count", np.int32),
        ("chain", np.int64, (PLACES,)),
        ("at", np.float32, (PLACES, 2)),
        ("times", np.float32, (PLACES,)),
        ("ground", np.float32, (PLACES, GROUND)),
        ("around", np.float32, (PLACES, FACING)),
    ]
)


@dataclass(frozen=True, slots=True, eq=False)
class Weighed:
    """What the places say of each pixel.

    Attributes
    ----------
    said : (n,) array
        Natural logarithm of how much likelier what was seen is of a pixel that is moved
        by one share of the way to white (or black) everywhere, than of the scene.
    share : (n,) array
        That share.
    denied : (n,) array
        In which part of the places it is surely not there.
    far : (n,) array
        How far the scene came from the first place to those that speak for a pixel, in
        shares of the width; without bound from one chain to another.
    """

    said: NDArray[np.float32]
    share: NDArray[np.float32]
    denied: NDArray[np.float32]
    far: NDArray[np.float32]


def begin(
    seen: NDArray[np.void],
    chain: int,
    lies: NDArray[np.float32],
    ground: NDArray[np.float32],
) -> None:
    """Note the look that a pixel was found at; for the arguments see `note`.

    What is around is left unknown, to save its cost: most are gone at the next look.
    """
    seen["count"] = 1
    seen["chain"][:, 0], seen["at"][:, 0] = chain, lies
    seen["times"][:, 0], seen["ground"][:, 0] = 1.0, ground
    seen["around"][:, 0] = _UNKNOWN


def stands(ground: NDArray[np.float32]) -> NDArray[np.bool_]:
    """Return which pixels stand out so far that other places can tell of them."""
    most = _CLEAR * _deviation(ground[:, 4])
    return np.asarray(ground[:, 0] - ground[:, 3] >= most)


def goes(seen: NDArray[np.void], ground: NDArray[np.float32]) -> NDArray[np.bool_]:
    """Return which pixels lack now even half of what they were at first."""
    value, mean, spread = ground[:, 0], ground[:, 3], ground[:, 4]
    was = seen["ground"][:, 0] / np.maximum(seen["times"][:, :1], 1.0)
    share = (was[:, 0] - was[:, 3]) / np.maximum(100.0 - was[:, 3], 1.0)
    half = 0.5 * share * (100.0 - mean)
    return np.asarray((half > _MISSED * _deviation(spread)) & (value - mean < half))


def note(
    seen: NDArray[np.void],
    chain: int,
    lies: NDArray[np.float32],
    ground: NDArray[np.float32],
    around: NDArray[np.float32],
    width: int,
) -> None:
    """Add a look to the place of the scene that it shows behind each pixel.

    Parameters
    ----------
    seen : (n,) array of `SEEN`
        Changed in place.
    chain : int
    lies : (n, 2) array
        See `spotlooks.Look`; where the scene lies under each pixel.
    ground : (n, GROUND) array
        See `pixellooks.ground_at`.
    around : (n, FACING) array
        See `pixellooks.beside`.
    """
    if not len(seen):
        return
    used = int(seen["count"].max())
    there = np.arange(used) < seen["count"][:, None]
    here = seen["chain"][:, :used] == chain
    step = seen["at"][:, :used] - lies[:, None]
    least = max(_APART_PX / width, _APART_SHARE)
    near = here & ((step * step).sum(axis=2) < least * least)
    behind, now = seen["around"][:, :used] @ _BENT, around @ _BENT
    differ = _size(behind - now[:, None])
    contrast = np.maximum(_size(behind), _size(now)[:, None])
    plain = contrast < _CONTRAST
    same = near | (~plain & (differ < _NO_MORE + _SAME * contrast))
    # From one chain to another nobody knows how far the scene has come.
    same |= ~here & (plain | (differ < _OTHER * contrast))
    same &= there
    known = same.any(axis=1)
    which = np.where(known, same.argmax(axis=1), seen["count"])
    fits = np.flatnonzero(which < PLACES)
    which = which[fits]
    new = ~known[fits]
    fresh, slot = fits[new], which[new]
    seen["chain"][fresh, slot] = chain
    seen["at"][fresh, slot] = lies[fresh]
    seen["around"][fresh, slot] = around[fresh]
    seen["count"][fresh] += 1
    seen["times"][fits, which] += 1.0
    seen["ground"][fits, which] += ground[fits]


def weigh(seen: NDArray[np.void]) -> Weighed:
    """Return what the places say of each pixel; see the class.

    Notes
    -----
    At each place the scene alone may be anything from the lowest to the highest of what
    any two pixels that face each other across the pixel suggest for it, so that a line
    or an edge through it says nothing; a pixel that is moved by a share may be that,
    moved. What it is off either, in units of the scene's own deviation there, has the
    density of Student's t, whose long tails the scene's details have too. So a look at
    plain ground says much, and one at stripes, or at white, nothing. The first place
    is left out: there it was picked because it stands out.
    """
    used = int(seen["count"].max(initial=1))
    there = np.arange(used) < seen["count"][:, None]
    times = np.maximum(seen["times"][:, :used, None], 1.0)
    means = seen["ground"][:, :used] / times
    value, low, high, mean, spread = (means[..., n] for n in range(GROUND))
    unit = _deviation(spread)
    room = np.maximum(100.0 - mean, 1.0)
    share = _middle((value - mean) / room, np.where(there, (room / unit) ** 2, 0.0))
    share = np.clip(share, 0.0, 1.0)
    moved = share[:, None]
    stays = _off(value, low + moved * (100 - low), high + moved * (100 - high)) / unit
    passes = _off(value, low, high) / unit
    half = 0.5 * (_TAIL + 1.0)
    said = half * (np.log1p(passes**2 / _TAIL) - np.log1p(stays**2 / _TAIL))
    mark = _NOISE + _FARTHER * _size(seen["around"][:, :used])
    mark += _OWN * np.abs(value - mean)
    said = np.minimum(said, np.where(spread > mark, 0.0, _MOST_SAID))
    said = np.where(there, said, 0.0)
    said[:, 0] = 0.0
    denied = (said < _DENIES).sum(axis=1) / np.maximum(seen["count"], 1)
    step = seen["at"][:, :used] - seen["at"][:, :1]
    far = np.sqrt((step * step).sum(axis=2))
    far[seen["chain"][:, :used] != seen["chain"][:, :1]] = np.inf
    far = np.where(said > _SPEAKS, far, 0.0).max(axis=1, initial=0.0)
    return Weighed(said.sum(axis=1), share, denied.astype(np.float32), far)


def _deviation(spread: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return what the scene itself may be off, by the deviation around."""
    return np.asarray(np.sqrt(_NOISE**2 + (_SHARE * spread) ** 2), np.float32)


def _size(values: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the root mean square over the last axis."""
    sums = np.einsum("...i,...i->...", values, values)
    return np.asarray(np.sqrt(sums / values.shape[-1]), np.float32)


def _off(
    value: NDArray[np.float32], low: NDArray[np.float32], high: NDArray[np.float32]
) -> NDArray[np.float32]:
    """Return how far values lie outside of ranges."""
    return np.asarray(np.maximum(np.maximum(low - value, value - high), 0.0))


def _middle(
    values: NDArray[np.float32], weights: NDArray[np.float32]
) -> NDArray[np.float32]:
    """Return the weighted median of each line."""
    order = np.argsort(values, axis=1)
    sums = np.cumsum(np.take_along_axis(weights, order, axis=1), axis=1)
    half = (sums >= 0.5 * sums[:, -1:]).argmax(axis=1)[:, None]
    return np.take_along_axis(values, np.take_along_axis(order, half, axis=1), axis=1)[
        :, 0
    ]
