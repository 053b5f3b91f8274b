"""Focus: how much fine detail the picture holds, against the best of the same shot."""

from __future__ import annotations

import math
from collections.abc import Mapping

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.limits import Option
from qc.measures.base import (
    Chart,
    Column,
    Hit,
    Measure,
    Measured,
    Rule,
    Setup,
    Values,
)
from qc.measures.parts.focus.coarser import coarser_detail
from qc.measures.parts.focus.focuschecks import hidden, never_sharp, pulled
from qc.measures.parts.focus.focuswords import (
    advice_of,
    companions,
    notes,
    soft_message,
)
from qc.measures.parts.focus.hunts import without_hunts
from qc.measures.parts.focus.motionblur import (
    CRISP_RISE_PX,
    Smear,
    smear_of,
    unsmeared_rise,
)
from qc.measures.parts.focus.partshow import part_outline
from qc.measures.parts.focus.partsoft import part_soft
from qc.measures.parts.focus.sharpness import (
    LAPLACIAN_ENERGY,
    across_share,
    coarse_contrast,
    crispest_edges,
    noise_sigma,
    tile_colours,
)
from qc.measures.parts.focus.shotfocus import NOISE_ALIKE, against_best
from qc.measures.parts.focus.slowtiles import KINDS, SLOW, Waiting
from qc.measures.parts.focus.softcheck import BRIDGE_S, lasting
from qc.measures.parts.focus.tiles import (
    BEST_PERCENTILE,
    RELEASE,
    TILES,
    relative_sharpness,
    rows_of_shots,
    seconds_of,
)
from qc.measures.parts.focus.wovenfocus import woven_rows
from qc.records import Finding, Marks, Picture, Readings
from qc.signal import Signal
from qc.views import (
    fields,
    laplacian_tiles,
    luma_pass,
)

__all__ = ["MEASURE", "noise_sigma", "relative_sharpness"]

# Frames between two readings of what changes slowly and costs time.
_NOISE_EVERY = 12
_RISE_EVERY = 12
_ACROSS_EVERY = 6
# Where the energy of fine detail changes by this share, some bands of the picture tell,
# in every second frame, whether the noise has to be read again at once.
_CHANGES, _GLANCE_EVERY = 0.1, 2
# In the frames between, too, where hardly more would be left than noise of before: a
# coder smooths it away together with the detail.
_HARDLY = 1.25
_BANDS = 4
# Edges lower than this (8-bit codes, an eighth of black to white) rise as they like: a
# wall or a drape has none that focus would make crisp.
_FLAT_CODES = 28.0

# Edges of a picture in focus rise over about this many pixels, at least.
_CRISP_PX = 1.0


class _Reader:
    def __init__(self, setup: Setup) -> None:
        video = setup.info.video
        self._signal = video.signal if video is not None else Signal()
        self._noise = math.nan
        self._glance = math.nan
        self._energy = math.nan
        self._frames = 0
        self._later = Waiting()

    def read(self, picture: Picture) -> Values:
        self._later.next_row()
        if picture.damaged:
            return {}
        signal = self._signal
        scale = signal.code_scale**2
        planes = fields(picture.y, interlaced=picture.interlaced)
        tiles = picture.view(laplacian_tiles)
        whole = tiles.whole_variance()
        self._read_noise(planes, whole)
        sigma = 0.0 if math.isnan(self._noise) else self._noise
        noise = LAPLACIAN_ENERGY * sigma**2
        detail = np.sqrt(np.maximum(tiles.variance() - noise, 0.0) * scale)
        small = picture.view(luma_pass).small
        if small is None:
            return {}
        contrast = coarse_contrast(small, black=signal.black, white=signal.white)
        values: dict[str, float | NDArray[np.floating]] = {
            "laplacian_variance": whole * scale,
            "sharpness": max(whole - noise, 0.0) * scale,
            "noise_codes": self._noise * signal.code_scale,
            "tile_detail": (detail / contrast).ravel(),
        }
        later = self._later
        if self._frames % _RISE_EVERY == 0:
            later.put("tile_contrast_percent", contrast)
            coarser = coarser_detail(planes, noise=sigma) * signal.code_scale
            later.put("tile_coarser", coarser / contrast)
            edges = crispest_edges(
                planes[0],
                noise=sigma,
                code_scale=signal.code_scale,
                interlaced=picture.interlaced,
            )
            values["edge_rise_px"], values["edge_height_codes"] = edges
        if self._frames % _ACROSS_EVERY == 0:
            later.put("tile_across", across_share(planes[0], noise=sigma))
            for kind, colour in zip(
                KINDS[-3:], tile_colours(picture, small), strict=True
            ):
                later.put(kind, colour)
        self._frames += 1
        return values | later.take()

    def _read_noise(
        self, planes: tuple[NDArray[np.unsignedinteger], ...], whole: float
    ) -> None:
        """Read the noise every few frames, and where it may have changed."""
        due = self._frames % _NOISE_EVERY == 0 or math.isnan(self._noise)
        changed = abs(whole - self._energy) > _CHANGES * self._energy
        gone = whole < _HARDLY * LAPLACIAN_ENERGY * self._noise**2
        skipped = self._frames % _GLANCE_EVERY and not gone
        if not due and (not changed or skipped):
            return
        glance = self._noise_of(planes[:1], bands=_BANDS)
        self._energy = whole
        # Where detail goes, somewhat less is read: that is no other noise.
        least, most = self._glance / NOISE_ALIKE, self._glance * NOISE_ALIKE
        if due or glance < least or glance > most:
            self._noise, self._glance = self._noise_of(planes), glance

    def _noise_of(
        self, planes: tuple[NDArray[np.unsignedinteger], ...], bands: int | None = None
    ) -> float:
        black, ceiling = self._signal.black, self._signal.ceiling
        readings = [
            noise_sigma(plane, black=black, ceiling=ceiling, bands=bands)
            for plane in planes
        ]
        return sum(readings) / len(readings)

    def finish(self) -> Mapping[str, object]:
        return {}


