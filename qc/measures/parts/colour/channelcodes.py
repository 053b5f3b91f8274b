"""R', G' and B' of whole pictures in the stream's own codes, without converting them.

With one chroma sample a channel is luma plus a shift that chroma alone decides:
R' = Y' + a Cr, B' = Y' + b Cb, G' = Y' - c Cb - d Cr (all in codes, chroma counted from
no colour). So a channel is at or above a code exactly where luma is at or above that
code less the shift. The shift is rounded to whole codes, which rounds R', G', B' to
whole codes as a conversion to R'G'B' of the same depth would; chroma is repeated over
the luma samples that share it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from qc.kernels.channels import Coloured, Ends
from qc.records import Picture
from qc.signal import LUMA_WEIGHTS, Signal
from qc.views import fields

__all__ = [
    "CHANNELS",
    "Plane",
    "coloured",
    "ends",
    "full_ends",
    "gains",
    "grid_step",
    "range_codes",
    "repeats",
    "shifts",
]

Plane: TypeAlias = NDArray[np.unsignedinteger]

CHANNELS = ("red", "green", "blue")


def gains(signal: Signal) -> tuple[tuple[float, float], ...]:
    """Return what one code of Cb and of Cr adds to R', to G' and to B', in luma codes.

    References
    ----------
    ITU-R BT.601-7, BT.709-6, BT.2020-2 (non-constant luminance): R' - Y' is
    2 (1 - Kr) Cr, B' - Y' is 2 (1 - Kb) Cb, and Kr R' + Kg G' + Kb B' is Y'.

    Examples
    --------
    >>> [round(g, 4) for g in gains(Signal(full_range=True))[1]]
    [-0.1873, -0.4681]
    """
    kr, kb = LUMA_WEIGHTS[signal.matrix]
    kg = 1.0 - kr - kb
    scale = (signal.white - signal.black) / signal.chroma_span
    red, blue = 2.0 * (1.0 - kr) * scale, 2.0 * (1.0 - kb) * scale
    return (0.0, red), (-blue * kb / kg, -red * kr / kg), (blue, 0.0)


def range_codes(signal: Signal) -> tuple[int, int]:
    """Return the lowest and highest code that EBU R 103 lets R', G', B' and Y' have.

    Notes
    -----
    EBU R 103 v3.0 (May 2020): -5 % to 105 %, 5 to 246 in 8 bits, 20 to 984 in 10.

    Examples
    --------
    >>> range_codes(Signal()), range_codes(Signal(bit_depth=10))
    ((5, 246), (20, 984))
    """
    margin = round(0.05 * (signal.white - signal.black))
    return signal.black - margin, signal.white + margin


def repeats(picture: Picture) -> tuple[int, int]:
    """Return how many luma samples, down and across, share one chroma sample.

    Raises
    ------
    ValueError
        If the planes' sizes fit no known chroma format.
    """
    return _repeats(picture.y.shape, picture.cb.shape)


@lru_cache(maxsize=8)
def _repeats(luma: tuple[int, ...], chroma: tuple[int, ...]) -> tuple[int, int]:
    (height, width), (h, w) = luma, chroma
    for down in (1, 2, 4):
        for across in (1, 2, 4):
            if (-(-height // down), -(-width // across)) == (h, w):
                return down, across
    raise ValueError(
        f"chroma of {w} x {h} does not belong to luma of {width} x {height}"
    )


def _bits(signal: Signal) -> int:
    """Return how many bits below a code there is room for in 32 of them."""
    return 29 - signal.bit_depth


def ends(signal: Signal, codes: Sequence[int]) -> Ends:
    """Return thresholds that luma must be over for channels to be at or above codes.

    Parameters
    ----------
    codes : sequence of int
        For each, lines for red, green and blue.
    """
    bits = _bits(signal)
    lines = [
        _line(signal, gain, (code - 1 << bits) + (1 << bits >> 1))
        for code in codes
        for gain in gains(signal)
    ]
    return Ends(np.array(lines, np.int64), bits)


@lru_cache(maxsize=8)
def full_ends(signal: Signal) -> Ends:
    """Return thresholds that luma is over where a channel may be at white or above.

    Before Y', Cb and Cr were rounded, that is: half a code in each may have been lost.
    Upper ends, and lower ones that nothing is under.
    """
    bits = _bits(signal)
    lines = []
    for gain in gains(signal):
        least = signal.white - (1.0 + abs(gain[0]) + abs(gain[1])) / 2.0
        lines.append(_line(signal, gain, math.ceil(least * (1 << bits)) - 1))
    full = np.array(lines, np.int64)
    return Ends(np.concatenate([full, full - [1 << 30, 0, 0]]), bits)


def shifts(signal: Signal) -> Ends:
    """Return what chroma adds to luma for R', G' and B', rounding to 8-bit codes."""
    bits = _bits(signal)
    half = 1 << (bits + signal.bit_depth - 8) >> 1
    lines = [_line(signal, gain, half, sign=-1) for gain in gains(signal)]
    return Ends(np.array(lines, np.int64), bits)


def _line(
    signal: Signal, gain: tuple[float, ...], base: int, *, sign: int = 1
) -> tuple[int, int, int]:
    """Return a line of `Ends`, chroma counted from no colour."""
    cb, cr = (round(share * (1 << _bits(signal))) for share in gain)
    return base + sign * signal.chroma_zero * (cb + cr), cb, cr


def coloured(picture: Picture, *, by_field: bool = True) -> tuple[Coloured, ...]:
    """Return the picture, or its fields, with their chroma; all views.

    In interlaced pictures chroma lines belong to the fields in turn, as luma's do.
    """
    down, across = repeats(picture)
    parts = fields(picture.y, interlaced=picture.interlaced and by_field)
    several = len(parts) > 1
    cbs = fields(picture.cb, interlaced=several)
    crs = fields(picture.cr, interlaced=several)
    return tuple(
        # Two lines of luma may have one line of chroma between them.
        Coloured(
            part,
            cbs[min(number, len(cbs) - 1)],
            crs[min(number, len(crs) - 1)],
            down,
            across,
        )
        for number, part in enumerate(parts)
    )


def grid_step(
    picture: Picture, *, points: int, stretch: float = 1.0
) -> tuple[int, int]:
    """Return steps, down and across, to about `points` places on the chroma planes.

    Parameters
    ----------
    stretch : float
        How much farther apart than a square's lines lie, and nearer the places along
        them: what is near in memory is read faster.
    """
    step = math.sqrt(max(picture.cb.size, 1) / points)
    down, across = max(1, round(stretch * step)), max(1, round(step / stretch))
    if picture.interlaced:
        # Even, so that it stays within the first field.
        down += down % 2
        across += across % 2 if stretch == 1.0 else 0
    return down, across
