"""One exact look at a whole picture: which channels are at their end, and how much."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from functools import reduce
from typing import cast

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.measures.highlights import largest_area
from qc.measures.parts.colour.channelcodes import (
    Band,
    Plane,
    Strip,
    gains,
    range_codes,
    repeats,
    sample_rgb,
    strips,
    threshold,
    widened,
)
from qc.records import Picture
from qc.signal import Signal

__all__ = [
    "CEILINGS",
    "WINDOW",
    "Pass",
    "Region",
    "Shares",
    "codes_of_ceilings",
    "out_of_range_percent",
    "saturated",
]

# Where cameras are known to clip a channel, in percent (common practice, no source):
# at nominal white, at the top of video, or at a setting in between. In 8-bit codes:
# 235, 242, 246, 250 and 254, the highest that video may hold.
CEILINGS = (100.0, 103.0, 105.0, 107.0, 109.0)
_CEILINGS_8 = (235, 242, 246, 250, 254)
# A channel is at its end from this many 8-bit codes below it. Rounding of Y', Cb and
# Cr to 8 bits alone moves B' by up to 1.44 codes, R' by up to 1.29.
WINDOW = 2
# Places on a grid that tell whether the picture has changed.
_POINTS = 5000
# Looking for the largest area below this share of the picture would only find noise.
_AREA_FROM_PERCENT = 0.5
# Lines of a picture that are enough for the median of luma, and for the shares at the
# higher ceilings; the first ceiling is counted on every line.
_LUMA_LINES = 54
_STEP_LINES = 270


def codes_of_ceilings(signal: Signal) -> tuple[int, ...]:
    """Return the codes at which a channel may end; full range ends at white only.

    Examples
    --------
    >>> codes_of_ceilings(Signal(bit_depth=10))
    (940, 968, 984, 1000, 1016)
    >>> codes_of_ceilings(Signal(full_range=True))
    (255,)
    """
    if signal.full_range:
        return (signal.white,)
    return tuple(code << (signal.bit_depth - 8) for code in _CEILINGS_8)


def _window(signal: Signal) -> int:
    return WINDOW << (signal.bit_depth - 8)


def _level_code(signal: Signal, level_percent: float) -> int:
    """Return the first luma code that no longer counts as under the level.

    Luma that is itself at the end is never under the level, wherever the level lies.
    """
    return min(signal.first_code_at(level_percent), signal.white - _window(signal))


class Region:
    """The pixels to be judged."""

    __slots__ = ("mask", "pixels")

    def __init__(self, mask: NDArray[np.bool_]) -> None:
        self.mask: NDArray[np.uint8] = mask.astype(np.uint8) * np.uint8(255)
        self.pixels = int(mask.sum())


@dataclass(frozen=True, slots=True, eq=False)
class Shares:
    """What one look gives, in percent of the whole picture.

    Attributes
    ----------
    channels : (3, ceilings) array of float32
        Red, green and blue at or above each of `CEILINGS`, luma under the level; NaN
        for ceilings that the signal does not have. The first is exact; the others are
        counted on every fourth line or so of large pictures.
    any_channel : (ceilings,) array of float32
        At least one of them.
    luma : (ceilings,) array of float32
        Median luma there, in percent of black-to-white; NaN where there is none.
    box : (x, y, w, h) or None
        Largest area at or above the highest ceiling that half a percent of the
        picture reaches, to two pixels.
    """

    channels: NDArray[np.float32]
    any_channel: NDArray[np.float32]
    luma: NDArray[np.float32]
    box: tuple[int, int, int, int] | None


class Pass:
    """Looks at pictures of one take.

    Parameters
    ----------
    signal : Signal
    level_percent : float
        Only luma under this counts.
    """

    def __init__(self, signal: Signal, *, level_percent: float) -> None:
        self._signal = signal
        window = _window(signal)
        codes = [code - window for code in codes_of_ceilings(signal)]
        self._code = codes[0]
        self._steps = [code - codes[0] for code in codes]
        self._level = _level_code(signal, level_percent)

    def coarse_share(self, picture: Picture) -> float:
        """Return the share of some thousand places where a channel is at its end."""
        luma, rgb = sample_rgb(picture, points=_POINTS)
        if not luma.size:
            return 0.0
        at_end = (rgb.max(axis=0) >= self._code) & (luma < self._level)
        return float(np.count_nonzero(at_end)) / luma.size

    def shares(self, picture: Picture, region: Region | None = None) -> Shares:
        """Look at every pixel of a picture."""
        _, across = repeats(picture)
        counts = np.zeros((4, len(self._steps)))
        luma: list[list[Plane]] = [[] for _ in self._steps]
        area = np.zeros_like(picture.y)
        for strip in strips(picture):
            ends = self._ends(strip)
            if all(end is None for end in ends):
                continue
            first = _least(end for end in ends if end is not None)
            for band in strip.bands:
                low = self._low(band, region)
                highest = _less(low, widened(first, across, low))
                if not self._count_steps(highest, counts[3], picture.height):
                    continue  # as in most strips of most pictures
                area[band.rows] = highest
                self._luma(band.y, highest, luma, picture.height)
                for end, row in zip(ends, counts[:3], strict=True):
                    if end is not None:
                        excess = _less(low, widened(end, across, low))
                        self._count_steps(excess, row, picture.height)
        return self._shares_of(counts, luma, area)

    def _ends(self, strip: Strip) -> list[Plane | None]:
        """Return each channel's threshold; None where luma under the level is out."""
        return [
            threshold(
                strip.cb, strip.cr, signal=self._signal, gain=gain, code=self._code
            )
            if self._reaches(strip.cb, strip.cr, gain)
            else None
            for gain in gains(self._signal)
        ]

    def _low(self, band: Band, region: Region | None) -> Plane:
        """Return luma under the level; 0, which no channel's end is, elsewhere."""
        low = cv2.threshold(band.y, self._level - 1, 0, cv2.THRESH_TOZERO_INV)[1]
        if region is not None:
            low = cv2.bitwise_and(low, low, mask=region.mask[band.rows])
        return cast(Plane, low)

    def _reaches(self, cb: Plane, cr: Plane, gain: tuple[float, float]) -> bool:
        """Return False where luma under the level surely cannot take a channel there.

        The largest shift that the planes' extremes allow is a bound for all pixels.
        """
        shift = 0.5
        for plane, g in zip((cb, cr), gain, strict=True):
            low, high, *_ = cv2.minMaxLoc(plane)
            shift += max(
                g * (low - self._signal.chroma_zero),
                g * (high - self._signal.chroma_zero),
            )
        return self._level - 1 + shift >= self._code

    def _count_steps(
        self, plane: Plane, counts: NDArray[np.float64], height: int
    ) -> int:
        """Count pixels over each step; return how many are over the first."""
        found = cv2.countNonZero(plane)
        counts[0] += found
        # Ends over 100 % are rare; a part of the lines tells their shares well enough.
        some = plane[:: _every(height, _STEP_LINES)]
        for i, step in enumerate(self._steps[1:] if found else (), 1):
            part = np.count_nonzero(some > step)
            if not part:
                break
            counts[i] += part * plane.shape[0] / some.shape[0]
        return found

    def _luma(
        self, y: Plane, highest: Plane, luma: list[list[Plane]], height: int
    ) -> None:
        every = _every(height, _LUMA_LINES)
        some, over = y[::every], highest[::every]
        for i, step in enumerate(self._steps):
            values = some[over > step]
            if not values.size:
                return
            luma[i].append(values)

    def _shares_of(
        self,
        counts: NDArray[np.float64],
        luma: list[list[Plane]],
        area: Plane,
    ) -> Shares:
        percent = np.full((4, len(CEILINGS)), np.nan, np.float32)
        percent[:, : len(self._steps)] = 100.0 * counts / area.size
        levels = np.full(len(CEILINGS), np.nan, np.float32)
        for i, parts in enumerate(luma):
            if parts:
                levels[i] = self._signal.percent(
                    float(np.median(np.concatenate(parts)))
                )
        box = None
        worst = np.flatnonzero(percent[3] >= _AREA_FROM_PERCENT)
        if worst.size:
            box = _box(area > self._steps[worst[-1]])
        return Shares(
            channels=percent[:3],
            any_channel=percent[3],
            luma=levels,
            box=box,
        )


