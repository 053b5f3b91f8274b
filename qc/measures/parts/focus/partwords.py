"""What is said of a soft part of the picture: where it is, how soft, what to do."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.focus.reach import reach_sentence
from qc.views import TILE_COLUMNS, TILE_ROWS

__all__ = ["part_advice", "part_message", "part_of"]

_ADVICE = (
    "The focus now lies at another distance than what is soft here. If that is the "
    "operative field, focus on it again at full zoom, zoom back, and leave autofocus "
    "off. Where near and far parts both have to be sharp, close the iris and give more "
    "light, or look at the field more steeply from above."
)
# A half is one whose tiles are nearly all meant, and which nearly all of those lie in.
_OF_HALF, _IN_HALF = 0.6, 0.85
# Nearly the whole picture, less a strip of it.
_NEARLY_ALL = 0.65
# So many percent of detail and more are as many as before.
_AS_SHARP = 95.0


def part_of(tiles: NDArray[np.bool_], rest: NDArray[np.bool_], rotation: int) -> str:
    """Return which part of the picture some tiles are, as people see it.

    Parameters
    ----------
    tiles, rest : (tiles,) arrays of bool
        Those that are meant, and the others that have detail: what is plain belongs to
        neither.
    rotation : int
        Degrees clockwise by which the picture is turned to be shown.

    Examples
    --------
    >>> left = np.zeros((6, 8), bool)
    >>> left[:, :4] = True
    >>> [part_of(left.ravel(), ~left.ravel(), turn) for turn in (0, 90)]
    ['the left half', 'the upper half']
    >>> middle = np.zeros((6, 8), bool)
    >>> middle[2:5, 3:6] = True
    >>> part_of(middle.ravel(), ~middle.ravel(), 0)
    'the middle'
    """
    shape = (TILE_ROWS, TILE_COLUMNS)
    turns = -(rotation // 90)
    meant, others = (np.rot90(part.reshape(shape), turns) for part in (tiles, rest))
    rows, columns = meant.shape
    down, across = np.nonzero(meant)
    y, x = (down + 0.5) / rows, (across + 0.5) / columns
    known = meant | others
    count = len(down)
    if count >= _NEARLY_ALL * np.count_nonzero(known):
        kept_down, kept_across = np.nonzero(others & ~meant)
        if len(kept_down):
            aside = _ninth((kept_down + 0.5) / rows, (kept_across + 0.5) / columns)
            return f"all but {aside}"
    best, named = 0.0, ""
    halves = {
        "left": (slice(None), slice(0, columns // 2)),
        "right": (slice(None), slice(columns // 2, None)),
        "upper": (slice(0, rows // 2), slice(None)),
        "lower": (slice(rows // 2, None), slice(None)),
    }
    for name, half in halves.items():
        inside = int(np.count_nonzero(meant[half]))
        full = inside / max(int(np.count_nonzero(known[half])), 1)
        told = full >= _OF_HALF and inside >= _IN_HALF * count
        if told and inside / count + full > best:
            best, named = inside / count + full, f"the {name} half"
    return named or _ninth(y, x)


def _ninth(y: NDArray[np.floating], x: NDArray[np.floating]) -> str:
    middle_down, middle_across = float(np.mean(y)), float(np.mean(x))
    down = "upper" if middle_down < 1 / 3 else "lower" if middle_down > 2 / 3 else ""
    across = "left" if middle_across < 1 / 3 else ""
    across = "right" if middle_across > 2 / 3 else across
    if down and across:
        return f"the {down} {across}"
    if down:
        return "the top" if down == "upper" else "the bottom"
    return f"the {across} side" if across else "the middle"


def part_message(
    part: str, *, left: float, kept: float, seconds: float, slow_s: float, limit: float
) -> str:
    """Return the sentence of a soft part.

    Parameters
    ----------
    left, kept : float
        What is left of fine detail there, and in the rest, percent of before.
    seconds, slow_s : float
        How long it lasts, and how long it took to come; 0: at once.
    limit : float
        Percent.
    """
    stays = "stays as sharp" if kept >= _AS_SHARP else f"keeps {kept:.0f} %"
    text = (
        f"Only a part of the picture is soft: in {part} fine detail falls for "
        f"{seconds:.1f} s to {math.floor(left)} % of what it was just before "
        f"(limit {limit:g} %), while the rest {stays}. Light and colour there stay "
        "the same: "
        "it is the lens, not something that came into the picture."
    )
    if slow_s > 0:
        text += f" It came within {slow_s:.1f} s."
    return text


def part_advice(limits: Mapping[str, Any]) -> str:
    """Return what to do, and what this rig can reach if the limits describe it."""
    reaches = reach_sentence(limits["focus.near_limit_m"], limits["focus.dioptre"])
    return f"{_ADVICE} {reaches}" if reaches else _ADVICE
