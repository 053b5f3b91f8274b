"""Drift and cast where no white is known: the whole picture against its own start.

Which of two states is right is not known then, so that neither is marked: the change is
told, and both parts are named. Only one that a framing begins and ends with is likely
the one that was set, so that what lies between has a cast.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from qc.colour import cct_duv, linear_rgb_to_xyz, mired, uv_prime, white_xyz
from qc.measures.base import Exhibit, Line, Measured, finding_of
from qc.measures.parts.neutral.castwords import cast_words
from qc.measures.parts.neutral.whitedrift import (
    drift_advice,
    drift_words,
    find_drift,
    walked_s,
)
from qc.measures.parts.neutral.whitejudge import held, smoothed, white_delta_e00
from qc.records import Finding, Grade, Readings, TakeResult
from qc.signal import Signal
from qc.spans import Span, bridged, past_limit, runs

__all__ = [
    "CAST_ADVICE",
    "COUNTED",
    "change_words",
    "find_drifts",
    "find_whole",
    "light_of",
    "whole_exhibit",
]

_ALIKE = (
    " Compare both parts with a moment in which something white is seen, and grade the "
    "one like the other."
)
_START_S = 0.5
_RELEASE, _BRIDGE_S = 0.6, 0.5
# What grows in a picture, blood or a hand, can move its median a little: without a
# white the limit of a drift counts twice (house choice).
_TWICE = 2.0
_SHORTEST_S = 1.0  # of a framing
# A drift is told from where it rises to its limit: from this share of it, and no longer
# before (house choices).
_BEGUN, _BEGUN_S = 0.25, 1.0
# A white surface may be covered or carried off while the drift goes on: where the whole
# picture shows it for so much longer, that is told (house choice).
_LONGER_S = 1.0
# The framing begins and ends with one state, alike within so many stops (house choice).
_BACK_STOPS = 0.12
COUNTED = 0.75
"""What counts of a change from what a framing begins and ends with (house choice)."""
CAST_ADVICE = (
    "Before the next case take the white balance on a clean white swab, and leave "
    "light and setting alone. For this take: compare both with a moment in which "
    "something white is seen, and grade the other like it."
)


@dataclass(frozen=True, slots=True, eq=False)
class _Framing:
    """One framing over time."""

    first: int
    last: int
    stops: NDArray[np.float64]  # (n, 2): changes since the start of the take, smoothed
    times: NDArray[np.float64]  # (n + 1,)


def _framings(readings: Readings) -> Iterable[_Framing]:
    numbers, times = readings["white.picture_framing"], readings.times()
    known = ~np.isnan(numbers)
    for first, last in runs(known):
        cuts = first + 1 + np.flatnonzero(np.diff(numbers[first:last]))
        for a, after in itertools.pairwise([first, *cuts.tolist(), last]):
            stops = readings["white.picture_stops"][a:after].astype(np.float64)
            seen = np.flatnonzero(~np.isnan(stops).any(axis=1))
            # Behind its last sight it was another picture.
            b = a + int(seen[-1]) + 1 if seen.size else a
            if times[b] - times[a] < _SHORTEST_S:
                continue
            stops = held(stops[: b - a])
            if not np.isnan(stops).any():
                yield _Framing(a, b, smoothed(stops, readings), times[a : b + 1])


def light_of(stops: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return R, G, B of a light that was neutral before such a change."""
    ones = np.ones(len(stops))
    return np.stack([2.0 ** stops[:, 0], ones, 2.0 ** stops[:, 1]], axis=1)


def _away(stops: NDArray[np.float64], signal: Signal) -> NDArray[np.float64]:
    """Return how far in u', v' such changes take what was neutral."""
    uv = uv_prime(linear_rgb_to_xyz(light_of(stops), primaries=signal.primaries))
    return np.asarray(np.hypot(*(uv - uv_prime(white_xyz(signal.primaries))).T))


