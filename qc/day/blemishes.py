"""The same spot in several takes: it lies on the lens or the sensor since then."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from qc.day.clock import Placed
from qc.day.wording import joined, names
from qc.daybook import DayFinding
from qc.measures.parts.spots.blemishwords import PIXEL_ADVICE, place
from qc.records import Grade

__all__ = ["same_blemishes"]

_RULE, _OF_TAKE = "day.blemish", "picture.blemish"
# A box found anew is off by some of its size, and never surer than this share of the
# width (house choices).
_OFF_BY_SIZE, _OFF_BY_WIDTH = 0.5, 0.01
_LARGER = 2.5
_PIXEL_SIDE, _PIXEL_OFF = 3, 2

_CLEAN = (
    "Look at the front lens, the dioptre and the drape before every case, with a "
    "bright even surface in the picture and the iris nearly closed; clean them as soon "
    "as a spot shows. If it comes back in the same place it lies on the sensor: have "
    "it cleaned."
)


@dataclass(frozen=True, slots=True, eq=False)
class _Mark:
    """A blemish of one take; place and size as shares of the picture's width."""

    take: Placed
    grade: Grade
    box: tuple[int, int, int, int]
    size: tuple[int, int]
    rotation: int
    since: str
    from_start: bool

    @property
    def pixel(self) -> bool:
        """Whether it is a single pixel."""
        return max(self.box[2:]) <= _PIXEL_SIDE

    @property
    def centre(self) -> tuple[float, float]:
        """Its middle, as shares of width and height."""
        x, y, w, h = self.box
        return (x + w / 2) / self.size[0], (y + h / 2) / self.size[1]

    @property
    def across(self) -> float:
        """Its larger side as a share of the picture's width."""
        return max(self.box[2:]) / self.size[0]

    def same(self, other: _Mark) -> bool:
        """Return whether another take's blemish lies in this place."""
        if self.pixel or other.pixel:
            alike = self.pixel and other.pixel and self.size == other.size
            (x, y), (u, v) = self.box[:2], other.box[:2]
            return alike and max(abs(x - u), abs(y - v)) <= _PIXEL_OFF
        small, large = sorted((self.across, other.across))
        if large > _LARGER * small:
            return False
        across = self.centre[0] - other.centre[0]
        down = (self.centre[1] - other.centre[1]) * self.size[1] / self.size[0]
        off = max(_OFF_BY_SIZE * 0.5 * (small + large), _OFF_BY_WIDTH)
        return math.hypot(across, down) <= off


def same_blemishes(group: Sequence[Placed]) -> Iterator[DayFinding]:
    """Yield spots and pixels that stay in their place over several takes.

    Parameters
    ----------
    group : sequence of Placed
        Takes of one camera in order of time, without copies.
    """
    chains: list[list[_Mark]] = []
    for one in group:
        for mark in _marks(one):
            fitting = [
                chain
                for chain in chains
                if chain[-1].take is not one and any(mark.same(m) for m in chain[-2:])
            ]
            if fitting:
                nearest = min(fitting, key=lambda chain: _apart(chain[-1], mark))
                nearest.append(mark)
            else:
                chains.append([mark])
    for chain in chains:
        if len(chain) > 1:
            yield _finding(chain, group)


def _apart(one: _Mark, other: _Mark) -> float:
    (a, b), (c, d) = one.centre, other.centre
    return math.hypot(a - c, b - d)


def _marks(one: Placed) -> list[_Mark]:
    """Return a take's blemishes; a kept document may hold what nobody expects."""
    told: Mapping[str, Any] = one.take.document["take"]
    width, height = int(told.get("width") or 0), int(told.get("height") or 0)
    if min(width, height) <= 0:
        return []
    out = []
    for finding in one.take.document.get("findings") or ():
        box = finding.get("where")
        if finding.get("rule") != _OF_TAKE or not _is_box(box):
            continue
        x, y, w, h = box
        if x + w > width or y + h > height:
            continue
        out.append(
            _Mark(
                take=one,
                grade=Grade(finding["grade"]),
                box=(x, y, w, h),
                size=(width, height),
                rotation=int(told.get("rotation") or 0),
                since=str(finding.get("start_tc", "")),
                from_start=finding["start_s"] <= 0,
            )
        )
    return out


def _is_box(box: object) -> bool:
    return (
        isinstance(box, Sequence)
        and len(box) == 4
        and all(isinstance(n, int) and n >= 0 for n in box)
        and min(box[2:]) > 0
    )


def _finding(chain: list[_Mark], group: Sequence[Placed]) -> DayFinding:
    first, last = chain[0], chain[-1]
    where = place(*first.centre, first.rotation)
    what = "The same stuck or dead pixel" if first.pixel else "The same spot"
    if first.pixel:
        what += f" {where} (column {first.box[0] + 1}, row {first.box[1] + 1})"
    else:
        size = 100.0 * sum(m.across for m in chain) / len(chain)
        what += f" {where}, about {size:.1f} % of the picture's width across,"
    begins = names([first.take.name])
    if not first.from_start and first.since:
        begins += f" at {first.since}"
    found = [m.take for m in chain]
    message = f"{what} is in {len(chain)} takes, from {begins} on"
    message += f": {names([p.name for p in found])}."
    places = [group.index(p) for p in found]
    between = [p.name for p in group[places[0] : places[-1] + 1] if p not in found]
    after = [p.name for p in group[places[-1] + 1 :]]
    silent = []
    if between:
        silent.append(f"in between in {names(between)}")
    if after:
        silent.append(f"afterwards in {names(after)}")
    if silent:
        message += (
            f" It was not found {joined(silent)}: it was gone, or the picture stood "
            "too still to tell."
        )
    known = first.take.basis.known and last.take.basis.known
    return DayFinding(
        rule=_RULE,
        grade=max((m.grade for m in chain), key=lambda g: g.rank),
        takes=tuple(p.name for p in found),
        message=message,
        advice=PIXEL_ADVICE if first.pixel else _CLEAN,
        start=float(first.take.start) if known else None,
        end=float(last.take.end) if known else None,
    )
