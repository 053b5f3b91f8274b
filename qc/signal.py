"""How code values stand for light: levels, transfer curves and colour matrices.

Everything here is arithmetic on published constants. Levels are exact (`Fraction`)
where a pixel count hangs on them: "at or above 95 %" must not take in one code too
many.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "LUMA_WEIGHTS",
    "PRIMARIES_XY",
    "Matrix",
    "Primaries",
    "Signal",
    "Transfer",
    "curve_name",
    "headroom_stops",
    "rgb_to_xyz",
    "to_linear",
    "ycbcr_to_rgb",
]

Matrix = Literal["bt601", "bt709", "bt2020"]
Transfer = Literal["bt709", "srgb", "gamma22", "gamma28", "linear", "hlg", "pq"]
Primaries = Literal["bt709", "bt601-525", "bt601-625", "bt2020", "p3-d65"]

# Luma weights of R' and B'; green is the rest. BT.601-7, BT.709-6, BT.2020-2.
LUMA_WEIGHTS: dict[str, tuple[float, float]] = {
    "bt601": (0.299, 0.114),
    "bt709": (0.2126, 0.0722),
    "bt2020": (0.2627, 0.0593),
}

# CIE 1931 chromaticities of red, green, blue and white.
# BT.709-6, BT.601-7 (525 and 625 lines), BT.2020-2; P3 with D65: from memory of
# SMPTE RP 431-2 with the D65 white point.
_D65 = (0.3127, 0.3290)
PRIMARIES_XY: dict[str, tuple[tuple[float, float], ...]] = {
    "bt709": ((0.640, 0.330), (0.300, 0.600), (0.150, 0.060), _D65),
    "bt601-525": ((0.630, 0.340), (0.310, 0.595), (0.155, 0.070), _D65),
    "bt601-625": ((0.640, 0.330), (0.290, 0.600), (0.150, 0.060), _D65),
    "bt2020": ((0.708, 0.292), (0.170, 0.797), (0.131, 0.046), _D65),
    "p3-d65": ((0.680, 0.320), (0.265, 0.690), (0.150, 0.060), _D65),
}

_CURVE_NAMES: dict[str, str] = {
    "bt709": "BT.709 camera curve",
    "srgb": "sRGB curve",
    "gamma22": "gamma 2.2",
    "gamma28": "gamma 2.8",
    "linear": "linear light",
    "hlg": "BT.2100 HLG camera curve",
    "pq": "BT.2100 PQ display curve",
}

# BT.709-6: the exact constants that make curve and slope meet (BT.2020-2 gives them).
_ALPHA = 1.09929682680944
_BETA = 0.018053968510807


@dataclass(frozen=True, slots=True)
class Signal:
    """What the code values of a picture mean.

    Parameters
    ----------
    bit_depth : int
        Bits per sample of the planes, 8 to 16.
    full_range : bool
        True when 0 is black and the top code is white; False for the limited
        ("video") range of BT.601/709/2020.
    matrix, transfer, primaries : str
        Colour matrix, transfer curve and primaries, by the names used here.

    References
    ----------
    Quantisation: ITU-R BT.709-6 items 3.4 to 3.6, BT.2020-2 table 5, BT.2100-2
    table 9 (clause numbers from memory).
    """

    bit_depth: int = 8
    full_range: bool = False
    matrix: Matrix = "bt709"
    transfer: Transfer = "bt709"
    primaries: Primaries = "bt709"

    def __post_init__(self) -> None:
        if not 8 <= self.bit_depth <= 16:
            raise ValueError(f"bit_depth must be 8 to 16, got {self.bit_depth}")

    @property
    def top(self) -> int:
        """Highest code of the planes, e.g. 255."""
        return (1 << self.bit_depth) - 1

    @property
    def black(self) -> int:
        """Luma code of black: 16 in 8-bit limited range, 0 in full range."""
        return 0 if self.full_range else 16 << (self.bit_depth - 8)

    @property
    def white(self) -> int:
        """Luma code of nominal peak white: 235 in 8-bit limited range."""
        return self.top if self.full_range else 235 << (self.bit_depth - 8)

    @property
    def ceiling(self) -> int:
        """Highest luma code a video signal may hold.

        Full range: the top code. Limited range: the serial interfaces reserve the
        topmost codes (8-bit 255, 10-bit 1020 to 1023; from memory of SMPTE ST 274 and
        ITU-R BT.1120), so the ceiling is 254, 1019, 4079 ...
        """
        if self.full_range:
            return self.top
        return self.top - (1 << (self.bit_depth - 8))

    @property
    def chroma_zero(self) -> int:
        """Code of no colour in Cb and Cr: 128, 512, 2048 ..."""
        return 1 << (self.bit_depth - 1)

    @property
    def chroma_span(self) -> int:
        """Codes between the extremes of Cb or Cr: 224 in 8-bit limited range."""
        return self.top if self.full_range else 224 << (self.bit_depth - 8)

    @property
    def code_scale(self) -> float:
        """Factor that turns code values into 8-bit-equivalent ones of this range."""
        return 1.0 / (1 << (self.bit_depth - 8))

    def percent(self, code: float) -> float:
        """Return the level in percent of black-to-white that a luma `code` stands for.

        Examples
        --------
        >>> Signal().percent(235)
        100.0
        """
        return 100.0 * (code - self.black) / (self.white - self.black)

    def code(self, percent: float) -> float:
        """Return the luma code, not rounded, at `percent` of black-to-white.

        Examples
        --------
        >>> round(Signal(bit_depth=10).code(95), 2)
        896.2
        """
        return self.black + (self.white - self.black) * percent / 100.0

    def first_code_at(self, percent: float) -> int:
        """Return the lowest luma code that really is at or above `percent`.

        Rounding to the nearest code would let in one code too many: 224 in 8-bit is
        94.977 %.

        Examples
        --------
        >>> Signal().first_code_at(95), Signal(bit_depth=10).first_code_at(95)
        (225, 897)
        >>> Signal(full_range=True).first_code_at(95)
        243
        """
        exact = self.black + (self.white - self.black) * Fraction(str(percent)) / 100
        return math.ceil(exact)

    @property
    def is_hdr(self) -> bool:
        """True for HLG and PQ."""
        return self.transfer in ("hlg", "pq")


def curve_name(transfer: Transfer) -> str:
    """Return the transfer curve's name for people, e.g. ``"BT.709 camera curve"``."""
    return _CURVE_NAMES[transfer]


