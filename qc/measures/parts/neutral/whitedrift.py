"""White drift: the same neutral surface changes its colour within a take."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from qc.colour import cast_of_codes, cct_duv, mired, uv_prime, white_xyz
from qc.measures.base import Exhibit, Line, Measured, finding_of
from qc.measures.parts.neutral.castwords import cast_words
from qc.measures.parts.neutral.neutraltrack import light_stops
from qc.measures.parts.neutral.samepart import same_parts
from qc.measures.parts.neutral.whitejudge import (
    REFERENCE,
    held,
    smoothed,
    trusted,
    uv_of,
)
from qc.records import Finding, Grade, Readings, TakeResult
from qc.signal import Signal
from qc.spans import bridged, past_limit

__all__ = [
    "drift_advice",
    "drift_exhibit",
    "drift_words",
    "find_drift",
    "walked_s",
    "words_of_codes",
]

_START_S = 0.5  # the start a surface is held against
_RELEASE = 0.6
_BRIDGE_S = 0.5
_STEP_S = 0.2  # most of a change within this is a step, and no walk
# Share of the change that the picture as a whole must have made as well: else only the
# surface has changed, a swab that soaks up blood, a shadow, a hand.
_SHARED = 0.4
_FEW_ROWS = 5


@dataclass(frozen=True, slots=True, eq=False)
class _Course:
    """One surface over time."""

    rows: NDArray[np.intp]
    far: NDArray[np.float64]  # u'v' from its own start
    away: NDArray[np.float64]  # the same where the picture went with it, else 0
    times: NDArray[np.float64]


def _courses(
    readings: Readings, rows: NDArray[np.intp], parts: NDArray[np.intp], signal: Signal
) -> Iterable[_Course]:
    times = readings.times()
    rows, parts = rows[parts >= 0], parts[parts >= 0]
    for own in np.split(rows, np.flatnonzero(np.diff(parts)) + 1):
        if len(own) < _FEW_ROWS:
            continue
        uv = smoothed(uv_of(readings["white.patch_codes"][own], signal), readings)
        at = times[own]
        start = np.median(uv[at < at[0] + _START_S], axis=0)
        far = np.hypot(*(uv - start).T)
        away = np.where(_shared(readings, own, signal), far, 0.0)
        yield _Course(own, far, away, at)


def _shared(
    readings: Readings, rows: NDArray[np.intp], signal: Signal
) -> NDArray[np.bool_]:
    """Return where the picture as a whole went with the surface."""
    stops = smoothed(light_stops(readings["white.patch_codes"][rows], signal), readings)
    own = stops - stops[0]
    whole = held(readings["white.picture_stops"][rows].astype(np.float64))
    whole = smoothed(whole, readings)
    along = np.einsum("ij,ij->i", own, whole - whole[0])
    out: NDArray[np.bool_] = along >= _SHARED * np.einsum("ij,ij->i", own, own)
    return out


def find_drift(measured: Measured) -> Iterable[Finding]:
    """Yield where the white of one surface has left its own start."""
    readings, video = measured.picture, measured.info.video
    if readings is None or video is None or not readings.rows:
        return
    rows = trusted(measured)
    parts = np.zeros(len(rows), np.intp)
    if measured.limits["white.neutral"] is None:
        # While a reference fills the picture the balance is being set.
        rows = rows[readings["white.source"][rows] != REFERENCE]
        parts = same_parts(readings, rows, (video.width, video.height))
    if not rows.size:
        return
    limit = float(measured.limits["white.drift_delta_uv"])
    least = float(measured.limits["white.drift_min_seconds"])
    times = readings.times()
    for course in _courses(readings, rows, parts, video.signal):
        ends = np.append(course.times, times[course.rows[-1] + 1])
        past = past_limit(
            course.away.astype(np.float32), limit=limit, release=_RELEASE * limit
        )
        for first, last in bridged(past, times=ends, gap=_BRIDGE_S):
            if ends[last] - ends[first] >= least:
                yield _finding(measured, readings, course, (first, last), limit)


def _finding(
    measured: Measured,
    readings: Readings,
    course: _Course,
    span: tuple[int, int],
    limit: float,
) -> Finding:
    first, last = span
    part = course.away[first:last]
    worst = first + int(np.argmax(part))
    codes = readings["white.patch_codes"]
    before = words_of_codes(measured, codes[course.rows[: max(first // 2, 3)]])
    around = slice(max(worst - 2, 0), worst + 3)
    after = words_of_codes(measured, codes[course.rows[around]])
    walked = walked_s(course.times, course.far, worst)
    how = drift_words(measured, readings, int(course.rows[first]), walked)
    advice = drift_advice(walked)
    box = readings["white.neutral_box"][course.rows[worst]]
    return finding_of(
        measured,
        readings,
        rule="white.drift",
        grade=_grade(measured, readings, int(course.rows[worst])),
        first=int(course.rows[first]),
        last=int(course.rows[last - 1]) + 1,
        worst_row=int(course.rows[worst]),
        message=(
            f"The colour of the same white surface {how}, by Δu′v′ "
            f"{course.away[worst]:.4f} (limit {limit:g}), and the picture with it: "
            f"from {before} to {after}."
        ),
        advice=advice,
        worst=float(course.away[worst]),
        limit=limit,
        unit="Δu′v′",
        where=None if np.isnan(box[0]) else tuple(int(v) for v in box),  # type: ignore[arg-type]
    )


def _grade(measured: Measured, readings: Readings, worst: int) -> Grade:
    """Return the grade: where the cast itself is found, the drift only explains it."""
    cast = float(readings["white.cast_delta_e00"][worst])
    found = cast > measured.limits["white.review_delta_e00"]
    return Grade.NOTE if found else Grade.REVIEW


def walked_s(
    times: NDArray[np.float64], away: NDArray[np.float64], worst: int
) -> float:
    """Return how long a change took, from a fifth to four fifths of it.

    Parameters
    ----------
    times, away : (n,) arrays
        When, and how far from the start.
    worst : int
        Where it is farthest.
    """
    top = away[worst]
    start = worst
    while start > 0 and away[start - 1] > 0.2 * top:
        start -= 1
    reached = np.flatnonzero(away[start : worst + 1] >= 0.8 * top)
    return float(times[start + int(reached[0])] - times[start])


def drift_words(measured: Measured, readings: Readings, row: int, walked: float) -> str:
    """Say when a colour changed, and how fast."""
    grid = measured.info.grid
    at = grid.label(grid.nearest(readings.start(row)))
    if walked <= _STEP_S:
        return f"changed at once at {at}"
    return f"walked over {walked:.1f} s from {at} on"


def drift_advice(walked: float) -> str:
    """Say what to do at the rig about a change that took so many seconds."""
    if walked <= _STEP_S:
        return (
            "Keep light and camera setting for a take, or take the white balance again "
            "when they change: a lamp was switched or swung in, or the camera's "
            "setting was changed."
        )
    return (
        "Switch automatic white balance off, set the white on a clean white swab and "
        "keep it: this is how an automatic one looks."
    )


def words_of_codes(measured: Measured, codes: NDArray[np.floating]) -> str:
    """Say the cast of Y', Cb, Cr codes, their median, in the operator's words."""
    video = measured.info.video
    signal = video.signal if video is not None else Signal()
    cast = cast_of_codes(np.median(codes, axis=0)[None], signal=signal)
    u, v = uv_prime(white_xyz(signal.primaries)).tolist()
    kelvin, duv = cct_duv(u, v * 2 / 3)
    return cast_words(
        mired_shift=mired(float(cast["cct_k"][0])) - mired(kelvin),
        duv_shift=float(cast["duv"][0]) - duv,
        red_stops=float(cast["red_stops"][0]),
        blue_stops=float(cast["blue_stops"][0]),
    )


def drift_exhibit(result: TakeResult, finding: Finding) -> Iterable[Exhibit]:
    """Yield the course of the white's colour around a drift."""
    readings = result.picture
    if readings is None or finding.limit is None:
        return
    u, v = (readings[f"white.neutral_{c}_prime"].astype(np.float64) for c in "uv")
    tracks = readings["white.found_track"]
    row = finding.worst_pts_row
    if row is None:
        return
    own = np.flatnonzero((tracks == tracks[row]) & ~np.isnan(u))
    if len(own) < 2:
        return
    at = readings.times()[own]
    uv = smoothed(np.stack([u[own], v[own]], axis=1), readings)
    start = np.median(uv[at < at[0] + _START_S], axis=0)
    step = max(1, len(own) // 800)
    yield Exhibit(
        kind="lines",
        title="The same white over time",
        caption="How far the colour of one white surface has moved from its start.",
        lines=(Line("Δu′v′", at[::step], np.hypot(*(uv - start).T)[::step]),),
        x_label="seconds of the take",
        y_label="Δu′v′",
        levels=(("limit", finding.limit),),
    )
