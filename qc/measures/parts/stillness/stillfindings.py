"""What is told of black, frozen and repeated pictures, and what is shown beside it."""

from __future__ import annotations

import math
from collections.abc import Iterator
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from qc.measures.base import Companion, Exhibit, Line, Measured, finding_of
from qc.measures.parts.stillness.rhythms import Cadence, cadences
from qc.measures.parts.stillness.stillframes import (
    SAME_PERCENT,
    SAME_SHARE,
    State,
    again,
    rare_keys,
)
from qc.records import Finding, Grade, Readings, TakeResult
from qc.spans import Span, bridged, runs

__all__ = ["check", "companions", "exhibits", "seconds_of"]

# Single repeats are told together when they lie this close; further apart ones where
# there are many (house choices).
_CLUSTER_S = 1.0
_WIDE_CLUSTER_S = 10.0
_MOST_CLUSTERS = 20
_MOST_NAMED = 12
_MINUTE_S = 60.0
# With fewer live frames nothing shows what live looks like in this take (house choice).
_LEAST_LIVE = 0.2
_HARDLY_LIVE = (
    " Hardly any frame of this take moves: it may also be a still scene whose noise "
    "the recording format takes away."
)
# What speaks for a scene at rest: motion that dies down before and rises again behind,
# or pixels that go on changing. In a kept picture all but so few stay in so many
# frames, once it is refined (freezes through six coders: 0.59 and more, scenes at rest
# up to 0.22, and as many as in a freeze where a coder has taken all noise away).
_AT_REST = (
    " It may also be a scene at rest whose noise the recording format takes away: look "
    "whether anything in it goes on."
)
# Fresh noise changes more of the pixels than this, a coder that refines fewer.
_FEW_PERCENT = 10.0
_UNCHANGED_PERCENT, _SURELY_SAME, _REFINED_ROWS = 0.01, 0.4, 12
# From the first frame on, and then at once so different, percent: most likely no
# picture of this camera (house choice).
_LAID_BEFORE = (
    " It stands from the first frame on and another picture follows at once, as colour "
    "bars or a card laid before a take do."
)
_CUT_PERCENT = 8.0
# A coder that looks ahead spends nothing on the last frames, which no others build on.
_END_S = Fraction(1, 5)
_AROUND_S = 1.0
# A change so many times the usual one is cut off in the figure (house choice).
_MOST_OF_USUAL = 5.0
_AT_BLACK = 0.05  # percent of the way to white: no more than nothing, as printed
_IN_A_ROW = 3  # repeats that are told as a stretch, not one by one
# Beside a kept picture so many frames change at least by this share of what is usual
# among so many around (house choice).
_BESIDE, _LIVE_SHARE, _NEAR_ROWS = 3, 0.6, 50


def _column(readings: Readings, name: str) -> NDArray[np.float64]:
    return readings[f"stillness.{name}"].astype(np.float64)


def check(measured: Measured) -> Iterator[Finding]:
    """Yield what the states of a take's frames amount to."""
    readings = measured.picture
    if readings is None or not readings.rows:
        return
    states = readings["stillness.state"]
    yield from _tell_black(measured, readings, states == State.BLACK)
    keys = rare_keys(_column(readings, "key") > 0)
    inter = bool(keys.any())
    for first, last in runs(states == State.FROZEN):
        turns = _turns(readings, first, last)
        changes = _same_share(readings, first, last) < _SURELY_SAME
        if turns and changes:
            continue  # a scene at rest
        # Coders of single pictures take no noise away; nor does what lies under it.
        doubt = (turns or changes) and inter
        doubt = doubt and not _under_noise(readings, first, last)
        yield _tell_frozen(measured, readings, first, last, doubt=doubt)
    difference = _column(readings, "difference_percent")
    cell = _column(readings, "cell_percent")
    twice, known = again(states)
    for cadence in cadences(twice, known, difference, cell, keys)[0]:
        # A rhythm of light has no frame that came twice.
        if twice[cadence.first : cadence.last].any():
            yield _tell_cadence(measured, readings, cadence)
    yield from _tell_singles(measured, readings, states == State.SINGLE)


