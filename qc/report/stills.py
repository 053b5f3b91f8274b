"""Pictures for the report: the worst frames with what is wrong marked on them."""

from __future__ import annotations

import base64
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import cast

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.errors import QCError
from qc.limits import Limits
from qc.measures.base import Measure, Setup
from qc.media import stills_at
from qc.records import Finding, Marks, Still, TakeResult
from qc.report.overlay import (
    area_look,
    outline_look,
    paint_areas,
    paint_corners,
    paint_outline,
)
from qc.report.viewing import View, for_screen

__all__ = [
    "MOST_STILLS",
    "Jpeg",
    "Legend",
    "MarkedStill",
    "Stills",
    "take_stills",
    "worst_first",
]

MOST_STILLS = 24
"""Pictures of faults a report; the rest of the findings say why they have none."""

_WIDE, _THUMB, _POSTER = 960, 288, 480
_QUALITY = 80
# All large pictures of a report together, so that a page stays under 5 MB of text.
_BYTES_FOR_ALL = 2_100_000
_BYTES_FOR_ONE = 260_000
_LOWER = ((_WIDE, 80), (_WIDE, 68), (800, 60), (640, 55), (480, 50))

_NO_COLOUR = (
    "An HDR picture on a page for ordinary screens: brightness and colour are not true."
)


@dataclass(frozen=True, slots=True)
class Jpeg:
    """A picture that stands in the page itself."""

    uri: str
    width: int
    height: int


@dataclass(frozen=True, slots=True)
class Legend:
    """What one kind of mark means."""

    swatch: str
    label: str


@dataclass(frozen=True, slots=True)
class MarkedStill:
    """The worst frame of a finding."""

    number: int
    large: Jpeg
    small: Jpeg
    caption: str
    legend: tuple[Legend, ...]


@dataclass(frozen=True, slots=True)
class Stills:
    """The pictures of a report.

    Attributes
    ----------
    by_number : mapping of a finding's number to its picture
    why_none : mapping of a finding's number to why it has no picture
    note : str
        What holds for all pictures.
    """

    by_number: dict[int, MarkedStill] = field(default_factory=dict)
    why_none: dict[int, str] = field(default_factory=dict)
    poster: Jpeg | None = None
    note: str = ""


def worst_first(numbers: Iterable[tuple[int, Finding]]) -> list[tuple[int, Finding]]:
    """Return numbered findings, the gravest and then the longest first."""
    return sorted(numbers, key=lambda n: (-n[1].grade.rank, -n[1].duration, n[0]))


def take_stills(
    result: TakeResult,
    measures: Iterable[Measure],
    numbers: Iterable[tuple[int, Finding]],
) -> Stills:
    """Fetch and mark the worst frames of a take.

    Parameters
    ----------
    numbers : iterable of (number, Finding)
        Findings as numbered on the page.

    Returns
    -------
    Stills
        Without pictures, and saying so, where the recording cannot be read again.
    """
    picture, video = result.picture, result.info.video
    numbers = list(numbers)
    if picture is None or not picture.rows or video is None:
        return Stills()
    shown, why_none = _chosen(numbers, rows=picture.rows)
    wanted: dict[int, list[tuple[int, Finding]]] = {}
    for number, finding in shown:
        tick = int(picture.edges[finding.worst_pts_row or 0])
        wanted.setdefault(tick, []).append((number, finding))
    poster_tick = int(picture.edges[_poster_row(result)])
    painter = _Painter(result, tuple(measures), count=len(shown))
    marked: dict[int, MarkedStill] = {}
    poster = None
    try:
        for tick, still in stills_at(result.info, [*wanted, poster_tick]):
            if tick == poster_tick:
                poster = painter.plain(still, _POSTER)
            for number, finding in wanted.get(tick, ()):
                marked[number] = painter.marked(number, finding, still)
    except (QCError, OSError):
        gone = "The recording has changed, or could not be read again for a picture."
        why_none |= {number: gone for number, _ in shown if number not in marked}
    for number, _ in shown:
        if number not in marked:
            why_none.setdefault(number, "This frame could not be decoded again.")
    note = _NO_COLOUR if video.signal.is_hdr else ""
    return Stills(marked, why_none, poster, note)


