"""Which lamp explains a cast, if the camera was set to a preset."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from qc.colour import cct_duv, linear_rgb_to_xyz, mired, planckian_uv, uv_prime
from qc.signal import Primaries, rgb_to_xyz

__all__ = ["SETTINGS_K", "lamp_of_white", "lamp_words"]

SETTINGS_K = (5600.0, 3200.0)
"""Presets of cameras, daylight and lamp light. Common practice, no source."""

# Theatre lamps: 3000 to 6700 K, IEC 60601-2-41 as quoted by test laboratories.
_LAMPS_K = (3000.0, 6700.0)
# How far from the Planckian locus a lamp for white light may lie: the tolerance of
# ANSI C78.377 (from memory).
_LAMP_DUV = 0.006
_MARGIN_MIRED = 5.0


def lamp_of_white(
    rgb: ArrayLike, *, setting_k: float, primaries: Primaries
) -> tuple[float, float]:
    """Return what light a white was under, if the camera was balanced to another.

    Parameters
    ----------
    rgb : (3,) array
        Linear light of the white as coded.
    setting_k : float
        Black-body temperature that the camera was set to.
    primaries : str

    Returns
    -------
    cct_k, duv : float
        As of `cct_duv`; NaN outside its range.

    Notes
    -----
    A camera set to a light gives it equal R, G and B, by gains of the three: a von
    Kries shift in the coding's primaries. So the light's R, G, B are the coded ones
    times those of the setting.

    Examples
    --------
    A white that looks white at 3200 K was under 3200 K:

    >>> cct_k, duv = lamp_of_white([0.5, 0.5, 0.5], setting_k=3200, primaries="bt709")
    >>> round(cct_k), round(duv, 4) + 0.0
    (3200, 0.0)
    """
    u, v = planckian_uv(setting_k).tolist()
    setting = np.linalg.solve(
        rgb_to_xyz(primaries), [3.0 * u, 2.0 * v, 4.0 - u - 10.0 * v]
    )
    light = np.asarray(rgb, np.float64) * setting
    a, b = uv_prime(linear_rgb_to_xyz(light, primaries=primaries)).tolist()
    return cct_duv(a, b * 2 / 3)


def lamp_words(rgb: ArrayLike, *, primaries: Primaries) -> str:
    """Say whether a theatre lamp and a wrong preset explain how a white is coded.

    Parameters
    ----------
    rgb : (3,) array
        Linear light of the white as coded.
    primaries : str

    Returns
    -------
    str
        One sentence. What the camera was set to is not in the recording, so it says
        which preset would explain the cast, or that none of the usual ones does.
    """
    lamps = {
        k: lamp_of_white(rgb, setting_k=k, primaries=primaries) for k in SETTINGS_K
    }
    fits = [
        k
        for k, (cct, duv) in lamps.items()
        if _is_theatre_lamp(cct, duv) and _by_preset(cct, duv, k)
    ]
    setting = fits[0] if fits else SETTINGS_K[0]
    cct, duv = lamps[setting]
    if fits:
        return (
            f"This cast fits a theatre lamp of about {round(cct, -2):.0f} K with the "
            f"camera set to {setting:.0f} K: a wrong preset may explain it."
        )
    if not math.isfinite(cct):
        why = "too strongly coloured for any lamp"
    elif abs(duv) > _LAMP_DUV or not _by_preset(cct, duv, setting):
        why = f"too {'green' if duv > 0 else 'magenta'} for that"
    else:
        why = f"as of a lamp of {round(cct, -2):.0f} K"
    low, high = _LAMPS_K
    settings = " or ".join(f"{k:.0f} K" for k in SETTINGS_K)
    return (
        f"No theatre lamp ({low:.0f} to {high:.0f} K as published) with a camera set "
        f"to {settings} gives this cast ({why}): look for coloured light (a second "
        "lamp, a window, a screen) and at the camera's tint and matrix."
    )


def _by_preset(cct_k: float, duv: float, setting_k: float) -> bool:
    """Return whether the preset makes most of a cast, twice what a lamp's tint does."""
    lamp, setting = planckian_uv(cct_k), planckian_uv(setting_k)
    return bool(np.hypot(*(lamp - setting)) > 2.0 * abs(duv))


def _is_theatre_lamp(cct_k: float, duv: float) -> bool:
    if not (math.isfinite(cct_k) and abs(duv) <= _LAMP_DUV):
        return False
    # The range in kelvin, low to high, is high to low in mired.
    warmest, coldest = (mired(k) for k in _LAMPS_K)
    return coldest - _MARGIN_MIRED <= mired(cct_k) <= warmest + _MARGIN_MIRED
