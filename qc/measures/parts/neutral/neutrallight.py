"""A small picture in stops of linear light, and the colours a white can have in it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.colour import diffuse_white, linear_rgb_to_xyz, planckian_uv, uv_prime
from qc.records import Picture
from qc.signal import Primaries, Transfer, rgb_to_xyz, to_linear
from qc.views import proxy_luma, proxy_rgb

__all__ = [
    "BIN_STOPS",
    "BLUE_RANGE",
    "LAMP_DUV",
    "RED_RANGE",
    "CoarseLight",
    "Map",
    "Mask",
    "coarse_light",
    "lamp_duv",
    "least_duv",
    "log_light",
]

Map = NDArray[np.float32]
Mask = NDArray[np.uint8]

# Levels of R'G'B', shares of black to white: under the first a channel is noise and
# black level.
_FLOOR = 0.055
# Where channels clip is seen in the picture: many cameras go on above 100 %. The level
# that so few pixels of the small picture exceed is taken for it, 109 % at most; an
# average this much under it holds no clipped pixels, or few.
_CLIPS_MOST, _CLIPS_SHARE, _UNDER_CLIP, _PILE = 1.09, 0.001, 0.04, 0.015
# Lights that a theatre, a room or a window gives, with margin, and what a camera may be
# set to: a white is coded as light over setting. Kelvin, and Duv (house choices).
_LAMPS_K, LAMP_DUV = (2300.0, 9000.0), 0.030
_SETTINGS_K = (3200.0, 4300.0, 5600.0)  # presets; the coding's white comes with them

BIN_STOPS = 0.08
"""Bins in which log2 R/G and B/G are counted."""
RED_RANGE, BLUE_RANGE = (-1.76, 2.0), (-4.4, 2.4)
"""What is counted, in stops."""

_TABLE = 1200  # levels of R'G'B' in the curve's table
_TABLE_TOP = 1.2


@lru_cache(maxsize=8)
def _log_table(transfer: Transfer) -> Map:
    """Return log2 of linear light, diffuse white 0, over levels of the table."""
    level = np.arange(_TABLE + 1) * (_TABLE_TOP / _TABLE)
    light = to_linear(level, transfer=transfer) / diffuse_white(transfer)
    out: Map = np.log2(np.maximum(light, 1e-5)).astype(np.float32)
    return out


def log_light(rgb: Map, transfer: Transfer) -> Map:
    """Return log2 of the linear light of R'G'B' signals, diffuse white 0.

    Parameters
    ----------
    rgb : array of float32
        Shares of black to white.
    """
    place = rgb * np.float32(_TABLE / _TABLE_TOP)
    np.maximum(place, np.float32(0), out=place)
    np.minimum(place, np.float32(_TABLE), out=place)
    out: Map = _log_table(transfer).take(place.astype(np.intp))
    return out


@lru_cache(maxsize=8)
def lamp_duv(primaries: Primaries) -> Map:
    """Return the least Duv of a lamp that makes a white look so, for bins of R/G, B/G.

    Least over what the camera may be set to; NaN where no lamp does.
    """
    red = np.arange(*RED_RANGE, BIN_STOPS) + BIN_STOPS / 2
    blue = np.arange(*BLUE_RANGE, BIN_STOPS) + BIN_STOPS / 2
    rgb = np.ones((red.size, blue.size, 3))
    rgb[..., 0] = 2.0 ** red[:, None]
    rgb[..., 2] = 2.0 ** blue[None, :]
    locus = planckian_uv(np.geomspace(*_LAMPS_K, 120))
    to_rgb = np.linalg.inv(rgb_to_xyz(primaries))
    best = np.full(rgb.shape[:2], np.inf)
    for setting in (None, *_SETTINGS_K):
        lamp = rgb
        if setting is not None:
            u, v = planckian_uv(setting).tolist()
            lamp = rgb * (to_rgb @ [3.0 * u, 2.0 * v, 4.0 - u - 10.0 * v])
        uv = uv_prime(linear_rgb_to_xyz(lamp, primaries=primaries)) * (1.0, 2.0 / 3.0)
        # A row at a time: of all, there would be 120 distances for each at once.
        nearest = np.array([_nearest(row, locus) for row in uv])
        off = uv - locus[nearest]
        duv = np.copysign(np.hypot(off[..., 0], off[..., 1]), off[..., 1])
        duv = np.where((nearest > 0) & (nearest < len(locus) - 1), duv, np.inf)
        best = np.where(np.abs(duv) < np.abs(best), duv, best)
    return np.where(np.abs(best) <= LAMP_DUV, best, np.nan).astype(np.float32)


def _nearest(
    points: NDArray[np.float64], locus: NDArray[np.float64]
) -> NDArray[np.intp]:
    """Return which point of the locus is nearest to each of some points."""
    # The points' own squares are the same for all of the locus.
    apart = np.square(locus).sum(axis=1) - 2.0 * (points @ locus.T)
    return np.asarray(apart.argmin(axis=-1), np.intp)


def least_duv(table: Map, red_stops: float, blue_stops: float) -> float:
    """Look a colour up in the table of `lamp_duv`; the farthest where no lamp is."""
    row = int((red_stops - RED_RANGE[0]) / BIN_STOPS)
    column = int((blue_stops - BLUE_RANGE[0]) / BIN_STOPS)
    inside = 0 <= row < table.shape[0] and 0 <= column < table.shape[1]
    value = float(table[row, column]) if inside else LAMP_DUV
    return value if np.isfinite(value) else LAMP_DUV


@dataclass(frozen=True, slots=True, eq=False)
class CoarseLight:
    """Small pictures of one frame, arrays (h, w).

    Attributes
    ----------
    red, blue, green : float32
        log2 of R/G, B/G and G in linear light, diffuse white 0.
    luma : float32
        Share of black to white.
    usable : uint8
        1 where no channel is clipped or near black.
    full : uint8
        1 where a channel is clipped, or nearly.
    clips : float
        Level, share of black to white, at which channels clip.
    """

    red: Map
    blue: Map
    green: Map
    luma: Map
    usable: Mask
    full: Mask
    clips: float


def coarse_light(picture: Picture) -> CoarseLight:
    """Return the small picture in stops of linear light; a view of the picture."""
    signal = picture.signal
    rgb = picture.view(proxy_rgb)
    red, green, blue = log_light(rgb, signal.transfer)
    red -= green
    blue -= green
    top, bottom = rgb.max(axis=0), rgb.min(axis=0)
    luma = picture.view(proxy_luma) * np.float32(0.01)
    clips = _clips(top)
    ceiling = np.float32(clips - _UNDER_CLIP)
    full = (top >= ceiling).astype(np.uint8)
    usable = (bottom > _FLOOR).astype(np.uint8) & (full ^ 1)
    # Next to something clipped lie its blurred edges.
    burnt = cv2.dilate((top >= clips).astype(np.uint8), np.ones((3, 3), np.uint8))
    usable &= (burnt == 0).astype(np.uint8)
    return CoarseLight(red, blue, green, luma, usable, full, clips)


def _clips(top: Map) -> float:
    """Return the level at which channels seem to clip: what hardly any pixel exceeds.

    Where more pixels pile up about 100 % than lie over it, those over it are only the
    ringing of lens and coding.
    """
    values = top.ravel()
    over = int(np.count_nonzero(values > 1.0 + _PILE))
    piled = int(np.count_nonzero(np.abs(values - 1.0) <= _PILE))
    if over <= max(_CLIPS_SHARE * values.size, piled):
        return 1.0
    rank = values.size - 1 - int(_CLIPS_SHARE * values.size)
    return min(float(np.partition(values, rank)[rank]), _CLIPS_MOST)
