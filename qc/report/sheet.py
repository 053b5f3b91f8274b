"""What stands on the page of one take: frozen records, made without any HTML."""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np

from qc import __version__
from qc.measures import all_measures, all_options, rule_labels
from qc.records import Grade, TakeResult, UsableRange
from qc.report.axis import spoken_label
from qc.report.exhibits import exhibits_of
from qc.report.facts import Fact, coverage_facts, coverage_sentence, file_facts
from qc.report.figures import Figures, LimitRow, figures, limit_rows
from qc.report.folds import FoldRow, fold_rows
from qc.report.plainly import Plain, plainly
from qc.report.plots import plots_of
from qc.report.rows import (
    GRADE_WORDS,
    FindingRow,
    KindRow,
    by_kind,
    finding_rows,
    kind_rows,
    time_of,
)
from qc.report.spotwords import (
    SpotBlock,
    sees_too_little,
    spot_block,
    verdict_word,
)
from qc.report.stills import (
    MOST_STILLS,
    Stills,
    few_of_a_kind,
    take_stills,
    worst_first,
)
from qc.report.strips import Strip, strip_of
from qc.report.timefigure import Plot
from qc.report.unjudged import is_too_short, too_short_sentence
from qc.report.words import counted, grouped, length

__all__ = ["Method", "Page", "UsableRow", "Verdict", "page_of"]

MOST_ROWS = 600
"""Findings in the table; a page must open on any computer."""
_ADVICE_FIRST = 3
_NOTES_FIRST = 3
_KINDS_NAMED = 3
_LEAST_KEY = "judging.usable_min_seconds"


@dataclass(frozen=True, slots=True)
class Verdict:
    """How the take stands, for somebody who reads nothing else."""

    grade: str
    word: str
    why: str
    usable: str
    coverage: str
    spot: bool
    advice: tuple[Plain, ...]
    more_advice: tuple[Plain, ...]


@dataclass(frozen=True, slots=True)
class UsableRow:
    """A stretch that may be used."""

    start: str
    end: str
    duration: str
    frames: str


@dataclass(frozen=True, slots=True)
class Method:
    """How a measure measures."""

    label: str
    method: str
    source: str


@dataclass(frozen=True, slots=True)
class Page:
    """Everything on the page."""

    name: str
    start: str
    end: str
    duration: str
    headline: str
    verdict: Verdict
    notes: tuple[str, ...]
    more_notes: tuple[str, ...]
    usable: tuple[UsableRow, ...]
    least_usable: str
    strip: Strip
    kinds: tuple[KindRow, ...]
    findings: tuple[FindingRow, ...]
    folds: tuple[FoldRow, ...]
    findings_left_out: str
    has_channels: bool
    has_frames: bool
    stills: Stills
    stills_note: str
    spot: SpotBlock | None
    with_pictures: bool
    illustrated: str
    plots: tuple[Plot, ...]
    facts: tuple[Fact, ...]
    assumed: tuple[str, ...]
    left_out: tuple[str, ...]
    coverage: tuple[Fact, ...]
    figures: tuple[Figures, ...]
    methods: tuple[Method, ...]
    limits: tuple[LimitRow, ...]
    limits_from: str
    version: str
    written: str


