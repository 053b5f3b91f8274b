"""Figures of a cast, all of one moment: what goes into one sentence belongs together.

The middle of each figure by itself would be of many moments. Where a white is warm at
first and cold later on, their middles are those of no white that was ever seen.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from qc.colour import DUV_MEANINGFUL, cct_duv, mired, uv_prime, white_xyz
from qc.measures.base import Hit
from qc.measures.parts.neutral.castwords import MIRED_NAMED, cast_words
from qc.measures.parts.neutral.whitejudge import white_delta_e00
from qc.records import Readings, TakeInfo
from qc.signal import Signal, to_linear, ycbcr_to_rgb

__all__ = [
    "doubtful",
    "figures_at",
    "middle_row",
    "read_share",
    "told_row",
    "turns_words",
    "words_of",
]

# Derived columns that say how a white is coded.
_FIGURES = (
    "cast_delta_e00",
    "delta_e00",
    "delta_uv_prime",
    "cct_k",
    "duv",
    "red_stops",
    "blue_stops",
    "patch_luma_percent",
    "neutral_u_prime",
    "neutral_v_prime",
    "confidence",
)
# Casts nearer than this are alike.
_ALIKE = 0.05
# A patch that could be read in less of a stretch lies on something else as well, or on
# something that moves (house choice).
_READ_SHARE = 0.75
# The ends between which a cast changes are those of four fifths of the readings.
_ENDS = (10.0, 90.0)


def told_row(
    readings: Readings, row: int, worst: float, *, signal: Signal
) -> int | None:
    """Return the row of the reading that a cast was judged by.

    Parameters
    ----------
    row : int
        Where the cast is worst: it may be held over from other rows, and is a median.
    worst : float
        The cast there, CIEDE2000.

    Returns
    -------
    int or None
        Of the rows with this cast the nearest; None if no white was read at all.
    """
    known = np.flatnonzero(~np.isnan(readings["white.delta_uv_prime"]))
    if not known.size:
        return None
    own = readings["white.cast_delta_e00"][known].astype(np.float64)
    seen = readings["white.source"][known] > 0
    y, cb, cr = readings["white.patch_codes"][known[seen]].astype(np.float64).T
    rgb = ycbcr_to_rgb(y, cb, cr, signal=signal)
    light = to_linear(rgb, transfer=signal.transfer)
    own[seen] = white_delta_e00(light, signal)
    off = np.maximum(np.abs(own - worst), _ALIKE)
    return int(known[np.lexsort((np.abs(known - row), off))[0]])


def middle_row(readings: Readings) -> int | None:
    """Return the row of the reading nearest to the middle chromaticity of a take."""
    u, v = (readings[f"white.neutral_{c}_prime"].astype(np.float64) for c in "uv")
    known = np.flatnonzero(~np.isnan(u))
    if not known.size:
        return None
    u, v = u[known], v[known]
    return int(known[np.argmin(np.hypot(u - np.median(u), v - np.median(v)))])


def figures_at(info: TakeInfo, readings: Readings, row: int | None) -> dict[str, float]:
    """Return the figures of one row, and how far they are from neutral.

    `confidence` is the middle of all rows in which a white was seen.
    """
    out = {
        name: math.nan if row is None else float(readings[f"white.{name}"][row])
        for name in _FIGURES
    }
    # Where no white was seen it is not NaN, but lower on purpose.
    known = readings["white.confidence"][readings["white.source"] > 0]
    out["confidence"] = float(np.median(known)) if known.size else math.nan
    signal = info.video.signal if info.video is not None else Signal()
    u, v = uv_prime(white_xyz(signal.primaries)).tolist()
    out["neutral_k"], out["neutral_duv"] = cct_duv(u, v * 2 / 3)
    near = abs(out["duv"]) <= DUV_MEANINGFUL
    shift = mired(out["cct_k"]) - mired(out["neutral_k"])
    out["mired_shift"] = shift if near else math.nan
    out["duv_shift"] = out["duv"] - out["neutral_duv"] if near else math.nan
    return out


def words_of(figures: Mapping[str, float]) -> str:
    """Say which way a cast goes."""
    names = ("mired_shift", "duv_shift", "red_stops", "blue_stops")
    return cast_words(**{name: figures[name] for name in names})


def turns_words(hit: Hit) -> str:
    """Say between which casts a stretch changes, where they are opposite; else nothing.

    Warm and cold, or green and magenta: then no one setting puts it right.
    """
    rows = hit.first + np.flatnonzero(~np.isnan(hit.values("white.cct_k")))
    if rows.size < 2:
        return ""
    neutral = figures_at(hit.measured.info, hit.readings, None)
    warm = 1e6 / hit.readings["white.cct_k"][rows] - mired(neutral["neutral_k"])
    ends = np.percentile(warm, _ENDS)
    if not (ends[0] <= -MIRED_NAMED and ends[1] >= MIRED_NAMED):
        return ""
    cold, warmest = (rows[int(np.argmin(np.abs(warm - end)))] for end in ends)
    names = [
        words_of(figures_at(hit.measured.info, hit.readings, int(row)))
        for row in sorted((cold, warmest))
    ]
    return f"It is not the same all through: {names[0]}, and later {names[1]}."


def read_share(hit: Hit) -> float:
    """Return in what share of a stretch a patch that was given could be read."""
    return float(np.mean(hit.values("white.source") > 0))


def doubtful(hit: Hit) -> bool:
    """Return whether a patch that was given may not be the same white all through."""
    limits = hit.measured.limits
    if limits["white.neutral"] is None or limits["white.neutral_at"]:
        return False
    return read_share(hit) < _READ_SHARE
