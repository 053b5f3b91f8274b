"""Reading a patch of the picture that should be white or grey, and when not to."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Mapping
from fractions import Fraction
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.colour import diffuse_white
from qc.errors import UsageError
from qc.kernels.samples import TILES, PatchLook, PatchLooks, patch_looks
from qc.measures.base import Setup
from qc.measures.parts.neutral.patchclip import clipped_share
from qc.records import Picture
from qc.signal import LUMA_WEIGHTS, Signal, to_linear, ycbcr_to_rgb
from qc.timecode import TimecodeError

__all__ = [
    "MOMENT_S",
    "REFUSED",
    "PatchCheck",
    "Rectangle",
    "given_moment",
    "given_patch",
    "mean_codes",
    "moment_label",
    "patch_planes",
]

Plane = NDArray[np.unsignedinteger]
Planes = tuple[Plane, Plane, Plane]
Rectangle = tuple[int, int, int, int]

_SMALLEST = 8  # pixels; holds a whole sample of any subsampling, wherever it lies
MOMENT_S = Fraction(1, 4)
"""Measured are the frames this near to a moment named."""

# When a patch says nothing about the white balance (all house choices).
_CLIPPED_SHARE = 0.01
_UNDER_CLIP = 0.01  # share of the range: a clipped channel comes back a little lower
_DARK_STOPS = 4.5  # under white: noise and black level colour what is darker
# Evenness is read on 4 x 4 tiles, over which the weave of gauze averages.
_TILE_STOPS = 1.5
_TILE_CHROMA = 0.08  # of the range of Cb or Cr; one such tile moves the mean by 0.005

REFUSED = {
    "clipped": "has a clipped channel in {}: close the iris or choose a darker patch",
    "dark": f"lies more than {_DARK_STOPS:g} stops under white in {{}}: open the iris "
    "or choose a brighter patch",
    "uneven": "is not one even surface in {}: something lies in it or it takes in an "
    "edge; choose a smaller patch or another",
    "damaged": "could not be read in {}, which are damaged",
    "colourless": "has no colour in {}: the picture is black and white",
}
"""Why a patch could not be read, and what to do; frames go into the braces."""


def patch_planes(picture: Picture, rectangle: Rectangle) -> Planes:
    """Cut a rectangle out of the planes, with whole chroma samples only.

    Parameters
    ----------
    picture : Picture
    rectangle : (x, y, w, h)
        Pixels of the coded picture.

    Returns
    -------
    y, cb, cr : arrays
        Views of the same area. A chroma sample belongs to it when all luma pixels
        that it stands for are in the rectangle; in interlaced 4:2:0 these lie in one
        field, so that chroma rows are taken in pairs, over four rows of luma.
    """
    luma, chroma = _cut(
        rectangle, picture.y.shape, picture.cb.shape, interlaced=picture.interlaced
    )
    return picture.y[luma], picture.cb[chroma], picture.cr[chroma]


@lru_cache(maxsize=64)
def _cut(
    rectangle: Rectangle,
    size: tuple[int, ...],
    chroma_size: tuple[int, ...],
    *,
    interlaced: bool,
) -> tuple[tuple[slice, slice], tuple[slice, slice]]:
    """Return where in the planes of luma and chroma a rectangle lies."""
    x, y, w, h = rectangle
    across = max(1, round(size[1] / max(chroma_size[1], 1)))
    down = max(1, round(size[0] / max(chroma_size[0], 1)))
    pair = 2 if interlaced and down > 1 else 1
    left, right = -(-x // across), (x + w) // across
    top, bottom = -(-y // (down * pair)) * pair, (y + h) // (down * pair) * pair
    chroma = slice(top, bottom), slice(left, right)
    luma = slice(top * down, bottom * down), slice(left * across, right * across)
    return luma, chroma


def mean_codes(planes: Planes, looks: PatchLooks) -> NDArray[np.float64]:
    """Return the mean Y', Cb and Cr of a patch."""
    pairs = zip(planes, looks, strict=True)
    return np.array([look.total * (1.0 / plane.size) for plane, look in pairs])


