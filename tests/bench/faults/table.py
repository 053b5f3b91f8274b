"""The figures of a run as a table, and every miss and false alarm as a list."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

from tests.bench.faults import score
from tests.bench.faults.kinds import KINDS, Graded
from tests.bench.faults.visible import LEAST_LSTAR, LEAST_SECONDS
from tests.bench.scoring import percentile

__all__ = ["NEAR_FRAMES", "Line", "Outcome", "lines", "listing", "table"]

NEAR_FRAMES = 3.0


@dataclass
class Outcome:
    """All that a run of the bench gave.

    Attributes
    ----------
    minutes : float
        Untouched pieces that were checked.
    less : mapping
        By how many minutes fewer that is for some rules.
    """

    cases: list[score.Case] = field(default_factory=list)
    alarms: list[score.Alarm] = field(default_factory=list)
    minutes: float = 0.0
    less: dict[str, float] = field(default_factory=dict)
    remarks: list[str] = field(default_factory=list)

    def minutes_of(self, rule: str) -> float:
        return self.minutes - self.less.get(rule, 0.0)

    def of(self, rule: str) -> list[score.Case]:
        return [c for c in self.cases if c.rule == rule]

    def false(self, rule: str) -> list[score.Alarm]:
        return [a for a in self.alarms if a.told.rule == rule and a.false]

    def record(self) -> dict[str, Any]:
        return {
            "minutes": self.minutes,
            "less": self.less,
            "remarks": self.remarks,
            "cases": [c.record() for c in self.cases],
            "alarms": [asdict(a) for a in self.alarms],
        }


@dataclass(frozen=True)
class Line:
    """The figures of one rule, or of one kind of its faults."""

    rule: str
    kind: str
    put: int
    noticed: int
    found: int
    recall: float
    half: float
    unit: str
    alarms: int
    per_minute: float
    edge_median: float
    edge_p90: float
    edges: int

    def cells(self) -> tuple[str, ...]:
        def shown(value: float, form: str = ".3g") -> str:
            return "-" if math.isnan(value) else format(value, form)

        half = "-" if math.isnan(self.half) else f"{self.half:.3g} {self.unit}"
        return (
            self.rule,
            self.kind,
            str(self.put),
            str(self.noticed),
            str(self.found),
            str(self.noticed - self.found),
            shown(self.recall, ".2f"),
            half,
            str(self.alarms) if not self.kind else "",
            shown(self.per_minute, ".2f") if not self.kind else "",
            shown(self.edge_median),
            shown(self.edge_p90),
        )


HEAD = (
    "rule", "fault", "put in", "noticeable", "found", "missed", "recall",
    "half found at", "false alarms", "a minute", "edge, median", "90 %",
)  # fmt: skip


def _line(out: Outcome, rule: str, kinds: Sequence[Graded], name: str) -> Line:
    names = {k.name for k in kinds}
    cases = [c for c in out.of(rule) if c.kind in names]
    strong = [c for c in cases if c.noticed]
    found = sum(c.found for c in strong)
    abrupt = {k.name for k in kinds if k.edges != "none"}
    edges = [e for c in strong if c.found and c.kind in abrupt for e in c.edges]
    alarms, minutes = len(out.false(rule)), out.minutes_of(rule)
    half = math.nan
    if any(k.high > k.low for k in kinds):
        half = score.threshold([c.strength for c in cases], [c.found for c in cases])
    return Line(
        rule,
        name,
        len(cases),
        len(strong),
        found,
        found / len(strong) if strong else math.nan,
        half,
        kinds[0].unit,
        alarms,
        alarms / minutes if minutes > 0 else math.nan,
        percentile(edges, 50),
        percentile(edges, 90),
        len(edges),
    )


def lines(out: Outcome, known: Sequence[Graded] = KINDS) -> Iterator[Line]:
    """Give the line of each rule, then of its kinds where it has several."""
    for rule in dict.fromkeys(k.rule for k in known):
        kinds = [k for k in known if k.rule == rule and not k.as_note]
        notes = [k for k in known if k.rule == rule and k.as_note]
        if not out.of(rule):
            continue
        yield _line(out, rule, kinds, "")
        if len(kinds) + len(notes) > 1:
            for kind in kinds + notes:
                yield _line(out, rule, [kind], kind.name)


def _unseen(out: Outcome, rule: str) -> str:
    """Say how many strong faults fell away, and what recall is with them."""
    strong = [c for c in out.of(rule) if c.noticed or c.unseen]
    away = [c for c in strong if c.unseen]
    found = sum(c.found for c in strong)
    return (
        f"{rule}: {len(away)} of {len(strong)} strong enough are not asked for, since "
        f"the screen changes by {LEAST_LSTAR:g} L* there for less than "
        f"{LEAST_SECONDS:g} s ({sum(c.found for c in away)} of them found); with them "
        f"recall is {found} of {len(strong)}, {found / len(strong):.2f}"
    )


def table(out: Outcome, known: Sequence[Graded] = KINDS) -> str:
    """Return the figures as text."""
    cells = [HEAD, *(line.cells() for line in lines(out, known))]
    wide = [max(len(row[i]) for row in cells) for i in range(len(HEAD))]
    text = [
        "  ".join(c.ljust(w) for c, w in zip(row, wide, strict=True)).rstrip()
        for row in cells
    ]
    for rule in dict.fromkeys(c.rule for c in out.cases if c.unseen):
        text.append(_unseen(out, rule))
    text.append(f"untouched: {out.minutes:.1f} minutes")
    for rule, less in out.less.items():
        if out.of(rule):
            text.append(
                f"{rule}: of {out.minutes - less:.1f} minutes, since pieces that go "
                "somewhere are played once for it"
            )
    text += out.remarks
    return "\n".join(text)


def listing(out: Outcome, rule: str) -> str:
    """Return every miss and false alarm of a rule, one a line."""
    text = [f"# {rule}", "", "## false alarms on untouched pieces"]
    for alarm in (a for a in out.alarms if a.told.rule == rule):
        t = alarm.told
        known = f" (known: {alarm.why})" if alarm.why else ""
        text.append(
            f"- {alarm.piece} frames {t.first}-{t.last} {t.grade} worst {t.worst} "
            f"limit {t.limit}{known}: {t.message}"
        )
    for title, wanted in (
        ("missed at strengths that a viewer notices", True),
        ("missed below", False),
    ):
        text += ["", f"## {title}"]
        text += [
            f"- {c.kind}, {c.piece} trial {c.number} frames {c.span[0]}-{c.span[1]} "
            f"strength {c.strength:.3g} {c.told}; other rules there: "
            f"{', '.join(c.others) or 'none'}"
            for c in out.of(rule)
            if c.noticed == wanted and not c.found
        ]
    text += ["", "## found, edges off by more than 3 frames"]
    text += [
        f"- {c.kind}, {c.piece} trial {c.number} frames {c.span[0]}-{c.span[1]} "
        f"strength {c.strength:.3g}: off by {c.edges}; {c.told.get('findings')}"
        for c in out.of(rule)
        if c.found and any(e > NEAR_FRAMES for e in c.edges)
    ]
    text += ["", "## found"]
    text += [
        f"- {c.kind}, {c.piece} {c.span[0]}-{c.span[1]} strength {c.strength:.3g} "
        f"{c.grade} worst {c.worst} edges {c.edges} stray {c.stray}"
        for c in out.of(rule)
        if c.found
    ]
    return "\n".join(text) + "\n"
