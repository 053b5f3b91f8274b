"""What to correct at the rig for the next day."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from qc.day.cameras import camera_of
from qc.day.copies import same_recordings
from qc.day.doses import with_range
from qc.day.wording import names
from qc.daybook import DayFinding, DayTake, Skipped
from qc.judge import dose_thirds, join_channels, said_by
from qc.records import Grade
from qc.report.day_facts import fault_label
from qc.report.words import counted, length

__all__ = ["closed_advice", "day_advice"]

# The file itself is the cause of these; see `qc.records.TakeFailure`.
_BROKEN_STAGES = ("open", "decode")
# What a cast is called in its finding, without its amount.
_CAST = re.compile(r"^White is (.+?) \(")
_MIRED = re.compile(r" by about \d+ mired")
_SENTENCES = re.compile(r"(?<=\.) (?=[A-Z])")
# Advice that begins so speaks of one take, its light and its colours.
_OF_ONE_TAKE = (
    "In this recording", "For this take", "This cast fits", "No theatre lamp",
    "The camera may have been set for", "Make sure that the patch",
)  # fmt: skip


@dataclass(slots=True)
class _Fault:
    """A rule's findings over the day."""

    rule: str
    spans: dict[str, list[tuple[float, float]]] = field(
        default_factory=lambda: defaultdict(list)
    )
    worst: tuple[int, float] = (0, 0.0)
    wordings: list[str] = field(default_factory=list)
    cameras: set[str] = field(default_factory=set)
    also: dict[str, set[str]] = field(default_factory=lambda: defaultdict(set))
    # Each take's worst finding: its weight, its advice, and which way its cast goes.
    of_takes: dict[str, tuple[tuple[int, float], str, str]] = field(
        default_factory=dict
    )

    def add(self, take: DayTake, finding: Mapping[str, Any]) -> None:
        start, end = finding["start_s"], finding["end_s"]
        self.spans[take.name].append((start, end))
        self.cameras.add(camera_of(take))
        weight = Grade(finding["grade"]).rank, end - start
        cast = _CAST.match(finding.get("message") or "")
        way = _MIRED.sub("", cast[1]) if cast else ""
        if take.name not in self.of_takes or weight > self.of_takes[take.name][0]:
            self.of_takes[take.name] = weight, finding["advice"], way
        if weight > self.worst or not self.wordings:
            self.worst, self.wordings = weight, [finding["advice"]]

    def add_said(self, take: DayTake, finding: Mapping[str, Any]) -> None:
        """Add a finding of another rule that this one's advice answers as well.

        Of two doses for the iris the stronger one is given.
        """
        self.also[finding["rule"]].add(take.name)
        advice = finding["advice"]
        doses = [dose_thirds(text) for text in (advice, *self.wordings)]
        if self.wordings and doses[0] > max(doses[1:]) > 0:
            self.wordings = [advice]
        weight, own, way = self.of_takes[take.name]
        if dose_thirds(advice) > dose_thirds(own) > 0:
            self.of_takes[take.name] = weight, advice, way

    def take_in(self, other: _Fault) -> bool:
        """Join another channel's fault if the same is to be done about it."""
        wordings = [*self.wordings, *other.wordings]
        if other.rule != self.rule or len(join_channels(wordings)) > 1:
            return False
        for name, spans in other.spans.items():
            self.spans[name] += spans
        self.cameras |= other.cameras
        self.of_takes = {**other.of_takes, **self.of_takes}
        self.worst = max(self.worst, other.worst)
        self.wordings = wordings
        return True

    @property
    def wording(self) -> str:
        """What to do; of the worst take alone only where there is no other."""
        text = join_channels(self.wordings)[0]
        if len(self.spans) == 1:
            return text
        text = with_range(text, [advice for _, advice, _ in self.of_takes.values()])
        said = [s for s in _SENTENCES.split(text) if not s.startswith(_OF_ONE_TAKE)]
        return " ".join(said) or text

    @property
    def ways(self) -> str:
        """Which way casts go, where takes differ: each needs another setting."""
        by_way: dict[str, list[str]] = defaultdict(list)
        for name, (_, _, way) in self.of_takes.items():
            if way:
                by_way[way].append(name)
        if len(by_way) < 2:
            return ""
        told = [f"{way} in {names(takes)}" for way, takes in by_way.items()]
        return f": {', '.join(told)}"

    @property
    def seconds(self) -> float:
        return sum(_covered(spans) for spans in self.spans.values())


def _covered(spans: Sequence[tuple[float, float]]) -> float:
    """Return for how long at least one of the spans lasts.

    Examples
    --------
    >>> _covered([(0.0, 2.0), (5.0, 6.0), (1.0, 3.0)])
    4.0
    """
    total, until = 0.0, float("-inf")
    for start, end in sorted(spans):
        total += max(end - max(start, until), 0.0)
        until = max(until, end)
    return total


