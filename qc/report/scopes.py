"""Where a frame's levels and colours lie: counts of its full-resolution planes.

No drawing happens here; `qc.report.scopefigures` makes figures of these counts.
"""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.records import Picture
from qc.signal import LUMA_WEIGHTS, Matrix, Signal
from qc.views import fields, luma_histogram

__all__ = [
    "BAR_COLOURS",
    "BINS",
    "chroma_density",
    "level_counts",
    "level_edges",
    "mean_chroma",
    "target",
    "waveform_density",
]

Plane = NDArray[np.unsignedinteger]

BINS = 256
"""Bins of levels and of Cb and Cr: codes in 8 bits, runs of codes in more."""

BAR_COLOURS = {
    "yellow": (1, 1, 0),
    "cyan": (0, 1, 1),
    "green": (0, 1, 0),
    "magenta": (1, 0, 1),
    "red": (1, 0, 0),
    "blue": (0, 0, 1),
}
"""Colours of television bars as R', G', B'."""

# OpenCV counts in float32, whole only up to here; larger pictures are cut in bands.
_EXACT_COUNT = 1 << 24


def level_edges(signal: Signal) -> tuple[float, float]:
    """Return the levels, in percent, at the lower and upper end of all bins.

    Examples
    --------
    >>> [round(p, 2) for p in level_edges(Signal())]
    [-7.53, 109.36]
    """
    return signal.percent(-0.5), signal.percent(signal.top + 0.5)


def level_counts(picture: Picture) -> NDArray[np.int64]:
    """Return how many pixels have each level of R', G', B' and Y'.

    Returns
    -------
    (4, 2**bit_depth) array of int64
        Counts of each code; every row adds up to the number of pixels. R', G' and B'
        are quantised as Y' is (ITU-R BT.709-6 item 3.4); what lies beyond the codes
        counts with the outermost one.

    Notes
    -----
    Every pixel takes the chroma sample of its own place, without interpolation; in
    interlaced pictures that of its own field.
    """
    signal = picture.signal
    out = np.zeros((4, signal.top + 1), np.int64)
    out[3] = picture.view(luma_histogram)
    planes = (picture.y, picture.cb, picture.cr)
    if not all(p.size for p in planes):
        return out
    apart = picture.interlaced and all(p.shape[0] > 1 for p in planes)
    for y, cb, cr in zip(*(fields(p, interlaced=apart) for p in planes), strict=True):
        rgb = _rgb_codes(y, cb, cr, signal)
        for channel in range(3):
            out[channel] += _counts(rgb, channel, signal.top + 1)
    return out


def _rgb_codes(y: Plane, cb: Plane, cr: Plane, signal: Signal) -> Plane:
    """Return R', G', B' in codes quantised as Y' is, cut off at its ends."""
    kr, kb = LUMA_WEIGHTS[signal.matrix]
    scale = (signal.white - signal.black) / signal.chroma_span
    red, blue = 2.0 * (1.0 - kr) * scale, 2.0 * (1.0 - kb) * scale
    kg = 1.0 - kr - kb
    rows = np.array(
        [[1.0, 0.0, red], [1.0, -kb * blue / kg, -kr * red / kg], [1.0, blue, 0.0]]
    )
    offset = -signal.chroma_zero * rows[:, 1:].sum(axis=1, keepdims=True)
    height, width = y.shape
    size = (width, height)
    full = [
        p
        if p.shape == y.shape
        else cv2.resize(p, size, interpolation=cv2.INTER_NEAREST)
        for p in (cb, cr)
    ]
    # Whole codes come out, rounded, and what would leave the type is cut off.
    rgb = cv2.transform(cv2.merge([y, *full]), np.hstack([rows, offset]))
    if y.dtype != np.uint8:
        rgb = np.minimum(rgb, signal.top)
    return np.asarray(rgb)


def _counts(rgb: Plane, channel: int, codes: int) -> NDArray[np.int64]:
    band = max(1, (_EXACT_COUNT - 1) // rgb.shape[1])
    total = np.zeros(codes, np.int64)
    for top in range(0, rgb.shape[0], band):
        part = rgb[top : top + band]
        counts = cv2.calcHist([part], [channel], None, [codes], [0.0, float(codes)])
        total += counts.ravel().astype(np.int64)
    return total


def waveform_density(
    picture: Picture, *, rotation: int = 0, columns: int = 360
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return how many pixels of each column of the picture have each luma level.

    Parameters
    ----------
    rotation : int
        Degrees clockwise by which the picture is turned when it is shown.
    columns : int
        At most so many; neighbours of a wide picture share one.

    Returns
    -------
    density : (256, columns) array of int64
        Row 0 is the lowest level; adds up to the number of pixels.
    pixels : (columns,) array of int64
        Pixels that fell into each column.
    """
    plane: Plane = np.rot90(picture.y, k=-(rotation // 90) % 4)
    height, width = plane.shape
    used = max(1, min(columns, width))
    column = (np.arange(width, dtype=np.int64) * used) // max(width, 1)
    place = np.right_shift(plane, picture.signal.bit_depth - 8).astype(np.int32)
    place += (column * BINS).astype(np.int32)
    counts = np.bincount(place.ravel(), minlength=used * BINS)
    pixels = np.bincount(column, minlength=used) * height
    return counts.reshape(used, BINS).T, pixels


def chroma_density(picture: Picture) -> NDArray[np.int64]:
    """Return how many chroma samples have each Cb and Cr.

    Returns
    -------
    (256, 256) array of int64
        Rows are Cr, columns Cb, the lowest code first.
    """
    shift = picture.signal.bit_depth - 8
    place = np.right_shift(picture.cr, shift).astype(np.int32)
    place *= BINS
    place += np.right_shift(picture.cb, shift)
    counts = np.bincount(place.ravel(), minlength=BINS * BINS)
    return np.asarray(counts.reshape(BINS, BINS), np.int64)


def target(
    colour: str, *, matrix: Matrix, amplitude: float = 1.0
) -> tuple[float, float]:
    """Return where a bar's colour lies: Cb and Cr as shares of full excursion.

    Parameters
    ----------
    colour : str
        A name of `BAR_COLOURS`.
    amplitude : float
        0.75 for 75 % bars.

    Returns
    -------
    cb, cr : float
        -0.5 to 0.5.

    References
    ----------
    ITU-R BT.709-6 item 3.3, BT.601-7, BT.2020-2: colour difference equations.

    Examples
    --------
    >>> target("blue", matrix="bt709")[0]
    0.5
    """
    red, green, blue = (amplitude * v for v in BAR_COLOURS[colour])
    kr, kb = LUMA_WEIGHTS[matrix]
    luma = kr * red + (1.0 - kr - kb) * green + kb * blue
    return (blue - luma) / (2.0 * (1.0 - kb)), (red - luma) / (2.0 * (1.0 - kr))


def mean_chroma(density: NDArray[np.int64], signal: Signal) -> tuple[float, float]:
    """Return the mean of Cb and Cr as shares of full excursion; NaN of nothing."""
    total = int(density.sum())
    if not total:
        return math.nan, math.nan
    step = 1 << (signal.bit_depth - 8)
    # Codes that share a bin count as its middle.
    codes = np.arange(BINS) * step + (step - 1) / 2.0
    cb = float((density.sum(axis=0) * codes).sum()) / total
    cr = float((density.sum(axis=1) * codes).sum()) / total
    zero, span = signal.chroma_zero, signal.chroma_span
    return (cb - zero) / span, (cr - zero) / span
