"""What of a fall in sharpness can be focus: it lasts, and is no reading of noise."""

from __future__ import annotations

import math
import warnings
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from qc.limits import Limits
from qc.measures.parts.focus.hiding import hiding_in, in_sight
from qc.measures.parts.focus.medians import known_median, median_of_known
from qc.measures.parts.focus.pulls import Pull, pull_of
from qc.measures.parts.focus.slowtiles import has_slow
from qc.measures.parts.focus.softedges import lens_part, stepped
from qc.measures.parts.focus.tiles import RELEASE, tile_rows
from qc.records import Readings
from qc.spans import Span, bridged, past_limit, runs

__all__ = [
    "BRIDGE_S",
    "covered",
    "glints_alone",
    "hidings",
    "lasting",
    "noise_alone",
    "pulls",
]

BRIDGE_S = 0.3
"""Sharpness is not back for shorter than this."""

# Sharp frames of the shot that a stretch is held against: so sharp, so many.
_SHARP_PERCENT = 80.0
_COMPARED = 100
# Readings of one noise in a recording that a coder smoothed here and not there differ
# by up to this; more is another gain.
_ONE_NOISE = 1.7
# So much of the fall must be in the picture, not in what was taken off for noise.
_SEEN_SHARE = 0.5
# Defocus takes detail the more the finer it is, and makes edges wider. Where glints
# come and go, detail of every size comes and goes with them, and edges stay crisp:
# between means over 2 x 2 pixels so many times as much is left as of the finest (less
# in one soft field of two), edges are wider by no more, nor wider than so many pixels,
# and not all is gone (seen: 1.0 to 1.2 for glints; 1.3 and more, or edges twice as
# wide, for a lens).
_ALIKE_SIZES, _AS_CRISP, _CRISP_PX, _LEAST_LEFT = (0.9, 1.22), 1.35, 1.6, 0.3
# Detail of an edge goes with the power -1.5 of its width: edges get wider by two thirds
# of the way, as logarithms, that detail goes (seen: 0.6 and more for a lens, 0.3 and
# less for glints).
_LENS_SHARE = 0.45
_SUBJECT = 0.3
# Something plain lies over the subject: contrast of tiles that were sharp falls below
# this share (seen: 0.2 to 0.36; 0.5 to 1 for a lens), and edges left over are crisp.
_COVERED, _NOTHING_LEFT = 0.45, 0.01
# A pull of the focus takes so long at most, and is told by so many frames beside it.
_PULL_S, _BESIDE = 1.5, 25
# For less long than this a hand may hide the field without a word (house choice).
_HIDDEN_S = 1.0
# Which of the parts of so many frames before it, and behind it, differ.
_STEPS = ((1, 1), (2, 1), (1, 2))


def lasting(
    readings: Readings, percent: NDArray[np.float32], limits: Limits
) -> NDArray[np.float32]:
    """Return sharpness without the falls that are none of a lens.

    Focus does not come and go within a frame or two: what is shorter than the minimum,
    however deep, is a hand, a flash of light or a reading.

    Parameters
    ----------
    percent : (rows,) array
        Sharpness against the best of the shot.

    Returns
    -------
    (rows,) array of float32
        NaN where a fall under the limit is too short, or one of the reading of noise.
    """
    percent = in_sight(readings, percent, limits, _SHARP_PERCENT)
    out = percent.copy()
    times = readings.times()
    limit = float(limits["focus.soft_review_percent"])
    least = float(limits["focus.soft_min_seconds"])
    soft = past_limit(percent, limit=limit, release=RELEASE * limit, above=False)
    spans = bridged(soft, times=times, gap=BRIDGE_S)
    shots = readings["framing.shot"]
    for number, (first, last) in enumerate(spans):
        part = first, first
        if _lasts(times, (first, last), least):
            part = _by_lens(readings, percent, (first, last))
        if not _lasts(times, part, least):
            part = first, first
        with np.errstate(invalid="ignore"):
            fell = percent[first:last] < RELEASE * limit
        fell[part[0] - first : part[1] - first] = False
        out[first:last][fell] = np.nan
        if part[0] == part[1]:
            continue
        # No farther than the shot goes, nor into another stretch, nor back over what
        # was taken off.
        others = np.flatnonzero(shots != shots[first])
        low, high = np.searchsorted(others, (first, last - 1))
        around = (
            max(
                others[low - 1] + 1 if low else 0, spans[number - 1][1] if number else 0
            ),
            min(
                others[high] if high < len(others) else len(out),
                spans[number + 1][0] if number + 1 < len(spans) else len(out),
            ),
        )
        around = (
            int(around[0]) if part[0] == first else part[0],
            int(around[1]) if part[1] == last else part[1],
        )
        begin, end = stepped(percent, times, part, around)
        # As soft as where it first was under the limit.
        out[begin : part[0]] = np.minimum(out[begin : part[0]], out[part[0]])
        out[part[1] : end] = np.minimum(out[part[1] : end], out[part[1] - 1])
    return out


