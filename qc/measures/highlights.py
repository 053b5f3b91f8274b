"""Highlights: how much of the picture is at or above a chosen level, and where."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.limits import Option, Region
from qc.measures.base import Chart, Column, Hit, Measure, Measured, Rule, Setup, Values
from qc.records import Finding, Marks, Picture
from qc.signal import Signal, to_linear
from qc.views import luma_histogram

__all__ = ["MEASURE", "largest_area", "region_mask", "share_at_or_above"]

# Areas closer together than this many pixels are one area: coding noise frays edges.
_BLOCK = 4
# Looking for the largest area below this share of the picture would only find noise.
_AREA_FROM_PERCENT = 0.02


def share_at_or_above(histogram: NDArray[np.int64], *, code: int) -> float:
    """Return the share of pixels at or above a code, in percent.

    Parameters
    ----------
    histogram : (n,) array of int64
        Pixels of each code.
    code : int
        First code that counts; 0 counts all.

    Returns
    -------
    float
        0 to 100, exact; NaN for an empty picture.

    Examples
    --------
    >>> share_at_or_above(np.array([6, 1, 2, 1]), code=2)
    30.0
    """
    total = int(histogram.sum())
    if total == 0:
        return math.nan
    return 100.0 * int(histogram[max(code, 0) :].sum()) / total


def region_mask(
    regions: Iterable[Region], *, height: int, width: int
) -> NDArray[np.bool_]:
    """Return which pixels have their centre inside any of the regions or on its edge.

    Parameters
    ----------
    regions : iterable of Region
        Polygons as shares of the picture.

    Returns
    -------
    (height, width) array of bool
    """
    from skimage import draw  # heavy, and only few takes have regions

    polygon: Callable[..., tuple[NDArray[np.intp], NDArray[np.intp]]] = draw.polygon
    mask = np.zeros((height, width), bool)
    for region in regions:
        points = np.array(region.points)
        # Pixel (i, j) has its centre at share ((j + 0.5) / width, (i + 0.5) / height).
        rows, columns = polygon(
            points[:, 1] * height - 0.5, points[:, 0] * width - 0.5, (height, width)
        )
        mask[rows, columns] = True
    return mask


def largest_area(
    mask: NDArray[np.uint8],
) -> tuple[int, tuple[int, int, int, int] | None]:
    """Return the largest connected area of a mask: its pixels and where it is.

    Parameters
    ----------
    mask : (H, W) array of uint8
        0 or 1.

    Returns
    -------
    pixels : int
        Pixels of the mask in the area, counted exactly. Pixels whose 4 x 4 blocks
        touch, also by a corner, belong together: areas less than 4 pixels apart
        always do, areas 7 or more apart never.
    box : (x, y, w, h) or None
        Smallest rectangle around the area's pixels; None for an empty mask.
    """
    height, width = mask.shape
    if height == 0 or width == 0:
        return 0, None
    down, across = -height % _BLOCK, -width % _BLOCK
    if down or across:
        mask = np.pad(mask, ((0, down), (0, across)))
    counts = _block_counts(np.ascontiguousarray(mask))
    number, labels = cv2.connectedComponents(counts, connectivity=8, ltype=cv2.CV_32S)
    if number < 2:
        return 0, None
    filled = np.flatnonzero(counts > 0)
    pixels = np.bincount(
        labels.ravel()[filled], weights=counts.ravel()[filled], minlength=number
    )
    best = int(pixels.argmax())
    bx, by, bw, bh = cv2.boundingRect((labels == best).view(np.uint8))
    inside = labels[by : by + bh, bx : bx + bw] == best
    x, y = bx * _BLOCK, by * _BLOCK
    blocks = mask[y : y + bh * _BLOCK, x : x + bw * _BLOCK]
    x0, y0, x1, y1 = _exact_box(blocks, inside)
    return int(pixels[best]), (x + x0, y + y0, x1 - x0, y1 - y0)


def _block_counts(mask: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return how many of each 4 x 4 block's pixels are 1.

    Four pixels are added at once as the bytes of a word: no byte grows past 16.
    """
    height, width = mask.shape
    words = mask.view(np.uint32).reshape(height // _BLOCK, _BLOCK, width // _BLOCK)
    columns = words.sum(axis=1, dtype=np.uint32)
    counts: NDArray[np.uint8] = ((columns * np.uint32(0x01010101)) >> 24).astype(
        np.uint8
    )
    return counts


def _exact_box(
    blocks: NDArray[np.uint8], inside: NDArray[np.bool_]
) -> tuple[int, int, int, int]:
    """Return left, top, right and bottom of an area to the pixel, from its rim alone.

    Parameters
    ----------
    blocks : (4 h, 4 w) array
        Marked pixels in the rectangle of blocks around the area.
    inside : (h, w) array of bool
        Blocks that belong to the area.
    """

    def ends(strip: NDArray[np.uint8], own: NDArray[np.bool_]) -> tuple[int, int]:
        """First and last of the strip's four lines that hold pixels of the area."""
        lines = np.flatnonzero((strip * np.repeat(own, _BLOCK)).any(axis=1))
        return int(lines[0]), int(lines[-1])

    height, width = blocks.shape
    top, _ = ends(blocks[:_BLOCK], inside[0])
    _, bottom = ends(blocks[-_BLOCK:], inside[-1])
    left, _ = ends(blocks[:, :_BLOCK].T, inside[:, 0])
    _, right = ends(blocks[:, -_BLOCK:].T, inside[:, -1])
    return left, top, width - _BLOCK + right + 1, height - _BLOCK + bottom + 1


class _Reader:
    def __init__(self, setup: Setup) -> None:
        limits = setup.limits
        video = setup.info.video
        self._signal = video.signal if video is not None else Signal()
        self._code = self._signal.first_code_at(limits["highlights.level_percent"])
        self._relevant: tuple[Region, ...] = limits["highlights.relevant"]
        self._ignore: tuple[Region, ...] = limits["highlights.ignore"]
        self._judged: NDArray[np.uint8] | None = None
        self._judged_pixels = 0
        self._take = np.zeros(self._signal.top + 1, np.int64)

    def read(self, picture: Picture) -> Values:
        histogram = picture.view(luma_histogram)
        self._take += histogram
        share = share_at_or_above(histogram, code=self._code)
        values: dict[str, float | NDArray[np.floating]] = {
            "share_percent": share,
            "ceiling_percent": share_at_or_above(histogram, code=self._signal.ceiling),
        }
        judged = None
        if self._relevant or self._ignore:
            judged = self._judged_mask(picture)
            if not self._judged_pixels:
                return values  # no pixel is left to judge
        values["relevant_percent"] = share
        values["largest_percent"] = 0.0 * share
        if not share > 0 or (judged is None and share < _AREA_FROM_PERCENT):
            return values
        mask = _mask_from(picture.y, self._code)
        if judged is not None:
            mask &= judged
            share = 100.0 * cv2.countNonZero(mask) / mask.size
            values["relevant_percent"] = share
        if share >= _AREA_FROM_PERCENT:
            pixels, box = largest_area(mask)
            values["largest_percent"] = 100.0 * pixels / mask.size
            if box is not None:
                values["largest_box"] = np.array(box, np.float32)
        return values

    def _judged_mask(self, picture: Picture) -> NDArray[np.uint8]:
        if self._judged is None or self._judged.shape != picture.y.shape:
            self._judged = judged_region(
                self._relevant,
                self._ignore,
                height=picture.height,
                width=picture.width,
            ).astype(np.uint8)
            self._judged_pixels = cv2.countNonZero(self._judged)
        return self._judged

    def finish(self) -> Mapping[str, object]:
        pixels = int(self._take.sum())
        if not pixels:
            return {}
        # The level over which only one pixel in 100 000 lies: where this camera ends.
        from_top = np.cumsum(self._take[::-1])[::-1]
        top = int(np.flatnonzero(from_top > pixels * 1e-5)[-1])
        return {"highest_level_percent": round(self._signal.percent(top), 2)}


def judged_region(
    relevant: tuple[Region, ...],
    ignore: tuple[Region, ...],
    *,
    height: int,
    width: int,
) -> NDArray[np.bool_]:
    """Return the pixels that are judged: inside `relevant`, outside `ignore`."""
    mask = np.ones((height, width), bool)
    if relevant:
        mask = region_mask(relevant, height=height, width=width)
    if ignore:
        mask &= ~region_mask(ignore, height=height, width=width)
    return mask


def _mask_from(plane: NDArray[np.unsignedinteger], code: int) -> NDArray[np.uint8]:
    """Return 1 where the plane is at or above `code`, else 0."""
    if plane.dtype == np.uint8:
        out = cv2.threshold(plane, code - 1, 1, cv2.THRESH_BINARY)[1]
        return np.asarray(out, np.uint8)
    return (plane >= code).view(np.uint8)


def _message(hit: Hit) -> str:
    level = hit.measured.limits["highlights.level_percent"]
    return (
        f"Up to {hit.worst:.1f} % of the picture is at or above the {level:g} % level "
        f"(limit {hit.limit:g} %)."
    )


def _advice(hit: Hit) -> str:
    level = hit.measured.limits["highlights.level_percent"]
    share = hit.worst
    how = "a little" if share < 3 else "clearly"
    return (
        f"Close the iris {how}, until the zebra at {level:g} % leaves the operative "
        "field; swabs may keep it. If only swabs burn out, leave the iris and put "
        "their area into highlights.ignore in the limits file."
    )


def _where(hit: Hit) -> tuple[int, int, int, int] | None:
    box = hit.readings["highlights.largest_box"][hit.worst_row]
    if np.isnan(box).any():
        return None
    x, y, w, h = (int(v) for v in box)
    return x, y, w, h


def _summarise(measured: Measured) -> Mapping[str, object]:
    readings = measured.picture
    if readings is None or not readings.rows:
        return {}
    out: dict[str, object] = dict(measured.totals.get("highlights", {}))
    for column in ("share_percent", "relevant_percent", "ceiling_percent"):
        values = readings[f"highlights.{column}"]
        known = values[~np.isnan(values)]
        name = column.removesuffix("_percent")
        out[f"{name}_max_percent"] = float(known.max()) if known.size else math.nan
        out[f"{name}_mean_percent"] = (
            float(known.mean(dtype=np.float64)) if known.size else math.nan
        )
    largest = readings["highlights.largest_percent"]
    known = largest[~np.isnan(largest)]
    out["largest_max_percent"] = float(known.max()) if known.size else math.nan
    if measured.info.video is not None:
        signal = measured.info.video.signal
        level = measured.limits["highlights.level_percent"]
        out["level_percent"] = level
        out["level_code"] = signal.first_code_at(level)
    return out


def _notes(measured: Measured) -> Iterable[str]:
    readings = measured.picture
    if readings is not None and readings.rows:
        relevant = readings["highlights.relevant_percent"]
        share = readings["highlights.share_percent"]
        if np.isnan(relevant[~np.isnan(share)]).any():
            yield (
                "Highlights were not judged: the regions to judge and to ignore leave "
                "no pixel of the picture."
            )
    video = measured.info.video
    if video is None or not video.signal.is_hdr:
        return
    level = measured.limits["highlights.level_percent"]
    if video.signal.transfer == "pq":
        nits = 10_000 * float(to_linear(level / 100, transfer="pq"))
        yield (
            f"The picture is PQ: {level:g} % of the signal stands for {nits:,.0f} "
            "cd/m2 on the display, far above reference white (203 cd/m2 at 58 %, "
            "ITU-R BT.2408); it does not mean that the camera clips there."
        )
    else:
        yield (
            f"The picture is HLG: {level:g} % of the signal lies well above reference "
            "white (75 %, ITU-R BT.2408); it means close to the system's end, not a "
            "white object that is just exposed right."
        )


def _mark(picture: Picture, setup: Setup, finding: Finding) -> Marks:
    level = setup.limits["highlights.level_percent"]
    code = picture.signal.first_code_at(level)
    bright = picture.y >= code
    relevant = setup.limits["highlights.relevant"]
    ignore = setup.limits["highlights.ignore"]
    areas: list[tuple[str, NDArray[np.bool_]]] = []
    outlines: list[tuple[str, NDArray[np.float64]]] = []
    if relevant or ignore:
        judged = judged_region(
            relevant, ignore, height=picture.height, width=picture.width
        )
        areas = [("burnt", bright & judged), ("burnt-ignored", bright & ~judged)]
        size = np.array([picture.width, picture.height], np.float64)
        outlines = [
            (kind, np.array(region.points) * size)
            for kind, regions in (("judged", relevant), ("ignored", ignore))
            for region in regions
        ]
    else:
        areas = [("burnt", bright)]
    return Marks(
        areas=tuple(areas),
        outlines=tuple(outlines),
        caption=f"Woven: at or above {level:g} %.",
    )


MEASURE = Measure(
    name="highlights",
    label="Highlights",
    clock="picture",
    columns=(
        Column("relevant_percent", "Burnt out, judged area", "%", 2),
        Column("share_percent", "At or above the level, whole picture", "%", 2),
        Column("ceiling_percent", "At the signal's ceiling", "%", 2),
        Column("largest_percent", "Largest connected burnt area", "%", 2),
        Column("largest_box", "Largest area: x, y, w, h", "px", 0, width=4),
    ),
    options=(
        Option(
            "highlights.level_percent",
            95.0,
            "Level from which a pixel counts as burnt out, in percent of the way from "
            "black to white, like a zebra (95 %: common practice, no source).",
            unit="%",
            low=1,
            high=109,
            measuring=True,
        ),
        Option(
            "highlights.relevant",
            (),
            "Judge highlights only inside these regions; empty: the whole picture. "
            "Each is a rectangle [x, y, width, height] or a polygon [[x, y], ...] in "
            "shares of the picture, 0 to 1.",
            kind="regions",
            measuring=True,
        ),
        Option(
            "highlights.ignore",
            (),
            "Leave these regions out, e.g. where swabs lie.",
            kind="regions",
            measuring=True,
        ),
        Option(
            "highlights.review_percent",
            1.0,
            "Review from this share of the picture on (house choice).",
            unit="%",
            low=0,
            high=100,
        ),
        Option(
            "highlights.reject_percent",
            8.0,
            "Reject from this share of the picture on (house choice).",
            unit="%",
            low=0,
            high=100,
        ),
        Option(
            "highlights.min_seconds",
            0.2,
            "Shorter than this is let pass, unless it is over the reject limit "
            "(house choice).",
            unit="s",
            low=0,
            high=60,
        ),
    ),
    start=_Reader,
    rules=(
        Rule(
            "highlights.relevant",
            column="highlights.relevant_percent",
            label="Burnt out",
            review="highlights.review_percent",
            reject="highlights.reject_percent",
            min_seconds="highlights.min_seconds",
            bridge_seconds=0.5,
            unit="%",
            message=_message,
            advice=_advice,
            where=_where,
        ),
    ),
    charts=(
        Chart(
            ("relevant_percent", "share_percent"),
            "Burnt-out area",
            "% of the picture",
            low=0.0,
            limits=("highlights.review_percent", "highlights.reject_percent"),
            explain="Share of the picture at or above the level, frame by frame.",
        ),
    ),
    summarise=_summarise,
    notes=_notes,
    mark=_mark,
    method=(
        "Every pixel of every frame whose luma code is at or above the first code that "
        "really reaches the level counts; nothing is averaged or scaled first. The "
        "signal's ceiling is the highest code that video may carry. The largest area "
        "joins what lies less than four pixels apart; where less than 0.02 % of the "
        "picture is burnt out it is not looked for. What cannot be told from "
        "relevant tissue counts as relevant."
    ),
    source=(
        "Levels: ITU-R BT.709-6, BT.601-7, BT.2020-2, BT.2100-2 (quantisation). "
        "Zebra at 95 %: common practice, no source. Limits: house choice."
    ),
)
