"""Put faults into real recordings, and count how surely the check finds them.

    python tests/bench/inject.py [--rules focus.soft ...] [--split tune|test]
                                 [--trials N] [--jobs N] [--quick] [--json FILE]
                                 [--list FILE] [--keep FOLDER]

Each fault goes into pieces of real recordings (and some drawn ones) at a known place,
with chance strength, length and place; the piece is written again at camera-like
quality and checked like any recording. A fault is found when a finding of its rule
touches it that the untouched piece does not have. Findings on untouched pieces are
false alarms, unless the recording is known to carry that fault (`faults/pieces.py` says
which, and what was seen). Findings of every grade count, for both.

`python tests/bench/accuracy.py faults` prints the same figures with their goals.

In `faults/`: `pieces` (the recordings, cut short, and how they are written again),
`linear` (codes to linear light and back), `lens`, `lamp`, `iris`, `tape` (what goes
wrong there), `kinds` (every fault, its strengths, and from which on a viewer notices),
`visible` (what the screen shows of a spot), `score` and `table` (the figures).
"""

from __future__ import annotations

import argparse
import json
import math
import os
import sys
import tempfile
import time
import zlib
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import Any

if __name__ == "__main__":  # as a script only this folder is on the path
    sys.path[:0] = [str(Path(__file__).resolve().parents[2])]

import numpy as np

from tests.bench.faults import score
from tests.bench.faults.job import Injected, Job, Span
from tests.bench.faults.kinds import KINDS, Graded, Kind
from tests.bench.faults.pieces import PIECES, Piece, Source, goes_back, load, write
from tests.bench.faults.table import NEAR_FRAMES, Outcome, lines, listing, table
from tests.bench.faults.visible import LEAST_SECONDS
from tests.bench.scoring import Row, Task, section

__all__ = ["Outcome", "Untouched", "main", "put", "run", "strengths"]

RANDOM_STATE = 4021
_TRIALS = 20
_QUICK_TRIALS = 2
# So many of the faults of a kind are strong enough that a viewer notices.
_NOTICED_SHARE = 0.6
# A piece that breaks the rule by itself for longer than this is no place for it.
_OWN_SHARE = 0.3
# Single frames are found when the report names so many of them; a rhythm when one note
# spans so much of the take.
_NAMED_SHARE, _RHYTHM_SHARE = 0.75, 0.8
_GOAL_RECALL, _GOAL_ALARMS = 0.95, 0.2
_SHAKE = "picture.shake"


@dataclass(frozen=True)
class Untouched:
    """What the check says of a piece as it is.

    Attributes
    ----------
    shake_seconds : float or None
        So long is the piece played once, if its shake is of that; see `goes_back`.
    """

    name: str
    findings: tuple[score.Told, ...]
    cuts: tuple[int, ...]
    frames: int
    seconds: float
    failed: str = ""
    shake_seconds: float | None = None

    def spans(self, rule: str) -> list[Span]:
        return [(f.first, f.last) for f in self.findings if f.rule == rule]

    def share(self, rule: str) -> float:
        """Share of the piece that has findings of a rule."""
        told = np.zeros(max(self.frames, 1), bool)
        for a, b in self.spans(rule):
            told[a:b] = True
        return float(told.mean())


# ----------------------------------------------------------------------- one check


def _checked(path: Path) -> tuple[list[score.Told], Any]:
    from qc.pipeline import check_take

    result = check_take(path, threads=1)
    if result.failed:
        return [], result
    return [
        score.Told(
            f.rule,
            str(f.grade),
            f.start_frame,
            f.end_frame,
            f.worst,
            f.limit,
            f.where,
            f.message,
        )
        for f in result.findings  # type: ignore[union-attr]
    ], result


def untouched(source: Source) -> Untouched:
    """Check a piece as it is: written again, but with nothing put in."""
    piece = load(source)
    findings, result = _as_it_is(piece)
    once = goes_back(source)
    shake_seconds = None
    if once is not None and not result.failed:
        short = load(once)
        findings = [f for f in findings if f.rule != _SHAKE]
        findings += [f for f in _as_it_is(short)[0] if f.rule == _SHAKE]
        shake_seconds = short.seconds
    cuts: tuple[int, ...] = ()
    if not result.failed and "framing.shot" in result.picture.columns:
        shot = np.asarray(result.picture["framing.shot"])
        cuts = tuple(int(i) + 1 for i in np.flatnonzero(np.diff(shot) > 0))
    return Untouched(
        source.name,
        tuple(findings),
        cuts,
        len(piece.frames),
        piece.seconds,
        result.message if result.failed else "",
        shake_seconds,
    )


