"""Arithmetic of sharpness: noise, contrast that defocus leaves, rise of edges."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from qc.kernels.detail import (
    area_sums,
    bin_reached,
    both_ways,
    edge_steps,
    quietest,
    tile_contrast,
)
from qc.measures.parts.focus.shrunk import Shrunk
from qc.records import Picture
from qc.views import TILE_COLUMNS, TILE_ROWS, tile_edges

__all__ = [
    "LAPLACIAN_ENERGY",
    "RISE_LONG_SIDE",
    "Edges",
    "across_share",
    "blur_radius",
    "coarse_contrast",
    "crispest_edges",
    "edge_rise",
    "noise_sigma",
    "tile_colours",
]

_Source: TypeAlias = NDArray[np.unsignedinteger] | Shrunk

# White noise of variance s^2 puts 20 s^2 into the variance of this Laplacian: the sum
# of its squared coefficients, 1 + 1 + 16 + 1 + 1.
LAPLACIAN_ENERGY = 20.0

# Sum of squared coefficients of the noise filter (1 -2 1) x (1 -2 1).
_NOISE_ENERGY = 36.0
_NOISE_BLOCK = 16
_NOISE_SHARE = 0.15
_FEWEST_BLOCKS = 8
# Mean of the lowest blocks over the mean of all, for pure noise: the choice of the
# quietest blocks reads low by this factor (test_focus simulates it).
_NOISE_BIAS = 0.872

# Noise of variance s^2 puts 6 s^2 into a second difference, 1 + 4 + 1.
_SECOND_ENERGY = 6.0
# Which way detail runs is read on about this many lines.
_ACROSS_LINES = 68

# Tiles darker than this hold more noise than detail.
_TILE_DARK_PERCENT = 4.0
# Share of its level that a tile without coarse structure counts as contrast.
_LEVEL_SHARE = 0.1

# The rise of edges is counted in pixels of a picture no longer than this: the lens
# and not the number of pixels decides from there on.
RISE_LONG_SIDE = 1920
# Share of pixels, in percent, that are the crispest edges.
_CRISPEST_PERCENT = 0.1
# A normal variable lies beyond this many standard deviations as often.
_CRISPEST_SIGMAS = 3.29
# 10-to-90 % rise of a Gaussian edge in standard deviations: 2 x 1.2816.
_RISE_SIGMAS = 2.563
# Steepest slope of a Gaussian edge over its strongest curvature, over sigma: e^-1/2.
_SLOPE_OVER_CURVATURE = math.exp(-0.5)
# Weaker edges (8-bit codes a pixel), and edges whose squared slope is not that many
# times what noise alone puts there, cannot be made out.
_LEAST_SLOPE = 1.0
_OVER_NOISE = 1.5
# Lines are read in steps so that about this many pixels are: enough for a thousandth.
_EDGE_PIXELS = 75_000
_EDGE_BINS = 4096
_EDGE_TOP = 1024.0
_SMALLEST_SIDE = 64
# Blur (sigma) that whole pixels put on a hard edge is under this.
_NARROW = 0.6
_COARSENESS = (1, 2, 4, 8)
# Edges lower than this, 8-bit codes, may be grain; slopes of edges under a pixel wide
# are by 1.4 times steeper between squares twice as large, of wide ones twice.
_LOW_CODES, _STEEPER = 40.0, 1.6


def noise_sigma(
    plane: NDArray[np.unsignedinteger],
    *,
    black: int,
    ceiling: int,
    bands: int | None = None,
) -> float:
    """Estimate the standard deviation of the noise from the quietest parts.

    Parameters
    ----------
    plane : (H, W) array of uint8 or uint16
        Luma codes.
    black, ceiling : int
        Codes at which the signal is cut; blocks at them hold no noise and are left
        out.
    bands : int or None
        Look at so many bands of blocks only, evenly apart: a glance.

    Returns
    -------
    float
        In native code values; NaN when nothing is left to estimate from.

    Notes
    -----
    The noise filter of Immerkaer, "Fast noise variance estimation", Computer Vision
    and Image Understanding 64(2), 1996 (from memory), insensitive to slopes and
    straight edges; instead of the whole picture, only the quietest blocks of 16 x 16
    pixels count, so that texture is not taken for noise.
    """
    height, width = plane.shape
    across, down = width // _NOISE_BLOCK, height // _NOISE_BLOCK
    if across * down < _FEWEST_BLOCKS:
        return math.nan
    tops, lines = _noise_bands(down, bands)
    found = quietest(
        plane,
        _NOISE_BLOCK,
        tops=tops,
        lines=lines,
        low=black * 1.02 + 1,
        high=0.98 * ceiling,
        share=_NOISE_SHARE,
    )
    if found.usable < _FEWEST_BLOCKS:
        return math.nan
    # Mean magnitude of a normal variable: sigma * sqrt(2 / pi).
    magnitude = found.sum / found.taken / _NOISE_BLOCK**2
    sigma = magnitude * math.sqrt(math.pi / 2)
    return sigma / math.sqrt(_NOISE_ENERGY) / _NOISE_BIAS


@lru_cache(maxsize=8)
def _noise_bands(down: int, bands: int | None) -> tuple[NDArray[np.int64], int]:
    """Return where bands of blocks begin, and how many lines each has."""
    if bands is None or bands >= down:
        return np.zeros(1, np.int64), down * _NOISE_BLOCK
    places = [down * (2 * i + 1) // (2 * bands) for i in range(bands)]
    return np.array(places, np.int64) * _NOISE_BLOCK, _NOISE_BLOCK


def coarse_contrast(
    small: NDArray[np.unsignedinteger], *, black: int, white: int
) -> NDArray[np.float64]:
    """Return the contrast of each tile that defocus leaves.

    Parameters
    ----------
    small : (h, w) array of uint8 or uint16
        Small area-averaged luma in native codes.
    black, white : int
        Codes of 0 and 100 percent.

    Returns
    -------
    (rows, columns) array of float64
        Root of the variance within the tile on the small picture and the squared
        share `_LEVEL_SHARE` of its level, in percent; NaN in dark tiles. Both follow
        the exposure as fine detail does, and both go when the subject leaves the tile;
        neither falls when it goes out of focus: fine detail is held against them.
    """
    return tile_contrast(
        small,
        (TILE_ROWS, TILE_COLUMNS),
        black=black,
        percent=100.0 / (white - black),
        share=_LEVEL_SHARE,
        dark=_TILE_DARK_PERCENT,
    )


def tile_colours(
    picture: Picture, small: NDArray[np.unsignedinteger]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return the mean luma, Cb and Cr of each tile: what no lens changes by much.

    Parameters
    ----------
    small : (h, w) array of uint8 or uint16
        Small area-averaged luma in native codes.

    Returns
    -------
    three (rows, columns) arrays of float64
        Percent of black to white, and of the extremes of Cb and Cr; of chroma every
        fourth line is read.
    """
    signal, shape = picture.signal, (TILE_ROWS, TILE_COLUMNS)
    luma = area_sums(small, shape) / max(small.size, 1) - signal.black
    out = [luma * (100.0 / (signal.white - signal.black))]
    for plane in (picture.cb, picture.cr):
        some = plane[:: 4 if plane.shape[0] >= 4 * TILE_ROWS else 1]
        if min(some.shape) < TILE_COLUMNS:
            out.append(np.zeros(shape))
            continue
        mean = area_sums(some, shape) / some.size - signal.chroma_zero
        out.append(mean * (100.0 / signal.chroma_span))
    return out[0], out[1], out[2]


