"""What is told of pictures that do not belong between their neighbours."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from qc.measures.base import Measured, finding_of
from qc.measures.parts.damage.straylooks import Stray
from qc.records import Finding, Grade, Readings

__all__ = ["stray_findings", "strays_of"]

# Screens change at once, and back, for good reasons; a camera's pictures change all
# over, if only by noise. Percent of the pixels that change from picture to picture.
_ALIVE_PERCENT = 0.5
# A bad cable breaks many pictures; so many are told one by one, then those less than
# so many seconds apart together.
_SINGLY, _APART_S = 24, 1.0

_ADVICE = (
    "The recorder wrote what it was given. Push home or replace the cable and the "
    "plugs between camera and recorder, look at the picture at the camera's own "
    "output, and use a card fast enough for the format. Cut around the picture, or "
    "put its neighbour in its place."
)
# What one picture, or several, does instead.
_DOES = {
    "flat": ("is of one colour", "are of one colour"),
    "other": ("shows something else", "show something else"),
    "old": ("shows what was there before", "show what was there before"),
    "shifted": ("is shifted sideways", "are shifted sideways"),
    "rolled": ("is rolled round the frame", "are rolled round the frame"),
    "colour": ("has lost or exchanged its colours", "have lost or exchanged colours"),
}
_BROKEN = "Broken before it was coded: at the camera, the cable or the recorder."


def strays_of(measured: Measured) -> Sequence[Stray]:
    """Return the stray pictures of a take; none of what is hardly a camera's."""
    readings = measured.picture
    found = measured.totals.get("damage", {}).get("stray", ())
    if readings is None or not isinstance(found, Sequence) or not found:
        return ()
    changed = "stillness.changed_percent"
    if changed in readings.columns:
        known = readings[changed]
        known = known[np.isfinite(known)]
        if known.size and float(np.median(known)) < _ALIVE_PERCENT:
            return ()
    return found


def stray_findings(measured: Measured) -> Iterator[Finding]:
    """Tell of pictures that decode well and do not belong where they are."""
    readings, strays = measured.picture, strays_of(measured)
    if readings is None or not strays:
        return
    times = readings.times()
    groups: list[list[Stray]] = []
    for stray in strays:
        joins = (
            len(strays) > _SINGLY
            and groups
            and times[stray.first] - times[groups[-1][-1].last] < _APART_S
        )
        if joins:
            groups[-1].append(stray)
        else:
            groups.append([stray])
    for group in groups:
        yield _finding(measured, readings, group)


def _finding(measured: Measured, readings: Readings, group: list[Stray]) -> Finding:
    first, last = group[0].first, group[-1].last
    count = sum(s.last - s.first for s in group)
    return finding_of(
        measured,
        readings,
        rule="file.damaged",
        grade=Grade.REVIEW,
        first=first,
        last=last,
        worst_row=first,
        worst=float(count),
        unit="frames",
        message=_said(group, count),
        advice=_ADVICE,
        where=_where(measured, group),
    )


def _said(group: list[Stray], count: int) -> str:
    if len(group) > 1:
        return (
            f"{count} pictures here do not belong between their neighbours, in "
            f"{len(group)} places. {_BROKEN}"
        )
    (stray,) = group
    if stray.kind == "swapped":
        return f"Two pictures are in each other's place. {_BROKEN}"
    alone, together = _DOES[stray.kind]
    what, their = (
        ("One picture", "its") if count == 1 else (f"{count} pictures", "their")
    )
    if stray.top > 0.0 or stray.bottom < 1.0:
        a, b = round(100 * stray.top), round(100 * stray.bottom)
        part = "one picture" if count == 1 else what
        return (
            f"A part of {part}, from {a} to {b} % of its height, does not belong "
            f"between {their} neighbours: it {alone}. {_BROKEN}"
        )
    if count == 1:
        return f"{what} does not belong between its neighbours: it {alone}. {_BROKEN}"
    return (
        f"{what} together do not belong between their neighbours: they {together}. "
        f"{_BROKEN}"
    )


def _where(measured: Measured, group: list[Stray]) -> tuple[int, int, int, int] | None:
    video = measured.info.video
    top, bottom = min(s.top for s in group), max(s.bottom for s in group)
    if video is None or not video.height or (top <= 0.0 and bottom >= 1.0):
        return None
    a, b = round(top * video.height), round(bottom * video.height)
    return 0, a, video.width, b - a
