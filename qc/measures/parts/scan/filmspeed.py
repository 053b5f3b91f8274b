"""Stretches of a take in which film speeds are spread over fields."""

from __future__ import annotations

import itertools
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from qc.measures.base import Measured, finding_of
from qc.measures.parts.scan.pulldown import PULLDOWNS
from qc.measures.parts.scan.scanwords import pulldown_words
from qc.records import Finding, Readings
from qc.spans import Span, runs

__all__ = ["spread_over_fields"]

# Fields of one moment or of two pictures fit pulldown; half a frame apart they are of
# a camera that scans field by field. Half-way between these.
_ONE_MOMENT, _TWO_PICTURES = 0.25, 0.75
# So many moments in a row that are none end a stretch.
_OTHERS_END = 2
# Pictures in frames of their own fit as well: more of them, without a frame that mixes
# two, are not taken in at the ends.
_MOST_WHOLE = 4


def spread_over_fields(measured: Measured) -> list[Finding]:
    """Return what is told of pulldown, stretch by stretch.

    What stands still around frames that tell it, and what fits them, is taken to be
    recorded in the same way.
    """
    readings = measured.picture
    if readings is None or not readings.rows:
        return []
    codes = readings["combing.pulldown"]
    out = []
    for kind in range(1, len(PULLDOWNS) + 1):
        if (codes == kind).any():
            out += list(_of_kind(measured, readings, kind))
    return out


def _of_kind(measured: Measured, readings: Readings, kind: int) -> Iterator[Finding]:
    codes = readings["combing.pulldown"]
    lag = np.abs(readings["combing.field_lag_frames"])
    rows = np.flatnonzero((codes >= 0) | ~np.isnan(lag))
    code, lag = codes[rows], lag[rows]
    yes = np.asarray(code == kind, np.bool_)
    between = (lag > _ONE_MOMENT) & (lag < _TWO_PICTURES)
    no = ~yes & ((code >= 0) | between)
    for first, last in _parts(no, len(rows)):
        if not yes[first:last].any():
            continue
        first, last = _ends(yes, first, last)
        if last - first < measured.limits["combing.least_moments"]:
            continue
        begin = 0 if first == 0 else int(rows[first])
        end = readings.rows if last == len(rows) else int(rows[last - 1]) + 1
        yield _finding(measured, readings, kind, (begin, end))


def _parts(no: NDArray[np.bool_], count: int) -> list[Span]:
    """Return what lies between runs of moments that are none."""
    ends = [(a, b) for a, b in runs(no) if b - a >= _OTHERS_END]
    edges = [0, *itertools.chain.from_iterable(ends), count]
    return [(a, b) for a, b in zip(edges[::2], edges[1::2], strict=True) if b > a]


def _ends(yes: NDArray[np.bool_], first: int, last: int) -> Span:
    """Return a part from its first moment that tells to its last, and a few around."""
    told = first + np.flatnonzero(yes[first:last])
    begin = first if told[0] - first <= _MOST_WHOLE else int(told[0])
    end = last if last - 1 - told[-1] <= _MOST_WHOLE else int(told[-1]) + 1
    return begin, end


def _finding(measured: Measured, readings: Readings, kind: int, span: Span) -> Finding:
    video = measured.info.video
    scan = "unknown" if video is None else video.scan
    name = PULLDOWNS[kind - 1]
    message, advice, grade = pulldown_words(
        name, rate=measured.info.grid.rate, scan=scan
    )
    codes = readings["combing.pulldown"][span[0] : span[1]]
    lag = np.nan_to_num(readings["combing.field_lag_frames"][span[0] : span[1]])
    # Where it is seen best: a frame of two pictures, else where it was told.
    paired = np.abs(lag) >= _TWO_PICTURES
    seen = np.flatnonzero(paired if paired.any() else codes == kind)
    return finding_of(
        measured,
        readings,
        rule="picture.combing",
        grade=grade,
        first=span[0],
        last=span[1],
        worst_row=span[0] + int(seen[0]),
        worst=40.0 if name == "2:3" else 20.0,
        unit="% of frames",
        message=message,
        advice=advice,
    )
