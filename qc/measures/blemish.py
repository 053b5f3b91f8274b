"""Blemishes: what stays in its place on the picture while the picture moves.

A splash or smear on the front lens, dust, a stuck pixel. Nothing of the scene stays put
when the framing changes; what does lies on the lens, on its drape or on the sensor.
While the picture rests nobody can tell the two apart, and the report says so.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.limits import Option
from qc.measures.base import (
    Column,
    Companion,
    Measure,
    Measured,
    Setup,
    Values,
    finding_of,
)
from qc.measures.parts.spots import blemishwords as words
from qc.measures.parts.spots.splash import SplashWatch
from qc.measures.parts.spots.spotland import LandWatch
from qc.measures.parts.spots.spotlittle import little_spots
from qc.measures.parts.spots.spotlooks import LookKeeper, kept_maps
from qc.measures.parts.spots.spotmaps import (
    OWN_EDGES,
    Spot,
    SpotMaps,
    with_splashes,
    with_swayed,
)
from qc.measures.parts.spots.spotopaque import shows_itself
from qc.measures.parts.spots.spotplaces import (
    PIXEL_PERCENT,
    SWAY_PERCENT,
    holds,
    is_pixel,
    stood_still,
)
from qc.measures.parts.spots.spotsway import SwayBank
from qc.measures.parts.spots.spotways import MOSTLY_ALONG, goes_along
from qc.measures.parts.spots.stuckpixels import FEWEST_LOOKS, PixelWatch, StuckPixel
from qc.records import Finding, Grade, Marks, Picture, Readings, TakeResult
from qc.views import proxy_luma

__all__ = ["MEASURE"]

_RULE = "picture.blemish"
# Seconds between looks: while it moves (and little has been compared), at rest, and
# once much has been compared.
_FIRST_S, _EARLY_S, _LOOK_S, _REST_S, _LATE_S = 0.12, 0.2, 0.25, 0.5, 1.0
_FAST = 0.03  # of the width, from look to look
_AT_REST = 3  # looks without motion
_COMPARED_FIRST, _COMPARED_EARLY = 24, 60
# At rest a few places are held against the last look, lest a pan be over by the next.
# Mean difference, of their own deviation, and in percent of black-to-white.
_STIR_STEP, _STIR_SHARE, _STIR_PERCENT = 8, 0.15, 0.3
_PATIENCE_S = 2.0  # after something stirred that was no motion of the whole
_WELL_JUDGED = 0.5  # of the picture; where less could be judged, that is said
_ALL_JUDGED = 0.9  # where less could be, little moves are looked at too
_MOST_SPOTS, _MOST_PIXELS = 8, 12  # told one by one
_MARK_SHARE = 0.02  # of the width: smallest outline drawn


@dataclass(frozen=True, slots=True, eq=False)
class _Seen:
    """What a take's looks gave."""

    spots: tuple[Spot, ...]
    pixels: tuple[StuckPixel, ...]
    crowded: bool
    places: int
    judged: float
    pixel_looks: int


