"""How near the lens can focus: thin-lens arithmetic of a close-up lens (dioptre)."""

from __future__ import annotations

import math
from dataclasses import dataclass

__all__ = ["Reach", "reach", "reach_sentence"]

_SHORT_M = 1.0


@dataclass(frozen=True, slots=True)
class Reach:
    """Distances between which the lens can focus.

    Attributes
    ----------
    near_m, far_m : float
        Metres; the far limit is infinite without a dioptre, the near limit NaN when
        nobody told the lens's own.
    """

    near_m: float
    far_m: float


def reach(near_limit_m: float, dioptre: float = 0.0) -> Reach:
    """Return between which distances a lens with a close-up lens can focus.

    Parameters
    ----------
    near_limit_m : float
        Near limit of the lens alone, metres; 0 or NaN: not known.
    dioptre : float
        Power of the close-up lens in 1/m; 0: none fitted. Stacked ones add.

    Returns
    -------
    Reach
        Far limit ``1 / D``, near limit ``1 / (1 / d + D)``.

    Notes
    -----
    Thin lenses in contact: their powers add (textbook; the +1 at 1 m and +2 at 0.5 m
    of a lens at infinity are common knowledge of the trade).

    Examples
    --------
    >>> reach(1.0, 2.0)
    Reach(near_m=0.3333333333333333, far_m=0.5)
    """
    if dioptre < 0:
        raise ValueError(f"dioptre must be 0 or more, got {dioptre}")
    known = near_limit_m > 0
    near = 1.0 / (1.0 / near_limit_m + dioptre) if known else math.nan
    return Reach(near, 1.0 / dioptre if dioptre > 0 else math.inf)


def reach_sentence(near_limit_m: float, dioptre: float = 0.0) -> str:
    """Say what the rig can reach; empty when the limits file does not describe it.

    Examples
    --------
    >>> reach_sentence(0.0)
    ''
    >>> reach_sentence(0.0, 1.0)
    'With the +1 dioptre nothing beyond 1.00 m of its glass can be in focus.'
    """
    limits = reach(near_limit_m, dioptre)
    if dioptre > 0:
        with_it = f"With the +{dioptre:g} dioptre"
        if math.isnan(limits.near_m):
            return (
                f"{with_it} nothing beyond {_metres(limits.far_m)} of its glass can "
                "be in focus."
            )
        text = (
            f"{with_it} this lens focuses from {_metres(limits.near_m)} to "
            f"{_metres(limits.far_m)} before the glass and nowhere else"
        )
        return f"{text} ({_HONEST})."
    if math.isnan(limits.near_m):
        return ""
    text = (
        f"Nearer than {_metres(limits.near_m)} this lens cannot focus: raise the "
        "boom, or fit a dioptre"
    )
    if limits.near_m >= _SHORT_M:
        nearer = reach(near_limit_m, 1.0)
        text += (
            f"; a +1 would reach from {_metres(nearer.near_m)} to "
            f"{_metres(nearer.far_m)} ({_HONEST})"
        )
    return f"{text}."


_HONEST = "worked out for a thin lens: allow some 10 cm, and measure"


def _metres(value: float) -> str:
    return f"{value:.2f} m"