def change_words(stops: NDArray[np.float64], signal: Signal) -> str:
    """Say which cast such a change gives what was neutral."""
    xyz = linear_rgb_to_xyz(light_of(stops[None]), primaries=signal.primaries)
    u, v = uv_prime(xyz[0]).tolist()
    kelvin, duv = cct_duv(u, v * 2 / 3)
    u0, v0 = uv_prime(white_xyz(signal.primaries)).tolist()
    kelvin0, duv0 = cct_duv(u0, v0 * 2 / 3)
    return cast_words(
        mired_shift=mired(kelvin) - mired(kelvin0),
        duv_shift=duv - duv0,
        red_stops=-float(stops[0]),
        blue_stops=-float(stops[1]),
    )


def find_drifts(measured: Measured) -> Iterable[Finding]:
    """Yield drifts of a white surface, or of the whole picture if that shows more."""
    surfaces = list(find_drift(measured))
    for finding in _whole_drifts(measured, surfaces):
        beside = [one for one in surfaces if _meet(one, finding)]
        if not beside or _longer(finding, beside):
            surfaces = [one for one in surfaces if one not in beside]
            yield finding
    yield from surfaces


def find_whole(measured: Measured) -> Iterable[Finding]:
    """Yield casts that only the picture as a whole shows."""
    for readings, framing, signal in _judged(measured):
        yield from _casts(measured, readings, framing, signal)


def _judged(measured: Measured) -> Iterable[tuple[Readings, _Framing, Signal]]:
    """Yield the framings in which the whole picture is judged."""
    readings, video = measured.picture, measured.info.video
    if readings is None or video is None or not readings.rows:
        return
    if measured.limits["white.neutral"] is None:
        for framing in _framings(readings):
            yield readings, framing, video.signal


def _meet(one: Finding, other: Finding) -> bool:
    return one.start_frame < other.end_frame and other.start_frame < one.end_frame


def _longer(finding: Finding, beside: list[Finding]) -> bool:
    """Return whether a drift lasts much longer than what surfaces show of it."""
    shown = max(f.end for f in beside) - min(f.start for f in beside)
    return float(finding.duration - shown) >= _LONGER_S


def _spans(
    away: NDArray[np.float64], framing: _Framing, limit: float, least: float
) -> Iterable[Span]:
    past = past_limit(away.astype(np.float32), limit=limit, release=_RELEASE * limit)
    for first, last in bridged(past, times=framing.times, gap=_BRIDGE_S):
        if framing.times[last] - framing.times[first] >= least:
            yield first, last


def _begun(
    away: NDArray[np.float64], times: NDArray[np.float64], passed: int, least: float
) -> int:
    """Return where a walk that passed the limit at a row began to rise."""
    row = passed
    while (
        row > 0
        and least <= away[row - 1] <= away[row]
        and times[passed] - times[row - 1] <= _BEGUN_S
    ):
        row -= 1
    return row


def _whole_drifts(measured: Measured, surfaces: list[Finding]) -> Iterable[Finding]:
    for readings, framing, signal in _judged(measured):
        yield from _drifts(measured, readings, framing, signal, surfaces)


def _drifts(
    measured: Measured,
    readings: Readings,
    framing: _Framing,
    signal: Signal,
    surfaces: list[Finding],
) -> Iterable[Finding]:
    limit = _TWICE * float(measured.limits["white.drift_delta_uv"])
    least = float(measured.limits["white.drift_min_seconds"])
    times = framing.times[:-1]
    start = np.median(framing.stops[times < times[0] + _START_S], axis=0)
    away = _away(framing.stops - start, signal)
    for passed, last in _spans(away, framing, limit, least):
        worst = passed + int(np.argmax(away[passed:last]))
        first = _begun(away, times, passed, _BEGUN * limit)
        # A surface shows a drift from half of that limit on.
        for one in surfaces:
            begins, ends = np.searchsorted(times, (float(one.start), float(one.end)))
            if begins < last and first < ends:
                first = min(first, int(begins))
        walked = walked_s(times, away, worst)
        how = drift_words(measured, readings, framing.first + first, walked)
        white_known = _seen(readings, framing)
        yield finding_of(
            measured,
            readings,
            rule="white.drift",
            grade=_grade(measured, readings, framing.first + worst),
            first=framing.first + first,
            last=framing.first + last,
            worst_row=framing.first + worst,
            message=(
                f"The colour of the whole picture {how} while the framing stayed: what "
                f"was neutral before is then "
                f"{change_words(framing.stops[worst] - start, signal)} (Δu′v′ "
                f"{away[worst]:.4f}, limit without a white {limit:g}). "
                f"{_which(measured, readings, framing, (first, last))}"
            ),
            advice=drift_advice(walked) + ("" if white_known else _ALIKE),
            worst=float(away[worst]),
            limit=limit,
            unit="Δu′v′",
        )


