"""Focus where two fields of different moments are woven into one frame undeclared.

Moving edges then have teeth: fine detail from line to line that no lens made, and that
goes as soon as things stand still. Along the lines there are none, so that a shot with
such frames is judged by what lies along them.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from qc.measures.base import Measured
from qc.measures.combing import MEASURE as COMBING
from qc.measures.parts.focus.motionblur import Smear, edge_share
from qc.measures.parts.focus.tiles import (
    LEAST_SHARE,
    LIT_SHARE,
    SHARP_SIGMA,
    best_of,
    held,
    relative_sharpness,
    tile_rows,
)
from qc.records import Readings

__all__ = ["judge_along_lines", "woven_rows"]


def woven_rows(measured: Measured) -> NDArray[np.bool_]:
    """Return which rows lie in a stretch that combing is found in.

    Of takes declared interlaced none: their fields are read one by one.
    """
    readings, video = measured.picture, measured.info.video
    rows = 0 if readings is None else readings.rows
    out = np.zeros(rows, np.bool_)
    if readings is None or video is None or video.interlaced:
        return out
    if "combing.field_lag_frames" not in readings.columns:
        return out
    begins = readings.times()[:-1]
    for check in COMBING.checks:
        for finding in check(measured):
            first, last = np.searchsorted(
                begins, (float(finding.start) - 1e-6, float(finding.end) - 1e-6)
            )
            out[first:last] = True
    return out


def judge_along_lines(
    readings: Readings,
    rows: NDArray[np.intp],
    smear: Smear,
    out: NDArray[np.float32],
) -> None:
    """Fill in one shot's frames from detail along the lines.

    Which way detail lies is read every few frames; a reading holds for those about it.
    """
    share = tile_rows(readings, rows, "focus.tile_across")
    read = ~np.isnan(share).all(axis=1)
    if not read.any():
        return
    at = rows[read]
    detail = tile_rows(readings, at) * np.sqrt(share[read])
    allowed = edge_share(smear.x[at], SHARP_SIGMA)
    allowed[allowed < LEAST_SHARE] = np.nan
    # Where little is read at all, what jumps is not known from what does not.
    best = best_of(detail, LIT_SHARE)
    percent = np.full((len(rows), 1), np.nan)
    shares = relative_sharpness(detail / allowed[:, None], best)
    percent[read, 0] = np.minimum(shares, 100.0)
    out[rows] = held(percent)[:, 0]
