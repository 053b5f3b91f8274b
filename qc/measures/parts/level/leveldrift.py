"""Whether the level of an unchanged scene walks or pumps: automatic iris or gain."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

import numpy as np
from numpy.typing import NDArray

from qc.kernels.light import Agreement
from qc.measures.base import Measured, finding_of
from qc.measures.parts.level.levelevents import (
    COMES_BACK_SECONDS,
    Event,
    events,
    walks,
)
from qc.measures.parts.level.leveljumps import (
    BACK_SECONDS,
    BACK_SHARE,
    STAYS_ADVICE,
    Jump,
    colours_moved,
    jump_advice,
    jump_message,
    paired,
)
from qc.measures.parts.level.levelwalk import level_steps
from qc.measures.parts.level.samethings import Followed, followed
from qc.records import Finding, Grade, Readings

__all__ = ["RULE", "drift", "gains", "lost_seconds", "same_columns"]

RULE = "exposure.drift"
_PUMPS_FROM = 3
# A hand turns the iris to another setting within this, once; automatics that answer to
# what comes in are told by that (house choice).
_SETTING_SECONDS, _STAYS_SECONDS = 2.0, COMES_BACK_SECONDS
_MOSTLY = 0.5


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


def same_columns(measured: Measured) -> Mapping[str, NDArray[np.floating]]:
    """Return the level of what stays in sight, also while the camera moves."""
    readings = measured.picture
    assert readings is not None  # noqa: S101 - only called with pictures
    if not readings.rows:
        nothing = np.empty(0, np.float32)
        return dict.fromkeys(("same_stops", "same_place", "same_carried"), nothing)
    same = _same_things(measured, readings)
    # Counted from 0, so that any number of places stays whole in float32.
    _, place = np.unique(same.place, return_inverse=True)
    columns = {
        "same_stops": same.level,
        "same_place": place,
        "same_carried": same.steps,
    }
    return {name: np.asarray(v, np.float32) for name, v in columns.items()}


def drift(measured: Measured) -> Iterator[Finding]:
    """Find stretches in which the level of an unchanged scene walks or pumps."""
    readings = measured.picture
    if readings is None or not readings.rows:
        return
    least = float(measured.limits["exposure.drift_review_stops"])
    told = float(measured.limits["exposure.step_note_stops"])
    jumps = list(_jumps(measured, readings))
    walked = list(events(readings, least=least, told=told))
    backs = {
        event: jump
        for event in walked
        if (jump := _jump_back(readings, event, jumps)) is not None
    }
    for jump in jumps:
        if jump in backs.values():
            continue  # told with the walk
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
    for event in walked:
        if event in backs:
            yield _there_and_back(measured, readings, event, backs[event])
            continue
        gross = event.stops >= measured.limits["exposure.drift_reject_stops"]
        key, grade = ("reject", Grade.REJECT) if gross else ("review", Grade.REVIEW)
        if _is_setting(readings, event):
            if event.begun:
                continue  # no level before it was seen: one picture fades to another
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


def _is_setting(readings: Readings, event: Event) -> bool:
    """Return whether the level goes one way, quickly, and stays: a new setting."""
    begin, end = (float(readings.start(row)) for row in (event.first, event.last))
    stays = float(readings.start(readings.rows)) - end >= _STAYS_SECONDS
    once = len(event.swings) == 1 and not event.entered and not event.returns
    return once and stays and end - begin <= _SETTING_SECONDS


def _jump_back(readings: Readings, event: Event, jumps: Iterable[Jump]) -> Jump | None:
    """Return the jump by which a level comes back that went to another setting."""
    if event.begun or not _is_setting(readings, event):
        return None
    end = readings.start(event.last)
    for jump in jumps:
        way = np.sign(event.swings[0].stops) * event.stops
        back = abs(way + jump.stops) <= BACK_SHARE * event.stops
        seconds = float(readings.start(jump.first) - end)
        if back and not jump.is_back and 0.0 <= seconds <= BACK_SECONDS:
            return jump
    return None


def _there_and_back(
    measured: Measured, readings: Readings, event: Event, jump: Jump
) -> Finding:
    """Return the finding on a level that walks to another one, and jumps back."""
    both = Jump(event.first, jump.first, -jump.stops, 0.0)
    serious = not _told_otherwise(measured, readings, both)
    way = "rises" if jump.stops < 0 else "falls"
    much = f"{event.stops:.1f} stop{'s' * (event.stops >= 1.05)}"
    begin, end, back = (
        float(readings.start(row)) for row in (event.first, event.last, jump.first)
    )
    scene = "what stays in sight" if event.carried else "the unchanged scene"
    return _found(
        measured,
        readings,
        both,
        grade=Grade.REVIEW if serious else Grade.NOTE,
        worst_row=event.worst,
        words=(
            f"The level of {scene} {way} by {much} within {end - begin:.1f} s, and "
            f"jumps back {back - end:.1f} s later.",
            jump_advice(both),
        ),
        limit="exposure.drift_review_stops",
    )


def _found(
    measured: Measured,
    readings: Readings,
    what: Jump | Event,
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
        rule=RULE,
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


def _jumps(measured: Measured, readings: Readings) -> Iterator[Jump]:
    least = float(measured.limits["exposure.step_note_stops"])
    for rows, at, walk in walks(readings):
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


def _message(readings: Readings, event: Event) -> str:
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
    if event.leads and len(event.swings) < _PUMPS_FROM:
        back = "falls" if event.swings[0].stops > 0 else "rises"
        what = f"{back} at first, then {what}"
    scene = "what stays in sight" if event.carried else "the unchanged scene"
    out = f"The level of {scene} {what}."
    if event.entered:
        out += (
            " Everything darkens as something bright comes into the picture: the sign "
            "of automatic exposure."
        )
    return out


def _advice(readings: Readings, event: Event) -> str:
    if _is_setting(readings, event):
        return STAYS_ADVICE
    if event.entered or len(event.swings) >= _PUMPS_FROM:
        return (
            "Set iris and gain to manual, and expose once for the field: one of them "
            "is automatic."
        )
    return (
        "Set iris and gain to manual, and leave them alone while recording. If they "
        "were, the lamp was turned, dimmed or covered evenly."
    )
