"""A colour cast in the operator's words."""

from __future__ import annotations

import math

__all__ = ["MIRED_NAMED", "cast_words"]

# From here on the words name a direction. 5 mired: common practice, no source. Duv
# 0.006 is the tolerance of ANSI C78.377 for white light sources (from memory).
MIRED_NAMED = 5.0
_DUV_NAMED, _DUV_PLAIN, _DUV_STRONG = 0.002, 0.006, 0.015


def cast_words(
    *, mired_shift: float, duv_shift: float, red_stops: float, blue_stops: float
) -> str:
    """Say which way a colour is off neutral, in the operator's words.

    Parameters
    ----------
    mired_shift : float
        Mired of the colour less those of neutral, positive for warm; NaN when it is
        too far from white to have a colour temperature.
    duv_shift : float
        Duv of the colour less that of neutral, positive for green.
    red_stops, blue_stops : float
        Gains that would make it neutral: the direction where `mired_shift` is NaN.

    Examples
    --------
    >>> cast_words(mired_shift=47, duv_shift=0.003, red_stops=-0.3, blue_stops=0.4)
    'warm by about 45 mired and slightly green'
    """
    if not math.isfinite(mired_shift):
        if not (math.isfinite(red_stops) and math.isfinite(blue_stops)):
            return "strongly coloured"
        if red_stops < 0:
            return "strongly orange" if blue_stops > 0 else "strongly magenta"
        return "strongly green" if blue_stops > 0 else "strongly blue"
    parts = []
    if abs(mired_shift) >= MIRED_NAMED:
        way = "warm" if mired_shift > 0 else "cold"
        parts.append(f"{way} by about {5 * round(abs(mired_shift) / 5)} mired")
    if abs(duv_shift) >= _DUV_NAMED:
        way = "green" if duv_shift > 0 else "magenta"
        if abs(duv_shift) >= _DUV_STRONG:
            way = f"strongly {way}"
        elif abs(duv_shift) < _DUV_PLAIN:
            way = f"slightly {way}"
        parts.append(way)
    return " and ".join(parts) or "close to neutral"