class _Reader:
    def __init__(self, setup: Setup) -> None:
        video = setup.info.video
        self._tick = float(video.time_base) if video is not None else 0.0
        self._level = words.as_level(setup.limits["blemish.least_percent"])
        self._detail = words.as_level(setup.limits["blemish.blur_percent"])
        self._keeper, self._maps, self._watch = LookKeeper(), SpotMaps(), PixelWatch()
        self._splashes, self._landed = SplashWatch(), LandWatch()
        self._bank = SwayBank()
        self._row = -1
        self._idle = 0
        self._next = self._sense = self._next_pixels = float("-inf")
        self._looked = float("-inf")
        self._few: NDArray[np.float32] | None = None
        self._contrast = 0.0

    def read(self, picture: Picture) -> Values:
        self._row += 1
        seconds = picture.pts * self._tick
        if picture.damaged:
            return {}
        self._splashes.frame(picture, self._row)
        self._landed.frame(picture, self._row, seconds)
        if not self._due(picture, seconds):
            return {}
        differences = self._keeper.look(picture, self._row, seconds)
        self._splashes.look(picture, seconds, self._keeper.here)
        if self._splashes.now is not None:
            self._landed.look(self._splashes.now, seconds)
        self._idle = 0 if self._keeper.moved else self._idle + 1
        self._plan(picture, seconds)
        here = self._keeper.here
        if here is not None and self._bank.due(seconds, here):
            maps, fine = kept_maps(picture)
            self._bank.add(self._row, seconds, maps, here, fine)
        if here is not None and seconds >= self._next_pixels:
            self._next_pixels = seconds + _LOOK_S - 1e-3
            self._watch.look(picture, self._row, *here)
        for difference in differences:
            self._maps.add(difference)
        if not differences:
            return {}
        return {"compared_percent": differences[0].moved_percent}

    def _due(self, picture: Picture, seconds: float) -> bool:
        """Return whether to look now: in time, or when a resting picture stirs."""
        if seconds >= self._next:
            return True
        if seconds < self._sense or self._few is None:
            return False
        self._sense = seconds + _FIRST_S - 1e-3
        few = _few_of(picture)
        if few.shape != self._few.shape:
            return True
        changed = cv2.norm(few, self._few, cv2.NORM_L1) / few.size
        return changed > _STIR_PERCENT + _STIR_SHARE * self._contrast

    def _plan(self, picture: Picture, seconds: float) -> None:
        """Settle when to look next."""
        early = seconds < self._next
        every = _LOOK_S
        if self._maps.pairs < _COMPARED_FIRST:
            every = _FIRST_S if self._keeper.step > _FAST else _EARLY_S
        if self._idle:
            every = _LOOK_S if self._idle < _AT_REST else _REST_S
        # Where it drifts slowly, a look soon after would show the same.
        speed = self._keeper.step / max(seconds - self._looked, 1e-3)
        if self._idle and 0.0 < speed * _REST_S < self._keeper.left:
            every = max(every, _REST_S)
        self._looked = seconds
        if self._maps.pairs >= _COMPARED_EARLY:
            every = _LATE_S
        # A hair early rather than a whole frame late.
        self._next = seconds + every - 1e-3
        self._sense = max(self._sense, seconds + _FIRST_S - 1e-3)
        if early and self._idle:  # hands only
            self._sense = seconds + _PATIENCE_S
        self._few = _few_of(picture)
        self._contrast = float(cv2.meanStdDev(self._few)[1][0, 0])

    def finish(self) -> Mapping[str, object]:
        spots, crowded = self._maps.spots(level=self._level, detail=self._detail)
        spots = [s for s in spots if not shows_itself(self._bank.looks, s)]
        judged = self._maps.judged if self._maps.blocks else 0.0
        if judged < _ALL_JUDGED:
            little = little_spots(self._bank)
            spots = [s for s in spots if not little.denies(s)]
            spots = with_swayed(spots, little.found, self._level, self._detail)
        came = [*self._splashes.found, *self._landed.all()]
        spots = with_splashes(spots, came, self._row)
        pixels = self._watch.pixels()
        if pixels and not goes_along(self._bank.looks, MOSTLY_ALONG):
            pixels = [p for p in pixels if p.stirred]
        # In a small recording a stuck pixel is also seen as a tiny spot.
        size = self._watch.size
        spots = [s for s in spots if not any(is_pixel(s, p, *size) for p in pixels)]
        captions = [s for s in spots if s.detail >= OWN_EDGES]  # dots of letters
        pixels = [p for p in pixels if not any(holds(s, p, *size) for s in captions)]
        return {
            "seen": _Seen(
                tuple(spots),
                tuple(pixels),
                crowded,
                self._maps.pairs,
                judged,
                self._watch.looks,
            )
        }


def _few_of(picture: Picture) -> NDArray[np.float32]:
    return picture.view(proxy_luma)[::_STIR_STEP, ::_STIR_STEP].copy()


def _seen(measured: Measured) -> _Seen | None:
    seen = measured.totals.get("blemish", {}).get("seen")
    if not isinstance(seen, _Seen):
        return None
    if (seen.places or seen.pixels or seen.spots) and stood_still(measured.picture):
        # People who walk through a still picture can pass for framings of it.
        sways = not stood_still(measured.picture, SWAY_PERCENT)
        kept = tuple(s for s in seen.spots if s.splash or (s.swayed and sways))
        creeps = not stood_still(measured.picture, PIXEL_PERCENT)
        pixels = tuple(p for p in seen.pixels if p.stirred or creeps)
        return _Seen(kept, pixels, crowded=False, places=0, judged=0.0, pixel_looks=0)
    return seen


# ------------------------------------------------------------------------ findings


def _check(measured: Measured) -> Iterator[Finding]:
    seen, readings, video = _seen(measured), measured.picture, measured.info.video
    if seen is None or readings is None or not readings.rows or video is None:
        return
    if not seen.crowded:
        for spot in seen.spots[:_MOST_SPOTS]:
            yield _spot_finding(measured, readings, spot)
    if len(seen.pixels) <= _MOST_PIXELS:
        for pixel in seen.pixels:
            yield _pixel_finding(measured, readings, pixel, len(seen.pixels))
    else:
        yield _pixels_finding(measured, readings, seen.pixels)


def _size(measured: Measured) -> tuple[int, int]:
    video = measured.info.video
    return (1, 1) if video is None else (max(video.width, 1), max(video.height, 1))


def _turn(measured: Measured) -> int:
    video = measured.info.video
    return 0 if video is None else int(video.rotation)


