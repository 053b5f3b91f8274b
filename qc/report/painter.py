"""Frames painted for the page: small, the right way up, with marks and a legend."""

from __future__ import annotations

import base64
from dataclasses import dataclass, replace
from typing import cast

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.errors import QCError
from qc.limits import Limits
from qc.measures.base import Measure, Setup
from qc.records import Finding, Marks, Still, TakeResult
from qc.report.overlay import (
    area_look,
    outline_look,
    paint_areas,
    paint_corners,
    paint_outline,
)
from qc.report.viewing import View, for_screen

__all__ = ["Beside", "Jpeg", "Legend", "MarkedStill", "Painter"]

_WIDE, _THUMB, _POSTER = 960, 288, 480
_QUALITY = 80
# All large pictures of a report together, so that a page stays under 5 MB of text.
_BYTES_FOR_ALL = 2_100_000
_BYTES_FOR_ONE = 260_000
_LOWER = ((_WIDE, 80), (_WIDE, 68), (800, 60), (640, 55), (480, 50))
# Frames side by side all have one size, chosen beforehand by what each may cost.
_SIDE_BY_SIDE = ((90_000, 800), (50_000, 640), (0, 480))
_QUALITIES = (80, 68, 55, 45)
# A piece of the coded picture, pixel for pixel, in which focus can be seen.
_DETAIL = (480, 270)
_DETAIL_QUALITY = 72


@dataclass(frozen=True, slots=True)
class Jpeg:
    """A picture that stands in the page itself."""

    uri: str
    width: int
    height: int

    @property
    def bytes(self) -> int:
        """Size of the picture itself, without the text that carries it."""
        return len(self.uri) * 3 // 4


@dataclass(frozen=True, slots=True)
class Legend:
    """What one kind of mark means."""

    swatch: str
    label: str


@dataclass(frozen=True, slots=True)
class Beside:
    """Another frame to compare with, as large as the worst one.

    Attributes
    ----------
    at : str
        Its timecode label.
    detail : Jpeg or None
        The middle of it pixel for pixel; None where the whole shows that already.
    """

    large: Jpeg
    at: str
    caption: str
    detail: Jpeg | None = None


@dataclass(frozen=True, slots=True)
class MarkedStill:
    """The worst frame of a finding."""

    number: int
    large: Jpeg
    small: Jpeg
    caption: str
    legend: tuple[Legend, ...]
    beside: tuple[Beside, ...] = ()
    detail: Jpeg | None = None


class Painter:
    """Turns stills of one take into pictures for the page.

    Parameters
    ----------
    count : int
        How many large pictures there will be: they share a budget of bytes.
    """

    def __init__(
        self, result: TakeResult, measures: tuple[Measure, ...], *, count: int
    ) -> None:
        limits = result.limits
        if not isinstance(limits, Limits):
            limits = Limits(limits)
        self._setup = Setup(result.info, limits, result)
        self._marks = {rule: m.mark for m in measures for rule in m.rule_labels}
        self._budget = min(_BYTES_FOR_ONE, _BYTES_FOR_ALL // max(count, 1))
        self._side = next(w for least, w in _SIDE_BY_SIDE if self._budget >= least)

    def poster(self, still: Still) -> Jpeg:
        """Return a small picture without marks, to know the take by."""
        return _encode(self._seen(still, self._view(still, _POSTER)), _QUALITY)

    def beside(self, still: Still) -> Jpeg:
        """Return a picture without marks, to stand beside others of its size."""
        rgb = self._seen(still, self._view(still, self._side))
        return self._within(rgb)

    def marked(
        self, number: int, finding: Finding, still: Still, *, compared: bool
    ) -> MarkedStill:
        """Return the picture with the finding's marks, large and small."""
        mark = self._marks.get(finding.rule)
        marks = Marks() if mark is None else mark(still.picture, self._setup, finding)
        if compared:
            view = self._view(still, self._side)
            rgb, legend = self._painted(still, view, marks, finding)
            large = self._within(rgb)
        else:
            for longest, quality in _LOWER:
                view = self._view(still, longest)
                rgb, legend = self._painted(still, view, marks, finding)
                large = _encode(rgb, quality)
                if large.bytes <= self._budget:
                    break
        rgb, _ = self._painted(still, self._view(still, _THUMB), marks, finding)
        return MarkedStill(
            number,
            large,
            _encode(rgb, 72),
            marks.caption,
            legend,
            detail=self.detail(still, finding) if compared else None,
        )

    def detail(self, still: Still, finding: Finding) -> Jpeg | None:
        """Return a piece of a picture pixel for pixel, without marks.

        It lies where the finding is worst, else in the middle; None where the picture
        is hardly larger.
        """
        height, width = still.rgb.shape[:2]
        wide, high = _DETAIL
        if width < 1.5 * wide or height < 1.5 * high:
            return None
        x, y, w, h = finding.where or (0, 0, width, height)
        left = min(max(x + (w - wide) // 2, 0), width - wide)
        top = min(max(y + (h - high) // 2, 0), height - high)
        piece = replace(still, rgb=still.rgb[top : top + high, left : left + wide])
        # Its longer side, after the pixels are stretched, is no more than this.
        return _encode(self._seen(piece, self._view(piece, 2 * wide)), _DETAIL_QUALITY)

    def _within(self, rgb: NDArray[np.uint8]) -> Jpeg:
        """Return a picture in the best quality that the budget allows."""
        for quality in _QUALITIES:
            large = _encode(rgb, quality)
            if large.bytes <= self._budget:
                break
        return large

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
        for i, (kind, _) in enumerate(areas):
            # The first is what the finding is about; of the rest, what is there.
            if kind in drawn or i == 0:
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
