"""How the colour of one picture differs from that of another, point by point."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.neutral.channelshift import channels_told, shift_of_channels
from qc.measures.parts.neutral.neutrallight import log_light
from qc.records import Picture
from qc.signal import LUMA_WEIGHTS, Signal

__all__ = [
    "LARGE_STOPS",
    "Map",
    "Points",
    "change_of_any",
    "change_of_ratios",
    "correlation",
    "points_of",
    "power_of_change",
    "sampled",
]

Map = NDArray[np.float32]

# Points that are looked at, across and down: single pixels, for medians over hundreds;
# in small pictures, where it costs little, means of what lies round them.
_ACROSS, _DOWN = 40, 24
_SMALL = 320_000  # pixels
# Levels of R'G'B', shares of black to white, between which a ratio says something.
_FLOOR, _CEILING = 0.07, 0.95
# What has less of one channel than this share of another has hardly any: flare, black
# level and a codec's steps make of that what they like.
_COLOURED = 0.25
# The framing has stayed if points agree on the change this well (median distance,
# stops) and light and dark lie where they lay (correlation of luminance).
_SPREAD_STOPS, _ALIKE = 0.25, 0.45
# A change of more stops counts if so many points have made at least half of it. One
# that is little all the same leaves the framing as it is.
_SHIFTED, _WITH, _LITTLE = 0.06, 0.65, 0.12
# From so many stops of exposure on, the camera's curve has a say: one that is not the
# standard's (knee, toe, look) makes colours stronger or weaker as they get brighter,
# all ratios by one power, which leaves greys alone. A lamp moves greys as well.
_EXPOSED, _POWER, _RANGED = 0.25, 0.35, 0.2
# From so many stops on another light falls on the picture, or none: a lamp that fades
# leaves the colour of others, and is no setting of white.
_FADED = 2.0
_FEWEST = 0.2  # share of the points that must be of use in both pictures
# What is coloured so that few points are left, or changed so much that curve and black
# level bend the factor, counts where more speaks for it: fewer points that agree this
# well and more of which go along, or distances this small beside the change; and light
# and dark lie alike over half of the picture, whatever its colours (house choices).
_FEWEST_AGREED, _SPREAD_AGREED, _WITH_AGREED = 0.08, 0.12, 0.7
_SPREAD_SHARE, _WITH_LARGE = 0.4, 0.75
_LIT, _ALIKE_LIT, _CODE = 0.5, 0.7, 1 / 224
LARGE_STOPS = 0.6
"""A change of more stops may be another picture's; curve and black level bend it."""


@dataclass(frozen=True, slots=True, eq=False)
class Points:
    """Chosen points of one picture: R/G, B/G and G in stops, and which are of use.

    Attributes
    ----------
    usable : (n,) array of bool
        Colours can be told.
    lit : (n,) array of bool
        Green, and so how bright it is, can be told.
    chroma : (2, n) array
        Cr and Cb, shares of their range: of points too coloured for a ratio as well.
    rgb, light : (3, n) array
        R, G, B as coded, shares of black to white, and in stops.
    """

    red: Map
    blue: Map
    green: Map
    usable: NDArray[np.bool_]
    lit: NDArray[np.bool_]
    chroma: Map
    rgb: Map
    light: Map


def sampled(picture: Picture) -> list[NDArray[np.unsignedinteger]]:
    """Return Y, Cb and Cr at the chosen points."""
    rows, columns = picture.cb.shape
    if picture.y.size <= _SMALL and min(rows, columns) >= 2 * _DOWN:
        size = (_ACROSS, _DOWN)
        return [
            np.asarray(cv2.resize(p, size, interpolation=cv2.INTER_AREA))
            for p in (picture.y, picture.cb, picture.cr)
        ]
    luma, chroma = _places(picture.y.shape, picture.cb.shape)
    return [
        picture.y[luma].copy(),
        picture.cb[chroma].copy(),
        picture.cr[chroma].copy(),
    ]


