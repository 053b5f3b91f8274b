"""Student's t that chance alone seldom exceeds.

`scipy.special` has it too; importing that takes longer than all the spots of a take.
"""

from __future__ import annotations

import math
from functools import cache
from statistics import NormalDist

import numpy as np

__all__ = ["student_t", "upper_tail"]

# With one degree of freedom it goes slowly: the tail is long.
_MOST_STEPS = 1000
_NEAR = 1e-9


@cache
def student_t(freedom: int, chance: float) -> float:
    """Return the t that is exceeded with some chance.

    Parameters
    ----------
    freedom : int
        Degrees of freedom, 1 or more.
    chance : float
        Over 1e-12 (the tail is a difference from 1) and under 0.5.

    Examples
    --------
    >>> round(student_t(10, 0.025), 3)  # as in every table
    2.228
    """
    # The normal distribution's is less, and the tail convex: Newton's steps come from
    # below and never go beyond.
    t = NormalDist().inv_cdf(1.0 - chance)
    for _ in range(_MOST_STEPS):
        step = (upper_tail(t, freedom) - chance) / _density(t, freedom)
        t += step
        if step <= _NEAR * t:
            break
    return t


def upper_tail(t: float, freedom: int) -> float:
    """Return the chance of more than `t`, not negative.

    Notes
    -----
    Abramowitz and Stegun, Handbook of Mathematical Functions, 26.7.3 and 26.7.4: a
    finite sum for whole degrees of freedom.
    """
    angle = math.atan(t / math.sqrt(freedom))
    sine, cosine = math.sin(angle), math.cos(angle)
    odd = freedom % 2
    powers = np.arange(2 + odd, freedom, 2.0)
    terms = np.cumprod(np.concatenate([[1.0], cosine**2 * (powers - 1) / powers]))
    if odd:
        rest = sine * cosine * float(terms.sum()) if freedom > 1 else 0.0
        within = 2.0 / math.pi * (angle + rest)
    else:
        within = sine * float(terms.sum())
    return 0.5 * (1.0 - within)


def _density(t: float, freedom: int) -> float:
    scale = math.lgamma(0.5 * (freedom + 1)) - math.lgamma(0.5 * freedom)
    shape = -0.5 * (freedom + 1) * math.log1p(t * t / freedom)
    return math.exp(scale + shape) / math.sqrt(freedom * math.pi)
