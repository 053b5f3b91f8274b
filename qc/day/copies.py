"""Takes that hold the same recording."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from qc.daybook import DayTake
from qc.report.day_facts import TakeFacts, name_order

__all__ = ["Groups", "same_recordings"]


class Groups:
    """Things that belong together because of what each has in common with another.

    Examples
    --------
    >>> groups = Groups()
    >>> groups.join("b", "c"); groups.join("a", "b"); groups.join("x", "x")
    >>> groups.members()
    [['b', 'c', 'a']]
    """

    def __init__(self) -> None:
        self._parent: dict[str, str] = {}

    def _root(self, item: str) -> str:
        self._parent.setdefault(item, item)
        while (above := self._parent[item]) != item:
            self._parent[item] = item = self._parent[above]
        return item

    def join(self, one: str, other: str) -> None:
        """Put two things into one group."""
        first, second = self._root(one), self._root(other)
        self._parent[second] = first

    def members(self) -> list[list[str]]:
        """Return the groups of at least two, in the order of first mention."""
        found: dict[str, list[str]] = {}
        for item in self._parent:
            found.setdefault(self._root(item), []).append(item)
        return [group for group in found.values() if len(group) > 1]


def same_recordings(takes: Sequence[DayTake]) -> list[list[DayTake]]:
    """Return groups of takes that hold the same recording, in name order.

    The same bytes, or the same decoded content: pictures hold noise, so that no two
    recordings agree to the last bit. Pictures of no content at all (a lens cap) may:
    such takes are the same only if nothing says that they began at different times.
    """
    readable = sorted(
        (t for t in takes if t.readable), key=lambda t: name_order(t.name)
    )
    groups = Groups()
    for key in (_fingerprint, _content):
        firsts: dict[str, list[DayTake]] = {}
        for take in readable:
            mark = key(take)
            if not mark:
                continue
            for other in firsts.setdefault(mark, []):
                if key is _fingerprint or not _told_apart(other, take):
                    groups.join(other.name, take.name)
                    break
            else:
                firsts[mark].append(take)
    by_name = {take.name: take for take in readable}
    members = [_in_order(by_name[n] for n in group) for group in groups.members()]
    return sorted(members, key=lambda group: name_order(group[0].name))


def _in_order(takes: Iterable[DayTake]) -> list[DayTake]:
    return sorted(takes, key=lambda take: name_order(take.name))


def _day(take: DayTake) -> Mapping[str, Any]:
    day: Mapping[str, Any] = take.document.get("day") or {}
    return day


def _fingerprint(take: DayTake) -> str:
    return str(take.document["take"].get("fingerprint") or "")


def _content(take: DayTake) -> str:
    return str(_day(take).get("content") or "")


def _told_apart(one: DayTake, other: DayTake) -> bool:
    """Tell whether takes of equal content are two recordings of nothing."""
    if not (_empty(one) and _empty(other)):
        return False
    a, b = TakeFacts.of(one), TakeFacts.of(other)
    if a.has_timecode and b.has_timecode:
        return a.start_label != b.start_label
    created = [_day(take).get("created") for take in (one, other)]
    return None not in created and created[0] != created[1]


def _empty(take: DayTake) -> bool:
    strips: Mapping[str, Any] = _day(take).get("strips") or {}
    told = [
        {v for v in strips.get(name) or () if v is not None}
        for name in ("exposure", "sound")
    ]
    return all(len(values) < 2 for values in told)
