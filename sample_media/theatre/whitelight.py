"""Light colours: lamps on and beside the Planckian locus, and cameras set to others.

A neutral seen under light L by a camera balanced to light B has the linear values
rgb(L) / rgb(B), in BT.709 primaries: the camera only has three gains.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .camera import _rgb_to_xyz

__all__ = ["light_rgb", "neutral_rgb", "planckian_uv", "uv_prime"]

_TO_XYZ = _rgb_to_xyz()
_TO_RGB = np.linalg.inv(_TO_XYZ)


def planckian_uv(cct_k: float) -> NDArray[np.float64]:
    """CIE 1960 u, v of a black body, 1000 to 15000 K.

    Krystek's rational fit (Color Research & Application 10, 1985; from memory):
    within 8e-5 in u and 9e-5 in v.
    """
    t = cct_k
    u = (0.860117757 + 1.54118254e-4 * t + 1.28641212e-7 * t * t) / (
        1 + 8.42420235e-4 * t + 7.08145163e-7 * t * t
    )
    v = (0.317398726 + 4.22806245e-5 * t + 4.20481691e-8 * t * t) / (
        1 - 2.89741816e-5 * t + 1.61456053e-7 * t * t
    )
    return np.array([u, v])


def light_rgb(cct_k: float, duv: float = 0.0) -> NDArray[np.float64]:
    """Linear BT.709 values of a light of luminance 1; `duv` > 0 lies to the green."""
    along = planckian_uv(cct_k - 5.0) - planckian_uv(cct_k + 5.0)
    normal = np.array([-along[1], along[0]]) / np.hypot(*along)
    if normal[1] < 0:
        normal = -normal
    u, v = planckian_uv(cct_k) + duv * normal
    x, y = 3 * u / (2 * u - 8 * v + 4), 2 * v / (2 * u - 8 * v + 4)
    xyz = np.array([x / y, 1.0, (1 - x - y) / y])
    return np.asarray(_TO_RGB @ xyz, np.float64)


def neutral_rgb(
    light: NDArray[np.float64], balanced_to: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Linear values of a perfect neutral in the camera's picture, luminance 1."""
    rgb = light / balanced_to
    return np.asarray(rgb / (_TO_XYZ[1] @ rgb), np.float64)


def uv_prime(rgb: NDArray[np.float64]) -> tuple[float, float]:
    """CIE 1976 u', v' of linear BT.709 values."""
    x, y, z = _TO_XYZ @ rgb
    d = x + 15 * y + 3 * z
    return float(4 * x / d), float(9 * y / d)