def _chosen(
    numbers: list[tuple[int, Finding]], *, rows: int
) -> tuple[list[tuple[int, Finding]], dict[int, str]]:
    why_none: dict[int, str] = {}
    seen: list[tuple[int, Finding]] = []
    for number, finding in worst_first(numbers):
        row = finding.worst_pts_row
        if row is None or not 0 <= row < rows:
            why_none[number] = "Not a fault that a picture shows."
        elif len(seen) == MOST_STILLS:
            why_none[number] = (
                f"Only the {MOST_STILLS} gravest and longest have a picture."
            )
        else:
            seen.append((number, finding))
    return seen, why_none


def _poster_row(result: TakeResult) -> int:
    """Return the row in the middle of the longest usable stretch, else of the take."""
    assert result.picture is not None  # noqa: S101 -- the caller has looked
    edges, base = result.picture.edges, result.picture.time_base
    best = max(result.usable, key=lambda r: r.duration, default=None)
    middle = (best.start + best.end) / 2 if best is not None else result.duration / 2
    row = int(np.searchsorted(edges, int(middle / base), side="right")) - 1
    return min(max(row, 0), result.picture.rows - 1)


class _Painter:
    """Turns stills of one take into pictures for the page."""

    def __init__(
        self, result: TakeResult, measures: tuple[Measure, ...], *, count: int
    ) -> None:
        limits = result.limits
        if not isinstance(limits, Limits):
            limits = Limits(limits)
        self._setup = Setup(result.info, limits, result)
        self._marks = {rule: m.mark for m in measures for rule in m.rule_labels}
        self._budget = min(_BYTES_FOR_ONE, _BYTES_FOR_ALL // max(count, 1))

    def plain(self, still: Still, longest: int) -> Jpeg:
        """Return the picture without marks."""
        return _encode(self._seen(still, self._view(still, longest)), _QUALITY)

    def marked(self, number: int, finding: Finding, still: Still) -> MarkedStill:
        """Return the picture with the finding's marks, large and small."""
        mark = self._marks.get(finding.rule)
        marks = Marks() if mark is None else mark(still.picture, self._setup, finding)
        for longest, quality in _LOWER:
            view = self._view(still, longest)
            rgb, legend = self._painted(still, view, marks, finding)
            large = _encode(rgb, quality)
            if len(large.uri) * 3 // 4 <= self._budget:
                break
        rgb, _ = self._painted(still, self._view(still, _THUMB), marks, finding)
        return MarkedStill(number, large, _encode(rgb, 72), marks.caption, legend)

    def _view(self, still: Still, longest: int) -> View:
        video = self._setup.info.video
        assert video is not None  # noqa: S101 -- there is a still
        size = (still.rgb.shape[1], still.rgb.shape[0])
        return View.of(video, size, longest)

    def _seen(self, still: Still, view: View) -> NDArray[np.uint8]:
        return for_screen(view.picture(still.rgb), still.picture.signal)

    def _painted(
        self, still: Still, view: View, marks: Marks, finding: Finding
    ) -> tuple[NDArray[np.uint8], tuple[Legend, ...]]:
        rgb = np.ascontiguousarray(self._seen(still, view))
        areas = [(kind, view.coverage(mask)) for kind, mask in marks.areas]
        drawn = paint_areas(rgb, areas)
        legend = []
        for kind, _ in areas:
            look, none = area_look(kind), "" if kind in drawn else " (none here)"
            legend.append(Legend(look.swatch, look.label + none))
        for kind, points in marks.outlines:
            paint_outline(rgb, kind, view.points(points))
            entry = Legend(outline_look(kind).swatch, outline_look(kind).label)
            if entry not in legend:
                legend.append(entry)
        if finding.where is not None and not marks.outlines:
            paint_corners(rgb, view.box(finding.where))
            legend.append(Legend("corners", "Where it is worst"))
        return rgb, tuple(legend)


def _encode(rgb: NDArray[np.uint8], quality: int) -> Jpeg:
    bgr = cv2.cvtColor(rgb, cv2.COLOR_RGB2BGR)
    done, data = cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, quality])
    if not done:
        raise QCError("a picture for the report could not be written as JPEG")
    text = base64.b64encode(cast("NDArray[np.uint8]", data).tobytes()).decode("ascii")
    return Jpeg(f"data:image/jpeg;base64,{text}", rgb.shape[1], rgb.shape[0])
