"""One exact look at a whole picture: which channels are at their end, and how much."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import reduce

import numpy as np
from numpy.typing import NDArray

from qc.kernels.channels import look, outside, places, thresholds
from qc.measures.highlights import largest_area
from qc.measures.parts.colour.channelcodes import (
    Plane,
    coloured,
    ends,
    grid_step,
    range_codes,
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
_STRETCH = 2.5
# Looking for the largest area below this share of the picture would only find noise.
_AREA_FROM_PERCENT = 0.5
# Lines of a picture that are enough for the median of luma; all else is counted on
# every line.
_LUMA_LINES = 54


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
        for ceilings that the signal does not have.
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
        self._steps = [code - codes[0] for code in codes]
        self._ends = ends(signal, codes[:1])
        self._level = _level_code(signal, level_percent)

    def coarse_share(self, picture: Picture) -> float:
        """Return the share of some thousand places where a channel is at its end."""
        (whole,) = coloured(picture, by_field=False)
        found, count = places(
            whole,
            self._ends,
            step=grid_step(picture, points=_POINTS, stretch=_STRETCH),
            level=self._level,
        )
        return found / count if count else 0.0

    def shares(self, picture: Picture, region: Region | None = None) -> Shares:
        """Look at every pixel of a picture."""
        counts = np.zeros((4, len(self._steps)), np.int64)
        luma = np.zeros((len(self._steps), max(self._level, 1)), np.int64)
        height, width = picture.y.shape
        area = np.zeros((-(-height // 2), -(-width // 2)), picture.y.dtype)
        parts = coloured(picture)
        for number, part in enumerate(parts):
            mask = None if region is None else region.mask[number :: len(parts)]
            # Every second line of the picture: of fields all of the first.
            step = 2 // len(parts)
            more = look(
                part,
                self._ends,
                level=self._level,
                steps=self._steps,
                every=_every(height, _LUMA_LINES),
                mask=mask,
                area=area if number == 0 else None,
                area_step=step,
            )
            counts += more[0]
            luma += more[1]
        return self._shares_of(
            100.0 * counts / picture.y.size, luma, area, (height, width)
        )

    def _shares_of(
        self,
        shares: NDArray[np.float64],
        luma: NDArray[np.int64],
        area: Plane,
        size: tuple[int, int],
    ) -> Shares:
        percent = np.full((4, len(CEILINGS)), np.nan, np.float32)
        percent[:, : len(self._steps)] = shares
        levels = np.full(len(CEILINGS), np.nan, np.float32)
        for i, counts in enumerate(luma):
            levels[i] = self._signal.percent(_median(counts))
        box = None
        worst = np.flatnonzero(percent[3] >= _AREA_FROM_PERCENT)
        if worst.size:
            box = _box(area > self._steps[worst[-1]], size)
        return Shares(
            channels=percent[:3],
            any_channel=percent[3],
            luma=levels,
            box=box,
        )


def _median(counts: NDArray[np.int64]) -> float:
    """Return the median of codes that were counted; NaN if there are none."""
    up_to = np.cumsum(counts)
    if not up_to[-1]:
        return math.nan
    # The middle one, or the two about the middle.
    low, high = np.searchsorted(up_to, [(up_to[-1] + 1) // 2, up_to[-1] // 2 + 1])
    return 0.5 * float(low + high)


def _every(height: int, lines: int) -> int:
    """Return every how many lines to take so that about `lines` of all are left."""
    return max(1, height // lines)


def _box(
    area: NDArray[np.bool_], size: tuple[int, int]
) -> tuple[int, int, int, int] | None:
    """Return where the largest area is, told on every second line and column."""
    height, width = size
    box = largest_area(area.view(np.uint8))[1]
    if box is None:
        return None
    x, y, w, h = (2 * v for v in box)
    return x, y, min(w, width - x), min(h, height - y)


def out_of_range_percent(picture: Picture, *, signal: Signal) -> float:
    """Return the share of pixels with R', G', B' or Y' outside EBU R 103's range."""
    if not picture.y.size:
        return math.nan
    lowest, highest = range_codes(signal)
    # A threshold is its code less one less the channel's shift. Luma is in range with
    # every channel in range: it lies between the lowest and the highest.
    both = ends(signal, (highest + 1, lowest + 1))
    count = sum(outside(part, both) for part in coloured(picture))
    return 100.0 * count / picture.y.size


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
    at = ends(signal, (code,))
    parts = coloured(picture)
    for number, part in enumerate(parts):
        lowest = reduce(
            np.minimum, (thresholds(part.cb, part.cr, at, i) for i in range(3))
        )
        mask[number :: len(parts)] = part.y > part.widened(lowest)
    mask &= picture.y < _level_code(signal, level_percent)
    return mask
