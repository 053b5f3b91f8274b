"""R', G' and B' of whole pictures in the stream's own codes, without converting them.

With one chroma sample a channel is luma plus a shift that chroma alone decides:
R' = Y' + a Cr, B' = Y' + b Cb, G' = Y' - c Cb - d Cr (all in codes, chroma counted from
no colour). So a channel is at or above a code exactly where luma is at or above that
code less the shift. The shift is rounded to whole codes, which rounds R', G', B' to
whole codes as a conversion to R'G'B' of the same depth would; chroma is repeated over
the luma samples that share it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TypeAlias, cast

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.records import Picture
from qc.signal import LUMA_WEIGHTS, Signal
from qc.views import fields

__all__ = [
    "CHANNELS",
    "Band",
    "Plane",
    "Strip",
    "gains",
    "range_codes",
    "repeats",
    "sample_rgb",
    "strips",
    "threshold",
    "widened",
]

Plane: TypeAlias = NDArray[np.unsignedinteger]

_STRIP_LINES = 90

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
    (height, width), (h, w) = picture.y.shape, picture.cb.shape
    for down in (1, 2, 4):
        for across in (1, 2, 4):
            if (-(-height // down), -(-width // across)) == (h, w):
                return down, across
    raise ValueError(
        f"chroma of {w} x {h} does not belong to luma of {width} x {height}"
    )


def threshold(
    cb: Plane, cr: Plane, *, signal: Signal, gain: tuple[float, float], code: int
) -> Plane:
    """Return the luma codes that must be passed for a channel to reach `code`.

    Parameters
    ----------
    gain : (float, float)
        The channel's entry of `gains`.

    Returns
    -------
    array of the chroma's size and type
        The channel is at or above `code` where luma is *over* the threshold: luma
        less the threshold is the channel's code less `code`, plus one. Cut to what
        the type holds; at the lower end only in limited BT.2020 with 8-bit Cb codes
        over 252, which no picture in range has.
    """
    of_cb, of_cr = gain
    base = code - 1 + signal.chroma_zero * (of_cb + of_cr)
    return cast(Plane, cv2.addWeighted(cb, -of_cb, cr, -of_cr, base))


@dataclass(frozen=True, slots=True, eq=False)
class Band:
    """Lines of luma, one a chroma line.

    Attributes
    ----------
    rows : slice
        Which lines of the picture these are.
    y : (n, W) array
        Luma, a view.
    """

    rows: slice
    y: Plane


@dataclass(frozen=True, slots=True, eq=False)
class Strip:
    """Some chroma lines of one field, and the bands of luma that share them."""

    cb: Plane
    cr: Plane
    bands: tuple[Band, ...]


def strips(picture: Picture, *, lines: int = _STRIP_LINES) -> Iterator[Strip]:
    """Yield the picture in strips, field by field; all views.

    In interlaced pictures chroma lines belong to the fields in turn, as luma's do.
    Strips are so small that what is made of them stays in the processor's cache.
    """
    down, _ = repeats(picture)
    parts = fields(picture.y, interlaced=picture.interlaced)
    several = len(parts) > 1
    cbs = fields(picture.cb, interlaced=several)
    crs = fields(picture.cr, interlaced=several)
    for number, part in enumerate(parts):
        # Two lines of luma may have one line of chroma between them.
        cb, cr = (planes[min(number, len(planes) - 1)] for planes in (cbs, crs))
        for first in range(0, -(-part.shape[0] // down), lines):
            own = slice(min(first, max(cb.shape[0] - 1, 0)), first + lines)
            yield Strip(
                cb[own],
                cr[own],
                tuple(
                    Band(
                        slice(
                            number + len(parts) * line,
                            number + len(parts) * (first + lines) * down,
                            len(parts) * down,
                        ),
                        part[line : (first + lines) * down : down],
                    )
                    for line in range(first * down, (first + 1) * down)
                    if line < part.shape[0]
                ),
            )


def widened(plane: Plane, across: int, like: Plane) -> Plane:
    """Return chroma-sized values repeated to the size of a band of luma."""
    height, width = like.shape
    if plane.shape[0] < height:  # fields of a height that no interlaced format has
        plane = np.pad(plane, ((0, height - plane.shape[0]), (0, 0)), mode="edge")
    if across > 1:
        h, w = plane.shape
        plane = cast(Plane, cv2.merge([plane] * across)).reshape(h, w * across)
    return plane[:height, :width]


def sample_rgb(
    picture: Picture, *, points: int
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return luma and R', G', B' at about `points` places on a grid, in codes.

    Returns
    -------
    luma : (n,) array of float32
    rgb : (3, n) array of float32
    """
    down, across = repeats(picture)
    size = max(picture.cb.size, 1)
    step = max(1, round((size / points) ** 0.5))
    step += step % 2 if picture.interlaced else 0  # stay within the first field
    cb, cr = picture.cb[::step, ::step], picture.cr[::step, ::step]
    y = picture.y[:: step * down, :: step * across][: cb.shape[0], : cb.shape[1]]
    luma = y.astype(np.float32).ravel()
    chroma = [
        plane.astype(np.float32).ravel() - picture.signal.chroma_zero
        for plane in (cb, cr)
    ]
    rgb = np.stack(
        [
            luma + np.float32(b) * chroma[0] + np.float32(r) * chroma[1]
            for b, r in gains(picture.signal)
        ]
    )
    return luma, rgb
