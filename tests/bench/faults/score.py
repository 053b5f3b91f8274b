"""Found, missed, how near the edges, and from which strength on."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np

__all__ = ["Alarm", "Case", "Told", "match", "named_share", "threshold"]


_LABEL = re.compile(r"(\d\d):(\d\d):(\d\d)[:;](\d\d)")
_MORE = re.compile(r"and (\d+) more")


@dataclass(frozen=True)
class Told:
    """A finding, in frames of the take."""

    rule: str
    grade: str
    first: int
    last: int
    worst: float | None = None
    limit: float | None = None
    where: tuple[int, int, int, int] | None = None
    message: str = ""


@dataclass
class Case:
    """One fault put in, and what was told of it.

    Attributes
    ----------
    noticed : bool
        A viewer notices it; what recall is asked of.
    unseen : bool
        Strong enough, but the screen hardly shows it (`visible`).
    """

    rule: str
    kind: str
    piece: str
    number: int
    strength: float
    noticed: bool
    span: tuple[int, int]
    found: bool
    grade: str = ""
    edges: tuple[float, ...] = ()
    worst: float | None = None
    others: tuple[str, ...] = ()
    stray: int = 0
    told: Mapping[str, Any] = field(default_factory=dict)
    seconds: float = 0.0
    unseen: bool = False

    def record(self) -> dict[str, Any]:
        return asdict(self)


@dataclass
class Alarm:
    """A finding on an untouched piece."""

    piece: str
    told: Told
    why: str = ""

    @property
    def false(self) -> bool:
        return not self.why


def _common(a: tuple[int, int], b: tuple[int, int]) -> int:
    return max(0, min(a[1], b[1]) - max(a[0], b[0]))


def _box(a: Sequence[int], b: Sequence[int]) -> bool:
    return all(a[i] < b[i] + b[i + 2] and b[i] < a[i] + a[i + 2] for i in (0, 1))


def match(
    rule: str,
    span: tuple[int, int],
    findings: Iterable[Told],
    before: Iterable[Told],
    *,
    total: int,
    edges: str = "both",
    where: tuple[int, int, int, int] | None = None,
) -> tuple[list[Told], tuple[float, ...]]:
    """Return the findings that tell of a fault, and how far their ends are from it.

    Parameters
    ----------
    findings, before : of the piece with the fault, and of the untouched piece
        A finding that was there before, over mostly the same frames, tells nothing.
    total : int
        Frames of the piece; ends of the piece are no edges.
    edges : "both", "start" or "none"

    Returns
    -------
    findings, distances in frames

    Examples
    --------
    >>> told = [Told("a", "review", 11, 20), Told("a", "review", 50, 60)]
    >>> match("a", (10, 20), told, [], total=100)[1]
    (1.0, 0.0)
    >>> match("a", (10, 20), told, told, total=100)
    ([], ())
    """
    own = [f for f in before if f.rule == rule]

    def new(f: Told) -> bool:
        me = (f.first, f.last)
        return not any(
            2 * _common(me, (o.first, o.last))
            >= max(f.last, o.last) - min(f.first, o.first)
            for o in own
        )

    good = [
        f
        for f in findings
        if f.rule == rule
        and _common((f.first, f.last), span)
        and new(f)
        and (where is None or f.where is None or _box(f.where, where))
    ]
    if not good:
        return [], ()
    out = []
    if edges in ("both", "start") and span[0] > 0:
        out.append(float(abs(min(f.first for f in good) - span[0])))
    if edges == "both" and span[1] < total:
        out.append(float(abs(max(f.last for f in good) - span[1])))
    return good, tuple(out)


def named_share(
    frames: Sequence[int], findings: Iterable[Told], per_second: int
) -> float:
    """Return the share of frames that the messages name by their labels.

    Labels count from 00:00:00:00; what a message only counts ("and 3 more") is taken to
    be right.

    Examples
    --------
    >>> told = Told("a", "note", 5, 31, message="2 frames: 00:00:00:05, 00:00:01:06.")
    >>> named_share([5, 31, 40], [told], 25)
    0.6666666666666666
    """
    named: set[int] = set()
    more = 0
    for finding in findings:
        for h, m, s, f in _LABEL.findall(finding.message):
            named.add(((int(h) * 60 + int(m)) * 60 + int(s)) * per_second + int(f))
        more += sum(int(n) for n in _MORE.findall(finding.message))
    return min(1.0, (len(named & set(frames)) + more) / max(len(frames), 1))


def threshold(strengths: Sequence[float], found: Sequence[bool]) -> float:
    """Return the strength at which half are found: logistic fit on its logarithm.

    A weak prior on the slope (sd 10 about 4, per factor of e) keeps the fit finite when
    found and missed do not overlap.

    Returns
    -------
    float
        NaN without both found and missed faults.

    Examples
    --------
    >>> at = threshold([1, 1.5, 2, 3, 4, 6], [False, False, False, True, True, True])
    >>> 2 < at < 3
    True
    """
    from scipy.optimize import minimize

    x = np.log(np.maximum(np.asarray(strengths, float), 1e-6))
    y = np.asarray(found, bool)
    if not y.any() or y.all():
        return math.nan

    def cost(p: np.ndarray[Any, Any]) -> float:
        z = p[1] * (x - p[0])
        fit = np.logaddexp(0, np.where(y, -z, z)).sum()
        return float(fit + ((p[1] - 4) / 10) ** 2 / 2 + ((p[0] - x.mean()) / 3) ** 2)

    best = min(
        (
            minimize(cost, np.array([at, 4.0]), method="Nelder-Mead")
            for at in np.quantile(x, (0.25, 0.5, 0.75))
        ),
        key=lambda r: r.fun,
    )
    return float(math.exp(best.x[0]))