def _which(
    measured: Measured, readings: Readings, framing: _Framing, span: Span
) -> str:
    """Say what is known of which of two parts is right, naming both."""
    if _seen(readings, framing):
        return "No white was needed for this."
    grid = measured.info.grid
    start, change, end = (
        grid.label(grid.nearest(readings.start(framing.first + row)))
        for row in (0, *span)
    )
    return (
        f"Which of the two is right, the part from {start} to {change} or that from "
        f"there to {end}, cannot be told without a white."
    )


def _grade(measured: Measured, readings: Readings, worst: int) -> Grade:
    cast = float(readings["white.cast_delta_e00"][worst])
    found = cast > measured.limits["white.review_delta_e00"]
    return Grade.NOTE if found else Grade.REVIEW


def _casts(
    measured: Measured, readings: Readings, framing: _Framing, signal: Signal
) -> Iterable[Finding]:
    """Yield stretches far from what a framing begins and ends with."""
    usual = _usual(framing)
    if usual is None or _seen(readings, framing):
        return  # none can be told, or its white is known and carried through it
    limit = float(measured.limits["white.review_delta_e00"])
    least = float(measured.limits["white.min_seconds"])
    off = framing.stops - usual
    part = white_delta_e00(light_of(COUNTED * off), signal)
    for first, last in _spans(part, framing, limit, least):
        worst = first + int(np.argmax(part[first:last]))
        yield finding_of(
            measured,
            readings,
            rule="white.cast",
            grade=Grade.REVIEW,
            first=framing.first + first,
            last=framing.first + last,
            worst_row=framing.first + worst,
            message=(
                "Against what this framing begins and ends with the whole picture is "
                f"{change_words(off[worst], signal)} here. No white was found that is "
                "sure enough to say which of the two is right, but what it came back "
                "to was likely set, and this is then off by some CIEDE2000 "
                f"{part[worst]:.1f} (limit {limit:g})."
            ),
            advice=CAST_ADVICE,
            worst=float(part[worst]),
            limit=limit,
            unit="ΔE₀₀",
        )


def _seen(readings: Readings, framing: _Framing) -> bool:
    """Return whether a white is known in a framing."""
    return bool((readings["white.source"][framing.first : framing.last] > 0).any())


def _usual(framing: _Framing) -> NDArray[np.float64] | None:
    """Return what a framing begins and ends with; None if that is not the same."""
    times, stops = framing.times[:-1], framing.stops
    start = np.median(stops[times < times[0] + _START_S], axis=0)
    end = np.median(stops[times > times[-1] - _START_S], axis=0)
    if np.hypot(*(end - start)) > _BACK_STOPS:
        return None
    return np.asarray(0.5 * (start + end))


def whole_exhibit(result: TakeResult, finding: Finding) -> Iterable[Exhibit]:
    """Yield the course of the whole picture's colour around a finding."""
    readings, row = result.picture, finding.worst_pts_row
    if readings is None or row is None or result.info.video is None:
        return
    for framing in _framings(readings):
        if not framing.first <= row < framing.last:
            continue
        step = max(1, len(framing.stops) // 800)
        times = framing.times[:-1][::step]
        stops = (framing.stops - framing.stops[0])[::step]
        yield Exhibit(
            kind="lines",
            title="The whole picture's colour over time",
            caption="Change of red over green and of blue over green, median over the "
            "picture, while the framing stays.",
            lines=(
                Line("red / green", times, stops[:, 0]),
                Line("blue / green", times, stops[:, 1]),
            ),
            x_label="seconds of the take",
            y_label="stops",
        )
