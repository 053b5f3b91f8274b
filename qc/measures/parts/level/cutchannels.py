"""How far colour channels that are cut off lay over their end, and stops until none is.

Red of tissue is cut off long before luma burns, so most pixels with a channel at its
end still show two others. Each is held against pixels that are not cut off: what has
the same ratio between the channels that are left, scaled to the same brightness, says
what the lost one was. Two materials may fit (a glove and a muscle have green and blue
alike): the one that needs less light over the end counts for more, since bright light
is rarer than dim.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "CHANNEL_BINS",
    "CHANNEL_BIN_STOPS",
    "CutChannels",
    "channel_stops",
    "count",
]

# Stops over the end are counted in bins of this width, from 0 up.
CHANNEL_BIN_STOPS = 0.05
CHANNEL_BINS = 60
# Within this many stops under the end a channel may be cut off: noise and coding.
_MARGIN = 0.06
# Colours are learnt from what is less than this under the end, on so many pixels.
_BAND = 2.0
_KNOWN = 120
_FEW = 10
# Like pixels are taken together: to this many stops in each channel.
_CELL = 0.12
_CELL_BITS = 6
_CELLS = 1 << _CELL_BITS
# How well ratios must agree, and by how many stops light over the end falls to 1/e
# (both chosen on rendered scenes; the fall also by what lies over cameras' ends there).
_HUE_STOPS = 0.15
_FALL_STOPS = 0.35
_SHORT_STOPS = 0.05
# A burnt pixel whose channels lie so near each other is white.
_WHITE_STOPS = 0.35
# Under this a channel is noise.
_DEPTH_STOPS = 6.0
# Pale things lead luma by less than most of the field: this share of it leads less.
# No more than this is taken over to what nothing is known of.
_PALE_SHARE = 0.25
_MOST_LEAD_STOPS = 1 / 3


@dataclass(frozen=True, slots=True, eq=False)
class CutChannels:
    """What one look tells of channels that are cut off.

    Attributes
    ----------
    over : (3, CHANNEL_BINS) array of float16
        Shares of the picture by stops over the end of the brightest channel: with luma
        under the level; burnt and coloured; burnt and white.
    lost : float
        Share that is cut off in all channels.
    lead_stops : float
        How much farther than luma the brightest channel of pale things has to come
        down.
    """

    over: NDArray[np.float16]
    lost: float
    lead_stops: float


def count(
    light: NDArray[np.float32],
    over_level: NDArray[np.float32],
    *,
    cut: float,
    total: int,
) -> tuple[CutChannels, NDArray[np.bool_], NDArray[np.intp], NDArray[np.float32]]:
    """Count the pixels of one look.

    Parameters
    ----------
    light : (3, n) array
        Log2 light of R, G, B as recorded; all pixels within 2 stops of the end.
    over_level : (n,) array
        Stops of recorded luma over the level from which it is burnt.
    cut : float
        Log2 light at which channels are cut off.
    total : int
        Pixels of the picture, as many as all that was sampled.

    Returns
    -------
    CutChannels
    lost : (n,) array of bool
        Pixels cut off in every channel.
    some : (m,) array of int
        Pixels with one or two channels cut off.
    rebuilt : (3, m) array
        Their log light, as it would have been.
    """
    clipped = light >= cut - _MARGIN
    flags = clipped.view(np.int8)
    number = flags[0] + flags[1] + flags[2]
    out = np.zeros((3, CHANNEL_BINS), np.float64)
    lost = number == 3
    known = np.flatnonzero(number == 0)
    # A few more than are needed: some of them are too dark.
    known = known[:: max(1, len(known) // (3 * _KNOWN))]
    colours = light.take(known, axis=1)
    top = np.maximum(np.maximum(colours[0], colours[1]), colours[2])
    least = np.minimum(np.minimum(colours[0], colours[1]), colours[2])
    near = np.flatnonzero((top > cut - _BAND) & (least > cut - _DEPTH_STOPS))
    near = near[:: max(1, -(-len(near) // _KNOWN))]
    colours = colours.take(near, axis=1)
    lead = 0.0
    if len(near) >= _FEW:
        ahead = np.sort(top[near] - np.float32(cut) - over_level[known[near]])
        lead = max(float(ahead[int(_PALE_SHARE * len(ahead))]), 0.0)
        lead = min(lead, _MOST_LEAD_STOPS)
    some = np.flatnonzero((number > 0) & ~lost)
    rebuilt = light.take(some, axis=1)
    if len(some):
        kind = (over_level[some] >= 0).astype(np.intp)
        gone = clipped.take(some, axis=1)
        cells, which, at, counts = _cells(rebuilt, gone, kind, cut)
        over = np.zeros(cells.shape, np.float32)
        if len(near) >= _FEW:
            over = _over(cells, colours, cut)
        for channel, excess in zip(rebuilt, over, strict=True):
            more = excess.take(at)
            np.maximum(channel, more + np.float32(cut), out=channel, where=more > 0)
        # Burnt and white: every channel that is left is close to the end.
        white = np.fmin(np.fmin(cells[0], cells[1]), cells[2]) > cut - _WHITE_STOPS
        row = np.where(which == 1, 1 + white, 0)
        place = over.max(axis=0) * np.float32(1.0 / CHANNEL_BIN_STOPS)
        place = np.minimum(place, CHANNEL_BINS - 1).astype(np.intp)
        where = row * CHANNEL_BINS + place
        out.ravel()[:] = np.bincount(where, weights=counts, minlength=out.size)
    share = np.count_nonzero(lost) / total
    found = CutChannels((out / total).astype(np.float16), share, lead)
    return found, lost, some, rebuilt


def _cells(
    light: NDArray[np.float32],
    clipped: NDArray[np.bool_],
    kind: NDArray[np.intp],
    cut: float,
) -> tuple[NDArray[np.float32], NDArray[np.intp], NDArray[np.intp], NDArray[np.intp]]:
    """Return like pixels taken together.

    Log light (3, m), NaN where a channel is cut off; kind (m,); the cell of each
    pixel (n,); how many are in each cell (m,).
    """
    depth = (np.float32(cut) - light) * np.float32(1.0 / _CELL)
    np.maximum(depth, np.float32(0), out=depth)
    np.minimum(depth, np.float32(_CELLS - 2), out=depth)
    step = depth.astype(np.intp) + 1
    step[clipped] = 0
    code = ((kind * _CELLS + step[0]) * _CELLS + step[1]) * _CELLS + step[2]
    codes, at, counts = np.unique(code, return_inverse=True, return_counts=True)
    middles = np.float32(cut) - (np.arange(_CELLS) - 0.5) * np.float32(_CELL)
    middles[0] = np.nan
    steps = np.stack([codes >> 2 * _CELL_BITS, codes >> _CELL_BITS, codes])
    cells = middles.astype(np.float32).take(steps & (_CELLS - 1))
    return cells, codes >> 3 * _CELL_BITS, at, counts


def _over(
    cells: NDArray[np.float32], known: NDArray[np.float32], cut: float
) -> NDArray[np.float32]:
    """Return how far channels that are cut off lay over the end, stops; else 0."""
    out = np.zeros(cells.shape, np.float32)
    seen = np.isfinite(cells)
    pattern = seen[0] + 2 * seen[1] + 4 * seen[2]
    for code in np.flatnonzero(np.bincount(pattern)).tolist():
        mine = np.flatnonzero(pattern == code)
        left = [c for c in range(3) if code >> c & 1]
        gone = [c for c in range(3) if c not in left]
        gaps = cells[left][:, mine, None] - known[left][:, None, :]
        shift = gaps[0] if len(left) == 1 else 0.5 * (gaps[0] + gaps[1])
        shift -= np.float32(cut)
        found = [known[c] + shift for c in gone]
        short = np.minimum(found[0], found[-1])
        short += np.float32(_MARGIN)
        np.minimum(short, 0, out=short)
        short /= np.float32(_SHORT_STOPS)
        score = np.maximum(found[0], found[-1])
        np.maximum(score, 0, out=score)
        score *= np.float32(-1.0 / _FALL_STOPS)
        score += short
        if len(left) == 2:
            apart = gaps[0] - gaps[1]
            apart *= apart
            apart *= np.float32(0.5 / _HUE_STOPS**2)
            score -= apart
        score -= score.max(axis=1, keepdims=True)
        weight = np.exp(score, out=score)
        weight /= weight.sum(axis=1, keepdims=True)
        for channel, value in zip(gone, found, strict=True):
            np.maximum(value, 0, out=value)
            out[channel, mine] = np.einsum("ij,ij->i", weight, value)
    return out


def channel_stops(
    found: CutChannels, *, allowed: float, ignored: float, luma: float, most: float
) -> float:
    """Return how far to close until no more than `allowed` has a channel cut off.

    Parameters
    ----------
    found : CutChannels
    allowed, ignored : float
        Shares of the picture: what may be cut off, and what burns but does not matter
        (swabs, glints). That is taken from what burns: from what is cut off in all
        channels, then from white, then from the rest.
    luma : float
        Stops to close until luma no longer burns; NaN: none or not known.
    most : float
        Never more is told.

    Returns
    -------
    float
        0 where nothing is to close; NaN where it cannot be told.
    """
    over = found.over.astype(np.float64)
    lost = max(found.lost - ignored, 0.0)
    left = ignored - (found.lost - lost)
    for row in (2, 1):
        own = over[row].tolist()  # Python's own numbers: faster one by one
        for i in range(CHANNEL_BINS):
            if left == 0.0:
                break
            taken = min(left, own[i])
            own[i] -= taken
            left -= taken
        over[row] = own
    if lost > allowed:
        # Rebuilt from nothing: pale things, whose channels follow luma.
        stops = found.lead_stops + luma
        return min(stops, most) if math.isfinite(stops) else math.nan
    above = lost + np.append(np.cumsum(over.sum(axis=0)[::-1])[::-1], 0.0)
    if above[0] <= allowed:
        return 0.0
    i = int(np.flatnonzero(above > allowed)[-1])
    part = float(above[i] - allowed) / max(float(above[i] - above[i + 1]), 1e-12)
    return min(CHANNEL_BIN_STOPS * (i + min(part, 1.0)), most)
