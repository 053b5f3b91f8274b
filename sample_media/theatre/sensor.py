"""A camera whose white clip, knee, range, depth and noise can be chosen.

Order as in `camera`: lens glare -> iris -> noise -> white balance -> BT.709 curve ->
knee -> white clip -> Y'CbCr. What the scene would have been without clip is kept.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from . import textures as tx
from .camera import KB, KR, oetf
from .textures import Plane

__all__ = ["Sensor", "SensorFacts"]

_TOP = 16.0
_STEPS = 65535
_BANK_PAD = 96
Codes = NDArray[np.unsignedinteger]


@dataclass(frozen=True, slots=True)
class SensorFacts:
    """How a camera is built and set.

    Attributes
    ----------
    clip_percent : float
        White clip of R', G' and B': 100, 105 or 109.
    knee_percent : float or None
        Where the soft knee begins; None: hard clip.
    full_range : bool
        Codes 0 to 255 for black to white; then the clip is 100.
    bit_depth : int
        8 (4:2:0) or 10 (4:2:2).
    read_noise, shot_noise : float
        Noise of the darkness and of the light, as variances add.
    veil : float
        Share of the light that the lens spreads over the picture.
    soft_px : float
        Softness of lens and sensor, Gaussian sigma.
    """

    clip_percent: float = 105.0
    knee_percent: float | None = None
    full_range: bool = False
    bit_depth: int = 8
    read_noise: float = 0.0011
    shot_noise: float = 4.5e-6
    veil: float = 0.015
    soft_px: float = 0.45


class Sensor:
    """Codes linear light; noise depends on `number` and the frame alone."""

    def __init__(self, facts: SensorFacts, number: int) -> None:
        self.facts, self._number = facts, number
        light = _TOP * np.linspace(0, 1, _STEPS + 1) ** 2
        self._curve = self.curve(light).astype(np.float32)
        k = 2 ** (facts.bit_depth - 8)
        top = 256 * k - 1
        luma, chroma = (top, top) if facts.full_range else (219 * k, 224 * k)
        self.black = 0 if facts.full_range else 16 * k
        self.luma_span = luma
        self._ceiling = float(top if facts.full_range else 255 * k - 1)
        self._floor = 0.0 if facts.full_range else 1.0
        weight = np.array([KR, 1 - KR - KB, KB])
        cb = (np.array([0, 0, 1]) - weight) / (2 * (1 - KB))
        cr = (np.array([1, 0, 0]) - weight) / (2 * (1 - KR))
        rows = np.stack([luma * weight, chroma * cb, chroma * cr])
        offset = np.array([self.black, 128 * k, 128 * k])
        self._matrix = np.column_stack([rows, offset]).astype(np.float32)
        self._bank: Plane | None = None

    def curve(self, light: NDArray[np.floating]) -> NDArray[np.float64]:
        """Linear light to R'G'B' (1 = 100 %), with knee and white clip."""
        v = oetf(light)
        clip = self.facts.clip_percent / 100
        if self.facts.knee_percent is not None:
            # bends smoothly from slope 1 and meets the clip after a few stops
            k = self.facts.knee_percent / 100
            w = 1.12 * (clip - k)
            v = np.where(v > k, k + w * (1 - np.exp(-np.maximum(v - k, 0) / w)), v)
        return np.minimum(v, clip)

    def luma_percent(self, light: NDArray[np.floating]) -> NDArray[np.float64]:
        """Luma in percent, without noise, of linear light (..., 3) after balance."""
        return np.asarray(
            100 * (self._through(np.asarray(light, np.float32)) @ (KR, 1 - KR - KB, KB))
        )

    def _through(self, light: Plane) -> Plane:
        place = np.sqrt(np.clip(light, 0, _TOP) / np.float32(_TOP))
        index = (place * np.float32(_STEPS) + np.float32(0.5)).astype(np.uint16)
        return np.asarray(np.take(self._curve, index), np.float32)

    def lens(self, light: Plane) -> Plane:
        """Softness and veiling glare, before the iris; linear, one channel or three."""
        h, w = light.shape[:2]
        soft = cv2.GaussianBlur(light, (0, 0), self.facts.soft_px)
        small = cv2.resize(light, (w // 8, h // 8), interpolation=cv2.INTER_AREA)
        small = cv2.GaussianBlur(small, (0, 0), 0.0022 * w)
        wide = cv2.resize(small, (w, h), interpolation=cv2.INTER_LINEAR)
        veil = self.facts.veil
        return np.asarray(cv2.addWeighted(soft, 1 - veil, wide, veil, 0), np.float32)

    def code(
        self, light: Plane, gains: NDArray[np.float64], index: int
    ) -> tuple[Codes, Codes, Codes]:
        """Code one frame.

        Parameters
        ----------
        light : ndarray of float32, (height, width, 3)
            Linear light after `lens` and iris, before white balance.
        gains : (3,) array
            What a perfect neutral shows in the picture, luminance 1.
        index : int
            Frame number; it picks the noise.

        Returns
        -------
        y, cb, cr : ndarray of uint8 or uint16
            Chroma halved across, and down in 8 bit.
        """
        f = self.facts
        spread = cv2.sqrt(
            light * np.float32(f.shot_noise) + np.float32(f.read_noise**2)
        )
        signal = (light + spread * self._noise(light.shape[:2], index)) * np.asarray(
            gains, np.float32
        )
        coded = cv2.transform(self._through(signal), self._matrix)
        y, cb, cr = (np.asarray(p, np.float32) for p in cv2.split(coded))
        dtype = np.uint8 if f.bit_depth == 8 else np.uint16

        def whole(plane: NDArray[np.floating]) -> Codes:
            kept = np.clip(np.rint(plane), self._floor, self._ceiling)
            return np.asarray(kept, dtype)

        return whole(y), whole(self._sample(cb)), whole(self._sample(cr))

    def _sample(self, chroma: Plane) -> Plane:
        """Fewer chroma samples, sited left."""
        across = np.array([0.25, 0.5, 0.25], np.float32)
        if self.facts.bit_depth == 8:
            chroma = 0.5 * (chroma[::2] + chroma[1::2])
        kept = cv2.sepFilter2D(chroma, -1, across, np.ones(1, np.float32))
        return np.asarray(kept[:, ::2], np.float32)

    def _noise(self, shape: tuple[int, int], index: int) -> Plane:
        if self._bank is None:
            rng = tx.generator("sensor bank", self._number)
            size = (shape[0] + _BANK_PAD, shape[1] + _BANK_PAD, 3)
            bank = cv2.GaussianBlur(rng.standard_normal(size, np.float32), (0, 0), 0.55)
            self._bank = np.asarray(bank / bank.std(), np.float32)
        rng = tx.generator(f"sensor {self._number}", index)
        oy, ox = (int(v) for v in rng.integers(0, _BANK_PAD, 2))
        return self._bank[oy : oy + shape[0], ox : ox + shape[1]]
