"""One field of two that is lost: darker than the other, or standing while it goes on.

Neighbouring lines show nearly the same; so do the changes of both fields from frame to
frame, whether they are of one moment or of two. Only what happens to one field on its
way to the recorder tells them apart.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from qc.measures.base import Measured, finding_of
from qc.measures.parts.scan.framepairs import (
    LEAST_CHANGE_PERCENT,
    Bands,
    FramePairs,
    field_changes,
    thinned,
)
from qc.records import Finding, Grade, Readings

__all__ = ["FieldWatch", "Fields", "check_fields", "fields_of"]

# Every frame since the moment before is looked at where fields begin to differ: so
# often at once, and once more in so many moments.
_MOST_SCANS, _SCAN_EVERY = 4.0, 10.0
# A field that stands does so in most of these frames.
_USUAL_FRAMES = 5
# Of a stretch's moments, so many must show it.
_SHARE = 0.8
# A field that differs by so many times the limit leaves nothing to use.
_GROSS = 4.0

State = Literal["darker", "brighter", "upper", "lower", ""]


@dataclass(frozen=True, slots=True)
class Fields:
    """How the two fields of a frame differ.

    Attributes
    ----------
    apart_percent : float
        Mean level of the lower field less that of the upper, in percent of the range;
        the band in the middle.
    change_times : float
        How many times as much the lower field changed since the frame before as the
        upper; NaN where neither changes.
    """

    apart_percent: float
    change_times: float


def fields_of(before: Bands, now: Bands, *, span: int) -> Fields:
    """Compare the two fields of a frame, and their changes since the frame before.

    Parameters
    ----------
    before, now : (bands, rows, W) arrays
        The same lines of both frames in native codes; each band begins with a line of
        the upper field.
    span : int
        Codes from black to white.

    Examples
    --------
    >>> one = np.full((1, 4, 8), 100, np.uint8)
    >>> two = one.copy()
    >>> two[:, 0::2] += 10
    >>> fields_of(one, two, span=200)
    Fields(apart_percent=-5.0, change_times=0.0)
    """
    if not now.size:
        return Fields(math.nan, math.nan)
    a, b = thinned(before), thinned(now)
    level = b.mean(axis=2)
    apart = level[:, 1::2].mean(axis=1) - level[:, 0::2].mean(axis=1)
    upper, lower = field_changes(a, b)
    times = math.nan
    if max(upper, lower) >= span * LEAST_CHANGE_PERCENT / 100.0:
        times = lower / upper if upper > 0 else math.inf
    return Fields(100.0 * float(np.median(apart)) / span, times)


def _state(fields: Fields, *, apart_percent: float, times: float) -> State:
    if abs(fields.apart_percent) >= apart_percent:
        return "darker" if fields.apart_percent < 0 else "brighter"
    if fields.change_times >= times:
        return "upper"
    return "lower" if fields.change_times * times <= 1.0 else ""


class FieldWatch:
    """Compares fields moment by moment and looks back to where they began to differ."""

    def __init__(self, *, apart_percent: float, times: float) -> None:
        self._apart_percent, self._times = apart_percent, times
        self._last: State = ""
        self._scans = _MOST_SCANS

    def read(
        self, pair: tuple[Bands, Bands], pairs: FramePairs, *, since: int, span: int
    ) -> tuple[Fields, float]:
        """Return how fields differ, and for how many frames before this one they did.

        Parameters
        ----------
        pair
            The latest of `pairs`.
        since : int
            Frames since the moment before.

        Returns
        -------
        fields : Fields
        ago : float
            NaN where it is as at the moment before.
        """
        fields = self._settled(fields_of(*pair, span=span), pairs, span=span)
        self._scans = min(_MOST_SCANS, self._scans + 1.0 / _SCAN_EVERY)
        if math.isnan(fields.change_times) and not self._differs(fields):
            return fields, math.nan  # nothing moves: no news
        now, ago = self._of(fields), math.nan
        if now != self._last and self._scans >= 1.0:
            self._scans -= 1.0
            ago = float(self._frames_ago(now, pairs, since=since, span=span))
        self._last = now
        return fields, ago

    def _settled(self, fields: Fields, pairs: FramePairs, *, span: int) -> Fields:
        """Return how fields usually change around here, where one seems to stand.

        Film spread over fields repeats either field once in five frames.
        """
        if self._of(fields) not in ("upper", "lower"):
            return fields
        times = [fields.change_times]
        for ago in range(1, _USUAL_FRAMES):
            pair = pairs.earlier(ago)
            if pair is not None:
                times.append(fields_of(*pair, span=span).change_times)
        known = sorted(t for t in times if not math.isnan(t))
        return replace(fields, change_times=known[len(known) // 2])

    def _differs(self, fields: Fields) -> bool:
        return abs(fields.apart_percent) >= self._apart_percent

    def _of(self, fields: Fields) -> State:
        return _state(fields, apart_percent=self._apart_percent, times=self._times)

    def _frames_ago(
        self, now: State, pairs: FramePairs, *, since: int, span: int
    ) -> int:
        found = 0
        for ago in range(1, min(pairs.reach, since)):
            pair = pairs.earlier(ago)
            if pair is None or self._of(fields_of(*pair, span=span)) != now:
                break
            found = ago
        return found


def check_fields(measured: Measured, *, least: int) -> Iterator[Finding]:
    """Yield stretches in which one field is lost.

    Parameters
    ----------
    least : int
        Moments that must show it.
    """
    readings = measured.picture
    if readings is None or not readings.rows:
        return
    apart = readings["combing.fields_apart_percent"].astype(np.float64)
    times = readings["combing.field_change_times"].astype(np.float64)
    limits = measured.limits
    allowed = limits["combing.field_apart_percent"]
    much = limits["combing.field_change_times"]
    rows = np.flatnonzero(~np.isnan(times) | (np.abs(apart) >= allowed))
    states = [
        _state(Fields(apart[r], times[r]), apart_percent=allowed, times=much)
        for r in rows
    ]
    for state in dict.fromkeys(s for s in states if s):
        for first, last in _stretches([s == state for s in states], least):
            yield _finding(measured, readings, state, rows, (first, last))


def _stretches(wrong: Sequence[bool], least: int) -> Iterator[tuple[int, int]]:
    """Yield runs of moments that show it nearly all, and begin and end with one."""
    at = [i for i, is_wrong in enumerate(wrong) if is_wrong]
    while at:
        begin = end = 0
        for k in range(1, len(at)):
            if k + 1 >= _SHARE * (at[k] - at[begin] + 1):
                end = k
            if at[k] - at[end] > least:
                break
        if end - begin + 1 >= least:
            yield at[begin], at[end] + 1
        at = at[end + 1 :]


def _finding(
    measured: Measured,
    readings: Readings,
    state: State,
    rows: NDArray[np.intp],
    stretch: tuple[int, int],
) -> Finding:
    first, last = stretch
    ago = np.nan_to_num(readings["combing.fields_ago_frames"])
    began = (rows - ago[rows]).astype(np.intp)
    begin = 0 if first == 0 else int(began[first])
    end = readings.rows if last == len(rows) else int(began[last])
    here = rows[first:last]
    level = state in ("darker", "brighter")
    if level:
        values = readings["combing.fields_apart_percent"][here]
        worst = float(values[np.abs(values).argmax()])
        limit = math.copysign(measured.limits["combing.field_apart_percent"], worst)
    else:
        values = readings["combing.field_change_times"][here]
        if state == "upper":  # it stands: told by how much less it changes
            values = 1.0 / values
        values = 100.0 * values
        worst = float(values.min())
        limit = 100.0 / measured.limits["combing.field_change_times"]
    gross = level and abs(worst) >= _GROSS * abs(limit)
    message, advice = _words(state, worst)
    return finding_of(
        measured,
        readings,
        rule="picture.combing",
        grade=Grade.REJECT if gross else Grade.REVIEW,
        first=begin,
        last=end,
        worst_row=int(here[np.abs(values - worst).argmin()]),
        worst=worst,
        limit=limit,
        unit="%" if level else "% of the other",
        message=message,
        advice=advice,
    )


def _words(state: State, worst: float) -> tuple[str, str]:
    lost = {"darker": "lower", "brighter": "upper"}.get(state, state)
    kept = "upper" if lost == "lower" else "lower"
    if state in ("darker", "brighter"):
        message = (
            f"The {lost} field is darker than the {kept} one by {abs(worst):.0f} % of "
            "the range: every other line of the picture is lost."
        )
    else:
        message = (
            f"The {lost} field stands while the {kept} one goes on: every other line "
            "shows an older moment, and what moves has teeth. From frame to frame it "
            f"changes {worst:.0f} % as much."
        )
    return message, (
        "Check cable, converter and recorder: one field is lost on the way. Record a "
        "moving hand and look at it before the next case. For this take: make the "
        f"picture from the {kept} field alone; it is half as fine from top to bottom."
    )