def across_share(
    plane: NDArray[np.unsignedinteger], *, noise: float
) -> NDArray[np.float64]:
    """Return how much of each tile's fine detail lies across it rather than down.

    Parameters
    ----------
    plane : (H, W) array of uint8 or uint16
        Luma codes; one field of an interlaced picture.
    noise : float
        Standard deviation of the noise, native code values.

    Returns
    -------
    (rows, columns) array of float64
        Energy of the second difference along the lines over that along and across
        them, 0 to 1; NaN where both are noise.

    Notes
    -----
    Defocus takes from both alike, a motion from the one along it. Read on some sixty
    lines and their neighbours, so that it costs little.
    """
    height, width = plane.shape
    shape = (TILE_ROWS, TILE_COLUMNS)
    if height < 4 * TILE_ROWS or width < 4 * TILE_COLUMNS:
        return np.full(shape, np.nan)
    step = max(1, height // _ACROSS_LINES)
    lines = (height - 2) // step
    along, down = both_ways(plane, step=step, tiles=shape)
    level = _SECOND_ENERGY * noise**2
    x, y = (
        np.maximum(energy / _tile_sizes(lines, pixels) - level, 0.0)
        for energy, pixels in ((along, width - 2), (down, width))
    )
    # Rest of noise taken off tells nothing of the direction.
    clear = x + y > 0.2 * level
    return np.where(clear & (x + y > 0), x / np.where(clear, x + y, 1.0), np.nan)


@lru_cache(maxsize=8)
def _tile_sizes(lines: int, pixels: int) -> NDArray[np.float64]:
    """Return how many differences are in each tile."""
    rows = np.diff(tile_edges(lines, TILE_ROWS))
    out = np.outer(rows, np.diff(tile_edges(pixels, TILE_COLUMNS))).astype(np.float64)
    out.flags.writeable = False
    return out


class Edges(NamedTuple):
    """The crispest edges of a picture.

    Attributes
    ----------
    rise : float
        10-to-90 % rise, pixels.
    height : float
        From one side to the other, 8-bit codes; NaN where the rise is.
    """

    rise: float
    height: float


_UNKNOWN = Edges(math.nan, math.nan)


def edge_rise(
    plane: NDArray[np.unsignedinteger],
    *,
    noise: float,
    code_scale: float = 1.0,
    interlaced: bool = False,
) -> float:
    """Estimate the 10-to-90 % rise of the crispest edges, as `crispest_edges` does."""
    return crispest_edges(
        plane, noise=noise, code_scale=code_scale, interlaced=interlaced
    ).rise


def crispest_edges(
    plane: NDArray[np.unsignedinteger],
    *,
    noise: float,
    code_scale: float = 1.0,
    interlaced: bool = False,
) -> Edges:
    """Estimate the 10-to-90 % rise of the crispest edges, and how high they are.

    Parameters
    ----------
    plane : (H, W) array of uint8 or uint16
        Luma codes; one field of an interlaced picture.
    noise : float
        Standard deviation of the noise, native code values.
    code_scale : float
        Factor that turns code values into 8-bit-equivalent ones.
    interlaced : bool
        The plane is a field: only edges across it are read, its lines lie too far
        apart.

    Returns
    -------
    Edges
        The rise in pixels of a picture at most `RISE_LONG_SIDE` pixels long. About 1
        to 2 for a focused picture; NaN where there are no edges or noise hides them.

    Notes
    -----
    Where a step is blurred by a Gaussian of sigma s, the steepest slope over the
    strongest curvature is s e^-1/2. Slope and curvature are those that a thousandth
    of all pixels exceed, less what noise alone puts there. A picture whose edges are
    wide is halved and read again, up to three times, until they are a pixel or so
    wide: there rounding and noise weigh least.
    """
    # Rounding to whole codes is noise too: a twelfth of a code squared.
    noise = math.hypot(noise, math.sqrt(1 / 12)) * code_scale
    picture: _Source = plane
    lines, pixels = plane.shape
    shrink = max(lines, pixels) / RISE_LONG_SIDE
    if shrink > 1.0:
        picture = Shrunk(
            plane, (max(1, round(lines / shrink)), max(1, round(pixels / shrink)))
        )
        noise /= shrink
    hidden, found = False, _UNKNOWN
    for scale in _COARSENESS:
        if min(picture.shape) < _SMALLEST_SIDE * scale:
            break
        sigma, height = min(
            _clear_edges(picture, scale, code_scale, noise, down=down)
            for down in ((False,) if interlaced else (False, True))
        )
        if sigma < 1.0:
            # Where noise hid what is finer, edges as narrow as pixels here may be
            # narrower still.
            unknown = hidden and sigma < _NARROW
            return _UNKNOWN if unknown else Edges(_RISE_SIGMAS * sigma * scale, height)
        hidden = math.isinf(sigma)
        found = _UNKNOWN if hidden else Edges(_RISE_SIGMAS * sigma * scale, height)
    return found


def blur_radius(rise: float) -> float:
    """Return the radius of the even disc that spreads edges as much, in pixels.

    Parameters
    ----------
    rise : float
        10-to-90 % rise of an edge in pixels.

    Notes
    -----
    The variance of a disc of radius r along one axis is r^2 / 4 (textbook): it counts
    as a Gaussian of sigma r / 2.

    Examples
    --------
    >>> round(blur_radius(2.563), 3)
    2.0
    """
    return 2.0 * rise / _RISE_SIGMAS


def _clear_edges(
    picture: _Source, scale: int, code_scale: float, noise: float, *, down: bool
) -> tuple[float, float]:
    """Return blur and height of the crispest edges; inf where grain is all that is.

    Of edges that are wide and low, grain decides the strongest curvature, so that they
    would read as crisp. But then slopes are steeper by far between squares twice as
    large: those of crisp edges are no steeper.
    """
    sigma, height = _edge_sigma(
        *_steps(picture, scale, code_scale, down=down), noise / scale
    )
    room = min(picture.shape) >= 2 * _SMALLEST_SIDE * scale
    if not (sigma < 1.0 and height < _LOW_CODES and room and scale < _COARSENESS[-1]):
        return sigma, height
    steps = _steps(picture, 2 * scale, code_scale, down=down)
    wider = _edge_sigma(*steps, noise / (2 * scale))
    if _slope(*wider) > _STEEPER * _slope(sigma, height):
        return math.inf, math.nan
    return sigma, height


def _slope(sigma: float, height: float) -> float:
    """Return how much an edge rises between pixels two apart; 0 where none is."""
    if math.isinf(sigma):
        return 0.0
    return height * math.erf(1.0 / (sigma * math.sqrt(2.0)))


def _steps(
    picture: _Source, scale: int, code_scale: float, *, down: bool
) -> tuple[float, float]:
    """Return what a thousandth of the first and second differences exceed.

    Both to a quarter of an 8-bit code, between means over squares of `scale` pixels
    along some lines, or columns.
    """
    rows, columns = (side // scale for side in picture.shape)
    step = scale * max(1, -(-rows * columns // _EDGE_PIXELS))
    if not isinstance(picture, Shrunk):
        # Codes of a longer scale and sums over squares: both are shifts.
        shift = round(math.log2(scale**2 / code_scale))
        slope, bend = edge_steps(
            picture,
            scale=scale,
            step=step,
            down=down,
            shift=shift,
            bins=_EDGE_BINS,
            percent=_CRISPEST_PERCENT,
        )
        return _upper_end(slope), _upper_end(bend)
    lines = picture.lines(scale, step, down=down) * np.float32(code_scale)
    before, here, after = lines[:, :-2], lines[:, 1:-1], lines[:, 2:]
    slope, bend = (
        bin_reached(_binned(np.abs(d)), _CRISPEST_PERCENT)
        for d in (after - before, before + after - 2.0 * here)
    )
    return _upper_end(slope), _upper_end(bend)


def _binned(values: NDArray[np.float32]) -> NDArray[np.int64]:
    bins = (values * np.float32(_EDGE_BINS / _EDGE_TOP)).astype(np.int32).ravel()
    np.minimum(bins, _EDGE_BINS, out=bins)
    counts = np.bincount(bins, minlength=_EDGE_BINS + 1)[:_EDGE_BINS]
    return np.asarray(counts, np.int64)


def _upper_end(place: int) -> float:
    """Return where a bin ends, 8-bit codes."""
    return (place + 1) * _EDGE_TOP / _EDGE_BINS


def _edge_sigma(step: float, bend: float, noise: float) -> tuple[float, float]:
    """Return blur (sigma) and height of the crispest edges; inf where none are seen."""
    slope = (step / 2.0) ** 2
    curvature = bend**2
    # Noise of sigma n alone: n sqrt(1/2) in the slope, n sqrt(6) in the curvature.
    noise_slope = (_CRISPEST_SIGMAS * noise) ** 2 / 2.0
    noise_curvature = (_CRISPEST_SIGMAS * noise) ** 2 * 6.0
    if slope < max(_LEAST_SLOPE**2, _OVER_NOISE * noise_slope):
        return math.inf, math.nan
    # A curvature lost in the noise is at most this, the blur at least that wide.
    least = _OVER_NOISE * noise_curvature
    sigma = _SLOPE_OVER_CURVATURE * math.sqrt(
        (slope - noise_slope) / (max(curvature, least) - noise_curvature)
    )
    if curvature < least and sigma < 1.0:
        return math.inf, math.nan
    # Between pixels two apart a Gaussian edge rises by this share of its height.
    share = math.erf(1.0 / (sigma * math.sqrt(2.0)))
    return sigma, 2.0 * math.sqrt(slope - noise_slope) / share