def day_advice(
    takes: Sequence[DayTake], findings: Sequence[DayFinding]
) -> tuple[str, ...]:
    """Return what to correct at the rig for the next day, most useful first.

    First what cannot be read at all; then one sentence a rule and what is to be done
    about it, in how many takes it was broken and for how long, with the advice of its
    worst finding: the gravest grade first, then what concerns most takes, then what
    spoils most time. Channels that need the same are named together. What the day as a
    whole shows comes in between by its grade. Copies of a take do not count again.
    """
    copies = {t.name for group in same_recordings(takes) for t in group[1:]}
    counting = [take for take in takes if take.name not in copies]
    ranked: list[tuple[tuple[int, int, float], str]] = []
    # The day's summary counts every take; here it must show that copies are left out.
    total = counted(len(counting), "different take" if copies else "take")
    faults = _faults(counting)
    several = len({camera_of(t) for t in counting if t.readable}) > 1
    for fault in faults:
        weight = fault.worst[0], len(fault.spans), fault.seconds
        ranked.append((weight, _sentence(fault, total, several)))
    by_rule: dict[tuple[str, str], list[DayFinding]] = defaultdict(list)
    for finding in findings:
        if finding.advice:
            by_rule[finding.rule, finding.advice].append(finding)
    for (rule, advice), group in by_rule.items():
        concerned = list(dict.fromkeys(name for f in group for name in f.takes))
        weight = max(f.grade.rank for f in group), len(concerned), 0.0
        times = f", {len(group)} times" if len(group) > 1 else ""
        what = f"{fault_label(rule)}{times}: {names(concerned)}."
        ranked.append((weight, f"{_capital(advice)} {what}"))
    ranked.sort(key=lambda pair: pair[0], reverse=True)
    sentences = [*_unreadable(counting, total), *(text for _, text in ranked)]
    return tuple(dict.fromkeys(sentences))


def _faults(takes: Sequence[DayTake]) -> list[_Fault]:
    faults: dict[tuple[str, object], _Fault] = {}
    said: list[tuple[str, DayTake, Mapping[str, Any]]] = []
    for take in takes:
        serious = [
            finding
            for finding in take.document.get("findings") or ()
            if Grade(finding["grade"]).rank >= Grade.REVIEW.rank
            and finding.get("advice")
        ]
        spans = [(f["rule"], f["start_s"], f["end_s"]) for f in serious]
        for finding in serious:
            rule = finding["rule"]
            span = finding["start_s"], finding["end_s"]
            if other := said_by(rule, span, spans):
                said.append((other, take, finding))
                continue
            # Each channel has a knob of its own.
            key = rule, finding.get("channel")
            faults.setdefault(key, _Fault(rule)).add(take, finding)
    for other, take, finding in said:
        faults[other, None].add_said(take, finding)
    out: list[_Fault] = []
    for fault in faults.values():
        for earlier in out:
            if earlier.take_in(fault):
                break
        else:
            out.append(fault)
    return out


def _sentence(fault: _Fault, total: str, several_cameras: bool) -> str:
    where = f"in {len(fault.spans)} of {total}"
    if several_cameras and len(fault.cameras) == 1 and len(fault.spans) > 1:
        camera = next(iter(fault.cameras))
        where += f", all of {camera}" if camera else ""
    also = "".join(
        f"; with it: {fault_label(rule).lower()} in {len(takes)}"
        for rule, takes in sorted(fault.also.items())
    )
    # What to do comes first; what it is for stands behind it.
    return (
        f"{_capital(fault.wording)} {fault_label(fault.rule)} {where}, "
        f"{length(fault.seconds)} in all{fault.ways}{also}."
    )


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def closed_advice(skipped: Iterable[Skipped]) -> tuple[str, ...]:
    """Return what to do about files and folders that could not even be opened."""
    closed = [file.name for file in skipped if file.closed]
    if not closed:
        return ()
    return (
        "Get the right to read them, or copy them again from the card, and check the "
        f"day again: {counted(len(closed), 'file or folder', 'files or folders')} "
        f"could not be opened ({names(closed)}).",
    )


def _unreadable(takes: Sequence[DayTake], total: str) -> list[str]:
    lost = [take for take in takes if not take.readable]
    broken = [t for t in lost if t.document.get("stage") in _BROKEN_STAGES]
    others = [t for t in lost if t not in broken]
    sentences = []
    if broken:
        sentences.append(
            "Copy again from the card, and keep the card until all can be read: "
            f"{len(broken)} of {total} cannot be read "
            f"({names([t.name for t in broken])})."
        )
    if others:
        sentences.append(
            f"Read why {len(others)} of {total} could not be measured "
            f"({names([t.name for t in others])}), and check the day again."
        )
    return sentences
