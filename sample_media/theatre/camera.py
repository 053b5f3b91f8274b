"""From linear light to coded pictures, as a camera does it.

Order: lens (defocus) -> iris (stops) -> sensor (shot and read noise) -> white
balance -> white clip -> ITU-R BT.709 OETF -> Y'CbCr BT.709, limited range ->
4:2:0 or 4:2:2, 8 or 10 bits.

The camera's white clip stands at 105 % of R', G' and B': hard, without a knee. So
a burnt-out area is coded as one flat level above 100 %, as most cameras leave it.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from . import textures as tx
from .textures import Plane

ALPHA = 1.09929682680944
BETA = 0.018053968510807
"""ITU-R BT.709 OETF constants to full precision (ITU-R BT.2020 gives the roots)."""

CLIP_PERCENT = 105.0
"""White clip of R'G'B'. The tolerance of EBU R 103 ends there too."""

BASE_GAIN = 1.15
"""Signal of a perfectly white matt surface under a lamp of 1, at the right stop."""

_READ_NOISE = 0.0011
_SHOT_NOISE = 4.5e-6
_BANK_PAD = 96
_VEIL = 0.03
_LUT_TOP = 1.25
_LUT_STEPS = 65535

KR, KB = 0.2126, 0.0722
"""ITU-R BT.709 luma coefficients."""


def oetf(light: NDArray[np.floating]) -> NDArray[np.float64]:
    """ITU-R BT.709 transfer: linear light (1 = 100 %) to signal (1 = 100 %)."""
    x = np.asarray(light, np.float64)
    return np.where(
        x < BETA, 4.5 * x, ALPHA * np.maximum(x, BETA) ** 0.45 - (ALPHA - 1)
    )


def inverse_oetf(signal: float) -> float:
    """Linear light of a signal (both 1 = 100 %)."""
    if signal < 4.5 * BETA:
        return signal / 4.5
    return float(((signal + ALPHA - 1) / ALPHA) ** (1 / 0.45))


def daylight_xy(cct_k: float) -> tuple[float, float]:
    """CIE daylight locus (CIE 15), 4000 K to 7000 K; formula from memory."""
    t = cct_k
    x = -4.6070e9 / t**3 + 2.9678e6 / t**2 + 0.09911e3 / t + 0.244063
    return x, -3.0 * x * x + 2.870 * x - 0.275


def xy_gains(x: float, y: float) -> tuple[float, float, float]:
    """Red, green and blue gains that make a neutral look like chromaticity x, y.

    Luma weights hold the brightness: the neutral keeps its luminance.
    """
    to_rgb = np.linalg.inv(_rgb_to_xyz())
    rgb = to_rgb @ np.array([x / y, 1.0, (1 - x - y) / y])
    return float(rgb[0]), float(rgb[1]), float(rgb[2])


def _rgb_to_xyz() -> NDArray[np.float64]:
    """BT.709 primaries and D65 white (ITU-R BT.709-6, items 1.3 and 1.4)."""
    xy = np.array([[0.64, 0.33], [0.30, 0.60], [0.15, 0.06]])
    columns = np.stack([xy[:, 0] / xy[:, 1], np.ones(3), (1 - xy.sum(1)) / xy[:, 1]])
    white = np.array([0.3127 / 0.3290, 1.0, (1 - 0.3127 - 0.3290) / 0.3290])
    return np.asarray(columns * np.linalg.solve(columns, white), np.float64)


def green_shift_xy(shift_duv: float) -> tuple[float, float]:
    """Chromaticity `shift_duv` to the green side of D65, square to the locus.

    CIE 1960 u, v; the direction of the Planckian locus at 6504 K from Krystek's
    rational fit (1985, from memory).
    """

    def planck(t: float) -> NDArray[np.float64]:
        u = (0.860117757 + 1.54118254e-4 * t + 1.28641212e-7 * t * t) / (
            1 + 8.42420235e-4 * t + 7.08145163e-7 * t * t
        )
        v = (0.317398726 + 4.22806245e-5 * t + 4.20481691e-8 * t * t) / (
            1 - 2.89741816e-5 * t + 1.61456053e-7 * t * t
        )
        return np.array([u, v])

    along = planck(6404.0) - planck(6604.0)
    normal = np.array([-along[1], along[0]]) / np.hypot(*along)
    if normal[1] < 0:
        normal = -normal
    d = -2 * 0.3127 + 12 * 0.3290 + 3
    u, v = np.array([4 * 0.3127 / d, 6 * 0.3290 / d]) + shift_duv * normal
    x, y = 3 * u / (2 * u - 8 * v + 4), 2 * v / (2 * u - 8 * v + 4)
    return float(x), float(y)


@dataclass(frozen=True, slots=True)
class Setting:
    """How the camera stands for one frame.

    Attributes
    ----------
    stops : float
        Iris against the right exposure; +1 doubles the light.
    defocus_sigma_px : float
        Defocus as the sigma of a Gaussian, pixels at 1280 wide; 0 is sharp.
    gains : (float, float, float)
        White-balance error as gains of red, green and blue; 1, 1, 1 is right.
    """

    stops: float = 0.0
    defocus_sigma_px: float = 0.0
    gains: tuple[float, float, float] = (1.0, 1.0, 1.0)