def _derive(measured: Measured) -> Mapping[str, NDArray[np.floating]]:
    readings = measured.picture
    if readings is None or not readings.rows:
        return {}
    smear = smear_of(readings, measured.info.video)
    woven = woven_rows(measured)
    rise = _crispest(measured, readings, smear)
    rise[woven] = np.nan  # teeth are crisp
    percent = against_best(readings, measured.limits, smear, woven)
    lasts = lasting(readings, percent, measured.limits)
    return {
        "relative_percent": percent,
        "lasting_percent": without_hunts(measured, percent, lasts),
        "shot_rise_px": rise,
    }


def _crispest(
    measured: Measured, readings: Readings, smear: Smear
) -> NDArray[np.float32]:
    """Return the rise of the crispest edges of each shot, or of a move of many."""
    rise = readings["focus.edge_rise_px"].astype(np.float64)
    with np.errstate(invalid="ignore"):
        flat = readings["focus.edge_height_codes"] < _FLAT_CODES
        # Narrow edges are crisp however low they are.
        rise[flat & (rise > CRISP_RISE_PX)] = np.nan
    # Of the two directions the crisper is read: the one that moves less.
    left = unsmeared_rise(rise, np.minimum(smear.x, smear.y), _CRISP_PX)
    with np.errstate(invalid="ignore"):
        # An edge is at least as crisp as it looks, whatever a smear may hide.
        crisp = np.isnan(left) & (rise <= measured.limits["focus.rise_review_px"])
    rise = np.where(crisp, rise, left)
    out = np.full(readings.rows, np.nan, np.float32)
    moves = np.cumsum(smear.cut).astype(np.float32)
    shortest = measured.limits["focus.shot_min_seconds"]
    for groups in (moves, readings["framing.shot"]):
        for rows in rows_of_shots(groups):
            known = rise[rows][~np.isnan(rise[rows])]
            if known.size and seconds_of(readings, rows) >= shortest:
                out[rows] = np.percentile(known, 100.0 - BEST_PERCENTILE)
    return out


def _advice(hit: Hit) -> str:
    return advice_of(hit.measured.limits)


def _summarise(measured: Measured) -> Mapping[str, object]:
    readings = measured.picture
    if readings is None or not readings.rows:
        return {}
    out: dict[str, object] = {}
    for column, names in (
        ("laplacian_variance", ("median",)),
        ("sharpness", ("median", "max")),
        ("noise_codes", ("median",)),
        ("edge_rise_px", ("median", "min")),
        ("relative_percent", ("median", "min")),
    ):
        values = readings[f"focus.{column}"]
        known = values[~np.isnan(values)].astype(np.float64)
        for name in names:
            figure = getattr(np, name)(known) if known.size else math.nan
            out[f"{column}_{name}"] = float(figure)
    return out


