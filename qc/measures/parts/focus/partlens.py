"""Whether detail lost in a part of the picture was lost by the lens.

A lens takes detail from all tiles of the part together, the more the finer it is, and
along as well as down. Coarse contrast, light and colour stay, and so does what changes
from frame to frame. What comes in front brings its own light, and glints that go take
theirs along; a smear, noise that ends and a coder that is short of bits leave detail a
step coarser as it was.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.focus.hiding import alike, middle_colours
from qc.measures.parts.focus.medians import known_median, median_of_known
from qc.measures.parts.focus.partfalls import Fall
from qc.measures.parts.focus.partspan import Stretch, moments_of
from qc.measures.parts.focus.tiles import tile_rows
from qc.records import Readings
from qc.spans import Span

__all__ = ["left_by_lens"]

# Rows beside the fall from which what is read now and then is taken: light and colour,
# what changes from frame to frame, and detail and contrast of other sizes.
_COLOURS, _CHANGES, _SIZES = 8, 25, 40
# Of detail a step coarser so much is left at most in the middle one of the tiles, and
# so much in so many, of at least so many (seen: up to 0.6; 0.8 and more where it is
# something else).
_COARSER, _COARSER_MOST, _COARSER_SHARE, _FEWEST = 0.7, 0.85, 0.55, 3
# Coarse contrast stays in the middle one, and in so many (seen: 0.9 to 1.0).
_CONTRAST, _CONTRAST_MOST, _CONTRAST_SHARE = (0.8, 1.25), (0.65, 1.5), 0.75
# Light and colour stay in so many.
_ALIKE = 0.6
# A lens spreads light and takes none, and codes rise ever slower with light: those of
# tiles grow (seen: 0.3 percent more than in the rest). Where nearly all get darker than
# the rest, by so many percent in the middle, points of light went.
_DARKER = 0.3
# Of detail along the lines, and down, no more is left than this: no smear one way.
_AXIS = 0.8
# Tiles go together: their moments lie no farther apart than so many seconds, or frames,
# or this share of the time that the fall takes.
_TOGETHER_S, _FRAMES, _TOGETHER_SHARE = 0.15, 2.5, 0.6
# What is left of detail goes up and down by less than this share of itself, in so many
# frames at most; where next to nothing is left, of so much.
_WAVERS, _STANDING, _LITTLE = 0.35, 160, 0.3
# What is left in this percentage of a stretch is what it falls to.
_LOWEST = 10.0
# The rest keeps its detail.
_KEPT = (0.7, 1.5)
# Frames differ from those before them by no more than these factors, and so many
# percent besides, as they did: what begins to move is smeared, or too much for a coder,
# and where all moves less it is the coder that rests.
_LESS, _MORE, _BESIDES = 1.5, 2.5, (0.12, 0.3)
_CHANGE = "stillness.difference_percent"

Both = tuple[NDArray[np.float64], NDArray[np.float64]]


def left_by_lens(
    readings: Readings, fall: Fall, stretch: Stretch, shot: Span
) -> float | None:
    """Return how much detail a lens left to some tiles; None if it was no lens.

    Parameters
    ----------
    shot : (first, last)
        Rows of the shot that are in the same light.

    Returns
    -------
    float or None
        Share of before, in a tenth of the stretch. Where less is left of detail a step
        coarser, the rest of the finest is grain, which no lens takes: that counts then.
    """
    stands = (
        _wavers(stretch) <= _WAVERS
        and _KEPT[0] <= stretch.kept <= _KEPT[1]
        and _together(readings, fall, stretch)
        and _changes_alike(readings, _beside(stretch, shot, _CHANGES))
    )
    if not stands:
        return None
    near = _beside(stretch, shot, _COLOURS)
    before, inside = (middle_colours(readings, rows) for rows in near)
    if not np.mean(alike(inside, before)[fall.tiles]) >= _ALIKE:
        return None
    if _darker(inside[:, 0] - before[:, 0], fall):
        return None
    if not _fell_both_ways(fall, _both(readings, "tile_across", near, fall)):
        return None
    rows = _beside(stretch, shot, _SIZES)
    if not _contrast_stays(
        _ratio(_both(readings, "tile_contrast_percent", rows, fall))
    ):
        return None
    coarser = _ratio(_both(readings, "tile_coarser", rows, fall))
    coarser = coarser[~np.isnan(coarser)]
    if coarser.size < _FEWEST or np.mean(coarser <= _COARSER_MOST) < _COARSER_SHARE:
        return None
    left = float(np.median(coarser))
    known = stretch.share[~np.isnan(stretch.share)]
    return min(float(np.percentile(known, _LOWEST)), left) if left <= _COARSER else None


def _wavers(stretch: Stretch) -> float:
    """Return how much what is left goes up and down between the fall and the end."""
    way = stretch.deep - stretch.first
    stands = stretch.share[way : max(len(stretch.share) - way, way + 1)][:_STANDING]
    stands = stands[~np.isnan(stands)]
    mean = float(np.mean(stands)) if stands.size else 0.0
    return float(np.std(stands)) / max(mean, _LITTLE) if stands.size else math.inf


def _together(readings: Readings, fall: Fall, stretch: Stretch) -> bool:
    """Return whether all tiles lost their detail at once, or by and by together."""
    low, high = np.percentile(moments_of(readings, fall, stretch), (15, 85))
    seconds = readings.start(stretch.last) - readings.start(stretch.first)
    frame = float(seconds) / (stretch.last - stretch.first)
    took = (stretch.deep - stretch.began) * frame
    most = max(_TOGETHER_S, _FRAMES * frame, _TOGETHER_SHARE * took)
    return bool((high - low) * frame <= most + 1e-6)


def _beside(stretch: Stretch, shot: Span, many: int) -> list[NDArray[np.intp]]:
    """Return so many rows before a fall, and behind it."""
    began, deep = max(stretch.began, shot[0] + 1), stretch.deep
    last = max(min(stretch.last, shot[1], deep + many), deep + 1)
    return [np.arange(max(shot[0], began - many), began), np.arange(deep, last)]


def _changes_alike(readings: Readings, rows: list[NDArray[np.intp]]) -> bool:
    """Return whether frames differ from those before them as much as they did."""
    if _CHANGE not in readings.columns:
        return True
    was, now = (
        np.nan_to_num(
            median_of_known(
                readings.columns.part(_CHANGE, int(part[0]), int(part[-1]) + 1)
            )
        )
        for part in rows
    )
    return bool(was <= _LESS * now + _BESIDES[0] and now <= _MORE * was + _BESIDES[1])


def _both(
    readings: Readings, kind: str, rows: list[NDArray[np.intp]], fall: Fall
) -> Both:
    """Return what was read of the tiles before, and behind."""
    before, behind = (
        known_median(tile_rows(readings, part, f"focus.{kind}")) for part in rows
    )
    return (
        before[fall.tiles].astype(np.float64),
        behind[fall.tiles].astype(np.float64),
    )


def _ratio(both: Both) -> NDArray[np.float64]:
    before, behind = both
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(np.where(before > 0, behind / before, np.nan))


def _contrast_stays(left: NDArray[np.float64]) -> bool:
    least, most = _CONTRAST
    with np.errstate(invalid="ignore"):
        same = (left >= _CONTRAST_MOST[0]) & (left <= _CONTRAST_MOST[1])
    stays = np.mean(same) >= _CONTRAST_SHARE
    return bool(stays and least <= median_of_known(left) <= most)


def _darker(lighter: NDArray[np.float64], fall: Fall) -> bool:
    """Return whether light went with the detail: then glints are gone, not the focus.

    Parameters
    ----------
    lighter : (tiles,) array
        By how many percent of black to white tiles are lighter behind than before.
    """
    against = lighter[fall.tiles] - median_of_known(lighter[fall.rest])
    against = against[~np.isnan(against)]
    if not against.size:
        return False
    middle, nearly_all = np.percentile(against, (50, 85))
    return bool(middle < -_DARKER and nearly_all < 0.0)


def _fell_both_ways(fall: Fall, across: Both) -> bool:
    """Return whether detail along the lines is gone as well as that down.

    Parameters
    ----------
    across : (before, behind)
        Share of the energy of fine detail that lies along the lines.
    """
    left = fall.left[fall.tiles]
    before, behind = across
    with np.errstate(invalid="ignore", divide="ignore"):
        along = left * np.sqrt(behind / before)
        down = left * np.sqrt((1.0 - behind) / (1.0 - before))
    return bool(median_of_known(np.maximum(along, down)) <= _AXIS)