@lru_cache(maxsize=8)
def _places(
    size: tuple[int, ...], chroma_size: tuple[int, ...]
) -> tuple[tuple[slice, slice], tuple[slice, slice]]:
    """Return where in the planes of luma and chroma the points lie."""
    pairs = [
        _along(whole, chroma, many)
        for whole, chroma, many in zip(size, chroma_size, (_DOWN, _ACROSS), strict=True)
    ]
    return (pairs[0][0], pairs[1][0]), (pairs[0][1], pairs[1][1])


def _along(whole: int, chroma: int, many: int) -> tuple[slice, slice]:
    """Return the places along one side: of luma, and as many of chroma."""
    step, each = max(1, chroma // many), whole // max(chroma, 1) or 1
    first = step // 2
    count = min(
        len(range(first, chroma, step)), len(range(first * each, whole, step * each))
    )
    return (
        slice(first * each, (first + count * step) * each, step * each),
        slice(first, first + count * step, step),
    )


def points_of(planes: list[NDArray[np.unsignedinteger]], signal: Signal) -> Points:
    """Return what `sampled` gave as colours and light."""
    y, cb, cr = (p.astype(np.float32).ravel() for p in planes)
    kr, kb = LUMA_WEIGHTS[signal.matrix]
    luma = (y - signal.black) * np.float32(1 / (signal.white - signal.black))
    pb, pr = (
        (p - signal.chroma_zero) * np.float32(1 / signal.chroma_span) for p in (cb, cr)
    )
    rgb = np.empty((3, luma.size), np.float32)
    rgb[0] = luma + np.float32(2.0 * (1.0 - kr)) * pr
    rgb[2] = luma + np.float32(2.0 * (1.0 - kb)) * pb
    rgb[1] = (luma - kr * rgb[0] - kb * rgb[2]) / (1.0 - kr - kb)
    light = log_light(rgb, signal.transfer)
    red, green, blue = light
    # Two by two: many times faster than along an axis of three.
    most = np.maximum(np.maximum(rgb[0], rgb[1]), rgb[2])
    least = np.minimum(np.minimum(rgb[0], rgb[1]), rgb[2])
    usable = (most < _CEILING) & (least > np.maximum(_FLOOR, _COLOURED * most))
    lit = (rgb[1] > _FLOOR) & (rgb[1] < _CEILING)
    return Points(
        red=red - green,
        blue=blue - green,
        green=green,
        usable=usable,
        lit=lit,
        chroma=np.stack([pr, pb]),
        rgb=rgb,
        light=light,
    )


def change_of_any(first: Points, now: Points) -> tuple[float, float] | None:
    """Return the change of R/G and B/G, by ratios or else channel by channel."""
    found = change_of_ratios(first, now)
    if found is None and first.rgb.shape == now.rgb.shape:
        told = channels_told(first.rgb) & channels_told(now.rgb)
        found = shift_of_channels(first.light, now.light, told)
    return found


def change_of_ratios(
    first: Points, now: Points, *, loose: bool = False
) -> tuple[float, float] | None:
    """Return the change of R/G and B/G on which a picture agrees; None: it does not.

    Parameters
    ----------
    loose : bool
        Believe any median.
    """
    if first.usable.size != now.usable.size:
        return None
    both = first.usable & now.usable
    count = int(np.count_nonzero(both))
    few = count < _FEWEST * both.size
    least = _FEWEST if loose else _FEWEST_AGREED
    if count < max(least * both.size, 12):
        return None
    red, blue = now.red[both] - first.red[both], now.blue[both] - first.blue[both]
    exposed = abs(_median(now.green[both] - first.green[both]))
    if exposed > _FADED and not loose:
        return None
    if exposed > _EXPOSED:
        power = power_of_change(first.red[both], first.blue[both], red, blue)
        if power is None and not loose:
            return None
        red = red - np.float32(power or 0.0) * first.red[both]
        blue = blue - np.float32(power or 0.0) * first.blue[both]
    shift = _median(red), _median(blue)
    if loose:
        return shift
    off = np.hypot(red - np.float32(shift[0]), blue - np.float32(shift[1]))
    spread = _median(off)
    size = math.hypot(*shift)
    if spread > max(_SPREAD_STOPS, _SPREAD_SHARE * size * (size > LARGE_STOPS)):
        return None
    # What has changed by itself, a hand or blood, does not pull at the median.
    near = off <= 2.5 * spread
    if spread > 0:
        shift = _median(red[near]), _median(blue[near])
    size = math.hypot(*shift)
    going = 1.0
    if size > _SHIFTED:
        along = (red * shift[0] + blue * shift[1]) / np.float32(size)
        going = np.count_nonzero(along > 0.5 * size) / count
    if not few and spread <= _SPREAD_STOPS:
        if correlation(first.green[both], now.green[both]) < _ALIKE:
            return None
        if going >= _WITH:
            return shift
        # So little may be what moves: the framing stays, but not all of it is light's.
        least = _SHIFTED / size
        return (shift[0] * least, shift[1] * least) if size <= _LITTLE else None
    if few and (spread > _SPREAD_AGREED or going < _WITH_AGREED):
        return None
    if not few and going < _WITH_LARGE:
        return None
    return shift if _lies_alike(first, now, shift) else None


def _lies_alike(first: Points, now: Points, shift: tuple[float, float]) -> bool:
    """Return whether most of a picture lies as it lay, and its colour goes along.

    A swab that turns red leaves alone what is too coloured for a ratio.
    """
    lit = first.lit & now.lit
    count = np.count_nonzero(lit)
    if count < _LIT * lit.size:
        return False
    if correlation(first.green[lit], now.green[lit]) < _ALIKE_LIT:
        return False
    size = math.hypot(*shift)
    if size <= _SHIFTED:
        return True
    way = np.array(shift, np.float32) / np.float32(size)
    along = way[0] * (now.chroma[0] - first.chroma[0])
    along += way[1] * (now.chroma[1] - first.chroma[1])
    return bool(np.count_nonzero(along[lit] > _CODE) >= _WITH_AGREED * count)


def power_of_change(was_red: Map, was_blue: Map, red: Map, blue: Map) -> float | None:
    """Return by what power, less 1, R/G and B/G have changed beside one common factor.

    None where the colours are too much alike to part a power from a factor, and too
    strong for it not to matter.

    Parameters
    ----------
    was_red, was_blue, red, blue : (n,) arrays
        R/G and B/G before in stops, and their changes.
    """
    kept = np.ones(red.size, np.bool_)
    power = 0.0
    for _ in range(3):
        parts = [(a[kept], b[kept]) for a, b in ((was_red, red), (was_blue, blue))]
        off = [(a - a.mean(), b - b.mean()) for a, b in parts]
        spread = sum(float(a @ a) for a, _ in off)
        if spread < _RANGED**2 * np.count_nonzero(kept):
            strong = math.hypot(*(float(a.mean()) for a, _ in parts))
            return None if strong * _POWER > 2.0 * _SHIFTED else 0.0
        power = sum(float(a @ b) for a, b in off) / spread
        left_red, left_blue = red - power * was_red, blue - power * was_blue
        away = np.hypot(left_red - _median(left_red), left_blue - _median(left_blue))
        # What has moved does not say how the curve is.
        kept = away <= 2.5 * _median(away)
    return float(np.clip(power, -_POWER, _POWER))


def _median(values: Map) -> float:
    return float(np.partition(values, values.size // 2)[values.size // 2])


def correlation(a: Map, b: Map) -> float:
    """Return how alike luminances lie; 1 where there is nothing but grain in both."""
    a, b = a - a.mean(), b - b.mean()
    power = float(a @ a), float(b @ b)
    if max(power) < 0.03 * a.size:  # under a sixth of a stop: an even sheet
        return 1.0
    # A sheet before the lens is another picture than what it covers.
    return float(a @ b) / max(math.sqrt(power[0] * power[1]), 1e-6)