def _veil(light: Plane) -> Plane:
    """Veiling glare: a lens spreads a little of its light widely.

    It lifts the surroundings of burnt-out areas, as in every real picture. Done at
    an eighth of the size: it is far too soft to need more.
    """
    h, w = light.shape[:2]
    small = cv2.resize(light, (w // 8, h // 8), interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (0, 0), 2.6)
    wide = cv2.resize(small, (w, h), interpolation=cv2.INTER_LINEAR)
    return np.asarray(cv2.addWeighted(light, 1 - _VEIL, wide, _VEIL, 0.0), np.float32)


class Camera:
    """A camera with noise of its own.

    Parameters
    ----------
    take : str
        Name of the take: gives it its own run of noise.
    bit_depth : int
        8 or 10.
    chroma : str
        "420" or "422".
    """

    def __init__(self, take: str, bit_depth: int = 8, chroma: str = "420") -> None:
        if bit_depth not in (8, 10) or chroma not in ("420", "422"):
            raise ValueError(f"no such picture: {bit_depth} bit {chroma}")
        self._take, self._depth, self._chroma = take, bit_depth, chroma
        steps = np.linspace(0, _LUT_TOP, _LUT_STEPS + 1)
        self._curve = oetf(np.minimum(steps, inverse_oetf(CLIP_PERCENT / 100))).astype(
            np.float32
        )
        k = 2 ** (bit_depth - 8)
        kg = 1 - KR - KB
        y = 219 * k * np.array([KR, kg, KB])
        cb = 224 * k * np.array([-KR, -kg, 1 - KB]) / (2 * (1 - KB))
        cr = 224 * k * np.array([1 - KR, -kg, -KB]) / (2 * (1 - KR))
        offset = np.array([16 * k, 128 * k, 128 * k])
        self._matrix = np.column_stack([np.stack([y, cb, cr]), offset]).astype(
            np.float32
        )
        self._bank: Plane | None = None

    def shoot(
        self, light: Plane, index: int, setting: Setting
    ) -> tuple[NDArray[np.uint16], NDArray[np.uint16], NDArray[np.uint16]]:
        """Code one frame.

        Parameters
        ----------
        light : ndarray of float32, (height, width, 3)
            Linear light of the scene.
        index : int
            Frame number; it picks the noise.
        setting : Setting
            Iris, focus and white balance.

        Returns
        -------
        y, cb, cr : ndarray of uint16
            Code values; chroma has the size its sampling asks for.
        """
        signal = _veil(light)
        if setting.defocus_sigma_px > 0:
            signal = cv2.GaussianBlur(
                signal,
                (0, 0),
                setting.defocus_sigma_px,
                borderType=cv2.BORDER_REPLICATE,
            ).astype(np.float32)
        signal = np.asarray(
            signal * np.float32(BASE_GAIN * 2.0**setting.stops), np.float32
        )
        spread = cv2.sqrt(signal * np.float32(_SHOT_NOISE) + np.float32(_READ_NOISE**2))
        signal = signal + spread * self._noise(signal.shape[:2], index)
        if setting.gains != (1.0, 1.0, 1.0):
            signal = signal * np.array(setting.gains, np.float32)
        top = np.float32(_LUT_STEPS / _LUT_TOP)
        place = np.clip(signal * top + np.float32(0.5), 0, _LUT_STEPS).astype(np.uint16)
        coded = cv2.transform(np.take(self._curve, place), self._matrix)
        y, cb, cr = (np.asarray(p, np.float32) for p in cv2.split(coded))
        ceiling = float(255 * 2 ** (self._depth - 8) - 1)

        def code(plane: NDArray[np.floating]) -> NDArray[np.uint16]:
            return np.asarray(np.clip(np.rint(plane), 1, ceiling), np.uint16)

        return code(y), code(self._sample(cb)), code(self._sample(cr))

    def _sample(self, chroma: NDArray[np.floating]) -> NDArray[np.floating]:
        """Fewer chroma samples, sited left as H.264 takes for granted."""
        across = np.array([0.25, 0.5, 0.25], np.float32)
        if self._chroma == "422":
            kept = cv2.sepFilter2D(chroma, -1, across, np.ones(1, np.float32))
            return np.asarray(kept[:, ::2])
        pairs = 0.5 * (chroma[::2] + chroma[1::2])
        return np.asarray(
            cv2.sepFilter2D(pairs, -1, across, np.ones(1, np.float32))[:, ::2]
        )

    def _noise(self, shape: tuple[int, int], index: int) -> Plane:
        """Return unit noise for one frame, a little soft as after demosaicing."""
        if self._bank is None:
            rng = tx.generator("noise bank")
            size = (shape[0] + _BANK_PAD, shape[1] + _BANK_PAD, 3)
            bank = cv2.GaussianBlur(rng.standard_normal(size, np.float32), (0, 0), 0.55)
            self._bank = np.asarray(bank / bank.std(), np.float32)
        rng = tx.generator("noise " + self._take, index)
        oy, ox = (int(v) for v in rng.integers(0, _BANK_PAD, 2))
        return self._bank[oy : oy + shape[0], ox : ox + shape[1]]