def _spot_finding(measured: Measured, readings: Readings, spot: Spot) -> Finding:
    width, height = _size(measured)
    box = words.pixel_box(spot.x, spot.y, spot.w, spot.h, width, height)
    across = 100.0 * max(box[2], box[3]) / width
    review = float(measured.limits["blemish.review_width_percent"])
    serious = across >= review and words.is_plain(spot, across)
    # On the safe side: from when it was surely not there to when it is surely gone.
    first = min(spot.without + 1, readings.rows - 1)
    last = readings.rows if spot.gone < 0 else min(spot.gone, readings.rows)
    grid = measured.info.grid

    def label(row: int) -> str:
        return grid.label(grid.nearest(readings.start(min(row, readings.rows - 1))))

    centre = (spot.x + spot.w / 2, spot.y + spot.h / 2)
    return finding_of(
        measured,
        readings,
        rule=_RULE,
        grade=Grade.REVIEW if serious else Grade.NOTE,
        first=first,
        last=max(last, first + 1),
        worst_row=min(spot.first_row, readings.rows - 1),
        message=words.spot_message(
            spot, words.place(*centre, _turn(measured)), across, label
        ),
        advice=words.spot_advice(spot),
        worst=across,
        limit=review if serious else None,
        unit="% of width",
        where=box,
    )


def _pixel_finding(
    measured: Measured, readings: Readings, pixel: StuckPixel, together: int
) -> Finding:
    width, height = _size(measured)
    first = min(pixel.first_row, readings.rows - 1)
    x, y = max(pixel.x - 1, 0), max(pixel.y - 1, 0)
    many = together > int(measured.limits["blemish.review_pixels"])
    return finding_of(
        measured,
        readings,
        rule=_RULE,
        grade=Grade.REVIEW if many else Grade.NOTE,
        first=first,
        last=readings.rows,
        worst_row=first,
        message=words.pixel_message(
            pixel, words.place(pixel.x / width, pixel.y / height, _turn(measured))
        ),
        advice=words.PIXEL_ADVICE,
        worst=abs(pixel.percent),
        unit="%",
        where=(x, y, min(3, width - x), min(3, height - y)),
    )


def _pixels_finding(
    measured: Measured, readings: Readings, pixels: tuple[StuckPixel, ...]
) -> Finding:
    first = min(min(p.first_row for p in pixels), readings.rows - 1)
    return finding_of(
        measured,
        readings,
        rule=_RULE,
        grade=Grade.REVIEW,
        first=first,
        last=readings.rows,
        worst_row=first,
        message=words.pixels_message(pixels),
        advice=words.PIXEL_ADVICE,
        worst=float(len(pixels)),
        limit=float(measured.limits["blemish.review_pixels"]),
        unit="pixels",
    )


# -------------------------------------------------------------------------- report


def _mark(picture: Picture, _setup: Setup, finding: Finding) -> Marks:
    if finding.where is None:
        return Marks()
    x, y, w, h = finding.where
    least = _MARK_SHARE * picture.width
    grow_x, grow_y = max((least - w) / 2, 2.0), max((least - h) / 2, 2.0)
    angle = np.linspace(0.0, 2.0 * np.pi, 49)[:-1]
    # An ellipse around the box's corners would be half as large again.
    points = np.stack(
        [
            x + w / 2 + (w / 2 + grow_x) * np.cos(angle),
            y + h / 2 + (h / 2 + grow_y) * np.sin(angle),
        ],
        axis=1,
    )
    points = np.clip(points, 0, [picture.width - 1, picture.height - 1])
    return Marks(
        outlines=(("blemish", points),),
        caption="What is in the outline stays in its place.",
    )


def _companions(result: TakeResult, finding: Finding) -> Iterable[Companion]:
    readings = result.picture
    if readings is None or "blemish.compared_percent" not in readings.columns:
        return
    rows = np.flatnonzero(np.isfinite(readings["blemish.compared_percent"]))
    starts = readings.times()[rows]
    inside = rows[(starts > float(finding.worst_at)) & (starts < float(finding.end))]
    if inside.size:
        yield Companion(int(inside[-1]), "The same place after the picture has moved")


def _summarise(measured: Measured) -> Mapping[str, object]:
    seen = _seen(measured)
    if seen is None:
        return {}
    return {
        "spots": None if _blind(seen) else len(seen.spots),
        "stuck_pixels": None if _blind_to_pixels(seen) else len(seen.pixels),
        "judged_percent": 100.0 * seen.judged,
        "framings_compared": seen.places,
    }


def _blind(seen: _Seen) -> bool:
    return seen.crowded or seen.judged <= 0.0


def _blind_to_pixels(seen: _Seen) -> bool:
    return seen.pixel_looks < FEWEST_LOOKS


