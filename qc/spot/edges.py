"""Where faults begin and end between the windows, and where to look for that."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from qc.records import Finding, SpotEdge
from qc.spot.piece import Piece

__all__ = ["Open", "edges_of", "open_edges", "probe_in"]

# A finding that begins so near a piece's end may have begun before it: measures with a
# memory tell a fault a moment late.
_NEAR_S = 0.6
# An edge known this well is known.
_CLOSE_S = 0.3


@dataclass(frozen=True, slots=True)
class Open:
    """A stretch unseen, with a fault on one side of it and none on the other."""

    start: float
    end: float
    grade_rank: int

    @property
    def length(self) -> float:
        """Seconds."""
        return self.end - self.start


def open_edges(pieces: Iterable[Piece], *, length: float) -> list[Open]:
    """Return where faults begin or end unseen, the gravest and then longest first."""
    out: dict[tuple[float, float], Open] = {}
    for run in _runs(sorted(pieces, key=lambda p: (p.start, p.end))):
        for start, end, touches in (
            (run.before, run.first.start, run.touches_start),
            (run.last.end, run.after if run.after is not None else length,
             run.touches_end),
        ):  # fmt: skip
            low = 0.0 if start is None else start
            if touches and end - low > _CLOSE_S:
                known = out.get((low, end))
                rank = max(run.rank, known.grade_rank if known else 0)
                out[low, end] = Open(low, end, rank)
    return sorted(out.values(), key=lambda o: (-o.grade_rank, -o.length, o.start))


def probe_in(gap: Open, *, window: float) -> tuple[float, float]:
    """Return what to look at next: the middle, or all of a gap that is short."""
    if gap.length <= 1.5 * window:
        return gap.start, gap.end
    middle = (gap.start + gap.end) / 2.0
    return middle - window / 2.0, middle + window / 2.0


def edges_of(pieces: Iterable[Piece], *, length: float) -> tuple[SpotEdge, ...]:
    """Return each fault that was met, and between what it begins and ends."""
    out = []
    for run in _runs(sorted(pieces, key=lambda p: (p.start, p.end))):
        seen = [f for p in run.pieces for f in _of(p, run.rule, run.channel)]
        first, last = (
            float(min(f.start for f in seen)),
            float(max(f.end for f in seen)),
        )
        before = 0.0 if run.before is None else run.before
        after = length if run.after is None else run.after
        out.append(
            SpotEdge(
                rule=run.rule,
                channel=run.channel,
                seen_from_s=first,
                seen_to_s=last,
                begins_after_s=min(before, first) if run.touches_start else first,
                ends_before_s=max(after, last) if run.touches_end else last,
            )
        )
    return tuple(sorted(out, key=lambda e: (e.seen_from_s, e.rule, e.channel or 0)))


@dataclass(frozen=True, slots=True)
class _Run:
    """Pieces in a row that all show one fault, and the clean ones beside them."""

    rule: str
    channel: int | None
    pieces: tuple[Piece, ...]
    before: float | None
    after: float | None

    @property
    def first(self) -> Piece:
        return self.pieces[0]

    @property
    def last(self) -> Piece:
        return max(self.pieces, key=lambda p: p.end)

    @property
    def rank(self) -> int:
        return max(
            f.grade.rank for p in self.pieces for f in _of(p, self.rule, self.channel)
        )

    @property
    def touches_start(self) -> bool:
        found = _of(self.first, self.rule, self.channel)
        return min(float(f.start) for f in found) <= self.first.start + _NEAR_S

    @property
    def touches_end(self) -> bool:
        found = _of(self.last, self.rule, self.channel)
        return max(float(f.end) for f in found) >= self.last.end - _NEAR_S


def _runs(pieces: Sequence[Piece]) -> Iterator[_Run]:
    kinds = sorted(
        {k for p in pieces for k in p.rules}, key=lambda k: (k[0], k[1] or 0)
    )
    for rule, channel in kinds:
        row: list[Piece] = []
        before: float | None = None
        for piece in pieces:
            if _of(piece, rule, channel):
                row.append(piece)
                continue
            if row and piece.start < max(p.end for p in row):
                # Overlaps a piece that shows it: too little of it lay in this one.
                continue
            if row:
                yield _Run(rule, channel, tuple(row), before, piece.start)
                row = []
            before = piece.end if before is None else max(before, piece.end)
        if row:
            yield _Run(rule, channel, tuple(row), before, None)


def _of(piece: Piece, rule: str, channel: int | None) -> list[Finding]:
    return [f for f in piece.findings if (f.rule, f.channel) == (rule, channel)]