def seconds_of(readings: Readings, first: int, last: int) -> Fraction:
    """Return how long rows ``[first, last)`` are shown."""
    return readings.start(last) - readings.start(first)


def _tell_black(
    measured: Measured, readings: Readings, black: NDArray[np.bool_]
) -> Iterator[Finding]:
    level = _column(readings, "level_percent")
    limit = float(measured.limits["stillness.black_percent"])
    reject = measured.limits["stillness.black_reject_seconds"]
    for first, last in runs(black):
        count = last - first
        seconds = float(seconds_of(readings, first, last))
        whole = count == readings.rows
        worst = first + int(np.argmin(level[first:last]))
        long = seconds >= reject
        words = _level_words(float(level[worst]))
        alike = words == _level_words(float(level[first:last].max()))
        of = "it" if alike else "the darkest frame"
        yield finding_of(
            measured,
            readings,
            rule="picture.black",
            grade=Grade.REJECT if long or whole else Grade.REVIEW,
            first=first,
            last=last,
            worst_row=worst,
            worst=float(level[worst]),
            limit=limit,
            unit="%",
            message=(
                f"The picture is black {'throughout' if whole else 'here'}: "
                f"{_frames(count)}, {seconds:.2f} s; 99 % of {of} is {words}."
            ),
            advice=(
                "Look for the lens cap, a closed iris or shutter and the camera's "
                "colour-bar or black setting before the recording is started."
                if long or whole
                else "Check the plug and the cable between camera and recorder, and do "
                "not switch inputs while recording."
            ),
        )


def _level_words(percent: float) -> str:
    return (
        "at black" if percent < _AT_BLACK else f"at or under {percent:.1f} % of white"
    )


def _frames(count: int) -> str:
    return f"{count} frame{'s' * (count != 1)}"


def _turns(readings: Readings, first: int, last: int) -> bool:
    """Return whether motion only comes to rest and goes on, as where a sway turns.

    A kept picture begins and ends at once: the frames beside it change as much as live
    ones do.
    """
    change = _column(readings, "difference_percent")
    live = readings["stillness.state"] < State.FROZEN
    near = slice(max(first - _NEAR_ROWS, 0), last + _NEAR_ROWS)
    around = change[near][live[near]]
    beside = np.concatenate(
        [change[max(first - _BESIDE, 0) : first], change[last + 1 : last + 1 + _BESIDE]]
    )
    beside = beside[np.isfinite(beside)]
    around = around[np.isfinite(around)]
    if not beside.size or not around.size:
        return False
    return bool(np.median(beside) < _LIVE_SHARE * np.median(around))


