"""Whether the level of an unchanged scene walks or pumps: automatic iris or gain."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from qc.kernels.light import Agreement
from qc.measures.base import Exhibit, Line, Measured, finding_of, signed
from qc.measures.parts.level.leveljumps import (
    STAYS_ADVICE,
    Jump,
    colours_moved,
    jump_advice,
    jump_message,
    paired,
    steadied,
)
from qc.measures.parts.level.levelwalk import (
    Swing,
    level_steps,
    smoothed,
    swings,
    trimmed,
)
from qc.measures.parts.level.samethings import Followed, followed
from qc.records import Finding, Grade, Readings, TakeResult
from qc.spans import runs

__all__ = ["drift", "exhibits", "gains", "lost_seconds"]

_RULE = "exposure.drift"
_SMOOTH_SECONDS = 0.25
_BRIDGE_SECONDS = 0.5
_SHORTEST_SECONDS = 1.0
# Swings nearer than this, or than their own length, are one event.
_CALM_SECONDS = 3.0
# Each time a level is carried on over a move of the camera it may go off by this much:
# twice what pans and zooms over a drawn scene did.
_CARRY_STOPS = 0.0035
# So much of the picture that came in bright speaks for automatic exposure.
_ENTERED_PERCENT = 5.0
_ENTERS_SECONDS = 1.0
_PUMPS_FROM = 3
# What leads into pumping and out of it swings by half as much; so much of it counts.
_LEAD_SHARE = 0.35
# A hand turns the iris to another setting within this, once; automatics that answer to
# what comes in are told by that (house choice).
_SETTING_SECONDS, _STAYS_SECONDS = 2.0, 1.5
# What comes back by this share of its way, soon, has not stayed (house choice).
_COMES_BACK = 0.35
_MOSTLY = 0.5
# Of what the same things say, so much must be in the level as read (house choice).
_SAID_SHARE = 0.5
_SHOWN_SECONDS = 4.0
_SHOWN_POINTS = 600


@dataclass(frozen=True, slots=True, eq=False)
class _Event:
    """Swings that belong together; rows of the readings."""

    first: int
    last: int
    worst: int
    stops: float
    swings: tuple[Swing, ...]
    period_s: float
    entered: bool
    returns: bool  # in part, right behind its end


def gains(measured: Measured) -> NDArray[np.float32]:
    """Return the change of the level since the frame before, NaN where unknown."""
    readings = measured.picture
    assert readings is not None  # noqa: S101 - only called with pictures
    level = readings["exposure.level_stops"]
    place = readings["exposure.place"]
    out = np.full(level.shape, np.nan, np.float32)
    if len(level) > 1:
        same = place[1:] == place[:-1]
        out[1:][same] = np.diff(level)[same]
    return out


def drift(measured: Measured) -> Iterator[Finding]:
    """Find stretches in which the level of an unchanged scene walks or pumps."""
    readings = measured.picture
    if readings is None or not readings.rows:
        return
    same = _same_things(measured, readings)
    for jump in _jumps(measured, readings, same):
        # There and back into what is told as too dark or burnt: this names the cause.
        serious = jump.is_back and not _told_otherwise(measured, readings, jump)
        key = "drift_review" if serious else "step_note"
        yield _found(
            measured,
            readings,
            jump,
            grade=Grade.REVIEW if serious else Grade.NOTE,
            worst_row=jump.first,
            words=(jump_message(jump), jump_advice(jump)),
            limit=f"exposure.{key}_stops",
        )
    for event in _events(measured, readings, same):
        gross = event.stops >= measured.limits["exposure.drift_reject_stops"]
        key, grade = ("reject", Grade.REJECT) if gross else ("review", Grade.REVIEW)
        if _is_setting(readings, event):
            # Like a jump that stays, only slower.
            key, grade = "review", Grade.NOTE
        yield _found(
            measured,
            readings,
            event,
            grade=grade,
            worst_row=event.worst,
            words=(_message(readings, event), _advice(readings, event)),
            limit=f"exposure.drift_{key}_stops",
        )


def _is_setting(readings: Readings, event: _Event) -> bool:
    """Return whether the level goes one way, quickly, and stays: a new setting."""
    begin, end = (float(readings.start(row)) for row in (event.first, event.last))
    stays = float(readings.start(readings.rows)) - end >= _STAYS_SECONDS
    once = len(event.swings) == 1 and not event.entered and not event.returns
    return once and stays and end - begin <= _SETTING_SECONDS


def _found(
    measured: Measured,
    readings: Readings,
    what: Jump | _Event,
    *,
    grade: Grade,
    worst_row: int,
    words: tuple[str, str],
    limit: str,
) -> Finding:
    """Return the finding on a jump or a walk; `words` are its message and advice."""
    return finding_of(
        measured,
        readings,
        rule=_RULE,
        grade=grade,
        first=what.first,
        last=what.last,
        worst_row=worst_row,
        message=words[0],
        advice=words[1],
        worst=abs(what.stops),
        limit=float(measured.limits[limit]),
        unit="stops",
    )


def _events(measured: Measured, readings: Readings, same: Followed) -> Iterator[_Event]:
    least = float(measured.limits["exposure.drift_review_stops"])
    entered = readings["exposure.entered_percent"]
    for rows, at, walk in _walks(readings, same):
        for row, stops in level_steps(walk, at):
            walk[row:] -= stops
        walk = smoothed(walk, at, seconds=_SMOOTH_SECONDS)
        carried = same.steps[rows]
        found = [
            s
            for s in swings(walk, least=least)
            if abs(s.stops)
            >= least + _CARRY_STOPS * (carried[s.last] - carried[s.first])
            and _agreed(readings, rows, s)
        ]
        small = swings(walk, least=_LEAD_SHARE * least)
        for group in _groups(found, walk, at):
            returns = _returns(group, small, at)
            ends = _with_leads(group, small, walk, returns=returns)
            yield _event(group, ends, walk, at, rows, entered, returns=returns)


def _agreed(readings: Readings, rows: NDArray[np.intp], swing: Swing) -> bool:
    """Return whether the cells say so too, as read: where they say anything.

    A large thing that turns or goes by may be followed in place of the scene.
    """
    part = slice(int(rows[swing.first]), int(rows[swing.last]) + 1)
    level = readings["exposure.level_stops"][part]
    if np.isnan(level).any() or np.ptp(readings["exposure.place"][part]) > 0:
        return True
    return float(level[-1] - level[0]) / swing.stops >= _SAID_SHARE


def _jumps(measured: Measured, readings: Readings, same: Followed) -> Iterator[Jump]:
    least = float(measured.limits["exposure.step_note_stops"])
    for rows, at, walk in _walks(readings, same):
        for jump in paired(level_steps(walk, at), rows, at, least=least):
            # A lamp that is switched lights in its own colour.
            if not colours_moved(measured, jump.first):
                yield jump


def _told_otherwise(measured: Measured, readings: Readings, jump: Jump) -> bool:
    """Return whether what lies between two jumps breaks the rules of exposure."""
    part = slice(jump.first, jump.last)
    limits = measured.limits
    field = readings["exposure.field_percent"][part]
    dark = np.mean(field < limits["exposure.dark_review_percent"]) > _MOSTLY
    burnt = False
    if "highlights.relevant_percent" in readings.columns:
        share = readings["highlights.relevant_percent"][part]
        burnt = bool(np.mean(share >= limits["highlights.review_percent"]) > _MOSTLY)
    return bool(dark) or burnt


def _same_things(measured: Measured, readings: Readings) -> Followed:
    """Return the level of what stays in sight, also while the camera moves."""
    kept = measured.totals.get("exposure", {}).get("moves")
    how = kept.get("how") if isinstance(kept, dict) else None
    return followed(readings, kept, how if isinstance(how, Agreement) else None)


def lost_seconds(measured: Measured) -> float:
    """Return for how long the camera moves and the level cannot be followed."""
    readings = measured.picture
    if readings is None or not readings.rows:
        return 0.0
    lengths = np.diff(readings.times())
    return float(lengths[_same_things(measured, readings).unknown].sum())


def _walks(
    readings: Readings, same: Followed
) -> Iterator[tuple[NDArray[np.intp], NDArray[np.float64], NDArray[np.float64]]]:
    """Yield rows, times and levels of each place that is seen long enough."""
    times = readings.times()
    level = same.level
    for first, last in _pieces(same, times):
        rows = first + np.flatnonzero(~np.isnan(level[first:last]))
        if len(rows) < 8 or times[rows[-1]] - times[rows[0]] < _SHORTEST_SECONDS:
            continue
        yield rows, times[rows], steadied(level[rows], times[rows])


def _pieces(same: Followed, times: NDArray[np.float64]) -> Iterator[tuple[int, int]]:
    """Yield rows of one place; short runs of NaN may lie inside."""
    place = same.place
    ends = np.zeros(len(place), bool)
    ends[1:] = place[1:] != place[:-1]
    known = ~np.isnan(same.level)
    for a, b in runs(~known):
        if times[b] - times[a] > _BRIDGE_SECONDS:
            ends[a] = True
    cuts = [0, *np.flatnonzero(ends).tolist(), len(place)]
    yield from ((a, b) for a, b in pairwise(cuts) if b > a)


def _groups(
    found: Iterable[Swing], walk: NDArray[np.float64], times: NDArray[np.float64]
) -> list[list[tuple[Swing, int, int]]]:
    """Put swings together that follow each other closely."""
    out: list[list[tuple[Swing, int, int]]] = []
    for swing in found:
        a, b = trimmed(walk, swing)
        if out:
            _, a0, b0 = out[-1][-1]
            longest = max(times[b] - times[a], times[b0] - times[a0], _CALM_SECONDS)
            if times[a] - times[b0] <= longest:
                out[-1].append((swing, a, b))
                continue
        out.append([(swing, a, b)])
    return out


def _returns(
    group: list[tuple[Swing, int, int]],
    small: Iterable[Swing],
    times: NDArray[np.float64],
) -> bool:
    """Return whether a part of the last swing is taken back right behind it."""
    last, _, end = group[-1]
    return any(
        s.first == last.last
        and abs(s.stops) >= _COMES_BACK * abs(last.stops)
        and times[s.first] - times[end] <= _STAYS_SECONDS
        for s in small
    )


def _with_leads(
    group: list[tuple[Swing, int, int]],
    small: Iterable[Swing],
    walk: NDArray[np.float64],
    *,
    returns: bool,
) -> tuple[int, int]:
    """Return where a group begins and ends, with the half swings that lead in and out.

    Pumping begins and ends in the middle of its way.
    """
    first, last = group[0][1], group[-1][2]
    if len(group) < 2 and not returns:
        return first, last
    begins, ends = group[0][0].first, group[-1][0].last
    longest = max(b - a for _, a, b in group)
    for swing in small:
        a, b = trimmed(walk, swing)
        if b - a > longest:
            continue  # a walk of its own
        if swing.last == begins:
            first = min(first, a)
        elif swing.first == ends:
            last = max(last, b)
    return first, last


def _event(
    group: list[tuple[Swing, int, int]],
    ends: tuple[int, int],
    walk: NDArray[np.float64],
    times: NDArray[np.float64],
    rows: NDArray[np.intp],
    entered: NDArray[np.float32],
    *,
    returns: bool,
) -> _Event:
    first, last = ends
    part = walk[first : last + 1]
    usual = float(np.median(walk))
    worst = first + int(np.argmax(np.abs(part - usual)))
    turns = [s.last for s, _, _ in group[:-1]]
    period = 2.0 * float(np.mean(np.diff(times[turns]))) if len(turns) > 1 else np.nan
    whole = walk[group[0][0].first : group[-1][0].last + 1]
    return _Event(
        first=int(rows[first]),
        last=int(rows[last]) + 1,
        worst=int(rows[worst]),
        stops=float(np.ptp(whole)),
        swings=tuple(s for s, _, _ in group),
        period_s=period,
        entered=any(s.stops < 0 for s, _, _ in group)
        and all(_entered(g, entered[rows], times) for g in group),
        returns=returns,
    )


def _entered(
    part: tuple[Swing, int, int],
    entered: NDArray[np.float32],
    times: NDArray[np.float64],
) -> bool:
    """Return whether something bright came in as, or just before, the level fell."""
    swing, a, b = part
    if swing.stops >= 0:
        return True  # it may go away as slowly as it likes
    early = int(np.searchsorted(times, times[a] - _ENTERS_SECONDS))
    before, after = entered[early : a + 1], entered[a : b + 1]
    return float(np.median(after) - np.median(before)) >= _ENTERED_PERCENT


def _message(readings: Readings, event: _Event) -> str:
    much = f"{event.stops:.1f} stop{'s' * (event.stops >= 1.05)}"
    seconds = float(readings.start(event.last) - readings.start(event.first))
    if len(event.swings) >= _PUMPS_FROM:
        what = f"pumps by up to {much}, about every {event.period_s:.1f} s"
    elif len(event.swings) > 1:
        way = "rises" if event.swings[0].stops > 0 else "falls"
        what = f"{way} and comes back, by {much} within {seconds:.1f} s"
    else:
        way = "rises" if event.swings[0].stops > 0 else "falls"
        what = f"{way} by {much} within {seconds:.1f} s"
        if event.returns:
            what = f"{way} by {much} and comes back in part, within {seconds:.1f} s"
        if _is_setting(readings, event):
            what += ", and stays there"
    out = f"The level of the unchanged scene {what}."
    if event.entered:
        out += (
            " Everything darkens as something bright comes into the picture: the sign "
            "of automatic exposure."
        )
    return out


def _advice(readings: Readings, event: _Event) -> str:
    if _is_setting(readings, event):
        return STAYS_ADVICE
    if event.entered or len(event.swings) >= _PUMPS_FROM:
        return (
            "Set iris and gain to manual, and expose once for the field: one of them "
            "is automatic."
        )
    return (
        "Set iris and gain to manual. If they are, nobody should turn them while "
        "recording; or the lamp was turned, dimmed or covered evenly."
    )


def exhibits(result: TakeResult, finding: Finding) -> Iterable[Exhibit]:
    """Show the level over time around a drift."""
    readings = result.picture
    if readings is None or finding.rule != _RULE:
        return ()
    times = readings.times()[:-1]
    start, end = float(finding.start), float(finding.end)
    shown = (times >= start - _SHOWN_SECONDS) & (times <= end + _SHOWN_SECONDS)
    rows = np.flatnonzero(shown & (readings["exposure.place"] >= 0))
    rows = rows[:: max(1, len(rows) // _SHOWN_POINTS)]
    if len(rows) < 2:
        return ()
    level = readings["exposure.level_stops"][rows].astype(np.float64)
    place = readings["exposure.place"][rows]
    level[1:][place[1:] != place[:-1]] = np.nan  # another place: another zero
    return (
        Exhibit(
            kind="lines",
            title="Level of the unchanged scene",
            caption=(
                "Stops against the first picture of the place; it should be a level "
                f"line. Here it moves by {signed(finding.worst or 0.0, 2)} stops."
            ),
            lines=(Line("Level", times[rows], level),),
            x_label="seconds",
            y_label="stops",
        ),
    )