def page_of(
    result: TakeResult,
    *,
    stills: bool,
    written: datetime.datetime,
    name: str = "",
) -> Page:
    """Return what stands on the page of a take.

    Parameters
    ----------
    name : str
        What tells the take from others of its name; the file's if left out.
    stills : bool
        False leaves out every picture of the recording.
    written : datetime
        When the report is written, for its foot.
    """
    measures, labels = all_measures(), rule_labels()
    names = [m.name for m in measures]
    numbers = list(enumerate(result.findings, 1))
    if len(numbers) > MOST_ROWS:
        numbers = sorted(worst_first(numbers)[:MOST_ROWS])
    shown = few_of_a_kind(numbers)[0][: _most_stills(result)]
    fetched = sorted(shown) if result.coverage.spot is not None else numbers
    pictures = take_stills(result, measures, fetched, pictures=stills)
    left_out = len(result.findings) - len(numbers)
    rows = finding_rows(
        result, numbers, labels, pictures, exhibits_of(result, measures, shown)
    )
    return Page(
        name=name or result.info.name,
        start=spoken_label(result.info, 0),
        end=spoken_label(
            result.info, result.info.grid.nearest(result.duration), result.duration
        ),
        duration=length(result.duration),
        headline=_headline(result),
        verdict=_verdict(result, labels),
        notes=result.notes[:_NOTES_FIRST],
        more_notes=result.notes[_NOTES_FIRST:],
        usable=_usable(result),
        least_usable=_least_usable(result),
        strip=strip_of(result, measures, numbers, labels),
        kinds=kind_rows(result, labels),
        findings=rows,
        folds=fold_rows(numbers, rows),
        findings_left_out=(
            f"{counted(left_out, 'further finding')}, less grave or shorter than "
            "these, are in findings.csv beside this report."
            if left_out
            else ""
        ),
        has_frames=result.info.video is not None,
        has_channels=any(f.channel is not None or f.channels for _, f in numbers),
        stills=pictures,
        spot=spot_block(result),
        stills_note=_stills_note(result, pictures, stills=stills),
        with_pictures=pictures.poster is not None or bool(pictures.by_number),
        illustrated=_illustrated(rows),
        plots=plots_of(result),
        facts=file_facts(result.info),
        assumed=result.info.assumed,
        left_out=result.info.left_out,
        coverage=coverage_facts(result),
        figures=figures(result, measures),
        methods=tuple(Method(m.label, m.method, m.source) for m in measures),
        limits=limit_rows(
            result.limits,
            [o for o in all_options() if o.section in (*names, "judging")],
        ),
        # The file's name alone: folders may tell who works here.
        limits_from=Path(str(getattr(result.limits, "source", "built-in"))).name,
        version=__version__,
        written=written.strftime("%Y-%m-%d %H:%M %Z").strip(),
    )


def _most_stills(result: TakeResult) -> int:
    """Return how many findings get pictures: a spot check has little time for them."""
    spot = result.coverage.spot
    return MOST_STILLS if spot is None else min(spot.stills, MOST_STILLS)


# ---------------------------------------------------------------------- the verdict


def _headline(result: TakeResult) -> str:
    """Return the few facts that tell one take from another."""
    video = result.info.video
    if video is None:
        channels = sum(t.channels for t in result.info.audio)
        what = "no picture can be decoded" if result.info.picture_lost else "sound only"
        return f"{what}, {counted(channels, 'channel')}"
    rate = f"{float(video.frame_rate):.2f}".rstrip("0").rstrip(".")
    kind = {"hlg": ", HLG", "pq": ", PQ"}.get(video.signal.transfer, "")
    return (
        f"{video.width} × {video.height}, {rate} frames a second, "
        f"{video.signal.bit_depth} bits{kind}"
    )


def _verdict(result: TakeResult, labels: Mapping[str, str]) -> Verdict:
    return Verdict(
        grade=(Grade.NOTE if sees_too_little(result) else result.grade).value,
        word=verdict_word(result, GRADE_WORDS[result.grade]),
        why=_why(result, labels),
        usable=_usable_sentence(result),
        coverage=coverage_sentence(result),
        spot=_is_partial(result),
        advice=tuple(map(plainly, result.advice[:_ADVICE_FIRST])),
        more_advice=tuple(map(plainly, result.advice[_ADVICE_FIRST:])),
    )


def _is_partial(result: TakeResult) -> bool:
    """Tell whether only a part of the take was looked at."""
    spot = result.coverage.spot
    if result.coverage.mode != "spot":
        return False
    return spot is None or spot.reading != "everything"


