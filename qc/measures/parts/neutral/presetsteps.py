"""A setting of white that is changed and changed back while the camera shakes.

Nothing need stay where it lies for it: colour jumps from one picture to the next, over
all of what both show and by one factor (`ColourStep`), and jumps back by the reverse.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np
from numpy.typing import NDArray

from qc.measures.base import Exhibit, Line, Measured, finding_of
from qc.measures.parts.neutral.whitejudge import white_delta_e00
from qc.measures.parts.neutral.wholedrift import (
    CAST_ADVICE,
    COUNTED,
    change_words,
    find_whole,
    light_of,
)
from qc.records import Finding, Grade, Readings, TakeResult
from qc.spans import Span

__all__ = ["find_presets", "is_jump", "preset_exhibit", "preset_spans"]

Array = NDArray[np.float64]

# A jump is one of so many stops at least.
_LEAST_STOPS = 0.12
# Mean Cb and Cr jump this many times as far as most pictures around go, and what they
# are a quarter of a second before and behind lies so far apart, as a share (house
# choices; in shaking close-ups 25 mired make them jump 6 times as far).
_CLEAR, _MOST, _APART = 3.0, 90.0, 0.35
_AROUND_S, _FEWEST = 0.5, 4
# What is left of a change once it has been taken back, as a share of it.
_LEFT = 0.35
# Where a white is read, or its cast told, for so much of a stretch, that counts.
_READ = 0.5
_SHOWN_S = 3.0


def find_presets(measured: Measured) -> Iterable[Finding]:
    """Yield stretches with another setting of white than before and behind."""
    readings, video = measured.picture, measured.info.video
    if readings is None or video is None or not readings.rows:
        return
    if measured.limits["white.neutral"] is not None:
        return
    least = float(measured.limits["white.min_seconds"])
    limit = float(measured.limits["white.review_delta_e00"])
    known: list[Finding] | None = None
    for (first, last), change in preset_spans(readings, least):
        part = float(white_delta_e00(light_of(COUNTED * change[None]), video.signal)[0])
        own = readings["white.source"][first:last] > 0
        with np.errstate(invalid="ignore"):
            own |= readings["white.cast_delta_e00"][first:last] > limit
        if part <= limit or np.mean(own) >= _READ:
            continue
        finding = finding_of(
            measured,
            readings,
            rule="white.cast",
            grade=Grade.REVIEW,
            first=first,
            last=last,
            worst_row=first,
            message=(
                "The colour of the whole picture jumps from one frame to the next, and "
                f"jumps back: in between it is {change_words(change, video.signal)} "
                "against what lies before and behind. No white was found that is sure "
                "enough to say which of the two is right, but what it came back to was "
                "likely set, and this is then off by some CIEDE2000 "
                f"{part:.1f} (limit {limit:g})."
            ),
            advice=CAST_ADVICE,
            worst=part,
            limit=limit,
            unit="ΔE₀₀",
        )
        if known is None:
            known = list(find_whole(measured))
        mine = finding.start_frame, finding.end_frame
        if not any(mine[0] < f.end_frame and f.start_frame < mine[1] for f in known):
            yield finding


def preset_spans(
    readings: Readings, least_s: float
) -> Iterator[tuple[Span, NDArray[np.float64]]]:
    """Yield stretches between a jump of colour and its reverse.

    Parameters
    ----------
    readings : Readings
    least_s : float
        Shorter ones are flashes.

    Yields
    ------
    (first, last), (2,) array
        Half-open rows, and the change of R/G and B/G against what lies around, stops.
    """
    if "white.picture_step" not in readings.columns:
        return
    stops = readings["white.picture_step"].astype(np.float64)
    times = readings.times()
    large = np.hypot(stops[:, 0], stops[:, 1]) >= _LEAST_STOPS  # NaN is not
    chroma = readings["white.picture_chroma"].astype(np.float64)
    rows = [r for r in np.flatnonzero(large).tolist() if _is_clear(chroma, times, r)]
    opened = -1
    for row in rows:
        if opened >= 0 and _is_back(stops[opened], stops[row]):
            if times[row] - times[opened] >= least_s:
                yield (opened, row), 0.5 * (stops[opened] - stops[row])
            opened = -1
        else:
            opened = row


def is_jump(readings: Readings, row: int | None) -> bool:
    """Return whether the colour of the whole picture jumps at a row."""
    if row is None or "white.picture_step" not in readings.columns:
        return False
    return bool(np.hypot(*readings["white.picture_step"][row]) >= _LEAST_STOPS)


def preset_exhibit(result: TakeResult, finding: Finding) -> Iterable[Exhibit]:
    """Yield the course of the picture's mean colour around a finding."""
    readings = result.picture
    if readings is None:
        return
    times = readings.times()[:-1]
    own = (times > float(finding.start) - _SHOWN_S) & (
        times < float(finding.end) + _SHOWN_S
    )
    step = max(1, int(own.sum()) // 800)
    at, chroma = times[own][::step], readings["white.picture_chroma"][own][::step]
    yield Exhibit(
        kind="lines",
        title="The picture's mean colour over time",
        caption="Mean of Cb and Cr over the picture, percent of their range.",
        lines=(Line("Cb", at, chroma[:, 0]), Line("Cr", at, chroma[:, 1])),
        x_label="seconds of the take",
        y_label="%",
    )


def _is_back(there: Array, back: Array) -> bool:
    size = min(np.hypot(*there), np.hypot(*back))
    return bool(np.hypot(*(there + back)) <= _LEFT * size)


def _is_clear(chroma: Array, times: Array, row: int) -> bool:
    """Return whether mean colour jumps far beyond what it does around, and stays."""
    first = int(np.searchsorted(times, times[row] - _AROUND_S))
    last = int(np.searchsorted(times, times[row] + _AROUND_S))
    before, behind = (_known(chroma[a:b]) for a, b in ((first, row), (row, last)))
    if min(len(before), len(behind)) < _FEWEST:
        return False
    jump = behind[0] - before[-1]
    size = float(np.hypot(*jump))
    moves = np.concatenate([np.diff(before, axis=0), np.diff(behind, axis=0)])
    usual = float(np.percentile(np.hypot(*moves.T), _MOST))
    half = max(_FEWEST, min(len(before), len(behind)) // 2)
    apart = (behind[:half].mean(axis=0) - before[-half:].mean(axis=0)) @ jump
    return size >= _CLEAR * usual and bool(apart >= _APART * size**2)


def _known(chroma: Array) -> Array:
    return np.asarray(chroma[~np.isnan(chroma[:, 0])])
