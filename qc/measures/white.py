"""White balance: how far what should be white or grey is from neutral.

The white is a patch that the user gives, or one that is found: see
`qc.measures.parts.neutral.neutral`.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from qc.kernels.samples import patch_looks
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
    signed,
)
from qc.measures.parts.neutral.castfigures import (
    doubtful,
    figures_at,
    middle_row,
    read_share,
    told_row,
    turns_words,
    words_of,
)
from qc.measures.parts.neutral.castwords import MIRED_NAMED
from qc.measures.parts.neutral.lamp import lamp_words
from qc.measures.parts.neutral.neutraltrack import NeutralTracker, Seen
from qc.measures.parts.neutral.nocolour import ColourWatch
from qc.measures.parts.neutral.presetsteps import find_presets
from qc.measures.parts.neutral.whitejudge import derive
from qc.measures.parts.neutral.whitenotes import notes_of, source_words
from qc.measures.parts.neutral.whitepatch import (
    MOMENT_S,
    REFUSED,
    PatchCheck,
    Rectangle,
    given_moment,
    given_patch,
    mean_codes,
    moment_label,
    patch_planes,
)
from qc.measures.parts.neutral.whiteshow import (
    gains_words,
    of_the_whole,
    white_exhibits,
)
from qc.measures.parts.neutral.wholedrift import find_drifts, find_whole
from qc.measures.parts.neutral.wholeshift import WholeShift
from qc.records import Finding, Marks, Picture
from qc.signal import Signal

__all__ = ["MEASURE", "patch_planes"]

# Farther than 3200 K taken for 5600 K: no camera setting is so wrong about a white.
_IMPLAUSIBLE_DELTA_E = 25.0
_AGAIN = (
    "Before the next case take the white balance again on a clean white swab, not "
    "burnt out, in the same light"
)
_NO_ONE_SETTING = (
    f"{_AGAIN}, and keep it; no one setting puts this recording right: look where its "
    "white changes."
)
_LOOK_AT_THE_PATCH = (
    "Make sure that the patch lies on one and the same white or grey all the time; "
    "else name the moment at which it does. If the cast is real, take the white "
    "balance again before the next case, on a clean white swab, not burnt out, in the "
    "same light."
)


class _Reader:
    def __init__(self, setup: Setup) -> None:
        video = setup.info.video
        self._signal = video.signal if video is not None else Signal()
        self._time_base = video.time_base if video is not None else Fraction(1)
        self._tick_s = float(self._time_base)
        pixels = video.pixel_format if video is not None else ""
        colourless = pixels.startswith(("gray", "mono", "ya"))
        self._check = PatchCheck(self._signal, colourless=colourless)
        self._patch = given_patch(setup)
        self._moment = given_moment(setup) if self._patch is not None else None
        self._tracker = (
            None if colourless else NeutralTracker(self._signal, self._check)
        )
        self._whole = None if colourless else WholeShift(self._signal)
        self._frames: Counter[str] = Counter()
        self._colour = ColourWatch()

    def read(self, picture: Picture) -> Values:
        at_s = picture.pts * self._tick_s
        if self._patch is not None:
            if self._moment is not None:
                at = picture.pts * self._time_base
                if abs(at - self._moment) > MOMENT_S:
                    return {}
            self._frames["asked"] += 1
            return self._read_patch(picture, self._patch, at_s)
        self._frames["asked"] += 1
        if self._tracker is None or not picture.cb.size:
            self._frames["colourless"] += 1
            return {}
        if picture.damaged:
            return {}
        whole = self._whole_values(picture, at_s)
        if self._colour.is_grey(picture):
            return whole
        seen = self._tracker.read(picture, at_s)
        if seen is None:
            return whole
        self._frames["measured"] += 1
        return whole | _values(seen)

    def _whole_values(
        self, picture: Picture, at_s: float
    ) -> dict[str, float | NDArray[np.floating]]:
        if self._whole is None or not picture.cb.size:
            return {}
        whole = self._whole.read(picture, at_s)
        return {
            "picture_stops": np.array(whole.stops),
            "picture_framing": float(whole.framing),
            "picture_chroma": np.array(self._whole.chroma),
            "picture_step": np.array(self._whole.step),
        }

    def _read_patch(self, picture: Picture, patch: Rectangle, at_s: float) -> Values:
        if picture.damaged:
            self._frames["damaged"] += 1
            return {}
        whole = self._whole_values(picture, at_s) if self._moment is None else {}
        planes = patch_planes(picture, patch)
        looks = patch_looks(planes) if planes[1].size else None
        refused = self._check.trouble(
            planes, interlaced=picture.interlaced, looks=looks
        )
        if refused or looks is None:
            self._frames[refused] += 1
            return whole
        self._frames["measured"] += 1
        codes = mean_codes(planes, looks)
        share = patch[2] * patch[3] / max(picture.y.size, 1)
        return whole | _values(Seen(codes, patch, 1.0, share, 0))

    def finish(self) -> Mapping[str, object]:
        counts = {name: self._frames[name] for name in ("asked", "measured", *REFUSED)}
        if self._colour.grey and self._colour.grey == counts["asked"]:
            counts["colourless"] = self._colour.grey
        if self._tracker is None:
            return counts | {"sheets": (), "doubted": ()}
        doubts = self._tracker.witness.doubts()
        sheets = (*self._tracker.sheets, *doubts.values())
        return counts | {"sheets": sheets, "doubted": tuple(doubts)}


def _values(seen: Seen) -> dict[str, float | NDArray[np.floating]]:
    return {
        "patch_codes": seen.codes,
        "neutral_box": np.array(seen.box, np.float64),
        "found_confidence": seen.confidence,
        "found_share_percent": 100.0 * seen.share,
        "found_track": float(seen.track),
    }


def _derive(measured: Measured) -> Mapping[str, NDArray[np.floating]]:
    return derive(measured, tuple(c.name for c in MEASURE.derived))


def _figures(hit: Hit) -> dict[str, float]:
    """Return the figures of the moment that a stretch is judged by."""
    info = hit.measured.info
    signal = info.video.signal if info.video is not None else Signal()
    row = told_row(hit.readings, hit.worst_row, hit.worst, signal=signal)
    return figures_at(info, hit.readings, row)


def _message(hit: Hit) -> str:
    figures = _figures(hit)
    text = f"CIEDE2000 {hit.worst:.1f} from neutral, limit {hit.limit:g}"
    if math.isfinite(figures["mired_shift"]):
        text += (
            f"; Δu′v′ {figures['delta_uv_prime']:.4f}; CCT of the white "
            f"{figures['cct_k']:.0f} K, Duv "
            f"{signed(figures['duv'], 3)}, where neutral is "
            f"{figures['neutral_k']:.0f} K, {signed(figures['neutral_duv'], 3)}"
        )
    text = f"White is {words_of(figures)} ({text})."
    if turns := turns_words(hit):
        text += f" {turns}"
    label = moment_label(hit.measured.limits)
    if hit.measured.limits["white.neutral"] is None:
        text += f" {source_words(hit)}"
    elif label:
        text += f" Measured at {label}; taken to hold for the whole take, as it does "
        text += "while light and camera settings stay."
    elif doubtful(hit):
        text += (
            f" The patch could be read in only {100 * read_share(hit):.0f} % of these "
            "frames; so it may not lie on the same white all through."
        )
    return text


def _advice(hit: Hit) -> str:
    figures = _figures(hit)
    if doubtful(hit) or turns_words(hit):
        given = hit.measured.limits["white.neutral"] is not None
        return _LOOK_AT_THE_PATCH if given else _NO_ONE_SETTING
    out = []
    if hit.worst > _IMPLAUSIBLE_DELTA_E:
        out.append("Make sure that the patch is really white or grey.")
    out.append(f"{_AGAIN}.")
    if abs(figures["mired_shift"]) >= MIRED_NAMED:
        other = "bluer" if figures["mired_shift"] > 0 else "warmer"
        out.append(f"The camera may have been set for {other} light than there was.")
    red, blue = figures["red_stops"], figures["blue_stops"]
    known = math.isfinite(red) and math.isfinite(blue)
    video = hit.measured.info.video
    if known and video is not None:
        white = [2.0**-red, 1.0, 2.0**-blue]
        out.append(lamp_words(white, primaries=video.signal.primaries))
    if known:
        out.append(
            f"In this recording, gains of {gains_words(figures)} (linear light) bring "
            "white near neutral; check the tissue."
        )
    return " ".join(out)


def _where(hit: Hit) -> Rectangle | None:
    """Return where the white lies on the frame shown, or where it was seen next."""
    patch: Rectangle | None = hit.measured.limits["white.neutral"]
    if patch is not None:
        return patch
    if not hit.readings["white.source"][hit.worst_row] > 0:
        return None
    return _rectangle(hit.readings["white.neutral_box"][hit.worst_row])


def _rectangle(box: NDArray[np.floating]) -> Rectangle:
    x, y, w, h = (int(v) for v in box)
    return x, y, w, h


def _counts(measured: Measured) -> dict[str, int]:
    found = measured.totals.get("white", {})
    return {k: int(str(v)) for k, v in found.items() if not isinstance(v, tuple)}


def _summarise(measured: Measured) -> Mapping[str, object]:
    readings, counts = measured.picture, _counts(measured)
    if readings is None or np.isnan(readings["white.cct_k"]).all():
        return {"words": "not judged"}
    figures = figures_at(measured.info, readings, middle_row(readings))
    asked = counts.get("asked", 0)
    known = int(np.count_nonzero(readings["white.source"]))
    return figures | {
        "share_measured_percent": 100.0 * known / asked if asked else 0.0,
        "words": words_of(figures),
    }


def _mark(picture: Picture, setup: Setup, finding: Finding) -> Marks:
    box = finding.where
    result, row = setup.result, finding.worst_pts_row
    if result is not None and of_the_whole(result, finding):
        return Marks(caption="The colour of the whole picture has changed.")
    readings = None if result is None else result.picture
    if readings is not None and row is not None and readings["white.source"][row] > 0:
        box = _rectangle(readings["white.neutral_box"][row])
    if box is None:
        return Marks(caption="No white is in this frame; its cast is of other frames.")
    x, y, w, h = box
    corners = np.array([(x, y), (x + w, y), (x + w, y + h), (x, y + h)], np.float64)
    return Marks(
        outlines=(("neutral", corners),),
        caption="Outlined: what was taken for white."
        if setup.limits["white.neutral"] is None
        else "Outlined: what was given as white.",
    )


MEASURE = Measure(
    name="white",
    label="White balance",
    clock="picture",
    room="colour",
    columns=(
        Column("patch_codes", "Mean Y', Cb, Cr codes of the white", "", 2, width=3),
        Column("neutral_box", "Where the white lies: x, y, w, h", "px", 0, width=4),
        Column("found_confidence", "Confidence in the surface found", "", 2),
        Column("found_share_percent", "Picture that the surface fills", "%", 1),
        Column("found_track", "Number of the surface followed", "", 0),
        Column(
            "picture_stops", "Change of the picture's R/G, B/G", "stops", 2, width=2
        ),
        Column("picture_framing", "Number of the framing", "", 0),
        Column("picture_chroma", "Mean Cb, Cr of the picture", "%", 2, width=2),
        Column(
            "picture_step",
            "Jump of R/G, B/G since the frame before",
            "stops",
            2,
            width=2,
        ),
    ),
    derived=(
        Column("cast_delta_e00", "Cast of a white, as judged", "CIEDE2000", 1),
        Column("delta_e00", "Cast of the patch at its own lightness", "CIEDE2000", 1),
        Column("delta_uv_prime", "Distance from neutral in u'v'", "", 4),
        Column("cct_k", "Colour temperature of the patch", "K", 0),
        Column("duv", "Distance from the Planckian locus, Duv", "", 4),
        Column("red_stops", "Red gain to neutral", "stops", 2),
        Column("blue_stops", "Blue gain to neutral", "stops", 2),
        Column("patch_luma_percent", "Level of the patch", "%", 1),
        Column("neutral_u_prime", "u' of the white as coded", "", 4),
        Column("neutral_v_prime", "v' of the white as coded", "", 4),
        Column("confidence", "Confidence that it is neutral", "", 2),
        Column("source", "0 none, 1 given patch, 2 white shot, 3 surface found", "", 0),
    ),
    derive=_derive,
    options=(
        Option(
            "white.neutral",
            (),
            "The neutral patch [x, y, width, height] in pixels of the picture: a "
            "white swab or grey card, not burnt out. []: a white is looked for.",
            kind="rectangle",
            measuring=True,
        ),
        Option(
            "white.neutral_at",
            "",
            "Timecode at which the patch is seen, e.g. a swab held up; the cast found "
            "there counts for the whole take. Empty: it is seen all the time.",
            kind="text",
            measuring=True,
        ),
        Option(
            "white.review_delta_e00",
            6.0,
            "Review from this cast of a white on: about 20 mired warm or cold, or Duv "
            "0.004 green or magenta (house choice).",
            unit="ΔE₀₀",
            low=0,
            high=100,
        ),
        Option(
            "white.reject_delta_e00",
            14.0,
            "Reject from this cast of a white on: about 50 mired, or Duv 0.013 "
            "(house choice).",
            unit="ΔE₀₀",
            low=0,
            high=100,
        ),
        Option(
            "white.min_confidence",
            0.6,
            "A surface that was found is taken for neutral from this confidence on, 0 "
            "to 1: about the share of such surfaces that really are (house choice).",
            low=0,
            high=1,
        ),
        Option(
            "white.drift_delta_uv",
            0.004,
            "Review when the colour of one and the same white moves by more than this "
            "in u'v' within a take, and the picture with it; a note where the cast "
            "itself is found already. Without a white the colour of the whole picture "
            "may move by twice this (house choice).",
            unit="Δu′v′",
            low=0,
            high=1,
        ),
        Option(
            "white.drift_min_seconds",
            0.5,
            "A drift that lasts less than this is let pass (house choice).",
            unit="s",
            low=0,
            high=600,
        ),
        Option(
            "white.min_seconds",
            0.5,
            "A cast that is measured for less than this is let pass (house choice).",
            unit="s",
            low=0,
            high=600,
        ),
    ),
    start=_Reader,
    rules=(
        Rule(
            "white.cast",
            column="white.cast_delta_e00",
            label="Colour cast",
            review="white.review_delta_e00",
            reject="white.reject_delta_e00",
            min_seconds="white.min_seconds",
            bridge_seconds=0.5,
            unit="ΔE₀₀",
            message=_message,
            advice=_advice,
            where=_where,
        ),
    ),
    checks=(find_drifts, find_whole, find_presets),
    check_rules={"white.drift": "White drifts"},
    charts=(
        Chart(
            ("cast_delta_e00",),
            "Colour cast of a white",
            "ΔE₀₀",
            low=0.0,
            limits=("white.review_delta_e00", "white.reject_delta_e00"),
            always=True,
            explain="How far a white is from neutral, read on a patch or "
            "surface that is white. Where no white could be read (out of sight, burnt "
            "out, damaged) it is held.",
        ),
        Chart(
            ("cct_k",),
            "Colour temperature of the patch",
            "K",
            explain="Neutral is the coding's white, 6504 K; lower is warm.",
        ),
    ),
    summarise=_summarise,
    notes=lambda measured: notes_of(measured, _counts(measured)),
    mark=_mark,
    exhibits=white_exhibits,
    version=13,
    method=(
        "The white is the patch that was given; else a surface that is found: even "
        "patches whose colour a white can have under lamps of 2300 to 9000 K are "
        "weighed against each other and against there being none, by brightness, "
        "edges, evenness, shape, weave, and by what else in the picture would be if "
        "they were white: flesh of flesh's hue, nothing purple, nothing brighter in "
        "any channel. Where chroma lies beside neutral by the same at all levels the "
        "picture is black and white and not judged. The confidence is fitted on drawn "
        "fields and rooms to be the share of right answers (within 0.003 in u'v'), and "
        "counts for less where no flesh is in sight; grey-world guesses are not made. "
        "A flat sheet that fills "
        "the picture for a part of a take is a white reference; a warm one, as skin "
        "is, only if a sure white has its colour, or if it is bright, even and at the "
        "start, and never if a sure white is less warm or other pictures show bluer "
        "things, brighter blue or bluer reds. A surface is followed until a part of "
        "its box or its colour changes by itself. Mean Y', Cb and Cr "
        "codes, whole colour samples only, become linear light and CIE 1931 XYZ with "
        "the stream's matrix, curve and primaries. Judged is the CIEDE2000 difference "
        "between neutral and a white of that chromaticity, so that a grey card, a "
        "swab and a changed iris give one figure. Colour temperature and Duv describe "
        "the white as if it were a light; D65, the white of the coding, is neutral. "
        "Gains are in linear light, green left as it is. Frames are left out in which "
        "over 1 % of the patch has a channel at 100 % (where a surface is found and "
        "the picture goes on above it, at the picture's own end), or it lies more "
        "than 4.5 stops under white, or is not one even surface. A median over half a "
        "second takes out a passing hand; frames without a white take over the cast "
        "of the nearest, the smaller of both sides, changed as the picture as a whole "
        "has while the framing stayed. Drift: the same part of a surface leaves its "
        "own start, and the whole picture with it. Without a white: R/G and B/G change "
        "by one factor over the picture (von Kries; median over its points, two "
        "thirds of which must have gone with it) while light and dark lie where they "
        "lay; twice the limit of a drift counts then. Where the exposure has changed "
        "by a quarter stop, a common power of all ratios is taken out first: a "
        "camera's curve makes colours stronger or weaker and leaves greys alone, a "
        "lamp moves them all. Which of two states is right is not guessed: a cast is "
        "told only where the framing begins and ends with the other, and three "
        "quarters of the change count; or, also while the camera shakes, where the "
        "picture jumps by one factor from one frame to the next, and later back."
    ),
    source=(
        "CIE 15 (XYZ, u'v', L*a*b*); Ohno, LEUKOS 10(1), 2014 (colour temperature, "
        "Duv); Sharma, Wu, Dalal 2005 (CIEDE2000); ITU-R BT.709-6, BT.601-7, "
        "BT.2020-2, BT.2100-2 (coding); BT.2408 (white in HLG and PQ); IEC 60601-2-41 "
        "as quoted by test laboratories (lamps, 3000 to 6700 K). Limits, when a patch "
        "is left out and what is weighed: house choice, weights fitted on rendered "
        "fields."
    ),
)