def _as_it_is(piece: Piece) -> tuple[list[score.Told], Any]:
    with tempfile.TemporaryDirectory() as folder:
        path = write(Path(folder) / "piece.mp4", piece.frames, piece)
        return _checked(path)


def chance(kind: Kind, source: Source, number: int) -> np.random.Generator:
    """Return the run of chance of one fault: it follows from its names alone."""
    key = zlib.crc32(f"{kind.rule} {kind.name} {source.name}".encode())
    return np.random.default_rng([RANDOM_STATE, key, number])


def put(
    kind: Kind, source: Source, number: int, strength: float, known: Untouched
) -> Injected | None:
    """Put a fault into a piece; None where there is no room for it."""
    job = Job(
        load(source),
        strength,
        chance(kind, source, number),
        known.cuts,
        known.spans(kind.rule),
    )
    return kind.put(job)


def one(
    kind: Kind,
    source: Source,
    number: int,
    strength: float,
    known: Untouched,
    keep: Path | None = None,
) -> score.Case | None:
    """Put one fault in, check, and compare."""
    began = time.monotonic()
    made = put(kind, source, number, strength, known)
    if made is None:
        return None
    piece = load(source)
    with tempfile.TemporaryDirectory() as folder:
        name = f"{kind.rule}-{kind.name}-{source.name}-{number}.mp4".replace(" ", "_")
        path = (keep or Path(folder)) / name
        write(path, made.frames, piece, made.ticks)
        findings, result = _checked(path)
    if result.failed:
        raise RuntimeError(result.message)
    good, edges = score.match(
        kind.rule,
        made.span,
        findings,
        known.findings,
        total=known.frames,
        edges=kind.edges,
        where=made.where,
    )
    if kind.as_note:
        most = _RHYTHM_SHARE * (made.span[1] - made.span[0])
        good = [f for f in good if f.grade == "note" and f.last - f.first >= most]
    elif "frames" in made.told:
        told = score.named_share(
            made.told["frames"], good, math.ceil(float(piece.rate) - 0.01)
        )
        made.told["named"] = told
        if told < _NAMED_SHARE:
            good, edges = [], ()
    there, _ = score.match(
        kind.rule, (0, known.frames), findings, known.findings, total=known.frames
    )
    others = {
        f.rule
        for f in findings
        if f.rule != kind.rule
        and score.match(f.rule, made.span, [f], known.findings, total=known.frames)[0]
    }
    top = max(good, key=lambda f: abs(f.worst or 0), default=None)
    strong = made.strength >= kind.noticed * 0.999
    seen = made.told.get("seen_s", math.inf) >= LEAST_SECONDS
    return score.Case(
        rule=kind.rule,
        kind=kind.name,
        piece=source.name,
        number=number,
        strength=made.strength,
        noticed=strong and seen,
        span=made.span,
        found=bool(good),
        grade=top.grade if top else "",
        edges=edges,
        worst=top.worst if top else None,
        others=tuple(sorted(others)),
        stray=len([f for f in there if f not in good]),
        told=made.told
        | {"findings": [f"{f.grade} {f.first}-{f.last}: {f.message}" for f in good]},
        seconds=time.monotonic() - began,
        unseen=strong and not seen,
    )


def somewhere(
    kind: Kind,
    sources: Sequence[Source],
    number: int,
    strength: float,
    known: Mapping[str, Untouched],
    keep: Path | None = None,
) -> score.Case | None:
    """Put a fault into the first of these pieces that has room for it."""
    for source in sources:
        case = one(kind, source, number, strength, known[source.name], keep)
        if case is not None:
            return case
    return None


# ------------------------------------------------------------------------- a run