def _every(height: int, lines: int) -> int:
    """Return every how many lines to take so that about `lines` of all are left."""
    return max(1, height // lines)


def _box(area: NDArray[np.bool_]) -> tuple[int, int, int, int] | None:
    """Return where the largest area is, to two pixels."""
    height, width = area.shape
    box = largest_area(np.ascontiguousarray(area[::2, ::2]).view(np.uint8))[1]
    if box is None:
        return None
    x, y, w, h = (2 * v for v in box)
    return x, y, min(w, width - x), min(h, height - y)


def out_of_range_percent(picture: Picture, *, signal: Signal) -> float:
    """Return the share of pixels with R', G', B' or Y' outside EBU R 103's range."""
    lowest, highest = range_codes(signal)
    _, across = repeats(picture)
    outside = 0
    for strip in strips(picture):
        # A threshold is its code less one less the channel's shift. Luma is in range
        # with every channel in range: it lies between the lowest and the highest.
        over, under = (
            [
                threshold(strip.cb, strip.cr, signal=signal, gain=gain, code=code + 1)
                for gain in gains(signal)
            ]
            for code in (highest, lowest)
        )
        most, least = _least(over), _most(under)
        for band in strip.bands:
            y = band.y
            inside = cv2.inRange(y, widened(least, across, y), widened(most, across, y))
            outside += y.size - cv2.countNonZero(inside)
    return 100.0 * outside / picture.y.size if picture.y.size else math.nan


def _less(plane: Plane, other: Plane) -> Plane:
    """Return the difference, 0 where it would be negative."""
    return cast(Plane, cv2.subtract(plane, other))


def _least(planes: Iterable[Plane]) -> Plane:
    return reduce(lambda a, b: cast(Plane, cv2.min(a, b)), planes)


def _most(planes: Iterable[Plane]) -> Plane:
    return reduce(lambda a, b: cast(Plane, cv2.max(a, b)), planes)


def saturated(
    picture: Picture, *, level_percent: float, ceiling: int = 0
) -> NDArray[np.bool_]:
    """Return where at least one channel is at its end while luma is under the level.

    Parameters
    ----------
    ceiling : int
        Which of `CEILINGS`.
    """
    signal = picture.signal
    code = codes_of_ceilings(signal)[ceiling] - _window(signal)
    mask = np.zeros(picture.y.shape, bool)
    _, across = repeats(picture)
    for strip in strips(picture):
        end = _least(
            threshold(strip.cb, strip.cr, signal=signal, gain=gain, code=code)
            for gain in gains(signal)
        )
        for band in strip.bands:
            mask[band.rows] = band.y > widened(end, across, band.y)
    mask &= picture.y < _level_code(signal, level_percent)
    return mask
