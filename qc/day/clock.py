"""When each take of a day was recorded.

Files tell it in three ways: by the timecode of their first frame, by a time of creation
and by the time of the file itself. A camera's takes are all placed in the same way, or
the distances between them would mean nothing. None of the three is believed where it
contradicts itself: timecode that starts anew with every take, or runs only while
recording, says nothing of the time between takes, and neither do the times of files
that were copied without them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, time
from fractions import Fraction

from qc.day.cameras import cameras_of
from qc.day.copies import same_recordings
from qc.day.labels import along, restarted, stands_still, unwrapped
from qc.day.moments import (
    BY_NAME,
    CREATED_END,
    CREATED_START,
    FILE,
    TIMECODE,
    Basis,
    Seen,
    overlapping,
    told,
    tolerance,
)
from qc.daybook import DayTake
from qc.report.day_facts import TakeFacts, name_order

__all__ = ["Placed", "day_times", "place_takes"]

_DAY_S = 86_400
# A camera's clock counts as that of the same day if it is off by no more than this.
_SAME_DAY_S = 3 * 3600
# So near to each other the time of creation and that of the file mean one moment.
_NEAR_S = 5
# Times that copying left on fewer files than this may look right by chance.
_ENOUGH_FILES = 3


@dataclass(frozen=True, slots=True, eq=False)
class Placed:
    """A readable take with its place on the day's clock.

    Attributes
    ----------
    camera : int
        Which of the day's cameras, as far as they can be told apart.
    start, end : Fraction
        Seconds since midnight of the first day.
    restarted : bool
        The timecode starts anew with every take.
    copy : bool
        Another take holds the same recording, and counts.
    """

    take: DayTake
    facts: TakeFacts
    camera: int
    start: Fraction
    end: Fraction
    basis: Basis
    restarted: bool = False
    copy: bool = False

    @property
    def name(self) -> str:
        """Name of the take."""
        return self.take.name

    def overlap(self, other: Placed) -> Fraction:
        """Return for how many seconds another take runs at the same time, 0 if none.

        What rounding in the files can account for is none.
        """
        shared = min(self.end, other.end) - max(self.start, other.start)
        least = tolerance(self.facts, other.facts) + self.basis.slack_s
        return shared if shared > least else Fraction(0)


def day_times(takes: Sequence[DayTake]) -> dict[str, tuple[float, float, str]]:
    """Return when each readable take was recorded.

    Parameters
    ----------
    takes : sequence of DayTake

    Returns
    -------
    dict of name to (start, end, basis)
        Seconds since midnight of the day's first take: by its timecode, else in local
        time by the clock of this computer. Takes whose time nothing tells are left
        out. Copies stand where their original does.

    Notes
    -----
    Creation times are in UTC by their format; cameras that write local time there are
    off by their time zone, all takes alike.
    """
    return {
        p.name: (float(p.start), float(p.end), p.basis.text)
        for p in place_takes(takes)
        if p.basis.known
    }


def place_takes(takes: Sequence[DayTake]) -> list[Placed]:
    """Return the readable takes in order of time.

    If nothing tells the time of a camera's takes they stand end to end in the order of
    their names, and their basis says so.
    """
    originals: dict[str, str] = {}
    for group in same_recordings(takes):
        labelled = (t for t in group if TakeFacts.of(t).has_timecode)
        first = next(labelled, group[0])
        originals |= {t.name: first.name for t in group if t is not first}
    seen = [Seen.of(t) for t in takes if t.readable and t.name not in originals]
    placed = _on_one_clock([_clock(group) for group in cameras_of(seen)])
    by_name = {p.name: p for p in placed}
    for take in takes:
        if take.name in originals:
            original, facts = by_name[originals[take.name]], TakeFacts.of(take)
            end = original.start + facts.duration
            copy = replace(original, take=take, facts=facts, end=end, copy=True)
            placed.append(copy)
    return sorted(placed, key=lambda p: (p.start, p.end, name_order(p.name)))


# ----------------------------------------------------------------- one camera's clock


@dataclass(frozen=True, slots=True, eq=False)
class _Clock:
    """A camera's takes, and when those began of which it is known.

    Attributes
    ----------
    since_1970 : bool
        Starts count from there; else they are times of day.
    offset : Fraction or None
        What to add to times of day for seconds since 1970, if it is known.
    """

    group: list[Seen]
    starts: dict[str, Fraction]
    basis: Basis
    since_1970: bool
    offset: Fraction | None = None
    restarted: frozenset[str] = frozenset()


def _clock(group: list[Seen]) -> _Clock:
    wall, basis = _wall(group)
    labelled = [s for s in group if s.facts.has_timecode]
    anew = restarted(labelled)
    if labelled and not anew and (len(labelled) == len(group) or wall is None):
        clock = _by_label(group, labelled, wall, basis)
        if clock is not None:
            return clock
    starts = zip((s.name for s in group), wall, strict=True) if wall else ()
    return _Clock(group, dict(starts), basis, since_1970=True, restarted=anew)


def _by_label(
    group: list[Seen], labelled: list[Seen], wall: list[Fraction] | None, basis: Basis
) -> _Clock | None:
    """Return a camera's clock by timecode; None if that stands still between takes."""
    starts, offset = unwrapped(labelled), None
    if wall is not None and (basis is not FILE or len(group) >= _ENOUGH_FILES):
        if stands_still(labelled, starts, wall, basis.slack_s):
            return None
        together = along(labelled, wall)
        if together is not None:
            starts, offset = together, wall[0] - together[0]
    names = (s.name for s in labelled)
    return _Clock(
        group,
        dict(zip(names, starts, strict=True)),
        TIMECODE,
        since_1970=False,
        offset=offset,
    )


