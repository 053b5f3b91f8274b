"""What a spot check looked at, and what follows from it. No input or output."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

__all__ = ["SpotBound", "SpotCoverage", "SpotEdge"]


@dataclass(frozen=True, slots=True)
class SpotBound:
    """What follows for one rule from what a spot check did not look at.

    Attributes
    ----------
    found : bool
        The fault was seen: then how much of it there is has no bound.
    share_percent : float or None
        At 95 % confidence no more of the take is affected, if nothing was found.
    stretch_s : float
        The bound holds for stretches of the fault of at least so many seconds each.
    sure_s : float
        A stretch longer than this cannot have been missed.
    """

    rule: str
    found: bool
    share_percent: float | None
    stretch_s: float
    sure_s: float


@dataclass(frozen=True, slots=True)
class SpotEdge:
    """A fault that a spot check met, and how well it is known where it ends.

    Attributes
    ----------
    seen_from_s, seen_to_s : float
        Between these it was seen in every window that lies there.
    begins_after_s, ends_before_s : float
        Where the nearest windows without it lie; the take's ends if there is none.
    """

    rule: str
    channel: int | None
    seen_from_s: float
    seen_to_s: float
    begins_after_s: float
    ends_before_s: float


@dataclass(frozen=True, slots=True)
class SpotCoverage:
    """What a spot check looked at, and what follows from it.

    Attributes
    ----------
    reading : "windows", "from the start" or "everything"
        How the file was read.
    windows : tuple of (start, end)
        Seconds of what was looked at, in order.
    by_chance : int
        Windows whose place chance gave; the bounds rest on them.
    window_s : float
        Length of such a window.
    longest_unseen_s : float
    bytes_read : int
        Coded bytes that were read, those read twice counted twice.
    bounds : tuple of SpotBound
    edges : tuple of SpotEdge
    not_judged : tuple of (rule, why)
    stills : int
        Pictures of faults that there is time for.
    """

    within_s: float
    reading: Literal["windows", "from the start", "everything"]
    windows: tuple[tuple[float, float], ...]
    by_chance: int
    window_s: float
    frames_share_percent: float | None
    sound_share_percent: float | None
    longest_unseen_s: float
    bytes_read: int
    bounds: tuple[SpotBound, ...] = ()
    edges: tuple[SpotEdge, ...] = ()
    not_judged: tuple[tuple[str, str], ...] = ()
    stills: int = 0
