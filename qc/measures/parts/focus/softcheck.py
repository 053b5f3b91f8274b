"""What of a fall in sharpness can be focus: it lasts, and is no reading of noise."""

from __future__ import annotations

import warnings

import numpy as np
from numpy.typing import NDArray

from qc.limits import Limits
from qc.measures.parts.focus.tiles import RELEASE, tile_rows
from qc.records import Readings
from qc.spans import Span, bridged, past_limit

__all__ = ["BRIDGE_S", "glints_alone", "lasting", "noise_alone"]

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
_SUBJECT = 0.3


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
    out = percent.copy()
    times = readings.times()
    limit = float(limits["focus.soft_review_percent"])
    least = float(limits["focus.soft_min_seconds"])
    soft = past_limit(percent, limit=limit, release=RELEASE * limit, above=False)
    for first, last in bridged(soft, times=times, gap=BRIDGE_S):
        # Rounded, so that 10 frames of 1/25 s are as long as 0.4 s.
        long_enough = round(float(times[last] - times[first]), 6) >= least
        if not long_enough or _by_other(readings, percent, (first, last)):
            with np.errstate(invalid="ignore"):
                fell = percent[first:last] < RELEASE * limit
            out[first:last][fell] = np.nan
    return out


def _by_other(readings: Readings, percent: NDArray[np.float32], span: Span) -> bool:
    """Return whether a stretch is soft only by its glints, or how noise was read."""
    first, last = span
    shots = readings["framing.shot"]
    inside = first + np.flatnonzero(percent[first:last] < _SHARP_PERCENT)
    same = (shots == shots[first]) & (percent >= _SHARP_PERCENT)
    sharp = np.flatnonzero(same)
    middle = (first + last) // 2
    sharp = sharp[np.argsort(np.abs(sharp - middle), kind="stable")[:_COMPARED]]
    return noise_alone(readings, inside, sharp) or glints_alone(readings, inside, sharp)


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
    if "focus.tile_coarser" not in readings.columns:
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
        usual, fine, coarser = (
            np.nanmedian(tile_rows(readings, rows, name), axis=0)
            for rows, name in (
                (sharp, "focus.tile_detail"),
                (soft, "focus.tile_detail"),
                (soft, "focus.tile_coarser"),
            )
        )
        fine = fine / usual
        coarser /= np.nanmedian(
            tile_rows(readings, sharp, "focus.tile_coarser"), axis=0
        )
        subject = usual >= _SUBJECT * np.nanmax(usual)
        sizes = _middle((coarser / fine)[subject])
    alike = _ALIKE_SIZES[0] <= sizes <= _ALIKE_SIZES[1]
    return bool(alike and _middle(fine[subject]) >= _LEAST_LEFT)


def _middle(values: NDArray[np.floating]) -> float:
    known = values[~np.isnan(values)]
    return float(np.median(known)) if known.size else float("nan")
