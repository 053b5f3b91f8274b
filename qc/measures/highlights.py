"""Highlights: how much of the picture is burnt out, where, and whether it matters."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping

import numpy as np

from qc.limits import Option
from qc.measures.base import Chart, Column, Hit, Measure, Measured, Rule
from qc.measures.parts.burnt.brightblocks import largest_area
from qc.measures.parts.burnt.brightmarks import PLACES, mark
from qc.measures.parts.burnt.brightreader import HighlightsReader, share_at_or_above
from qc.measures.parts.burnt.brightregions import judged_region, region_mask
from qc.measures.parts.level.stops import BEYOND, close_by
from qc.records import Readings
from qc.signal import to_linear
from qc.spans import bridged, past_limit

__all__ = [
    "MEASURE",
    "judged_region",
    "largest_area",
    "region_mask",
    "share_at_or_above",
]

# Less than this is not worth a word.
_TOLD_PERCENT = 0.05
# So much that could not be told is worth a note of its own.
_NOTED_PERCENT = 1.0
# So much let pass wants a person's look (house choice).
_MUCH_CLOTH_PERCENT = 5.0
_SHARES = (
    "share_percent",
    "relevant_percent",
    "swab_percent",
    "glint_percent",
    "undecided_percent",
    "ceiling_percent",
)


def _message(hit: Hit) -> str:
    """Say how much burns out where it matters, and what was let pass."""

    def worst(name: str) -> float:
        return float(hit.readings[f"highlights.{name}_percent"][hit.worst_row])

    text = (
        f"Up to {hit.worst:.1f} % of the picture is burnt out where it matters "
        f"(tissue, skin, hands, instruments; limit {hit.limit:g} %)"
    )
    let_pass = [
        f"{worst(name):.1f} % is {what}"
        for name, what in (("swab", "swab or other white cloth"), ("glint", "glints"))
        if worst(name) >= _TOLD_PERCENT
    ]
    if let_pass:
        text += f"; a further {' and '.join(let_pass)}, which is let pass"
    undecided = worst("undecided")
    if undecided >= _TOLD_PERCENT:
        text += f"; {undecided:.1f} % could not be told and is counted"
    return f"{text}."


def _advice(hit: Hit) -> str:
    level = hit.measured.limits["highlights.level_percent"]
    how = close_by(hit.readings, hit.first, hit.last)
    channels = close_by(hit.readings, hit.first, hit.last, channels=True)
    if how and channels and channels != how:
        stops = channels.removeprefix("close the iris by ")
        if not how.startswith(f"close the iris by {BEYOND}"):
            how += f" ({stops} if no colour channel is to burn out either)"
    if not how:
        how = f"close the iris {'a little' if hit.worst < 3 else 'clearly'}"
    return (
        f"{how[0].upper()}{how[1:]}, until the zebra at {level:g} % leaves the "
        "operative field; swabs and glints may keep it."
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
    for column in _SHARES:
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


def _most(readings: Readings, name: str) -> float:
    """Return the largest of a column; 0 where nothing is known."""
    values = readings[f"highlights.{name}"]
    return float(np.nanmax(values)) if not np.isnan(values).all() else 0.0


def _is_found(measured: Measured, readings: Readings) -> bool:
    """Tell whether the rule has a finding: what is short and small has none."""
    (rule,) = MEASURE.rules
    values, times = readings[rule.column], readings.times()
    limit = float(measured.limits["highlights.review_percent"])
    spans = past_limit(values, limit=limit, release=rule.release * limit)
    shortest = float(measured.limits["highlights.min_seconds"])
    return bool((values > measured.limits["highlights.reject_percent"]).any()) or any(
        round(float(times[last] - times[first]), 6) >= shortest
        for first, last in bridged(spans, times=times, gap=float(rule.bridge_seconds))
    )


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
        most = _most(readings, "undecided_percent")
        if most >= _NOTED_PERCENT:
            yield (
                f"Up to {most:.1f} % of the picture is burnt out and could not be told "
                "from what matters; it is counted."
            )
        if _is_found(measured, readings):
            yield (
                "A swab that was counted as burnt out where it matters is let pass "
                "once its place is named in highlights.swabs in the limits file."
            )
        most = _most(readings, "swab_percent")
        if most >= _MUCH_CLOTH_PERCENT:
            yield (
                f"Up to {most:.0f} % of the picture is burnt out and was let pass as "
                "swab or other white cloth: look whether that is what it is."
            )
    video = measured.info.video
    if video is None or not video.signal.is_hdr:
        return
    level = measured.limits["highlights.level_percent"]
    if video.signal.transfer == "pq":
        nits = 10_000 * float(to_linear(level / 100, transfer="pq"))
        shown = f"{nits:,.0f}".replace(",", "\N{NO-BREAK SPACE}")
        yield (
            f"The picture is PQ: {level:g} % of the signal stands for {shown} "
            "cd/m² on the display, far above reference white (203 cd/m² at 58 %, "
            "ITU-R BT.2408); it does not mean that the camera clips there."
        )
    else:
        yield (
            f"The picture is HLG: {level:g} % of the signal lies well above reference "
            "white (75 %, ITU-R BT.2408); it means close to the system's end, not a "
            "white object that is just exposed right."
        )


MEASURE = Measure(
    name="highlights",
    label="Highlights",
    clock="picture",
    room="exposure",
    columns=(
        Column("relevant_percent", "Burnt out where it matters", "%", 2),
        Column("swab_percent", "Burnt-out swabs and white cloth", "%", 2),
        Column("glint_percent", "Glints", "%", 2),
        Column("undecided_percent", "Could not be told; counted as relevant", "%", 2),
        Column("share_percent", "At or above the level, whole picture", "%", 2),
        Column("ceiling_percent", "At the signal's ceiling", "%", 2),
        Column("largest_percent", "Largest connected area that matters", "%", 2),
        Column("largest_box", "Largest area: x, y, w, h", "px", 0, width=4),
        Column("places", "What burns where, coarse", "", 0, width=PLACES),
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
            "Leave these regions out altogether.",
            kind="regions",
            measuring=True,
        ),
        Option(
            "highlights.split",
            True,
            "Tell swabs and glints from what matters; false: all that burns out counts "
            "as relevant.",
            kind="switch",
            measuring=True,
        ),
        Option(
            "highlights.swabs",
            (),
            "What burns out in these regions is always taken for swab, e.g. where the "
            "white towels lie.",
            kind="regions",
            measuring=True,
        ),
        Option(
            "highlights.always_relevant",
            (),
            "What burns out in these regions always counts as relevant, whatever it "
            "looks like; stronger than highlights.swabs.",
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
    start=HighlightsReader,
    version=11,
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
            (
                "relevant_percent",
                "swab_percent",
                "glint_percent",
                "undecided_percent",
            ),
            "Burnt-out area",
            "% of the picture",
            low=0.0,
            limits=("highlights.review_percent", "highlights.reject_percent"),
            always=True,
            explain="Share of the picture burnt out where it matters, frame by frame; "
            "swabs and glints are let pass; what could not be told is part of what "
            "counts.",
        ),
    ),
    summarise=_summarise,
    notes=_notes,
    mark=mark,
    method=(
        "Every pixel of every frame whose luma code is at or above the first code that "
        "really reaches the level counts; nothing is averaged or scaled first. The "
        "signal's ceiling is the highest code that video may carry. What burns out is "
        "told apart on a small picture: tissue, skin and gloves fade into colour and "
        "keep a trace of it almost to the end of the signal; white cloth is neutral, "
        "broad and ends in a step; glints are small and sharp and stand on something "
        "darker, which a third small network tells from tissue that burns anyway, "
        "patch by patch of a 240th of the width; how bright tissue is elsewhere "
        "tells whether the iris can have burnt it here; the colour of a place before "
        "it burnt out counts where the light of the whole picture rose. A small fitted "
        "network weighs "
        "colour against the picture's own white, steps and fades, grain, size and "
        "surroundings; a second one weighs them again together with what the first "
        "said of the neighbourhood and of the whole object, for which burnt areas are "
        "cut along the lines of shade that are left in them; the white "
        "is that of the lamp that most speaks for, as another small network weighs it "
        "(a black body's, or as much greener or pinker as a Duv of 0.01), "
        "also where a channel of all that is white is at its end, and the middle "
        "one of the last seven looks, and what the networks say is averaged over 0.4 s "
        "and at least two looks. What cannot be told, and all that burns where the "
        "picture's own white is more than 1.75 stops of blue off, or where more would "
        "be burnt cloth than a sixth of the picture and 25 times the tissue in sight "
        "that does not burn, counts as "
        "relevant. Up to 0.5 % of the picture, or half the review limit, is not told "
        "apart and counts as undecided. The whole burnt-out area is counted in every "
        "frame; what it consists of is looked at again when the area jumps or has "
        "changed by 25 %, when a limit would be crossed, when the picture has changed, "
        "else every 0.5 s at the latest, every two seconds while looks agree, and near "
        "a limit more often until they do; in between the shares found last hold in "
        "proportion. The largest area joins what lies less than four pixels apart."
    ),
    source=(
        "Levels: ITU-R BT.709-6, BT.601-7, BT.2020-2, BT.2100-2 (quantisation). "
        "Zebra at 95 %: common practice, no source. Telling apart: weights fitted on "
        "rendered scenes (tests/bench/fit_lamps.py, fit_highlights.py, fit_glints.py). "
        "Limits: house choice."
    ),
)