def _why(result: TakeResult, labels: Mapping[str, str]) -> str:
    if is_too_short(result):
        return f"No limit was broken, but {too_short_sentence(result)}"
    if not result.findings:
        seen = " in what was seen" if _is_partial(result) else ""
        return f"No limit was broken{seen}."
    if result.grade is Grade.CLEAN:
        notes = counted(len(result.findings), "note")
        if _is_partial(result):
            return f"{notes} to know of in what was seen."
        return f"{notes} to know of; nothing that keeps the take from being used."
    opening = {
        Grade.REVIEW: "Look at the marked places before you use this take",
        Grade.REJECT: "Not usable as it is at the marked places",
    }.get(result.grade, "See the findings")
    gravest = [f for f in result.findings if f.grade is result.grade]
    kinds = sorted(by_kind(gravest).items(), key=lambda kind: -time_of(kind[1]))
    parts = [
        f"{labels.get(rule, rule).lower()} ({length(time_of(group))})"
        for rule, group in kinds[:_KINDS_NAMED]
    ]
    if len(kinds) > _KINDS_NAMED:
        parts.append(f"{counted(len(kinds) - _KINDS_NAMED, 'more kind')} of fault")
    return f"{opening}: {', '.join(parts)}."


def _usable_sentence(result: TakeResult) -> str:
    if _is_partial(result):
        return "Which stretches can be used only the full check can tell."
    usable = sum((r.duration for r in result.usable), Fraction(0))
    whole = length(result.duration)
    least = _least_usable(result)
    if not usable:
        enough = f"of {least} or more can be used" if least else "can be used"
        return f"No stretch {enough} without a second look."
    # Sound may run on for a moment behind the last picture.
    if len(result.usable) == 1 and length(usable) == whole:
        if is_too_short(result):
            return f"Usable as far as it could be judged: {whole}."
        return f"All of it is usable: {whole}."
    stretches = counted(len(result.usable), "stretch", "stretches")
    # A take that is shorter than that is usable as a whole.
    all_long = least and all(r.duration >= _least_s(result) for r in result.usable)
    of_least = f" of {least} or more" if all_long else ""
    return f"Usable: {length(usable)} of {whole}, in {stretches}{of_least}."


def _least_usable(result: TakeResult) -> str:
    """Return how long a usable stretch must be, for people; empty if nothing says."""
    return length(_least_s(result)) if _LEAST_KEY in result.limits else ""


def _least_s(result: TakeResult) -> float:
    return float(str(result.limits[_LEAST_KEY]))


def _usable(result: TakeResult) -> tuple[UsableRow, ...]:
    return tuple(
        UsableRow(
            start=spoken_label(result.info, r.start_frame, r.start),
            end=spoken_label(result.info, r.end_frame, r.end),
            duration=length(r.duration),
            frames=_frames_in(result, r),
        )
        for r in result.usable
    )


def _frames_in(result: TakeResult, stretch: UsableRange) -> str:
    """Return how many frames a stretch is long, and how many there are if not so many.

    Frames may be missing, or shown for other times than the rate says.
    """
    places = stretch.end_frame - stretch.start_frame
    told = counted(places, "frame")
    picture = result.picture
    if picture is None or not picture.rows or result.coverage.mode != "every frame":
        return told
    # A frame belongs to the place that its start lies nearest to.
    half = 1 / result.info.grid.rate / 2
    ticks = [float((at - half) / picture.time_base) for at in _ends(result, stretch)]
    first, last = np.searchsorted(picture.edges[:-1], ticks)
    there = int(last - first)
    return told if there == places else f"{told} long, {grouped(there)} there"


def _ends(result: TakeResult, stretch: UsableRange) -> tuple[Fraction, Fraction]:
    grid = result.info.grid
    return grid.seconds(stretch.start_frame), grid.seconds(stretch.end_frame)


def _illustrated(rows: tuple[FindingRow, ...]) -> str:
    """Return the heading of the part with pictures and figures; empty without any."""
    figures = any(row.figures or row.scopes for row in rows)
    if any(row.still for row in rows):
        return "The worst frames" + (", and figures" if figures else "")
    return "Figures of the findings" if figures else ""


def _stills_note(result: TakeResult, pictures: Stills, *, stills: bool) -> str:
    if not stills:
        return (
            "Written without pictures: no frame of the recording is in this report. "
            "Curves and statistics of levels and colours remain."
        )
    if result.info.picture_lost:
        return "No picture of this recording can be decoded."
    if result.info.video is None:
        return "There is no picture in this recording."
    return pictures.note