def strengths(kind: Graded, count: int) -> list[float]:
    """Return strengths to put in, spread evenly over the logarithm.

    Most lie where a viewer notices; the others below, to find the threshold.

    Examples
    --------
    >>> kind = Kind("a", "b", lambda _: None, 1, 16, 4, "px", "")
    >>> [round(s, 2) for s in strengths(kind, 5)]
    [5.04, 8.0, 12.7, 1.41, 2.83]
    """
    if kind.high <= kind.low:
        return [kind.high] * count
    many = count if kind.noticed <= kind.low else math.ceil(_NOTICED_SHARE * count)
    out = []
    for low, high, n in (
        (kind.noticed, kind.high, many),
        (kind.low, kind.noticed, count - many),
    ):
        steps = (np.arange(n) + 0.5) / max(n, 1)
        out += [float(low * (high / low) ** s) for s in steps]
    return out


def turned(names: Sequence[str], number: int) -> list[str]:
    """Return names in turn, beginning with another one each time.

    Examples
    --------
    >>> turned("abc", 4)
    ['b', 'c', 'a']
    """
    start = number % len(names)
    return [*names[start:], *names[:start]]


def plan(
    kinds: Iterable[Kind], known: Mapping[str, Untouched], trials: int
) -> tuple[list[tuple[Kind, list[Source], int, float]], list[str]]:
    """Deal the faults out to the pieces; say which pieces take no fault of a rule.

    Returns
    -------
    list of (kind, pieces, number, strength)
        The first of the pieces that has room is to take the fault.
    """
    out: list[tuple[Kind, list[Source], int, float]] = []
    remarks = []
    by_name = {s.name: s for s in PIECES}
    for kind in kinds:
        names = [n for n in known if kind.fits(by_name[n])]
        own = [n for n in names if known[n].share(kind.rule) > _OWN_SHARE]
        places = [n for n in names if n not in own]
        if own:
            remarks.append(f"{kind.rule}: not put into {', '.join(own)} (it is there)")
        if not places:
            remarks.append(f"{kind.rule}, {kind.name}: no piece to put it into")
            continue
        # Strengths meet pieces at random, not always the same ones.
        order = np.random.default_rng([RANDOM_STATE, trials]).permutation(trials)
        levels = strengths(kind, trials)
        out += [
            (kind, [by_name[n] for n in turned(places, i)], i, levels[k])
            for i, k in enumerate(order.tolist())
        ]
    return out, remarks


def _known_rules() -> set[str]:
    from qc.measures import all_measures

    return {rule for m in all_measures() for rule in m.rule_labels}


def run(
    *,
    split: str = "test",
    rules: Sequence[str] = (),
    trials: int = _TRIALS,
    jobs: int = 2,
    quick: bool = False,
    keep: Path | None = None,
    say: Callable[[str], None] = lambda _: None,
    ready: Callable[[Outcome, str], None] = lambda _out, _rule: None,
) -> Outcome:
    """Run the bench.

    Parameters
    ----------
    rules : sequence of str
        Only these; all that are measured if empty.
    trials : int
        Faults put in of each kind.
    quick : bool
        A few faults and pieces, about a minute.
    ready : function of (Outcome, rule)
        Told when a rule's faults are all through.
    """
    out = Outcome()
    able = _known_rules()
    wanted = [k for k in KINDS if not rules or k.rule in rules]
    kinds = [k for k in wanted if k.rule in able]
    for rule in dict.fromkeys(k.rule for k in wanted if k.rule not in able):
        out.remarks.append(f"{rule}: not measured yet, skipped")
    sources = [s for s in PIECES if s.split == split and s.there]
    absent = [s.name for s in PIECES if s.split == split and not s.there]
    if absent:
        out.remarks.append(f"recordings that are not there: {', '.join(absent)}")
    if quick:
        trials = _QUICK_TRIALS
        sources = [s for s in sources if s.quick]
    judged = {k.rule for k in kinds}
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:
        known: dict[str, Untouched] = {}
        for found in pool.map(untouched, sources):
            if found.failed:
                out.remarks.append(f"{found.name}: {found.failed}")
                continue
            known[found.name] = found
            out.minutes += found.seconds / 60
            if found.shake_seconds is not None:
                short = (found.seconds - found.shake_seconds) / 60
                out.less[_SHAKE] = out.less.get(_SHAKE, 0.0) + short
        for source in sources:
            if source.name in known:
                out.alarms += [
                    score.Alarm(source.name, f, source.known.get(f.rule, ""))
                    for f in known[source.name].findings
                    if f.rule in judged
                ]
        tasks, remarks = plan(kinds, known, trials)
        out.remarks += remarks
        waiting: dict[Future[score.Case | None], tuple[Kind, str, int]] = {
            pool.submit(somewhere, k, s, n, x, known, keep): (k, s[0].name, n)
            for k, s, n, x in tasks
        }
        left = Counter(kind.rule for kind, *_ in tasks)
        for number, done in enumerate(as_completed(waiting), 1):
            kind, name, trial = waiting[done]
            try:
                case = done.result()
            except Exception as error:  # a fault that broke the check is told
                out.remarks.append(f"{kind.rule}, {kind.name}, {name} {trial}: {error}")
                case = None
            if case is not None:
                out.cases.append(case)
            left[kind.rule] -= 1
            if not left[kind.rule]:
                ready(out, kind.rule)
            if number % 20 == 0:
                say(f"{number} of {len(tasks)}")
    order = {k.rule: i for i, k in enumerate(KINDS)}
    out.cases.sort(key=lambda c: (order[c.rule], c.kind, c.strength))
    return out


