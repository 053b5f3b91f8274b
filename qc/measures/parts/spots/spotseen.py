"""How much a spot changes what a screen shows.

A place that is nearly black may lose much of what light it has, and nobody sees it: a
coder's step from one key frame to the next is larger.
"""

from __future__ import annotations

import math

from qc.measures.parts.spots.spotranks import FOOT

__all__ = ["is_seen", "lightness"]

# A difference of L* side by side that is just noticed (common practice, no source).
_JUST_SEEN = 1.0

_GAMMA = 2.4  # ITU-R BT.1886, black at 0


def lightness(percent: float) -> float:
    """Return CIE 1976 L* (CIE 15:2018, 8.2.1) of a grey of so many percent of signal.

    Examples
    --------
    >>> round(lightness(100.0), 3), round(lightness(50.0), 1), lightness(0.0)
    (100.0, 50.6, 0.0)
    """
    light: float = (min(max(percent, 0.0), 100.0) / 100.0) ** _GAMMA
    if light > (6 / 29) ** 3:
        return 116 * math.cbrt(light) - 16
    return (29 / 3) ** 3 * light


def is_seen(level: float, step: float) -> bool:
    """Return whether a step of a place's level can be seen on a screen.

    Parameters
    ----------
    level : float
        Natural logarithm of its percent of signal before, with the foot.
    step : float
        What is added to that.

    Examples
    --------
    >>> grey, black = math.log(40 + 5), math.log(2 + 5)
    >>> is_seen(grey, -0.08), is_seen(black, -0.08)
    (True, False)
    """
    before, after = (lightness(math.exp(v) - FOOT) for v in (level, level + step))
    return abs(after - before) >= _JUST_SEEN
