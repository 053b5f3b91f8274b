"""Marks on a still: weave, stitches, dots and outlines in a dark and a light tone.

Every mark holds both tones side by side, so that it stands out on burnt-out white as
well as on deep red, in print and to eyes that do not tell colours apart. The picture
stays visible between the marks, in its own colours.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.report.weaves import PATTERNS, Tones, places

__all__ = [
    "AREAS",
    "OUTLINES",
    "Look",
    "area_look",
    "outline_look",
    "paint_areas",
    "paint_corners",
    "paint_outline",
]

Rgb: TypeAlias = NDArray[np.uint8]
Coverage: TypeAlias = NDArray[np.float32]

_DARK, _LIGHT = (27, 16, 82), (255, 234, 150)
_DARK_GREY, _LIGHT_GREY = (34, 34, 40), (240, 240, 240)
_PALE = (176, 240, 255)

# A pixel of the small picture is marked when this share of it is: one pixel in a 4 x 4
# block of the recording still shows.
_SHOWN = 0.05
# Pixels of the small picture for which a stroke is one pixel wide.
_STROKE_WIDTH = 480


@dataclass(frozen=True, slots=True)
class Look:
    """How a kind of mark is drawn, and its words in the legend.

    Attributes
    ----------
    swatch : str
        Name of the legend's swatch.
    """

    label: str
    swatch: str
    dark: tuple[int, int, int] = _DARK
    light: tuple[int, int, int] = _LIGHT
    dash: int = 7


AREAS: dict[str, Look] = {
    "burnt": Look("Burnt out where it matters", "weave"),
    "burnt-undecided": Look("Could not be told: counted", "birds"),
    "burnt-swab": Look("Swab-like, may burn", "net"),
    "burnt-glint": Look("Glints", "rings"),
    "burnt-ignored": Look(
        "Burnt out, in an ignored area", "stitch", _DARK_GREY, _LIGHT_GREY
    ),
    "channel": Look("A colour is burnt out, brightness is not", "bricks", light=_PALE),
    "combing": Look("Torn between two fields", "teeth", light=_PALE),
    "sharp": Look("Sharp edges: the larger the dot, the more", "dots", _DARK, _PALE),
}
OUTLINES: dict[str, Look] = {
    "judged": Look("Judged area", "outline-long", dash=12),
    "ignored": Look("Ignored area", "outline-short", _DARK_GREY, _LIGHT_GREY, dash=3),
    "neutral": Look("Neutral patch", "outline", dash=6),
    "blemish": Look("Stays in its place: dirt or a dead pixel", "outline-dots", dash=2),
}


def area_look(kind: str) -> Look:
    """Return how an area is drawn; kinds that are new here get stitches."""
    return AREAS.get(kind) or Look(_words(kind), "cross")


def outline_look(kind: str) -> Look:
    """Return how an outline is drawn; kinds that are new here get plain dashes."""
    return OUTLINES.get(kind) or Look(_words(kind), "outline")


def _words(kind: str) -> str:
    return kind.replace("-", " ").replace("_", " ").strip().capitalize() or "Marked"


def _stroke(width: int) -> int:
    """Return how many pixels wide a stroke is on a picture of this width."""
    return max(1, round(width / _STROKE_WIDTH))


def paint_areas(rgb: Rgb, areas: Iterable[tuple[str, Coverage]]) -> list[str]:
    """Draw areas onto a picture, in place.

    Parameters
    ----------
    rgb : (H, W, 3) array of uint8
        The picture at the size in which it will be shown.
    areas : iterable of (kind, (H, W) array)
        Which share of each pixel is marked, 0 to 1.

    Returns
    -------
    list of str
        Kinds of which anything was there to draw.
    """
    drawn = []
    for kind, coverage in areas:
        if not (coverage > _SHOWN).any():
            continue
        look = area_look(kind)
        if look.swatch == "dots":
            if _dots(rgb, coverage, look):
                drawn.append(kind)
            continue
        drawn.append(kind)
        inside = coverage > _SHOWN
        dark, light = PATTERNS[look.swatch](inside.shape, _stroke(rgb.shape[1]))
        edge_dark, edge_light = _edge(inside, _stroke(rgb.shape[1]))
        rgb[(dark & inside) | edge_dark] = look.dark
        rgb[(light & inside) | edge_light] = look.light
    return drawn


def _edge(inside: NDArray[np.bool_], width: int) -> Tones:
    """Return a rim around an area, in dashes that are dark and light in turn."""
    mask = inside.astype(np.uint8)
    kernel = np.ones((2 * width + 1, 2 * width + 1), np.uint8)
    rim = (cv2.dilate(mask, kernel) > 0) & ~inside
    rows, columns = places(inside.shape)
    first = ((rows // (5 * width)) + (columns // (5 * width))) % 2 == 0
    return rim & first, rim & ~first


def _dots(rgb: Rgb, coverage: Coverage, look: Look) -> int:
    """Draw a grid of dots as large as each cell is marked; return how many."""
    height, width = coverage.shape
    cell = 6 * _stroke(width)
    across, down = max(1, width // cell), max(1, height // cell)
    share = cv2.resize(coverage, (across, down), interpolation=cv2.INTER_AREA)
    largest = 0.5 * cell - 1.0
    # Area grows with the share; a third of a cell is a lot of edges.
    radius = largest * np.sqrt(np.minimum(share / 0.33, 1.0))
    rows, columns = np.nonzero(share > 0.02)
    for row, column in zip(rows, columns, strict=True):
        # Places and sizes in sixteenths of a pixel.
        x = int((column + 0.5) * width / across * 16)
        y = int((row + 0.5) * height / down * 16)
        r = float(radius[row, column])
        cv2.circle(rgb, (x, y), int((r + 1.0) * 16), look.dark, -1, cv2.LINE_AA, 4)
        cv2.circle(rgb, (x, y), int(max(r, 0.5) * 16), look.light, -1, cv2.LINE_AA, 4)
    return len(rows)


def paint_outline(rgb: Rgb, kind: str, points: NDArray[np.float64]) -> None:
    """Draw a closed outline in dashes of both tones, in place.

    Parameters
    ----------
    points : (n, 2) array
        x, y in pixels of `rgb`.
    """
    look = outline_look(kind)
    width = _stroke(rgb.shape[1])
    closed = np.vstack([points, points[:1]])
    sides = np.diff(closed, axis=0)
    lengths = np.hypot(sides[:, 0], sides[:, 1])
    total = float(lengths.sum())
    if not 0.0 < total < 1e6:
        return
    dash = look.dash * width
    count = max(2, 2 * round(total / dash / 2))
    ends = np.concatenate([[0.0], np.cumsum(lengths)])
    at = np.union1d(np.linspace(0.0, total, count + 1), ends)
    x, y = (np.interp(at, ends, closed[:, i]) for i in (0, 1))
    places = np.rint(np.stack([x, y], axis=1)).astype(int)
    cv2.polylines(
        rgb, [np.rint(points).astype(np.int32)], True, look.dark, 2 * width + 1
    )
    for i in range(len(at) - 1):
        if int((at[i] + at[i + 1]) / 2 / total * count) % 2:
            start = (int(places[i, 0]), int(places[i, 1]))
            end = (int(places[i + 1, 0]), int(places[i + 1, 1]))
            cv2.line(rgb, start, end, look.light, max(1, 2 * width - 1))


def paint_corners(rgb: Rgb, box: tuple[float, float, float, float]) -> None:
    """Draw the four corners around a box (x, y, w, h) in pixels of `rgb`, in place."""
    height, width = rgb.shape[:2]
    line = _stroke(width)
    pad = 4 * line
    x0, y0 = max(box[0] - pad, line), max(box[1] - pad, line)
    x1 = min(box[0] + box[2] + pad, width - 1 - line)
    y1 = min(box[1] + box[3] + pad, height - 1 - line)
    arm = max(6.0 * line, min(0.2 * min(x1 - x0, y1 - y0), 24.0 * line))
    for x, dx in ((x0, arm), (x1, -arm)):
        for y, dy in ((y0, arm), (y1, -arm)):
            bend = np.rint([(x + dx, y), (x, y), (x, y + dy)]).astype(np.int32)
            cv2.polylines(rgb, [bend], False, _DARK, 3 * line)
            cv2.polylines(rgb, [bend], False, _LIGHT, line)