def _notes(measured: Measured) -> Iterable[str]:
    seen = _seen(measured)
    if seen is None:
        return
    if seen.crowded:
        yield (
            "Much of the picture stays in its place while the rest moves: dirt on the "
            "lens could not be told from it."
        )
    elif 0.0 < seen.judged < _WELL_JUDGED:
        yield (
            "Whether a spot lies on the lens could be told only in "
            f"{100.0 * seen.judged:.0f} % of the picture: elsewhere it moved too "
            "little."
        )
    elif seen.judged <= 0.0:
        yield (
            "A spot that lay on the lens from the start could not be looked for: the "
            "picture moves too little."
        )


MEASURE = Measure(
    name="blemish",
    version=22,
    label="Blemishes",
    clock="picture",
    room="focus",
    columns=(
        Column("compared_percent", "Moved against the look before", "% of width", 1),
    ),
    options=(
        Option(
            "blemish.least_percent",
            4.0,
            "A spot that stays in its place counts from this change of level on "
            "(house choice).",
            unit="%",
            low=1,
            high=90,
            measuring=True,
        ),
        Option(
            "blemish.blur_percent",
            30.0,
            "A place that stays blurred counts from this loss of fine detail on "
            "(house choice).",
            unit="%",
            low=10,
            high=95,
            measuring=True,
        ),
        Option(
            "blemish.review_width_percent",
            1.0,
            "A spot at least this large across is to be reviewed, a smaller one noted "
            "(house choice).",
            unit="% of width",
            low=0,
            high=100,
        ),
        Option(
            "blemish.review_pixels",
            5,
            "More stuck pixels than this are to be reviewed, fewer noted "
            "(house choice).",
            kind="whole",
            low=0,
            high=100_000,
        ),
    ),
    start=_Reader,
    checks=(_check,),
    check_rules={_RULE: "Spot on the lens or stuck pixel"},
    summarise=_summarise,
    notes=_notes,
    mark=_mark,
    companions=_companions,
    method=(
        "Four times a second while the picture moves (up to eight at first), twice at "
        "rest, once after sixty comparisons, the small picture is followed from look "
        "to look at a grid of points (a smooth surface through what most of them "
        "move, bent by those near to it) and laid over earlier ones, moved by about 4 "
        "to 7 % of its width; far things that move less over longer. Of what differs "
        "in level (logarithm) and in fine detail, only what differs alike both ways "
        "is kept, and counts once for every framing new to that place. A place counts "
        "when the mean is far from nothing by its own scatter (Student's t), or when "
        "the mean of t over places as far apart as spots are large is far beyond what "
        "the take's other places show; also from each sixth of the take on, and up to "
        "it. From when on a spot is there follows from what each look shows in its "
        "place beyond what another look shows of the same scene: a hidden Markov "
        "chain (not yet, there, gone; stray looks apart), told at 95 % and else left "
        "open. Where less than nine tenths of the picture could be judged so, looks "
        "that lie 0.35 to 3 % of the width apart (a sway, a slow zoom) are laid over "
        "each other in the middle of their way: the slopes of what stays, by least "
        "squares over twice twelve pairs, give it as two maps; a patch counts if it "
        "is soft, over five times what the maps differ by around it, tells most of "
        "what is left over there, better than a thing nearer or farther would, and "
        "the scene beside it comes along. There too, before a scene that creeps, what "
        "fits as it lies and not as the scene has come counts. Such looks are also "
        "parted into a scene, followed place by place, and what stays before it: a "
        "spot counts that keeps its place to 6 % of the scene's way (9 % if dark, and "
        "a plain ring around it surely goes by), and a dark one "
        "that both halves of that way show where it lies rather than where the scene "
        "has gone; a narrow one is held against its near ground. A dark one counts "
        "also by its rim, darker inside all round in the mean of the looks, each by "
        "how quiet it is there. But a thing that "
        "hides what changes behind it is no dirt on a lens, unless it is dark. What "
        "comes at once (within two pictures, or blurred from look to look; where "
        "people move about, between the middle of three looks and the middle of the "
        "three before), soft, with little moving around it just then and the same "
        "scene seen through it (darker, brighter or blurred; no edge or detail of its "
        "own, nor all of the detail that was there), up to a quarter of the picture's "
        "width across, and stays is told too, as a spot "
        "that may lie on the lens while the scene has not moved on. At rest the same "
        "is asked of the middles of nine looks and of the nine before, without the "
        "hands that pass. Single pixels "
        "count that up to ten places of the scene behind them make some "
        "270 000 times likelier to be moved by one share of the way to white or black "
        "than to be the scene's own, if it came 0.8 % of the width; or, if strong, in "
        "nine tenths of the looks while all around became another."
    ),
    source=(
        "Lucas and Kanade, IJCAI 1981, in pyramids, for following points (from "
        "memory); Student's t: textbook statistics. Limits: house choice."
    ),
)