class PatchCheck:
    """Says whether the planes of a patch can be believed.

    Parameters
    ----------
    signal : Signal
    colourless : bool
        The recording is black and white.
    """

    def __init__(self, signal: Signal, *, colourless: bool) -> None:
        self._signal = signal
        self._colourless = colourless
        self._black, self._range = signal.black, signal.white - signal.black
        self._zero, self._span = signal.chroma_zero, signal.chroma_span
        self._weights = LUMA_WEIGHTS[signal.matrix]
        self._known: dict[float, float] = {}
        # Light rises with the code: what is too dark is told by the sum of the tiles.
        many = TILES**2
        self._dark_total = bisect_left(
            range(many * signal.top + 1),
            2.0**-_DARK_STOPS * diffuse_white(signal.transfer),
            key=lambda total: self._light(total / many),
        )

    def trouble(
        self,
        planes: Planes,
        *,
        interlaced: bool,
        clips: float = 1.0,
        looks: PatchLooks | None = None,
    ) -> str:
        """Return why the patch says nothing, a key of `REFUSED`, or nothing.

        Parameters
        ----------
        planes : tuple of (h, w) arrays
            Y, Cb, Cr in native codes.
        interlaced : bool
        clips : float
            Level, share of black to white, at which the camera's channels clip.
        looks : tuple of PatchLook or None
            What the planes hold, if it is known already.
        """
        if self._colourless or not planes[1].size:
            return "colourless"
        y, cb, cr = patch_looks(planes) if looks is None else looks
        if y.tile_total < self._dark_total:
            return "dark"
        if clips > 1.0:
            share = _share_over(planes, clips - _UNDER_CLIP, self._signal)
        elif self._highest(y, cb, cr) < 1.0:
            share = 0.0
        else:
            share = clipped_share(*planes, signal=self._signal, interlaced=interlaced)
        if share > _CLIPPED_SHARE:
            return "clipped"
        chroma = max(p.tile_most - p.tile_least for p in (cb, cr))
        if chroma > _TILE_CHROMA * self._span:
            return "uneven"
        low, high = self._light(y.tile_least), self._light(y.tile_most)
        return "uneven" if low * 2.0**_TILE_STOPS < high else ""

    def _highest(self, y: PatchLook, cb: PatchLook, cr: PatchLook) -> float:
        """Return a level that no channel is over, share of black to white.

        From the extremes of the planes alone, and half a code more for rounding.
        """
        kr, kb = self._weights
        low_b, high_b = ((c - self._zero) / self._span for c in (cb.least, cb.most))
        low_r, high_r = ((c - self._zero) / self._span for c in (cr.least, cr.most))
        from_red, from_blue = 2.0 * (1.0 - kr), 2.0 * (1.0 - kb)
        most = max(
            from_red * high_r,
            from_blue * high_b,
            -(from_blue * kb * low_b + from_red * kr * low_r) / (1.0 - kr - kb),
        )
        half = 0.5 / self._range + 1.0 / self._span
        return (y.most - self._black) / self._range + most + half

    def _light(self, code: float) -> float:
        """Return the light of a luma code; a patch has much the same ones for long."""
        if code not in self._known:
            level = self._signal.percent(code) / 100
            light = to_linear(np.array([level]), transfer=self._signal.transfer)
            self._known[code] = float(light[0])
        return self._known[code]


def _share_over(planes: tuple[Plane, ...], level: float, signal: Signal) -> float:
    """Return the share of chroma samples at which a channel is over a level."""
    y, cb, cr = planes
    small = cv2.resize(y, cb.shape[::-1], interpolation=cv2.INTER_AREA)
    rgb = ycbcr_to_rgb(*(p.astype(np.float64) for p in (small, cb, cr)), signal=signal)
    return float(np.mean(rgb.max(axis=-1) >= level))


def given_patch(setup: Setup) -> Rectangle | None:
    """Return the patch that the user gave.

    Raises
    ------
    UsageError
        It does not fit into the picture, or is too small.
    """
    patch: Rectangle | None = setup.limits["white.neutral"]
    video = setup.info.video
    if patch is None or video is None:
        return None
    x, y, w, h = patch
    trouble = ""
    if x + w > video.width or y + h > video.height:
        trouble = f"does not fit in the {video.width}x{video.height} picture; give "
        trouble += "x,y,width,height inside it"
    elif min(w, h) < _SMALLEST:
        trouble = f"is too small; give at least {_SMALLEST} by {_SMALLEST} pixels"
    if trouble:
        raise UsageError(f"{setup.info.name}: neutral patch {x},{y},{w},{h} {trouble}")
    return patch


def given_moment(setup: Setup) -> Fraction | None:
    """Return when to measure, in seconds since the take's start; None: always.

    Raises
    ------
    UsageError
        The take has no such timecode.
    """
    label = moment_label(setup.limits)
    if not label:
        return None
    info = setup.info
    try:
        frame = info.timecode.frame(label)
    except TimecodeError as error:
        raise UsageError(f"{info.name}: neutral patch: {error}") from error
    # A take may run past midnight, where labels start again.
    frame = (frame - info.start_frame) % info.timecode.frames_per_day
    expected = info.frames_expected
    if expected is not None and frame >= max(expected, 1):
        raise UsageError(
            f"{info.name}: neutral patch at {label}: this take runs from "
            f"{info.start_timecode} to {info.grid.label(max(expected, 1) - 1)}; give "
            "a timecode inside it"
        )
    return info.grid.seconds(frame)


def moment_label(limits: Mapping[str, object]) -> str:
    """Return the timecode at which the patch is seen; empty: all the time."""
    return str(limits["white.neutral_at"]).strip()
