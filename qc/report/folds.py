"""Findings of one kind that are many, folded into one row with all their times."""

from __future__ import annotations

import re
from collections.abc import Callable, Hashable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

from qc.records import Finding
from qc.report.rows import FindingRow, time_of
from qc.report.stills import MANY, how_bad, kind_of
from qc.report.words import counted, length

__all__ = ["FoldRow", "fold_rows", "grouped_findings"]

T = TypeVar("T")

# Up to so many rows each gives its advice in full.
_ADVICE_REPEATED = 8


@dataclass(frozen=True, slots=True)
class FoldRow:
    """A row of the table: one finding, or the worst of many and the times of all.

    Attributes
    ----------
    row : FindingRow
        The finding, or the worst of them.
    others : tuple of FindingRow
        All of them in order of time, the worst among them; empty for one alone.
    start, end : str
        Where the first begins and the last ends.
    same_words : bool
        They differ only in numbers: what is said of the worst holds for all.
    advice_of, advice_number : str, int
        Place and number of the row that gives the same advice in full, if one does.
    """

    row: FindingRow
    others: tuple[FindingRow, ...]
    start: str
    end: str
    start_order: int
    end_order: int
    duration: str
    duration_order: str
    count: str
    same_words: bool
    advice_of: str = ""
    advice_number: int = 0

    @property
    def id(self) -> str:
        """Its place on the page."""
        return f"{'g' if self.others else 'f'}{self.row.number}"

    @property
    def findings(self) -> int:
        """How many findings it stands for."""
        return max(len(self.others), 1)


def grouped_findings(
    findings: Iterable[T], kind: Callable[[T], Hashable]
) -> list[list[T]]:
    """Return findings one by one, or all of one kind together where they are many.

    Examples
    --------
    >>> grouped_findings("abbbbbc", kind=lambda letter: letter)
    [['a'], ['b', 'b', 'b', 'b', 'b'], ['c']]
    >>> grouped_findings("abcb", kind=lambda letter: letter)
    [['a'], ['b'], ['c'], ['b']]
    """
    found = list(findings)
    kinds: dict[Hashable, list[T]] = {}
    for one in found:
        kinds.setdefault(kind(one), []).append(one)
    out: list[list[T]] = []
    for one in found:
        group = kinds.get(kind(one), [])
        if 0 < len(group) < MANY:
            out.append([one])
        elif group:
            out.append(kinds.pop(kind(one)))
    return out


def fold_rows(
    numbers: Iterable[tuple[int, Finding]], rows: Sequence[FindingRow]
) -> tuple[FoldRow, ...]:
    """Return the rows of the table, in order of time.

    Parameters
    ----------
    numbers : iterable of (number, Finding)
        Findings as numbered on the page.
    rows : sequence of FindingRow
        Their rows, in the same order.
    """
    pairs = list(zip((f for _, f in numbers), rows, strict=True))
    groups = grouped_findings(pairs, kind=lambda pair: kind_of(pair[0]))
    folds = [_folded(group) for group in groups]
    if len(folds) > _ADVICE_REPEATED:
        given: dict[str, FoldRow] = {}
        for i, fold in enumerate(folds):
            first = given.setdefault(fold.row.advice.words, fold)
            if fold.row.advice.words and first is not fold:
                folds[i] = replace(
                    fold, advice_of=first.id, advice_number=first.row.number
                )
    return tuple(folds)


def _folded(group: list[tuple[Finding, FindingRow]]) -> FoldRow:
    findings = [f for f, _ in group]
    rows = tuple(r for _, r in group)
    worst = max(group, key=lambda pair: how_bad(pair[0]))[1]
    last = max(rows, key=lambda r: r.end_order)
    many = len(rows) > 1
    together = time_of(findings)
    return FoldRow(
        row=worst,
        others=rows if many else (),
        start=rows[0].start,
        end=last.end,
        start_order=rows[0].start_order,
        end_order=last.end_order,
        duration=length(together),
        duration_order=f"{float(together):.4f}",
        count=counted(len(rows), "finding") if many else rows[0].frames,
        same_words=len({_bare(f.message) for f in findings}) == 1,
    )


def _bare(message: str) -> str:
    """Return a message without its numbers, times and plurals."""
    return re.sub(r"(?<=[a-z])s\b", "", re.sub(r"[\d.,:;−\s]+", " ", message))
