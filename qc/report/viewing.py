"""A frame made ready to look at: turned, stretched, small, and bright enough."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.records import VideoTrack
from qc.signal import Signal, rgb_to_xyz, to_linear

__all__ = ["View", "for_screen"]

T = TypeVar("T", np.uint8, np.float32)

_TURNS = {
    90: cv2.ROTATE_90_CLOCKWISE,
    180: cv2.ROTATE_180,
    270: cv2.ROTATE_90_COUNTERCLOCKWISE,
}
# Reference white of HDR television in cd/m2, and a highlight that may still differ
# from white on paper or an ordinary screen. ITU-R BT.2408.
_HDR_WHITE, _HDR_HIGHLIGHT = 203.0, 1000.0


@dataclass(frozen=True, slots=True)
class View:
    """How pixels of the coded picture lie on the small picture that is shown.

    Parameters
    ----------
    coded : (width, height)
        Of the coded picture.
    upright : (width, height)
        Of the small picture before it is turned.
    rotation : int
        Degrees clockwise: 0, 90, 180 or 270.
    """

    coded: tuple[int, int]
    upright: tuple[int, int]
    rotation: int

    @classmethod
    def of(cls, video: VideoTrack, size: tuple[int, int], longest: int) -> View:
        """Return the view of a picture `size` whose longer side is at most `longest`.

        The pixel aspect stretches the width, never the height, so that lines stay.
        """
        width, height = size
        stretched = width * float(video.pixel_aspect)
        scale = min(1.0, longest / max(stretched, height, 1.0))
        upright = (max(1, round(stretched * scale)), max(1, round(height * scale)))
        return cls(size, upright, video.rotation)

    @property
    def size(self) -> tuple[int, int]:
        """Width and height of the small picture as it is shown."""
        width, height = self.upright
        return (height, width) if self.rotation in (90, 270) else (width, height)

    def picture(self, rgb: NDArray[np.uint8]) -> NDArray[np.uint8]:
        """Return a picture as it is shown; a copy that may be drawn on."""
        return self._turned(self._small(rgb))

    def coverage(self, mask: NDArray[np.bool_]) -> NDArray[np.float32]:
        """Return which share of every shown pixel is marked: thin things survive."""
        full = mask.astype(np.uint8) * np.uint8(255)
        share: NDArray[np.float32] = self._small(full).astype(np.float32) / 255.0
        return self._turned(share)

    def points(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return where points (x, y) of the coded picture lie on the shown one."""
        scale = np.array(self.upright, np.float64) / np.array(self.coded)
        x, y = (np.asarray(points, np.float64) * scale).T
        width, height = self.upright
        turned = {
            0: (x, y),
            90: (height - y, x),
            180: (width - x, height - y),
            270: (y, width - x),
        }[self.rotation]
        return np.stack(turned, axis=1)

    def box(self, box: tuple[int, int, int, int]) -> tuple[float, float, float, float]:
        """Return a rectangle (x, y, w, h) of the coded picture on the shown one."""
        x, y, w, h = box
        corners = self.points(np.array([(x, y), (x + w, y + h)], np.float64))
        (x0, y0), (x1, y1) = corners.min(axis=0), corners.max(axis=0)
        return float(x0), float(y0), float(x1 - x0), float(y1 - y0)

    def _small(self, plane: NDArray[np.uint8]) -> NDArray[np.uint8]:
        if plane.shape[1::-1] == self.upright:
            return plane.copy()
        # Averages over areas where it shrinks; where it grows, plain interpolation.
        shrinks = self.upright[0] <= plane.shape[1]
        how = cv2.INTER_AREA if shrinks else cv2.INTER_LINEAR
        return np.asarray(cv2.resize(plane, self.upright, interpolation=how), np.uint8)

    def _turned(self, plane: NDArray[T]) -> NDArray[T]:
        if self.rotation == 0:
            return plane
        return np.asarray(cv2.rotate(plane, _TURNS[self.rotation]), plane.dtype)


def for_screen(rgb: NDArray[np.uint8], signal: Signal) -> NDArray[np.uint8]:
    """Return a picture bright enough for an ordinary screen; only HDR is changed.

    Parameters
    ----------
    rgb : (H, W, 3) array of uint8
        R'G'B' as coded.

    Returns
    -------
    (H, W, 3) array of uint8
        HDR: display light by BT.2100 with a plain system gamma of 1.2 for HLG, rolled
        off above reference white, in sRGB. A picture to look at, not to measure.
    """
    if not signal.is_hdr:
        return rgb
    codes = np.arange(256) / 255.0
    light = to_linear(codes, transfer=signal.transfer)
    # HLG is scene light, which a display of 1000 cd/m2 shows with a gamma of 1.2.
    nits = 10_000.0 * light if signal.transfer == "pq" else 1000.0 * light**1.2
    linear = (nits / _HDR_WHITE).astype(np.float32)[rgb]
    matrix = np.linalg.solve(rgb_to_xyz("bt709"), rgb_to_xyz(signal.primaries))
    linear = np.maximum(linear @ matrix.T.astype(np.float32), 0.0)
    highest = _HDR_HIGHLIGHT / _HDR_WHITE
    rolled = np.minimum(linear * (1.0 + linear / highest**2) / (1.0 + linear), 1.0)
    # Reference white would come out at half; a little brighter keeps mid tones alive.
    rolled = np.minimum(1.35 * rolled, 1.0)
    shown = np.where(
        rolled <= 0.0031308, 12.92 * rolled, 1.055 * rolled ** (1 / 2.4) - 0.055
    )
    return np.asarray(np.rint(255.0 * shown), np.uint8)