def _lasts(times: NDArray[np.float64], span: Span, least: float) -> bool:
    # Rounded, so that 10 frames of 1/25 s are as long as 0.4 s.
    return round(float(times[span[1]] - times[span[0]]), 6) >= least


def _by_lens(readings: Readings, percent: NDArray[np.float32], span: Span) -> Span:
    """Return what of a stretch is soft not only by glints, or how noise was read.

    Nor by a pull of the focus to another place.
    """
    inside, sharp = _kinds(readings, percent, span)
    if (
        noise_alone(readings, inside, sharp)
        or glints_alone(readings, inside, sharp)
        or covered(readings, inside, sharp)
        or _pull(readings, percent, span) is not None
    ):
        return span[0], span[0]
    shots = readings["framing.shot"]
    read = ~np.isnan(readings["focus.edge_rise_px"]) & (shots == shots[span[0]])
    return lens_part(
        percent,
        np.flatnonzero(read),
        span,
        lambda row: glints_alone(readings, np.array([row]), sharp),
    )


def _kinds(
    readings: Readings, percent: NDArray[np.float32], span: Span
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return the soft frames of a stretch, and the nearest sharp ones of its shot."""
    first, last = span
    shots = readings["framing.shot"]
    inside = first + np.flatnonzero(percent[first:last] < _SHARP_PERCENT)
    same = (shots == shots[first]) & (percent >= _SHARP_PERCENT)
    sharp = np.flatnonzero(same)
    middle = (first + last) // 2
    return inside, sharp[np.argsort(np.abs(sharp - middle), kind="stable")[:_COMPARED]]


def pulls(
    readings: Readings,
    percent: NDArray[np.float32],
    lasts: NDArray[np.float32],
    limits: Limits,
) -> Iterator[tuple[Span, Pull]]:
    """Yield the soft stretches in which the focus only lies at another place.

    Parameters
    ----------
    percent, lasts : (rows,) arrays
        Sharpness against the best of the shot, and what of it is told as soft.
    """
    for span in _untold(readings, percent, lasts, limits):
        pull = _pull(readings, percent, span)
        if pull is not None:
            yield span, pull


def hidings(
    readings: Readings,
    percent: NDArray[np.float32],
    lasts: NDArray[np.float32],
    limits: Limits,
) -> Iterator[Span]:
    """Yield for how long next to nothing of the subject is in sight.

    Parameters
    ----------
    percent, lasts : (rows,) arrays
        As for `pulls`.
    """
    times = readings.times()
    if not has_slow(readings, "focus.tile_level_percent"):
        return
    for span in _untold(readings, percent, lasts, limits):
        found = hiding_in(readings, percent, span, _SHARP_PERCENT)
        for first, last in runs(found.hidden) if found is not None else ():
            part = span[0] + first, span[0] + last
            if _lasts(times, part, _HIDDEN_S):
                yield part


def _untold(
    readings: Readings,
    percent: NDArray[np.float32],
    lasts: NDArray[np.float32],
    limits: Limits,
) -> Iterator[Span]:
    """Yield soft stretches of which nothing is told as soft."""
    limit = float(limits["focus.soft_review_percent"])
    least = float(limits["focus.soft_min_seconds"])
    times = readings.times()
    soft = past_limit(percent, limit=limit, release=RELEASE * limit, above=False)
    for span in bridged(soft, times=times, gap=BRIDGE_S):
        with np.errstate(invalid="ignore"):
            told = np.any(lasts[slice(*span)] < limit)
        if not told and _lasts(times, span, least):
            yield span


def _pull(readings: Readings, percent: NDArray[np.float32], span: Span) -> Pull | None:
    """Return the pull of focus that a soft stretch is, or that it is part of."""
    inside, sharp = _kinds(readings, percent, span)
    there = pull_of(readings, inside, np.sort(sharp))
    times, (first, last) = readings.times(), span
    if there is not None or times[last] - times[first] > _PULL_S:
        return there
    # On its way: before it other things are sharp than behind it. Or past the place and
    # back, a moment after.
    shots = readings["framing.shot"]
    for before, behind in _STEPS:
        low, high = first - before * _BESIDE, last + behind * _BESIDE
        parts = [
            rows[(rows >= 0) & (rows < readings.rows)]
            for rows in (low + np.arange(_BESIDE), high - 1 - np.arange(_BESIDE)[::-1])
        ]
        was, then = (rows[shots[rows] == shots[first]] for rows in parts)
        passed = pull_of(readings, then, was)
        if passed is not None:
            return replace(passed, passing=True)
    return None


def noise_alone(
    readings: Readings, soft: NDArray[np.intp], sharp: NDArray[np.intp]
) -> bool:
    """Return whether detail differs between frames by the reading of noise alone.

    Parameters
    ----------
    soft, sharp : arrays of rows
        Frames with less detail, and with more.

    Notes
    -----
    Detail is the variance of the Laplacian less the share of noise. A lens takes from
    the variance. Where that stays and the noise is read now so, now so, because a coder
    has smoothed some of the quietest parts and not others, nothing has changed.
    """
    columns = ("focus.laplacian_variance", "focus.sharpness", "focus.noise_codes")
    if not soft.size or not sharp.size or columns[0] not in readings.columns:
        return False
    soft_is, sharp_is = (
        [_middle(readings[name][rows]) for name in columns] for rows in (soft, sharp)
    )
    in_picture, in_detail = (sharp_is[i] - soft_is[i] for i in (0, 1))
    least, most = sorted((soft_is[2], sharp_is[2]))
    if not (in_detail > 0 and 0 < most <= _ONE_NOISE * least):
        return False
    return in_picture < _SEEN_SHARE * in_detail


def glints_alone(
    readings: Readings, soft: NDArray[np.intp], sharp: NDArray[np.intp]
) -> bool:
    """Return whether detail differs between frames by glints that come and go.

    Parameters
    ----------
    soft, sharp : arrays of rows
        Frames with less detail, and with more.
    """
    if not has_slow(readings, "focus.tile_coarser"):
        return False
    rise = readings["focus.edge_rise_px"]
    soft, sharp = (np.sort(rows[~np.isnan(rise[rows])]) for rows in (soft, sharp))
    if not soft.size or not sharp.size:
        return False
    wide, crisp = _middle(rise[soft]), _middle(rise[sharp])
    if not wide <= min(_AS_CRISP * crisp, _CRISP_PX):
        return False
    with warnings.catch_warnings(), np.errstate(invalid="ignore", divide="ignore"):
        warnings.simplefilter("ignore", RuntimeWarning)
        fine, subject = _left(readings, soft, sharp, "focus.tile_detail")
        coarser, _ = _left(readings, soft, sharp, "focus.tile_coarser")
        sizes = _middle((coarser / fine)[subject])
    alike = _ALIKE_SIZES[0] <= sizes <= _ALIKE_SIZES[1]
    left = _middle(fine[subject])
    if not (alike and _LEAST_LEFT <= left < 1.0):
        return False
    return math.log(wide / crisp) < -_LENS_SHARE * math.log(left)


def covered(
    readings: Readings, soft: NDArray[np.intp], sharp: NDArray[np.intp]
) -> bool:
    """Return whether detail is gone because something plain lies over the subject.

    A lens that loses it spreads the edges that are left as well; contrast of coarse
    things stays as it was.

    Parameters
    ----------
    soft, sharp : arrays of rows
        Frames with less detail, and with more.
    """
    rise = readings["focus.edge_rise_px"]
    if not soft.size or not sharp.size:
        return False
    soft, sharp = np.sort(soft), np.sort(sharp)
    wide, crisp = _middle(rise[soft]), _middle(rise[sharp])
    if not wide <= _CRISP_PX:  # also where no edge was read
        return False
    with warnings.catch_warnings(), np.errstate(invalid="ignore", divide="ignore"):
        warnings.simplefilter("ignore", RuntimeWarning)
        fine, subject = _left(readings, soft, sharp, "focus.tile_detail")
        contrast, _ = _left(readings, soft, sharp, "focus.tile_contrast_percent")
        left, kept = _middle(fine[subject]), _middle(contrast[subject])
    if not kept < _COVERED:
        return False
    left = min(max(left, _NOTHING_LEFT), 1.0)
    return math.log(wide / crisp) < -_LENS_SHARE * math.log(left)


def _left(
    readings: Readings, soft: NDArray[np.intp], sharp: NDArray[np.intp], name: str
) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    """Return what soft frames keep of a tile column, and where sharp ones have much."""
    usual, now = (
        known_median(tile_rows(readings, rows, name)) for rows in (sharp, soft)
    )
    return now / usual, usual >= _SUBJECT * np.nanmax(usual)


def _middle(values: NDArray[np.floating]) -> float:
    return float(median_of_known(values))