def _same_share(readings: Readings, first: int, last: int) -> float:
    """Return in what share of a still hardly a pixel changes, once it is refined.

    A coder is soon done with a picture that is kept; of a live one at rest it leaves
    out the noise, but some of it comes back with most frames.
    """
    begin = min(first + _REFINED_ROWS, (first + last) // 2)
    changed = _column(readings, "changed_percent")[begin:last]
    told = ~rare_keys(_column(readings, "key") > 0)[begin:last]
    if not told.any():
        return 0.0
    return float(np.mean(changed[told] <= _UNCHANGED_PERCENT))


def _tell_frozen(
    measured: Measured, readings: Readings, first: int, last: int, *, doubt: bool
) -> Finding:
    seconds = float(seconds_of(readings, first, last))
    same = int(np.count_nonzero(_column(readings, "identical")[first:last] > 0))
    held = measured.info.grid.label(
        measured.info.grid.nearest(readings.start(first - 1))
    )
    how = (
        "bit for bit the same; not even noise moves"
        if same == last - first
        else "the same but for coding; not even noise moves"
    )
    if _under_noise(readings, first, last):
        changed = _column(readings, "changed_percent")[first:last]
        how = (
            "with nothing but noise on it, and the camera's motion jumps on behind it"
            if np.nanmedian(changed) > _FEW_PERCENT
            else "the same but for coding, while the camera's motion stops dead"
        )
    live = _live_share(readings)
    reject = seconds >= measured.limits["stillness.frozen_reject_seconds"]
    reject &= live >= _LEAST_LIVE and not doubt
    before = _laid_before(readings, first, last)
    reject &= not before
    grade = Grade.REJECT if reject else Grade.REVIEW
    return finding_of(
        measured,
        readings,
        rule="picture.frozen",
        grade=grade,
        first=first,
        last=last,
        worst_row=first,
        worst=seconds,
        limit=float(measured.limits[f"stillness.frozen_{grade.value}_seconds"]),
        unit="s",
        message=(
            f"The picture stands still for {seconds:.2f} s: {_frames(last - first)} "
            f"show the frame at {held} again, {how}."
            + _HARDLY_LIVE * (live < _LEAST_LIVE)
            + _AT_REST * (doubt and live >= _LEAST_LIVE and not before)
            + _LAID_BEFORE * before
        ),
        advice=(
            "If it shows bars or a card, all is well: leave it out. Else check plug "
            "and cable: the recorder began before it had the camera's signal."
            if before
            else "Check plug and cable, and whether the camera was paused or showed a "
            "kept picture: most likely the recorder had lost the camera's signal. "
            "Watch the recorder's own screen, not the camera's."
        ),
    )


def _under_noise(readings: Readings, first: int, last: int) -> bool:
    """Return whether pixels go on changing all through a kept picture."""
    changed = _column(readings, "changed_percent")[first:last]
    same = (_column(readings, "identical")[first:last] > 0) | (changed <= SAME_PERCENT)
    return bool(np.mean(same) < 0.5 * SAME_SHARE)


def _laid_before(readings: Readings, first: int, last: int) -> bool:
    """Return whether a still begins with the take and ends with a cut."""
    if first > 1 or last >= readings.rows:
        return False
    return bool(_column(readings, "difference_percent")[last] >= _CUT_PERCENT)


def _live_share(readings: Readings) -> float:
    states = readings["stillness.state"]
    return float(np.mean(states[np.isfinite(states)] < State.FROZEN))


def _tell_cadence(measured: Measured, readings: Readings, found: Cadence) -> Finding:
    rate = measured.info.grid.rate
    new = rate * (found.period - found.repeats) / found.period
    if found.period == 2:
        rhythm = "Every second frame repeats the one before"
    elif found.repeats == 1:
        rhythm = f"One frame in every {found.period} repeats the one before"
    else:
        rhythm = f"{found.repeats} of every {found.period} frames repeat the one before"
    return finding_of(
        measured,
        readings,
        rule="picture.repeated",
        grade=Grade.NOTE,
        first=found.first,
        last=found.last,
        worst_row=min(found.first + 1, found.last - 1),
        worst=100.0 * found.repeats / found.period,
        unit="%",
        message=(
            f"{rhythm}, in a steady rhythm: about {float(new):.4g} new pictures a "
            f"second in a recording of {float(rate):.4g}."
        ),
        advice=(
            "Set the camera's output and the recorder to the same frame rate; if "
            "this is meant, it is no fault."
        ),
    )


def _busiest_minute(starts: NDArray[np.float64]) -> int:
    """Return the most moments that lie within one minute."""
    ends = np.searchsorted(starts, starts + _MINUTE_S)
    return int((ends - np.arange(len(starts))).max(initial=0))


def _before_the_end(
    readings: Readings, singles: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Return repeats without those that a take ends with, if they are few."""
    out = singles.copy()
    for first, last in runs(singles)[-1:]:
        if last == readings.rows and seconds_of(readings, first, last) <= _END_S:
            out[first:last] = False
    return out


def _tell_singles(
    measured: Measured, readings: Readings, singles: NDArray[np.bool_]
) -> Iterator[Finding]:
    singles = _before_the_end(readings, singles)
    rows = np.flatnonzero(singles)
    if not rows.size:
        return
    times = readings.times()
    limit = measured.limits["stillness.repeated_per_minute"]
    most = _busiest_minute(times[rows])
    spans = bridged(runs(singles), times=times, gap=_CLUSTER_S)
    if len(spans) > _MOST_CLUSTERS:
        spans = bridged(runs(singles), times=times, gap=_WIDE_CLUSTER_S)
    for first, last in spans:
        inside = rows[(rows >= first) & (rows < last)].tolist()
        one = len(inside) == 1
        yield finding_of(
            measured,
            readings,
            rule="picture.repeated",
            grade=Grade.REVIEW if most > limit else Grade.NOTE,
            first=first,
            last=last,
            worst_row=inside[0],
            worst=float(most),
            limit=float(limit) if most > limit else None,
            unit="in a minute",
            message=(
                f"{_frames(len(inside))} repeat{'s' * one} the frame before out of "
                f"turn: {_named(measured, readings, singles, (first, last))}. "
                f"{most} in the take's worst minute."
            ),
            advice=(
                "Set camera and recorder to the same frame rate, check the cable, and "
                "try a faster card: the recorder or a converter fills in for frames it "
                "did not get."
            ),
        )


def _named(
    measured: Measured, readings: Readings, singles: NDArray[np.bool_], span: Span
) -> str:
    """Name repeats by their timecodes, those in a row as a stretch."""
    grid = measured.info.grid
    parts: list[tuple[str, int]] = []
    for first, last in runs(singles[slice(*span)]):
        begin, end = first + span[0], last + span[0]
        labels = [
            grid.label(grid.nearest(readings.start(r))) for r in range(begin, end)
        ]
        if len(labels) < _IN_A_ROW:
            parts += [(label, 1) for label in labels]
            continue
        seconds = float(seconds_of(readings, begin, end))
        parts.append(
            (
                f"{labels[0]} to {labels[-1]} ({len(labels)} in a row: the picture "
                f"stands for {seconds:.2f} s)",
                len(labels),
            )
        )
    more = sum(count for _, count in parts[_MOST_NAMED:])
    named = ", ".join(words for words, _ in parts[:_MOST_NAMED])
    return f"{named} and {more} more" if more else named


def companions(result: TakeResult, finding: Finding) -> Iterator[Companion]:
    """Show the frame before the first that is black or the same again."""
    row = finding.worst_pts_row
    if finding.rule == "picture.black" and result.picture is not None:
        row = int(
            np.searchsorted(
                result.picture.edges,
                int(finding.start / result.picture.time_base),
            )
        )
    if row is not None and row > 0:
        yield Companion(row - 1, "the frame before")


def exhibits(result: TakeResult, finding: Finding) -> Iterator[Exhibit]:
    """Draw how much changes from frame to frame around a finding."""
    readings = result.picture
    if readings is None or finding.rule == "picture.black":
        return
    times = readings.times()[:-1]
    first, last = np.searchsorted(
        times, [float(finding.start) - _AROUND_S, float(finding.end) + _AROUND_S]
    )
    change = _column(readings, "difference_percent")[first:last]
    top = _top(change, readings["stillness.state"][first:last])
    cut = ""
    if (change > top).any():
        cut = f" Changes over {top:.2g} % are cut off at the top."
    yield Exhibit(
        kind="lines",
        title="Change from frame to frame",
        caption=f"Where the picture stands still the line falls to the ground.{cut}",
        lines=(Line("change", times[first:last], np.minimum(change, top)),),
        x_label="seconds of the take",
        y_label="% of black to white",
    )


def _top(change: NDArray[np.float64], states: NDArray[np.float32]) -> float:
    """Return how far up changes are drawn: one cut must not flatten all others."""
    moving = change[(change > 0.0) & (states == State.LIVE)]
    return _MOST_OF_USUAL * float(np.median(moving)) if moving.size else math.inf
