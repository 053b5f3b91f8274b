"""Change of light in strongly coloured fields, each channel by its own points.

Where nearly all is red hardly a point tells red, green and blue at once, as a ratio of
channels would want. But a lamp, or a setting of white, multiplies each channel by one
factor everywhere: so red is read where there is red, green where there is green, blue
where there is blue. What moves or soaks changes only some points, or one material.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

__all__ = ["channels_told", "shift_of_channels"]

Map = NDArray[np.float32]
Flags = NDArray[np.bool_]

# Level of a channel, share of black to white, and share of the point's strongest one,
# from which it says something: under it flare, black level and codec have their say.
_LEVEL, _CEILING, _SHARE = 0.12, 0.95, 0.15
# Points that tell a channel, at the least, and so many in number.
_FEWEST, _COUNT = 0.06, 12
# All channels together changed by more stops: then the camera's curve has a say, which
# may give each stop of it this much of a shift; half of what is seen at the most.
_EXPOSED, _POWER = 0.25, 0.35
# How far points of one channel may be apart (median distance, stops): more where much
# has changed. And so many have gone more than half of the way (house choices; drawn
# fields: 0.2 at most where the light changed, 0.3 and more for sheets, pans and blood).
_SPREAD, _SPREAD_OF_SIZE, _SPREAD_MOST = 0.2, 0.6, 0.3
_SHIFTED, _WITH = 0.06, 0.6
# Points of one channel tell of another what that one's own points tell.
_ALIKE_STOPS, _ALIKE_SHARE = 0.06, 0.25
# Light and dark lie as they lay, over so much of the picture.
_LIT, _LIES_ALIKE = 0.3, 0.7
# A variance of light, square stops, under which there is nothing but grain.
_EVEN = 0.03


def channels_told(rgb: Map) -> Flags:
    """Return which points tell of which channel.

    Parameters
    ----------
    rgb : (3, n) array
        Coded R'G'B', shares of black to white.

    Returns
    -------
    (3, n) array of bool
    """
    strong = np.maximum(_LEVEL, _SHARE * rgb.max(axis=0))
    return np.asarray((rgb > strong) & (rgb < _CEILING), np.bool_)


def shift_of_channels(first: Map, now: Map, told: Flags) -> tuple[float, float] | None:
    """Return how R/G and B/G have changed, in stops; None where it is not sure.

    Parameters
    ----------
    first, now : (3, n) array
        Log2 light of R, G, B of the same points, before and now.
    told : (3, n) array of bool
        Which points tell of which channel, at both times.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> first = rng.normal(-3, 1, (3, 400)).astype(np.float32)
    >>> lamp = np.array([[0.2], [0.0], [-0.3]], np.float32)
    >>> told = np.ones((3, 400), bool)
    >>> red, blue = shift_of_channels(first, first + lamp, told)
    >>> round(red, 3), round(blue, 3)
    (0.2, -0.3)
    """
    points = told.shape[1]
    if told.sum(axis=1).min() < max(_FEWEST * points, _COUNT):
        return None
    change = now - first
    gains, spreads = zip(*(_gain(change[c][told[c]]) for c in range(3)), strict=True)
    common = sorted(gains)[1]
    shift = gains[0] - gains[1], gains[2] - gains[1]
    size = math.hypot(*shift)
    loose = min(max(_SPREAD, _SPREAD_OF_SIZE * size), _SPREAD_MOST)
    if abs(common) > max(_EXPOSED, 0.5 * size / _POWER) or max(spreads) > loose:
        return None
    for c in range(3):
        own = change[c][told[c]] - np.float32(common)
        away = gains[c] - common
        if abs(away) > _SHIFTED and (
            np.mean(own * np.sign(away) > 0.5 * abs(away)) < _WITH
        ):
            return None
    if not _agree(change, told, gains, _ALIKE_STOPS + _ALIKE_SHARE * size):
        return None
    return shift if _lies_alike(first, now, told) else None


def _gain(changes: Map) -> tuple[float, float]:
    """Return by how much most points have changed, and how far apart they are."""
    middle = _median(changes)
    off = np.abs(changes - np.float32(middle))
    spread = _median(off)
    if spread > 0:
        middle = _median(changes[off <= 2.5 * spread])
    return middle, spread


def _agree(change: Map, told: Flags, gains: tuple[float, ...], within: float) -> bool:
    """Return whether each channel's points tell of the others what those tell.

    Blood on the only white thing takes its green with its blue; the green of the rest
    of the picture stays.
    """
    for c in range(3):
        for other in range(3):
            both = told[c] & told[other]
            if other == c or np.count_nonzero(both) < _COUNT:
                continue
            if abs(_median(change[other][both]) - gains[other]) > within:
                return False
    return True


def _lies_alike(first: Map, now: Map, told: Flags) -> bool:
    """Return whether light and dark lie where they lay, in what is told of most."""
    c = int(told.sum(axis=1).argmax())
    own = told[c]
    if np.count_nonzero(own) < _LIT * own.size:
        return False
    a, b = (m[c][own] - m[c][own].mean() for m in (first, now))
    power = float(a @ a), float(b @ b)
    if max(power) < _EVEN * a.size:
        return True
    return float(a @ b) >= _LIES_ALIKE * math.sqrt(power[0] * power[1])


def _median(values: Map) -> float:
    return float(np.partition(values, values.size // 2)[values.size // 2])
