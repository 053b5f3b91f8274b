"""Focus that was pulled to another place: soft here, and as sharp as it was there.

An operator pulls focus on purpose. Then some tiles of the picture get softer while
others get sharper that held the same before: what comes into a tile brings its own
coarse contrast, a lens leaves it as it is.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.focus.hiding import alike, middle_colours
from qc.measures.parts.focus.medians import known_median, median
from qc.measures.parts.focus.slowtiles import has_slow
from qc.measures.parts.focus.tiles import tile_rows
from qc.records import Readings
from qc.views import TILE_COLUMNS, TILE_ROWS

__all__ = ["PULL_ADVICE", "Pull", "pull_message", "pull_of"]

PULL_ADVICE = (
    "Switch autofocus off, which may have chosen, and focus on the operative field at "
    "full zoom. If the focus was pulled there on purpose, all is well."
)

# Tiles that hold the subject have been this sharp, of the sharpest; and have detail.
_SUBJECT, _FLOOR = 0.3, 0.1
# What gets sharper, or softer, does so by at least this; its coarse contrast stays the
# same within a factor (defocus of a few pixels leaves most of it: house choices).
_LOST, _SAME = 0.6, 1.3
# So many tiles, and so large a share of the subject, must be sharper than they were,
# and as sharp as the others have been, but for this share: the less if light and colour
# of the tiles say that they hold the same.
_FEWEST, _LEAST_SHARE, _AS_SHARP, _SURELY_SHARP = 3, 0.15, 0.6, 0.4


@dataclass(frozen=True, slots=True)
class Pull:
    """Where the focus is, where it is not, and how much detail is left there.

    Attributes
    ----------
    passing : bool
        It is on its way from the one place to the other.
    """

    here: str
    not_there: str
    left_percent: float
    passing: bool = False


def pull_of(
    readings: Readings, soft: NDArray[np.intp], sharp: NDArray[np.intp]
) -> Pull | None:
    """Return where the focus lies in soft frames if it only went elsewhere, else None.

    Parameters
    ----------
    soft, sharp : arrays of rows, ascending
        Frames of one shot in which most of the subject is soft, and sharp.
    """
    name = "focus.tile_contrast_percent"
    if not soft.size or not sharp.size or not has_slow(readings, name):
        return None
    now, usual = _usual(readings, "focus.tile_detail", (soft, sharp))
    best = np.maximum(now, usual)
    subject = best >= max(_SUBJECT * float(best.max()), _FLOOR)
    least = max(_FEWEST, _LEAST_SHARE * np.count_nonzero(subject))
    fell = subject & (now <= _LOST * usual)
    sharper = subject & (usual <= _LOST * now)
    if min(np.count_nonzero(fell), np.count_nonzero(sharper)) < least:
        return None
    contrasts = _usual(readings, name, (soft, sharp))
    for same, as_sharp in _alike(readings, soft, sharp, contrasts):
        rose = sharper & same
        if np.count_nonzero(rose) < least:
            continue
        if median(best[rose]) >= as_sharp * median(best[fell]):
            break
    else:
        return None
    left = float(median(now[fell] / usual[fell]))
    return Pull(_place(rose), _place(fell), 100.0 * left)


def _usual(
    readings: Readings, name: str, both: tuple[NDArray[np.intp], NDArray[np.intp]]
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return the medians of a tile column over soft frames, and over sharp ones."""
    soft, sharp = (known_median(tile_rows(readings, rows, name)) for rows in both)
    return np.nan_to_num(soft), np.nan_to_num(sharp)


def _alike(
    readings: Readings,
    soft: NDArray[np.intp],
    sharp: NDArray[np.intp],
    contrasts: tuple[NDArray[np.floating], NDArray[np.floating]],
) -> Iterator[tuple[NDArray[np.bool_], float]]:
    """Yield which tiles hold the same, and how sharp they have to be for it."""
    high, low = np.maximum(*contrasts), np.minimum(*contrasts)
    yield high <= _SAME * low, _AS_SHARP
    if has_slow(readings, "focus.tile_level_percent"):
        both = [middle_colours(readings, rows) for rows in (soft, sharp)]
        if not any(np.isnan(colour).all() for colour in both):
            yield alike(*both), _SURELY_SHARP


def pull_message(pull: Pull, seconds: float) -> str:
    """Return the sentence of a focus that lies elsewhere."""
    here, there = pull.here, pull.not_there
    if pull.passing:
        on = f"from {there} to {here}" if here != there else "to another place"
        return (
            f"The focus went {on} within {seconds:.1f} s; on its way nothing is sharp, "
            "and then the one place is as sharp as the other was."
        )
    if here == there:
        here, there = "another part of the picture", "where it is otherwise"
    return (
        f"For {seconds:.1f} s the focus is on {here}, not on {there}: {here} is "
        "sharper then than in the rest of the shot, and what was sharp holds "
        f"{pull.left_percent:.0f} % of its fine detail."
    )


def _place(tiles: NDArray[np.bool_]) -> str:
    """Say in which ninth of the picture the middle of some tiles lies.

    Examples
    --------
    >>> tiles = np.zeros(48, bool)
    >>> tiles[0] = True
    >>> _place(tiles)
    'the top left'
    """
    rows, columns = np.nonzero(tiles.reshape(TILE_ROWS, TILE_COLUMNS))
    third_down = (3 * (rows + 0.5) / TILE_ROWS).astype(int)
    third_across = (3 * (columns + 0.5) / TILE_COLUMNS).astype(int)
    down, across = int(third_down.mean() + 0.5), int(third_across.mean() + 0.5)
    named = (down == 1) | (third_down == down)
    named &= (across == 1) | (third_across == across)
    if down == across == 1:
        named = (third_down == 1) | (third_across == 1)
    if 2 * np.count_nonzero(named) <= len(named):
        return "what lies about the middle"
    high, wide = ("top", "", "bottom")[down], ("left", "", "right")[across]
    return f"the {' '.join(w for w in (high, wide) if w) or 'middle'}"