@section("faults", "faults put into real recordings")
def faults(task: Task) -> list[Row]:
    """Give recall, false alarms, edges and threshold of each rule."""
    out = run(split=task.split, trials=task.count or _TRIALS)
    rows = []
    for line in lines(out):
        name = f"{line.rule} {line.kind}".strip()
        rows.append(
            Row(f"{name} recall", line.recall, line.noticed, "",
                None if line.kind else _GOAL_RECALL,
                remark=f"{line.put} put in, half found at {line.half:.3g} {line.unit}")
        )  # fmt: skip
        if line.kind:
            continue
        rows.append(
            Row(f"{name} false alarms a minute", line.per_minute, line.alarms, "",
                _GOAL_ALARMS, at_least=False,
                remark=f"{out.minutes_of(line.rule):.1f} minutes")
        )  # fmt: skip
        if line.edges:
            rows.append(
                Row(f"{name} edge, 90 %", line.edge_p90, line.edges, " frames",
                    NEAR_FRAMES, at_least=False,
                    remark=f"median {line.edge_median:.2g}")
            )  # fmt: skip
    for remark in out.remarks:
        print(remark)
    return rows


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the bench and print its table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--rules", nargs="*", default=[], help="only these rules")
    parser.add_argument("--split", choices=("tune", "test"), default="test")
    parser.add_argument("--trials", type=int, default=_TRIALS, help="faults of a kind")
    parser.add_argument("--jobs", type=int, default=min(2, os.cpu_count() or 1))
    parser.add_argument("--quick", action="store_true", help="about a minute")
    parser.add_argument("--json", type=Path, help="write every case to this file")
    parser.add_argument(
        "--list", type=Path, help="write misses and false alarms of each rule there"
    )
    parser.add_argument("--keep", type=Path, help="keep the faulty pieces there")
    given = parser.parse_args(arguments)
    known = {k.rule for k in KINDS}
    if unknown := sorted(set(given.rules) - known):
        parser.error(f"no such rule: {', '.join(unknown)}; there are: {sorted(known)}")
    for folder in (given.list, given.keep):
        if folder is not None:
            folder.mkdir(parents=True, exist_ok=True)
    began = time.monotonic()

    def ready(so_far: Outcome, rule: str) -> None:
        if given.list is not None:
            place = given.list / f"accuracy_{rule}.txt"
            place.write_text(listing(so_far, rule))

    out = run(
        split=given.split,
        rules=given.rules,
        trials=given.trials,
        jobs=given.jobs,
        quick=given.quick,
        keep=given.keep,
        say=lambda text: print(text, file=sys.stderr, flush=True),
        ready=ready,
    )
    print(table(out))
    print(f"{len(out.cases)} faults in {time.monotonic() - began:.0f} s")
    if given.json is not None:
        given.json.write_text(json.dumps(out.record(), indent=1, default=str) + "\n")
    return 0


if __name__ == "__main__":
    # Workers import this by its name: what they are given must come from there too.
    from tests.bench.inject import main as _main

    raise SystemExit(_main())