def to_linear(
    value: NDArray[np.floating] | float, *, transfer: Transfer
) -> NDArray[np.float64]:
    """Turn signal values into linear light through the inverse transfer curve.

    Parameters
    ----------
    value : array or float
        Non-linear R', G', B' or Y' where 0 is black and 1 is nominal white. Values
        over 1 are carried on; values under 0 are mirrored.
    transfer : str
        Name of the transfer curve.

    Returns
    -------
    array of float64
        Scene light for ``bt709``, ``hlg`` (1 at signal 1); display light relative to
        10 000 cd/m2 for ``pq``; otherwise the curve's own linear value.

    References
    ----------
    ITU-R BT.709-6 item 1.2; BT.2100-2 tables 4 and 5; IEC 61966-2-1.
    """
    v = np.asarray(value, dtype=np.float64)
    a = np.abs(v)
    if transfer == "linear":
        out = a
    elif transfer == "bt709":
        out = np.where(
            a < 4.5 * _BETA, a / 4.5, ((a + _ALPHA - 1.0) / _ALPHA) ** (1.0 / 0.45)
        )
    elif transfer == "srgb":
        out = np.where(a <= 0.04045, a / 12.92, ((a + 0.055) / 1.055) ** 2.4)
    elif transfer == "gamma22":
        out = a**2.2
    elif transfer == "gamma28":
        out = a**2.8
    elif transfer == "hlg":
        ca, cb = 0.17883277, 0.28466892
        cc = 0.5 - ca * math.log(4 * ca)
        out = np.where(a <= 0.5, a * a / 3.0, (np.exp((a - cc) / ca) + cb) / 12.0)
    elif transfer == "pq":
        m1, m2 = 2610 / 16384, 2523 / 4096 * 128
        c1, c2, c3 = 3424 / 4096, 2413 / 4096 * 32, 2392 / 4096 * 32
        p = np.minimum(a, 1.0) ** (1 / m2)
        out = (np.maximum(p - c1, 0.0) / (c2 - c3 * p)) ** (1 / m1)
    else:
        raise ValueError(f"no such transfer curve: {transfer!r}")
    return np.where(v < 0, -out, out)


def headroom_stops(percent: float, *, transfer: Transfer) -> float:
    """Return how many stops `percent` of the signal range lies under 100 %.

    Parameters
    ----------
    percent : float
        Signal level; NaN or at most 0 gives NaN.
    transfer : str
        Curve through which levels become light.

    Returns
    -------
    float
        Stops; negative above 100 %.

    References
    ----------
    A stop is a factor of two of light; the BT.709 figures follow from item 1.2.

    Examples
    --------
    >>> round(headroom_stops(70.55, transfer="bt709"), 2)
    1.0
    """
    if not percent > 0:
        return math.nan
    light = float(to_linear(percent / 100.0, transfer=transfer))
    full = float(to_linear(1.0, transfer=transfer))
    return math.log2(full / light) if light > 0 else math.nan


def ycbcr_to_rgb(
    y: NDArray[np.generic] | float,
    cb: NDArray[np.generic] | float,
    cr: NDArray[np.generic] | float,
    *,
    signal: Signal,
) -> NDArray[np.float64]:
    """Turn Y', Cb, Cr codes into R', G', B' where 1 is nominal white; nothing is cut.

    Parameters
    ----------
    y, cb, cr : arrays of one shape, or floats
        Code values.
    signal : Signal
        Range, bit depth and matrix of the codes.

    Returns
    -------
    array, shape (..., 3)
        R', G', B'; under 0 and over 1 where the codes say so.

    References
    ----------
    ITU-R BT.709-6 items 3.2 to 3.5; BT.601-7; BT.2020-2 (non-constant luminance).
    """
    kr, kb = LUMA_WEIGHTS[signal.matrix]
    kg = 1.0 - kr - kb
    luma = (np.asarray(y, np.float64) - signal.black) / (signal.white - signal.black)
    pb = (np.asarray(cb, np.float64) - signal.chroma_zero) / signal.chroma_span
    pr = (np.asarray(cr, np.float64) - signal.chroma_zero) / signal.chroma_span
    red = luma + 2.0 * (1.0 - kr) * pr
    blue = luma + 2.0 * (1.0 - kb) * pb
    green = (luma - kr * red - kb * blue) / kg
    return np.stack([red, green, blue], axis=-1)


def rgb_to_xyz(primaries: Primaries) -> NDArray[np.float64]:
    """Return the 3 by 3 matrix from linear R, G, B to CIE 1931 XYZ, white at Y = 1.

    References
    ----------
    SMPTE RP 177 (derivation of television colour equations), from memory.
    """
    xy = PRIMARIES_XY[primaries]
    columns = np.array([[x / y, 1.0, (1.0 - x - y) / y] for x, y in xy]).T
    rgb, white = columns[:, :3], columns[:, 3]
    scaled: NDArray[np.float64] = rgb * np.linalg.solve(rgb, white)
    return scaled
