"""Pictures for the report: the worst frames with what is wrong marked on them."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from fractions import Fraction
from functools import cache
from typing import TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.errors import QCError
from qc.measures import all_measures
from qc.measures.base import Companion, Measure
from qc.media import stills_at
from qc.records import Finding, Grade, Readings, Still, TakeResult
from qc.report.ahead import one_ahead
from qc.report.exhibits import Figure
from qc.report.painter import Beside, Jpeg, Legend, MarkedStill, Painter
from qc.report.scopefigures import SCOPED_RULES, scope_figures

__all__ = [
    "MANY",
    "MOST_STILLS",
    "Beside",
    "Jpeg",
    "Legend",
    "MarkedStill",
    "Stills",
    "excess",
    "few_of_a_kind",
    "how_bad",
    "kind_of",
    "take_stills",
    "worst_first",
]

T = TypeVar("T")

MOST_STILLS = 24
MANY = 5
"""From so many findings of one kind on they share a row (house choice)."""
_MOST_OF_MANY = 4
"""Pictures of faults a report; the rest of the findings say why they have none."""

# Findings that get other frames beside their worst, and how many.
_MOST_COMPARED, _MOST_BESIDE = 8, 2
# Frames whose levels and colours are drawn.
_MOST_SCOPED = 3
_SAME_MOMENT_S = 1

# Their value is held against what it should be, not against a limit on one side.
_EITHER_SIDE = frozenset({"file.rate", "picture.combing"})
# What such findings show is a picture that stays as it is: one of several is enough.
_SAME_PICTURE_RULES = frozenset({"picture.repeated", "picture.frozen"})
# Pictures this small look the same that differ by less on average, of 255, once their
# brightness is set aside (house choice; a moving hand or head is less than that).
_TWIN_SIZE, _TWIN_CODES = (64, 36), 4.0

_NO_COLOUR = (
    "An HDR picture on a page for ordinary screens: brightness and colour are not true."
)


@dataclass(frozen=True, slots=True)
class Stills:
    """The pictures of a report.

    Attributes
    ----------
    by_number : mapping of a finding's number to its picture
    why_none : mapping of a finding's number to why it has no picture
    scopes : mapping of a finding's number to figures of its worst frame's levels
    note : str
        What holds for all pictures.
    """

    by_number: dict[int, MarkedStill] = field(default_factory=dict)
    why_none: dict[int, str] = field(default_factory=dict)
    scopes: dict[int, tuple[Figure, ...]] = field(default_factory=dict)
    poster: Jpeg | None = None
    note: str = ""


def worst_first(numbers: Iterable[tuple[int, Finding]]) -> list[tuple[int, Finding]]:
    """Return numbered findings, the gravest and then the longest first."""
    return sorted(numbers, key=lambda n: (-n[1].grade.rank, -n[1].duration, n[0]))


def kind_of(finding: Finding) -> tuple[str, Grade, tuple[int | None, ...]]:
    """Return what findings that share a row have in common."""
    return finding.rule, finding.grade, finding.channels or (finding.channel,)


def excess(finding: Finding) -> float:
    """Return how far past its limit a finding is, so that unlike units can be sorted.

    1 and more: past its limit, by so many times the limit more than 1. Under 1: a note
    that has no limit or does not reach it.
    """
    worst, limit = finding.worst, finding.limit
    if worst is None or math.isnan(worst):
        return 0.0
    bounded, past = False, abs(worst)
    if limit is not None and not math.isnan(limit):
        bounded, past = True, (worst - limit) / max(abs(limit), 1e-3)
    if finding.grade.rank > Grade.NOTE.rank or finding.rule in _EITHER_SIDE:
        return 1.0 + abs(past)  # what is graver than a note is past its limit
    if finding.rule in _less_is_worse():
        past = -past
    if bounded and past >= 0.0:
        return 1.0 + past
    # The larger the worse, from 0 to 1; negative is what a limit is missed by and,
    # without one, what too little is the fault of.
    return past / (1.0 + past) if past >= 0.0 else 1.0 / (1.0 - past)


@cache
def _less_is_worse() -> frozenset[str]:
    """Return the rules whose notes are of too little."""
    return frozenset(r.id for m in all_measures() for r in m.rules if not r.above)


def how_bad(finding: Finding) -> tuple[float, Fraction]:
    """Return what findings of one kind are put in order by, the worst highest.

    How far past the limit, then how long: the page, its pictures and the terminal must
    name the same one as the worst; of equals it is the first.
    """
    return excess(finding), finding.duration


def few_of_a_kind(
    numbers: Iterable[tuple[int, Finding]],
) -> tuple[list[tuple[int, Finding]], list[tuple[int, Finding]]]:
    """Return what to show, the gravest first, and what is like several of these.

    Of many findings of one kind those farthest past their limit are shown.
    """
    ordered = worst_first(numbers)
    kinds: dict[object, list[tuple[int, Finding]]] = {}
    for number, finding in ordered:
        kinds.setdefault(kind_of(finding), []).append((number, finding))
    left = {
        number
        for group in kinds.values()
        if len(group) >= MANY
        for number, _ in sorted(
            sorted(group), key=lambda nf: how_bad(nf[1]), reverse=True
        )[_MOST_OF_MANY:]
    }
    return (
        [pair for pair in ordered if pair[0] not in left],
        [pair for pair in ordered if pair[0] in left],
    )


def take_stills(
    result: TakeResult,
    measures: Iterable[Measure],
    numbers: Iterable[tuple[int, Finding]],
    *,
    pictures: bool = True,
) -> Stills:
    """Fetch and mark the worst frames of a take, and those to compare them with.

    Parameters
    ----------
    numbers : iterable of (number, Finding)
        Findings as numbered on the page.
    pictures : bool
        False gives figures of levels and colours only, and nothing to see.

    Returns
    -------
    Stills
        Without pictures, and saying so, where the recording cannot be read again.
    """
    readings, video = result.picture, result.info.video
    if readings is None or not readings.rows or video is None:
        return Stills()
    plan = _Plan(result, readings, tuple(measures), list(numbers), pictures=pictures)
    try:
        stills = stills_at(result.info, plan.ticks, whole=_is_whole(result))
        for tick, still in one_ahead(stills):
            plan.take(tick, still)
    except (QCError, OSError):
        plan.miss(
            "The recording has changed, or could not be read again for a picture."
        )
    plan.miss("This frame could not be decoded again.")
    return plan.stills(note=_NO_COLOUR if video.signal.is_hdr else "")


def _is_whole(result: TakeResult) -> bool:
    """Tell whether every frame was looked at and none is damaged or missing."""
    seen = result.coverage
    harm = seen.frames_damaged + seen.frames_missing + seen.decode_errors
    return seen.mode == "every frame" and not harm


class _Plan:
    """Which frame is fetched for what; each is decoded once, in order of time."""

    def __init__(
        self,
        result: TakeResult,
        readings: Readings,
        measures: tuple[Measure, ...],
        numbers: list[tuple[int, Finding]],
        *,
        pictures: bool,
    ) -> None:
        shown, why_none = _chosen(numbers, rows=readings.rows)
        self._result, self._edges = result, readings.edges
        self._pictures = pictures
        self._shown = shown if pictures else []
        self._worst = self._by_tick((f.worst_pts_row, (n, f)) for n, f in self._shown)
        compared = _compared(self._shown, measures, result, rows=readings.rows)
        finding_of_number = dict(self._shown)
        self._beside = self._by_tick(
            (c.row, (n, i, c, finding_of_number[n]))
            for n, companions in compared.items()
            for i, c in enumerate(companions)
        )
        self._scoped = self._by_tick(
            (f.worst_pts_row, (n, f)) for n, f in _scoped(shown)
        )
        poster = [(_poster_row(result), None)] if pictures else []
        self._poster = self._by_tick(poster)
        # Each frame of a comparison is two pictures: the whole, and its detail.
        frames = sum(1 + len(c) for c in compared.values())
        count = len(self._shown) - len(compared) + 2 * frames
        self._painter = Painter(result, measures, count=count)
        self._compared = compared
        self._marked: dict[int, MarkedStill] = {}
        self._looks: list[tuple[str, int, NDArray[np.int16]]] = []
        self._others: dict[int, dict[int, Beside]] = {}
        self._out = Stills(why_none=why_none if pictures else {})
        self._poster_seen: Jpeg | None = None

    def _by_tick(self, wanted: Iterable[tuple[int | None, T]]) -> dict[int, list[T]]:
        out: dict[int, list[T]] = {}
        for row, what in wanted:
            out.setdefault(int(self._edges[row or 0]), []).append(what)
        return out

    @property
    def ticks(self) -> list[int]:
        """Moments of all frames wanted."""
        return [*self._worst, *self._beside, *self._scoped, *self._poster]

    def take(self, tick: int, still: Still) -> None:
        """Make of a frame whatever it was fetched for."""
        painter = self._painter
        if tick in self._poster:
            self._poster_seen = painter.poster(still)
        for number, finding in self._worst.get(tick, ()):
            if twin := self._twin(number, finding, still):
                self._out.why_none[number] = f"It looks as that of finding {twin} does."
                continue
            compared = number in self._compared
            self._marked[number] = painter.marked(
                number, finding, still, compared=compared
            )
        for number, place, companion, finding in self._beside.get(tick, ()):
            at = self._result.label(self._moment(tick))
            large = painter.beside(still)
            others = self._others.setdefault(number, {})
            detail = painter.detail(still, finding)
            others[place] = Beside(large, at, companion.caption, detail)
        for number, _ in self._scoped.get(tick, ()):
            video = self._result.info.video
            self._out.scopes[number] = scope_figures(
                still.picture,
                self._result,
                rotation=video.rotation if video is not None else 0,
                waveform=self._pictures,
            )

    def _twin(self, number: int, finding: Finding, still: Still) -> int:
        """Return the finding of this kind whose picture looks the same, 0 for none."""
        if finding.rule not in _SAME_PICTURE_RULES:
            return 0
        look = cv2.resize(still.rgb, _TWIN_SIZE, interpolation=cv2.INTER_AREA)
        small = look.astype(np.int16)
        for rule, earlier, other in self._looks:
            if rule != finding.rule:
                continue
            apart = small - other
            if np.abs(apart - np.median(apart)).mean() < _TWIN_CODES:
                return earlier
        self._looks.append((finding.rule, number, small))
        return 0

    def _moment(self, tick: int) -> Fraction:
        assert self._result.picture is not None  # noqa: S101 -- there is a still
        return tick * self._result.picture.time_base

    def miss(self, why: str) -> None:
        """Give a reason to what has neither a picture nor a reason yet."""
        for number, _ in self._shown:
            if number not in self._marked:  # a twin has its reason already
                self._out.why_none.setdefault(number, why)

    def stills(self, *, note: str) -> Stills:
        """Return everything that was made."""
        for number, still in self._marked.items():
            others = self._others.get(number, {})
            beside = tuple(others[place] for place in sorted(others))
            self._out.by_number[number] = replace(still, beside=beside)
        return replace(
            self._out, poster=self._poster_seen, note=note if self._pictures else ""
        )


def _compared(
    shown: list[tuple[int, Finding]],
    measures: tuple[Measure, ...],
    result: TakeResult,
    *,
    rows: int,
) -> dict[int, list[Companion]]:
    """Return the frames to show beside the worst of the gravest findings."""
    makers = {
        rule: m.companions
        for m in measures
        if m.companions is not None
        for rule in m.rule_labels
    }
    out: dict[int, list[Companion]] = {}
    for number, finding in shown:
        maker = makers.get(finding.rule)
        if maker is None or len(out) == _MOST_COMPARED:
            continue
        good = [
            c
            for c in maker(result, finding)
            if 0 <= c.row < rows and c.row != finding.worst_pts_row
        ]
        if good:
            out[number] = good[:_MOST_BESIDE]
    return out


def _scoped(shown: list[tuple[int, Finding]]) -> list[tuple[int, Finding]]:
    """Return the worst finding of each rule of level and colour, a few at most.

    Of those whose worst frames lie close together, one: they would look the same.
    """
    worst: dict[str, tuple[int, Finding]] = {}
    for number, finding in shown:
        if finding.rule in SCOPED_RULES:
            near = any(
                abs(f.worst_at - finding.worst_at) < _SAME_MOMENT_S
                for _, f in worst.values()
            )
            if finding.rule not in worst and not near:
                worst[finding.rule] = number, finding
    return list(worst.values())[:_MOST_SCOPED]


def _chosen(
    numbers: list[tuple[int, Finding]], *, rows: int
) -> tuple[list[tuple[int, Finding]], dict[int, str]]:
    why_none: dict[int, str] = {}
    seen: list[tuple[int, Finding]] = []
    first, alike = few_of_a_kind(numbers)
    for number, finding in first:
        row = finding.worst_pts_row
        if row is None or not 0 <= row < rows:
            why_none[number] = "Not a fault that a picture shows."
        elif len(seen) == MOST_STILLS:
            why_none[number] = (
                f"Only the {MOST_STILLS} gravest and longest have a picture."
            )
        else:
            seen.append((number, finding))
    for number, finding in alike:
        why_none[number] = (
            f"Of many of one kind the worst {_MOST_OF_MANY} have a picture."
            if finding.worst_pts_row is not None
            else "Not a fault that a picture shows."
        )
    return seen, why_none


def _poster_row(result: TakeResult) -> int:
    """Return the row in the middle of the longest usable stretch, else of the take."""
    assert result.picture is not None  # noqa: S101 -- the caller has looked
    edges, base = result.picture.edges, result.picture.time_base
    best = max(result.usable, key=lambda r: r.duration, default=None)
    middle = (best.start + best.end) / 2 if best is not None else result.duration / 2
    row = int(np.searchsorted(edges, int(middle / base), side="right")) - 1
    return min(max(row, 0), result.picture.rows - 1)
