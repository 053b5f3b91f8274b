"""Something near that hides the field: what is soft is the thing in front.

A lens that loses focus leaves mean light and colour of a tile as they were, to a
percent or so; a hand, a head or a sheet brings its own. Tiles that hold the same as
before tell of the lens, the others of what has come into them.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from qc.limits import Limits
from qc.measures.parts.focus.medians import known_median, median, median_of_known
from qc.measures.parts.focus.slowtiles import has_slow, slow_kinds
from qc.measures.parts.focus.tiles import (
    RELEASE,
    TILES,
    agreed_share,
    relative_sharpness,
    tile_rows,
    tile_weights,
)
from qc.records import Readings
from qc.spans import Span, bridged, past_limit

__all__ = ["Hiding", "alike", "colours", "hiding_in", "in_sight", "middle_colours"]

# Mean luma and chroma of a tile that holds the same (percent; of luma a share of itself
# besides): a lens changes them by up to 1 and 0.5, more at few tiles (seen).
_LUMA, _LUMA_SHARE, _CHROMA = 2.0, 0.05, 1.2
# In other light, so large a share of all tiles are the same but for one factor.
_MOST, _FACTORS = 0.6, (0.4, 2.5)
# Tiles that hold the subject: so sharp, of the sharpest; and any detail at all.
_SUBJECT, _FLOOR = 0.3, 0.1
# So large a share of them must hold other things before these are left out, and so
# many, and so large a share, be in sight if the rest is to tell of the lens.
_HIDDEN_SHARE, _FEWEST, _LEAST_SHARE = 0.2, 3, 0.12
# What else is in sight has kept so much of its detail, and the picture stands.
_KEPT, _STAYS, _FEWEST_STAY = 0.6, 4, 2
# The crispest edges in sight are wider by less than this (seen: up to 1.8 where
# something near hides the field, over 2 for a lens), or by less than this power of what
# is left of detail.
_WIDER, _LENS_SHARE = 1.9, 0.45
# A camera moves that surely goes farther than this from frame to frame.
_SURE, _MOVES_PERCENT = 0.4, 0.1
# So many frames beside a stretch, and readings of them on either side, are what it is
# held against; and how long a reading holds.
_BESIDE, _MOST_HELD, _HOLDS = 40, 4, 6
_CHUNK = 1024  # rows judged at once


@dataclass(frozen=True, slots=True, eq=False)
class Hiding:
    """What of a soft stretch is in sight.

    Attributes
    ----------
    percent : (n,) array of float64
        Sharpness of what holds the same as before, percent; NaN where that is too
        little, or where nothing hides the subject.
    hidden : (n,) array of bool
        Next to nothing of the subject is in sight.
    """

    percent: NDArray[np.float64]
    hidden: NDArray[np.bool_]

    @classmethod
    def of(cls, parts: list[Hiding]) -> Hiding:
        """Put parts of a stretch together."""
        return cls(
            np.concatenate([part.percent for part in parts]),
            np.concatenate([part.hidden for part in parts]),
        )


def in_sight(
    readings: Readings, percent: NDArray[np.float32], limits: Limits, sharp: float
) -> NDArray[np.float32]:
    """Return sharpness without what something in front of the subject takes of it.

    Parameters
    ----------
    percent : (rows,) array
        Sharpness against the best of the shot.
    sharp : float
        Frames are sharp from this percentage on.

    Returns
    -------
    (rows,) array of float32
        NaN where next to nothing of the subject is in sight.
    """
    if not has_slow(readings, "focus.tile_level_percent"):
        return percent
    out = percent.copy()
    limit = float(limits["focus.soft_review_percent"])
    soft = past_limit(percent, limit=limit, release=RELEASE * limit, above=False)
    least = float(limits["focus.soft_min_seconds"])
    times = readings.times()
    for first, last in bridged(soft, times=times, gap=0.3):
        if times[last] - times[first] < least - 1e-6:
            continue
        found = hiding_in(readings, percent, (first, last), sharp)
        if found is not None:
            part = out[first:last]
            with np.errstate(invalid="ignore"):
                sharper = found.percent >= RELEASE * limit
            part[sharper] = np.fmax(part, found.percent)[sharper]
            part[found.hidden] = np.nan
    return out


def hiding_in(
    readings: Readings, percent: NDArray[np.float32], span: Span, sharp: float
) -> Hiding | None:
    """Return what of a soft stretch is in sight; None if nothing can be told of it."""
    first, last = span
    shots = readings["framing.shot"]
    if _travels(readings, span):
        return None
    known = (shots == shots[first]) & (percent >= sharp)
    beside = np.concatenate(
        [
            np.arange(max(first - _BESIDE, 0), first),
            np.arange(last, min(last + _BESIDE, readings.rows)),
        ]
    )
    beside = beside[known[beside]]
    before = _read(readings, beside)
    before = np.concatenate(
        [before[before < first][-_MOST_HELD:], before[before >= last][:_MOST_HELD]]
    )
    if not before.size:
        return None
    contrast = tile_rows(readings, beside, "focus.tile_contrast_percent")
    then = tile_rows(readings, before).astype(np.float64), colours(readings, before)
    if np.isnan(then[0]).all():
        return None
    found = Hiding.of(
        [
            _part(readings, (at, min(at + _CHUNK, last)), then, contrast)
            for at in range(first, last, _CHUNK)
        ]
    )
    rows = np.arange(first, last)
    hidden = rows[found.hidden]
    if hidden.size and not _edges_stay(readings, percent, hidden, known):
        found.hidden[:] = False
    return found


def _read(readings: Readings, rows: NDArray[np.intp]) -> NDArray[np.intp]:
    """Return those of some rows in which the light of tiles was read."""
    if not rows.size:
        return rows
    level = tile_rows(readings, rows, "focus.tile_level_percent")
    return rows[~np.isnan(level).all(axis=1)]


def _part(
    readings: Readings,
    span: Span,
    then: tuple[NDArray[np.float64], NDArray[np.float64]],
    contrast: NDArray[np.floating],
) -> Hiding:
    """Judge some rows by detail and colours of sharp frames beside the stretch."""
    first, last = span
    rows = np.arange(first, last)
    around = np.arange(max(first - _HOLDS, 0), min(last + _HOLDS, readings.rows))
    read = _read(readings, around)
    if not read.size:
        return Hiding(np.full(len(rows), np.nan), np.zeros(len(rows), np.bool_))
    detail, looked = then
    now = colours(readings, read)
    same = np.stack([alike(now, before) for before in looked], axis=1)
    # Each row goes by the reading nearest to it.
    at = np.abs(read[None] - rows[:, None]).argmin(axis=1)
    return _judged(tile_rows(readings, rows), detail, contrast, same, at)


def _edges_stay(
    readings: Readings,
    percent: NDArray[np.float32],
    hidden: NDArray[np.intp],
    known: NDArray[np.bool_],
) -> bool:
    """Return whether edges that are left are crisper than a lens would leave them.

    A tile of a plain wall keeps its grain whatever the lens does; edges do not. They
    get wider as detail goes, which goes with the power -1.5 of their width.
    """
    rise = readings["focus.edge_rise_px"]
    around = slice(max(int(hidden[0]) - _HOLDS, 0), int(hidden[-1]) + _HOLDS)
    now, usual = rise[around], rise[known]
    if np.isnan(now).all() or np.isnan(usual).all():
        return False
    left = 0.01 * max(float(median_of_known(percent[hidden])), 1.0)
    most = max(_WIDER, left**-_LENS_SHARE)
    return bool(np.nanmedian(now) <= most * np.nanmedian(usual))


def _travels(readings: Readings, span: Span) -> bool:
    """Return whether the camera surely moves, so that tiles hold other things."""
    names = [f"steadiness.{name}" for name in ("trust", "dx_percent", "dy_percent")]
    if any(name not in readings.columns for name in names):
        return False
    trust, dx, dy = (readings[name][slice(*span)] for name in names)
    with np.errstate(invalid="ignore"):
        moves = (trust >= _SURE) & (np.hypot(dx, dy) > _MOVES_PERCENT)
        known = np.count_nonzero(trust >= _SURE)
    return 2 * int(np.count_nonzero(moves)) > max(int(known), len(trust) // 2)


def _judged(
    detail: NDArray[np.floating],
    before: NDArray[np.float64],
    contrast: NDArray[np.floating],
    same: NDArray[np.bool_],
    at: NDArray[np.intp],
) -> Hiding:
    """Judge a stretch by what its tiles held when they looked the same.

    Parameters
    ----------
    detail : (n, tiles) array
    before : (m, tiles) array
        Detail in sharp frames beside it.
    same : (k, m, tiles) array of bool
        Where a reading inside looks like one of these.
    at : (n,) array of int
        Which of the k readings each row goes by.
    """
    least = max(_SUBJECT * float(np.nanmax(before)), _FLOOR)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)
        usual = known_median(np.where(same, before[None], np.nan).swapaxes(0, 1))
        most = known_median(before)
    all_of = max(int(np.count_nonzero(most >= least)), 1)
    percent = np.full(len(detail), np.nan)
    hidden = np.zeros(len(detail), np.bool_)
    for number, now in enumerate(usual):
        rows = np.flatnonzero(at == number)
        seen = now >= least
        count = int(np.count_nonzero(seen))
        if not rows.size or count > (1.0 - _HIDDEN_SHARE) * all_of:
            continue
        if count >= max(_FEWEST, _LEAST_SHARE * all_of):
            percent[rows] = relative_sharpness(
                detail[rows],
                np.where(seen, now, np.nan),
                tile_weights(contrast, seen),
                share=agreed_share(seen),
            )
            continue
        # What little is there is crisp, and the picture stands where it stood.
        rest = seen if count >= _FEWEST_STAY else now >= _FLOOR
        stays = np.count_nonzero(~np.isnan(now)) >= _STAYS
        if stays and np.count_nonzero(now >= _FLOOR) >= _FEWEST_STAY:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore", RuntimeWarning)
                kept = known_median((detail[rows][:, rest] / now[rest]).T)
            hidden[rows] = kept >= _KEPT
    return Hiding(percent, hidden)


def colours(readings: Readings, rows: NDArray[np.intp]) -> NDArray[np.float64]:
    """Return mean luma, Cb and Cr of tiles, percent: a (n, tiles, 3) array."""
    names = [f"focus.tile_{kind}_percent" for kind in ("level", "cb", "cr")]
    if names[0] in readings.columns:
        parts = [tile_rows(readings, rows, name) for name in names]
    else:
        parts = slow_kinds(readings, rows, names, TILES)
    return np.stack(parts, axis=-1).astype(np.float64)


def alike(now: NDArray[np.float64], before: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Return which tiles hold the same, if need be in other light.

    Parameters
    ----------
    now : (tiles, 3) or (n, tiles, 3) array
        Mean luma, Cb and Cr, percent.
    before : (tiles, 3) array

    Returns
    -------
    (tiles,) or (n, tiles) array of bool
    """
    if now.ndim == 2:
        return np.asarray(alike(now[None], before)[0], np.bool_)
    same = _near(now, np.broadcast_to(before, now.shape))
    for row in np.flatnonzero(same.mean(axis=1) < _MOST):
        lit = (before[:, 0] > _LUMA) & ~np.isnan(now[row, :, 0])
        if not lit.any():
            continue
        factor = float(median(now[row, lit, 0] / before[lit, 0]))
        if not _FACTORS[0] <= factor <= _FACTORS[1]:
            continue
        other = _near(now[row], factor * before)
        if other.mean() >= _MOST:
            same[row] = other
    return same


def _near(now: NDArray[np.float64], before: NDArray[np.float64]) -> NDArray[np.bool_]:
    apart = np.abs(now - before)
    luma = apart[..., 0] <= _LUMA + _LUMA_SHARE * np.abs(before[..., 0])
    return np.asarray(luma & (apart[..., 1:] <= _CHROMA).all(axis=-1), np.bool_)


def middle_colours(readings: Readings, rows: NDArray[np.intp]) -> NDArray[np.float64]:
    """Return the median of tiles' luma, Cb and Cr over some rows: (tiles, 3)."""
    return known_median(colours(readings, rows))
