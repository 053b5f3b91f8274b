"""Codes to linear light and back, by the stream's own range and matrix.

Light is float32 (H, W, 3), 1 at nominal white. The camera curve is BT.709's; the
matrices and ranges are those of BT.601-7, BT.709-6 and BT.2020-2 (`qc.signal` holds the
constants, `tests/test_signal.py` checks them against independent sources).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.signal import LUMA_WEIGHTS, Signal, to_linear

__all__ = ["Curve", "Light", "Planes", "daylight_gains", "oetf"]

Light = NDArray[np.float32]
Planes = tuple[NDArray[np.uint8], NDArray[np.uint8], NDArray[np.uint8]]

_ALPHA, _BETA = 1.09929682680944, 0.018053968510807
_STEP, _FROM, _TO = 1 / 4096, -0.5, 2.0


def oetf(light: Any) -> Light:
    """BT.709 camera curve of light, carried on above 1; negative light is mirrored."""
    value = np.asarray(light, np.float32)
    size = np.abs(value)
    bent = np.float32(_ALPHA) * cv2.pow(np.maximum(size, 1e-6), 0.45).reshape(
        size.shape
    ) - np.float32(_ALPHA - 1)
    out = np.where(size < _BETA, np.float32(4.5) * size, bent)
    return np.copysign(out, value).astype(np.float32)


_TABLE = to_linear(np.arange(_FROM, _TO, _STEP), transfer="bt709").astype(np.float32)


@dataclass(frozen=True)
class Curve:
    """Codes of one 8-bit 4:2:0 signal to light and back."""

    signal: Signal

    def __post_init__(self) -> None:
        if self.signal.bit_depth != 8 or self.signal.transfer != "bt709":
            raise ValueError(f"8-bit BT.709 curve only, got {self.signal}")

    def rgb(self, planes: Planes) -> Light:
        """R'G'B' at full size, 1 at white; nothing is cut."""
        s = self.signal
        y, cb, cr = planes
        size = (y.shape[1], y.shape[0])
        kr, kb = LUMA_WEIGHTS[s.matrix]
        kg = 1 - kr - kb
        luma = (y.astype(np.float32) - s.black) / np.float32(s.white - s.black)
        pb, pr = (
            cv2.resize(
                (c.astype(np.float32) - s.chroma_zero) / np.float32(s.chroma_span),
                size,
                interpolation=cv2.INTER_LINEAR,
            )
            for c in (cb, cr)
        )
        red = luma + np.float32(2 * (1 - kr)) * pr
        blue = luma + np.float32(2 * (1 - kb)) * pb
        green = (luma - np.float32(kr) * red - np.float32(kb) * blue) / np.float32(kg)
        return np.asarray(cv2.merge([red, green, blue]), np.float32)

    def light(self, planes: Planes) -> Light:
        """Linear light of codes (table in steps of 1/4096 of the signal)."""
        place = (self.rgb(planes) - np.float32(_FROM)) * np.float32(1 / _STEP)
        index = np.clip(np.rint(place), 0, len(_TABLE) - 1).astype(np.intp)
        return np.asarray(_TABLE[index], np.float32)

    def luma(self, light: Light) -> Light:
        """Y' of light, 0 to 1."""
        kr, kb = LUMA_WEIGHTS[self.signal.matrix]
        return oetf(light) @ np.array([kr, 1 - kr - kb, kb], np.float32)

    def codes(self, light: Light, *, clip: float | None = None) -> Planes:
        """Codes of light.

        Parameters
        ----------
        clip : float or None
            Signal at which each of R', G', B' clips; None: the top of the range.
        """
        s = self.signal
        top = (s.ceiling - s.black) / (s.white - s.black) if clip is None else clip
        value = np.clip(oetf(light), -0.05, top)
        red, green, blue = cv2.split(value)
        kr, kb = LUMA_WEIGHTS[s.matrix]
        luma = kr * red + (1 - kr - kb) * green + kb * blue
        half = (luma.shape[1] // 2, luma.shape[0] // 2)
        out = [np.rint(s.black + luma * (s.white - s.black))]
        for part, weight in ((blue, kb), (red, kr)):
            colour = cv2.resize(
                (part - luma) / np.float32(2 * (1 - weight)),
                half,
                interpolation=cv2.INTER_AREA,
            )
            out.append(np.rint(s.chroma_zero + colour * s.chroma_span))
        low = 0 if s.full_range else 1
        y, cb, cr = (np.clip(p, low, s.ceiling).astype(np.uint8) for p in out)
        return y, cb, cr


def daylight_gains(mired_shift: float, tint: float = 0.0) -> NDArray[np.float32]:
    """Gains of linear R, G, B that a white of D65 gets when the light is another.

    Parameters
    ----------
    mired_shift : float
        Positive is warmer. The light lies on the daylight locus (CIE 15:2004, 3.1.2),
        4000 to 25 000 K.
    tint : float
        Stops of green.

    Returns
    -------
    (3,) array
        BT.709 luminance stays 1.
    """
    kelvin = 1e6 / (1e6 / 6504 + mired_shift)
    if not 4000 <= kelvin <= 25000:
        raise ValueError(f"{kelvin:.0f} K is off the daylight locus")
    a = (
        (-4.6070e9, 2.9678e6, 0.09911e3, 0.244063)
        if kelvin <= 7000
        else (-2.0064e9, 1.9018e6, 0.24748e3, 0.237040)
    )
    x = a[0] / kelvin**3 + a[1] / kelvin**2 + a[2] / kelvin + a[3]
    y = -3 * x * x + 2.87 * x - 0.275
    xyz = np.array([x / y, 1, (1 - x - y) / y])
    # XYZ to linear BT.709: IEC 61966-2-1, annex of the inverse matrix.
    rgb = (
        np.array(
            [
                [3.2406, -1.5372, -0.4986],
                [-0.9689, 1.8758, 0.0415],
                [0.0557, -0.2040, 1.0570],
            ]
        )
        @ xyz
    )
    rgb[1] *= 2.0**tint
    out: NDArray[np.float32] = (rgb / (rgb @ (0.2126, 0.7152, 0.0722))).astype(
        np.float32
    )
    return out