def _wall(group: list[Seen]) -> tuple[list[Fraction] | None, Basis]:
    """Return when takes began by other clocks than timecode, if one can be believed."""
    created = told(group, lambda s: s.created)
    ends = told(group, lambda s: s.created_end)
    if created and ends:
        as_start = len(overlapping(group, created, CREATED_START.slack_s))
        as_end = len(overlapping(group, ends, CREATED_END.slack_s))
        near_start = any(_near(s, s.facts.duration) for s in group)
        near_end = any(_near(s, Fraction(0)) for s in group)
        is_end = (near_end and not near_start) or (as_start > 0 and not as_end)
        # Where most takes overlap these are times of something else.
        if is_end and 2 * as_end <= len(group):
            return ends, CREATED_END
        if not is_end and 2 * as_start <= len(group):
            return created, CREATED_START
    filed = told(group, lambda s: s.filed_start)
    # One camera's takes cannot overlap: else these are the times of copying.
    if filed and not overlapping(group, filed, FILE.slack_s):
        return filed, FILE
    return None, BY_NAME


def _near(one: Seen, distance: Fraction) -> bool:
    """Tell whether the time of the file lies so far behind that of creation."""
    if one.created is None or one.filed is None or one.facts.duration <= 2 * _NEAR_S:
        return False
    return abs(one.filed - one.created - distance) < _NEAR_S


# ---------------------------------------------------------------------- one clock


def _on_one_clock(clocks: list[_Clock]) -> list[Placed]:
    moments = [
        min(c.starts.values()) + (c.offset or 0)
        for c in clocks
        if c.starts and (c.since_1970 or c.offset is not None)
    ]
    midnight = _midnight(min(moments)) if moments else Fraction(0)
    shifts = [-midnight if c.since_1970 else _days(c, midnight) for c in clocks]
    known = [
        min(clock.starts.values()) + shift
        for clock, shift in zip(clocks, shifts, strict=True)
        if clock.starts
    ]
    begin = min(known, default=Fraction(0))
    placed = []
    for number, (clock, shift) in enumerate(zip(clocks, shifts, strict=True)):
        cursor = begin
        for one in clock.group:
            sure = one.name in clock.starts
            start = clock.starts[one.name] + shift if sure else cursor
            cursor = start + one.facts.duration
            placed.append(
                Placed(
                    take=one.take,
                    facts=one.facts,
                    camera=number,
                    start=start,
                    end=cursor,
                    basis=clock.basis if sure else BY_NAME,
                    restarted=one.name in clock.restarted,
                )
            )
    return placed


def _days(clock: _Clock, midnight: Fraction) -> Fraction:
    """Return the day on which a camera's timecode begins, in seconds."""
    if clock.offset is None:
        return Fraction(0)
    away = clock.offset - midnight
    whole = Fraction(round(away / _DAY_S) * _DAY_S)
    return whole if abs(away - whole) <= _SAME_DAY_S else Fraction(0)


def _midnight(moment: Fraction) -> Fraction:
    """Return the local midnight before a moment, in seconds since 1970."""
    day = datetime.fromtimestamp(float(moment)).date()
    return Fraction(datetime.combine(day, time()).timestamp())