def _mark(picture: Picture, setup: Setup, finding: Finding) -> Marks:
    """Mark sharp edges: pixels whose Laplacian stands well out of the noise."""
    lap = np.zeros(picture.y.shape, np.float32)
    planes = fields(picture.y, interlaced=picture.interlaced)
    for i, plane in enumerate(planes):
        lap[i :: len(planes)] = np.abs(
            cv2.Laplacian(plane.astype(np.float32), cv2.CV_32F, ksize=1)
        )
    lap *= picture.signal.code_scale
    signal = picture.signal
    sigma = noise_sigma(planes[0], black=signal.black, ceiling=signal.ceiling)
    noise = 0.0 if math.isnan(sigma) else sigma * signal.code_scale
    sharp = lap > max(20.0, 4.0 * math.sqrt(LAPLACIAN_ENERGY) * noise)
    if finding.where is not None:
        return Marks(
            areas=(("sharp", sharp),),
            outlines=(("soft-part", part_outline(finding.where)),),
            caption="Framed: the part that is soft. Marked: edges that are sharp.",
        )
    return Marks(
        areas=(("sharp", sharp),),
        caption="Marked: edges that are sharp. Few or none on the subject means soft.",
    )


MEASURE = Measure(
    name="focus",
    label="Focus",
    clock="picture",
    room="focus",
    columns=(
        Column("sharpness", "Variance of the Laplacian, noise taken off", "codes²", 1),
        Column("laplacian_variance", "Variance of the Laplacian", "codes²", 1),
        Column("noise_codes", "Noise", "codes", 2),
        Column("tile_detail", "Fine over coarse contrast of each tile", "", 3, TILES),
        Column("tile_slow", "Of each tile, one after the other: " + SLOW, "", 3, TILES),
        Column("tile_slow_kind", "Which of these, and 6 for each row since", "", 0),
        Column("edge_rise_px", "Rise of the crispest edges, 10 to 90 %", "px", 1),
        Column("edge_height_codes", "Height of the crispest edges", "codes", 0),
    ),
    derived=(
        Column("relative_percent", "Sharpness against the shot's best", "%", 0),
        Column("lasting_percent", "Sharpness without what is too short", "%", 0),
        Column("shot_rise_px", "Rise of the crispest edges of the shot", "px", 1),
    ),
    derive=_derive,
    options=(
        Option(
            "focus.soft_review_percent",
            50.0,
            "Soft when fine detail on the subject falls under this share of the "
            "sharpest that the same shot has been (house choice).",
            unit="%",
            low=0,
            high=100,
        ),
        Option(
            "focus.soft_reject_percent",
            25.0,
            "Too soft to use under this share (house choice).",
            unit="%",
            low=0,
            high=100,
        ),
        Option(
            "focus.soft_min_seconds",
            0.4,
            "Shorter than this is let pass: a hand through the picture, a quick pan "
            "(house choice).",
            unit="s",
            low=0,
            high=60,
        ),
        Option(
            "focus.shot_min_seconds",
            1.5,
            "A shot shorter than this has no sharpest moment to compare with "
            "(house choice).",
            unit="s",
            low=0,
            high=60,
        ),
        Option(
            "focus.motion_limit_percent",
            0.05,
            "A picture that moves as a whole by more than this share of its width "
            "from one frame to the next is smeared: what a shutter open all the time "
            "would smear is allowed for (house choice).",
            unit="%",
            low=0,
            high=100,
        ),
        Option(
            "focus.rise_review_px",
            4.0,
            "A shot is soft throughout when even its crispest edges take more pixels "
            "than this from 10 to 90 % of their height, of 1920 along the picture if "
            "it has more (house choice).",
            unit="px",
            low=1,
            high=1000,
        ),
        Option(
            "focus.rise_reject_px",
            10.0,
            "Too soft throughout to use when the crispest edges take more pixels than "
            "this (house choice).",
            unit="px",
            low=1,
            high=1000,
        ),
        Option(
            "focus.near_limit_m",
            0.0,
            "The rig: the nearest distance in metres that the lens can focus on by "
            "itself; 0: not told. When focus is lost the report says what the rig can "
            "reach.",
            unit="m",
            low=0,
            high=100,
        ),
        Option(
            "focus.dioptre",
            0.0,
            "The rig: power of the close-up lens that is fitted, e.g. 1 for a +1; 0: "
            "none.",
            unit="1/m",
            low=0,
            high=50,
        ),
    ),
    start=_Reader,
    rules=(
        Rule(
            "focus.soft",
            column="focus.lasting_percent",
            label="Soft",
            review="focus.soft_review_percent",
            reject="focus.soft_reject_percent",
            above=False,
            release=RELEASE,
            min_seconds="focus.soft_min_seconds",
            bridge_seconds=BRIDGE_S,
            unit="%",
            message=soft_message,
            advice=_advice,
        ),
    ),
    checks=(never_sharp, pulled, hidden, part_soft),
    check_rules={"focus.soft": "Soft"},
    charts=(
        Chart(
            ("relative_percent",),
            "Sharpness",
            "% of the shot's best",
            low=0.0,
            high=130.0,
            limits=("focus.soft_review_percent", "focus.soft_reject_percent"),
            always=True,
            explain="Detail on the tiles where the subject is, against the best of the "
            "same shot: what each tile passes in one frame of twenty. So the sharpest "
            "frames lie over 100 %.",
        ),
    ),
    summarise=_summarise,
    notes=notes,
    companions=companions,
    mark=_mark,
    method=(
        "Variance of the Laplacian (0 1 0 / 1 -4 1 / 0 1 0) of luma in "
        "8-bit-equivalent code values, whole and on a grid of 8 x 6 tiles, field by "
        "field where interlaced. Noise is estimated from the quietest parts and its "
        "share, 20 times its variance, taken off; it and the rise of edges are read "
        "every 12th frame, the noise also where fine detail changes by a tenth, the "
        "direction of detail every 6th. A tile's detail (the "
        "square root) is divided by its coarse contrast, so that a darker picture, or "
        "a subject that leaves the tile, does not read as soft. A frame is judged on "
        "the tiles that were ever sharp, against the best they have been in the same "
        "shot; what noise stronger than in the shot's quietest frames may have left "
        "there does not count, nor tiles and frames in which 15 % of the energy of the "
        "noise, known no better, could hide half of the best. Tiles count by their "
        "contrast, up to twice the middle one's; of few tiles nearly all must be soft, "
        "of many half; frames that tremble far more than the "
        "others, or have less than three quarters of their contrast, are not the best "
        "that others are held against, and frames in far more light are held against "
        "themselves. Every 12th frame detail is read a step coarser too, between "
        "means over 2 x 2 pixels, of the softer field where interlaced: where less of "
        "that is left than of the finest, the rest is grain, which no lens takes, and "
        "is taken off. What hunting explains is not told again. A stretch that is soft "
        "only by how its noise was read, or by glints, with which detail of every size "
        "goes while edges stay crisp, is let pass, and so are its ends where edges are "
        "crisp; a loss at once begins at its step. Mean light and colour of tiles, "
        "every 6th frame, tell what has come in front: where a fifth of the subject's "
        "tiles hold other things than in the nearest sharp frames, only the rest tells "
        "of the lens, and where next to nothing of the subject is in sight a note says "
        "so, if what is left is crisp. Where tiles that hold the same as before get as "
        "sharp as those were that get soft, the focus went elsewhere, or past the "
        "place and back: a note. Under light that flashes, "
        "or between a jump of the light and one back, focus is not judged. Where two "
        "fields of different moments are woven into a frame, detail along the lines "
        "alone counts, every 6th frame. "
        "Where the picture moves, detail along and down is held against its best less "
        "what a smear as long as the shift takes of an edge across the motion, and of "
        "edges that run every way beside it: of the axis that keeps more, else of both "
        "together, but no better than against frames of the shot that surely moved as "
        "far; frames that moved and are sharp tell how long the shutter is open at "
        "most. Where the picture has been moved by a tenth of a tile or more, frames "
        "that keep four fifths of the detail of the whole picture are not soft: what "
        "tiles lost has moved out of them. Where framings change too fast for that, "
        "the rise of the crispest edges is held against the crispest of the same move, "
        "two readings in a row. Where five tiles "
        "side by side or more lose their detail within some 3 s while others keep "
        "theirs, that part is told as soft if detail a step coarser goes with it, "
        "along and down, in all its tiles together, and coarse contrast, light, colour "
        "and what changes from frame to frame stay, since the last jump of the light: "
        "where light goes with the detail, glints are gone. A shot that is "
        "never sharp is told by that rise, from slope and curvature of the luma, "
        "unless its edges are low: a wall or a drape is not judged. Reach of "
        "focus is worked out for a thin lens, from the glass of the dioptre; from "
        "the sensor it is some 10 cm more. A +1 is said to bring 1.5 m to about 0.7 m "
        "(common practice, no source), the thin lens gives 0.6 m."
    ),
    source=(
        "Pech-Pacheco et al., ICPR 2000 (variance of the Laplacian); Pertuz, Puig, "
        "Garcia, Pattern Recognition 46 (2013). Noise filter: Immerkaer, Computer "
        "Vision and Image Understanding 64 (1996), from memory. Tiles, coarse "
        "contrast, rise of edges and allowance for motion: own method. Reach of focus: "
        "thin lens, textbook. Limits: house choice."
    ),
    version=21,
)
