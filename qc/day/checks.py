"""What only the whole day shows: takes that miss, repeat or contradict each other."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from fractions import Fraction

from qc.day.advice import day_advice
from qc.day.blemishes import same_blemishes
from qc.day.cameras import camera_of
from qc.day.clock import Placed, day_times, place_takes
from qc.day.copies import Groups, same_recordings
from qc.day.formats import odd_formats
from qc.day.moments import FILE, TIMECODE
from qc.day.wording import names
from qc.daybook import DayFinding, DayTake
from qc.limits import Limits
from qc.records import Grade
from qc.report.day_facts import name_order
from qc.report.words import length

__all__ = ["camera_of", "check_whole_day", "day_advice", "day_times"]

_KEEP_RUNNING = (
    "After every start check that the recorder is running, and let it run through the "
    "whole case."
)
_SET_CLOCK = (
    "Set the timecode to free run with the time of day, and set the camera's clock "
    "before the first case."
)
_COPY_ONCE = "Keep backup copies outside the day's folder, and edit from one copy only."


def check_whole_day(takes: Sequence[DayTake], limits: Limits) -> tuple[DayFinding, ...]:
    """Look at a day's takes together.

    Parameters
    ----------
    takes : sequence of DayTake
        In any order. Unreadable takes are only named where one may fill a gap.
    limits : Limits

    Returns
    -------
    tuple of DayFinding
        The more serious first, then in order of time.
    """
    placed = place_takes(takes)
    alone = [p for p in placed if not p.copy]
    cameras: dict[int, list[Placed]] = defaultdict(list)
    for one in alone:
        cameras[one.camera].append(one)
    lost = [t.name for t in takes if not t.readable]
    found: list[DayFinding] = []
    for group in cameras.values():
        found.extend(_gaps(group, lost, limits))
        found.extend(_overlaps(group))
        found.extend(_restarted(group))
        found.extend(same_blemishes(group))
    found.extend(_duplicates(takes, placed))
    found.extend(odd_formats(alone))
    late = float("inf")
    return tuple(
        sorted(
            found,
            key=lambda f: (
                -f.grade.rank,
                late if f.start is None else f.start,
                f.rule,
                [name_order(name) for name in f.takes],
            ),
        )
    )


# --------------------------------------------------------------------------------- gaps


def _gaps(
    group: list[Placed], lost: Sequence[str], limits: Limits
) -> Iterator[DayFinding]:
    """Yield pauses of one camera that are too short to lie between two cases."""
    shortest = Fraction(str(limits["day.gap_min_seconds"]))
    longest = Fraction(str(limits["day.gap_max_seconds"]))
    known = [p for p in group if p.basis.known]
    if not known:
        return
    last = known[0]
    for one in known[1:]:
        gap = one.start - last.end
        if shortest <= gap - one.basis.slack_s and gap <= longest:
            unsure = [*lost, *(p.name for p in group if not p.basis.known)]
            yield _gap(last, one, gap, unsure)
        if one.end > last.end:
            last = one


def _gap(
    before: Placed, after: Placed, gap: Fraction, unsure: Sequence[str]
) -> DayFinding:
    first, second = names([before.name]), names([after.name])
    if before.basis is TIMECODE:
        message = (
            f"Recording stopped for {length(gap)}: {first} ends at "
            f"{before.facts.end_label}, {second} begins at {after.facts.start_label}"
        )
    else:
        source = "times of the files" if before.basis is FILE else "creation times"
        message = (
            f"Recording stopped for about {length(gap)} between {first} and {second}, "
            f"by the {source}"
        )
    # A file that cannot be read may hold what seems to be missing.
    low, high = sorted((name_order(before.name), name_order(after.name)))
    between = [name for name in unsure if low < name_order(name) < high]
    if between:
        message += f", unless it is in {names(between)}"
    return DayFinding(
        rule="day.gap",
        grade=Grade.REVIEW,
        takes=(before.name, after.name),
        message=f"{message}.",
        advice=_KEEP_RUNNING,
        start=float(before.end),
        end=float(after.start),
    )


# ----------------------------------------------------------------------------- overlaps


def _overlaps(group: list[Placed]) -> Iterator[DayFinding]:
    """Yield takes of one camera that run at the same time: something is wrong."""
    known = [p for p in group if p.basis.known]
    groups = Groups()
    shared: dict[tuple[str, str], tuple[Fraction, Fraction]] = {}
    running: list[Placed] = []
    for one in known:
        running = [p for p in running if p.end > one.start]
        for other in running:
            if other.overlap(one):
                groups.join(other.name, one.name)
                until = min(one.end, other.end)
                shared[other.name, one.name] = one.start, until
        running.append(one)
    by_name = {p.name: p for p in known}
    for found in groups.members():
        members = sorted((by_name[n] for n in found), key=lambda p: known.index(p))
        pairs = {pair: s for pair, s in shared.items() if pair[0] in found}
        yield _overlap(members, pairs)


def _overlap(
    members: list[Placed],
    pairs: dict[tuple[str, str], tuple[Fraction, Fraction]],
) -> DayFinding:
    most = max(end - start for start, end in pairs.values())
    by = "timecode" if members[0].basis is TIMECODE else "creation time"
    together = f"for {length(most)}" if len(pairs) == 1 else f"for up to {length(most)}"
    return DayFinding(
        rule="day.overlap",
        grade=Grade.NOTE,
        takes=tuple(m.name for m in members),
        message=(
            f"{names([m.name for m in members])} overlap {together} by their {by}, "
            "which takes of one camera cannot: its clock was set in between, one is a "
            "cut or converted copy of another, or they come from cameras that the "
            "files do not tell apart."
        ),
        advice=_SET_CLOCK,
        start=float(min(start for start, _ in pairs.values())),
        end=float(max(end for _, end in pairs.values())),
    )


def _restarted(group: list[Placed]) -> Iterator[DayFinding]:
    """Yield takes whose timecode is no clock, for all begin at the same label."""
    anew = [p for p in group if p.restarted]
    labels = sorted({p.facts.start_label for p in anew})
    if anew:
        yield DayFinding(
            rule="day.overlap",
            grade=Grade.NOTE,
            takes=tuple(p.name for p in anew),
            message=(
                f"{names([p.name for p in anew])} overlap by their timecode: it begins "
                f"anew at {names(labels)} and does not tell when each was recorded."
            ),
            advice=_SET_CLOCK,
        )


# --------------------------------------------------------------------------- duplicates


def _duplicates(
    takes: Sequence[DayTake], placed: Sequence[Placed]
) -> Iterator[DayFinding]:
    """Yield groups of takes that hold the same recording."""
    by_name = {p.name: p for p in placed}
    for group in same_recordings(takes):
        marks = {take.document["take"].get("fingerprint") for take in group}
        same_file = len(marks) == 1 and None not in marks and "" not in marks
        how = (
            "the same file by size, beginning, middle and end"
            if same_file
            else "one recording, wrapped differently"
        )
        where = by_name[group[0].name]
        yield DayFinding(
            rule="day.duplicate",
            grade=Grade.NOTE,
            takes=tuple(take.name for take in group),
            message=f"{names([take.name for take in group])} are {how}.",
            advice=_COPY_ONCE,
            start=float(where.start) if where.basis.known else None,
            end=float(where.end) if where.basis.known else None,
        )
