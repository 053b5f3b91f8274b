"""Colour channels: where red, green or blue saturates though luma is not high.

Tissue under theatre lamps drives the red channel to its end long before luma comes
near the zebra; the texture is gone all the same. White cloth under a lamp that the
camera is not balanced for does so, too, and may.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping

import numpy as np
from numpy.typing import NDArray

from qc.limits import Option
from qc.measures.base import Chart, Column, Hit, Measure, Measured, Rule, Setup, Values
from qc.measures.highlights import judged_region
from qc.measures.parts.colour.channelcodes import CHANNELS
from qc.measures.parts.colour.channelpass import (
    CEILINGS,
    Pass,
    Region,
    Shares,
    codes_of_ceilings,
    out_of_range_percent,
    saturated,
)
from qc.measures.parts.colour.channelpiles import Piles
from qc.measures.parts.colour.channelwhite import white_pixels
from qc.measures.parts.level.stops import close_by
from qc.records import Finding, Marks, Picture
from qc.signal import Signal

__all__ = ["MEASURE"]

# EBU R 103: this much of the picture may lie outside the range.
_ALLOWED_OUTSIDE_PERCENT = 1.0
# Pictures are looked at in whole at least this often; in between the last one holds,
_EVERY_SECONDS = 0.5
# unless this share of some thousand points on a grid has come to its end or left it,
_CHANGED = 0.005
# or this part of what was there, if that is more.
_CHANGED_PART = 0.1
# White things are told apart from this share of the picture on, or from this part of
# the review limit: under it no rule can strike.
_WHITES_FROM_PERCENT, _WHITES_FROM_PART = 1.0, 0.5
# So much on white things is worth a word.
_TOLD_PERCENT = 0.05
# Range is a figure for the summary, nothing is judged by it.
_RANGE_EVERY_SECONDS = 1.0


class _Reader:
    def __init__(self, setup: Setup) -> None:
        video = setup.info.video
        self._signal = video.signal if video is not None else Signal()
        self._tick = float(video.time_base) if video is not None else 0.0
        limits = setup.limits
        self._level = limits["highlights.level_percent"]
        self._relevant = limits["highlights.relevant"]
        self._ignore = limits["highlights.ignore"]
        self._whites_from = min(
            _WHITES_FROM_PERCENT, _WHITES_FROM_PART * limits["channels.review_percent"]
        )
        self._region: Region | None = None
        self._pass = Pass(self._signal, level_percent=self._level)
        self._piles = Piles(self._signal)
        self._held: Shares | None = None
        # What holds from picture to picture is made once.
        self._values: Values = {}
        self._whites: NDArray[np.floating] | float = 0.0
        self._held_from = 0
        self._range_from: int | None = None
        self._out_of_range = math.nan
        self._points = 0.0
        self._frames = self._looked_at = 0

    def read(self, picture: Picture) -> Values:
        if picture.damaged or not picture.y.size:
            self._held = None
            return {}
        self._frames += 1
        points = self._pass.coarse_share(picture)
        changed = abs(points - self._points) > max(
            _CHANGED, _CHANGED_PART * self._points
        )
        again = self._held is None or changed or self._due(picture, self._held_from)
        if again:
            self._looked_at += 1
            self._points, self._held_from = points, picture.pts
            self._held = self._look(picture)
            self._piles.add(picture)
        if self._range_from is None or self._due(
            picture, self._range_from, _RANGE_EVERY_SECONDS
        ):
            again, self._range_from = True, picture.pts
            self._out_of_range = out_of_range_percent(picture, signal=self._signal)
        if again and self._held is not None:
            self._values = self._values_of(self._held)
        return self._values

    def _look(self, picture: Picture) -> Shares:
        """Look at a whole picture; what is on white things goes apart."""
        region = self._judged(picture)
        every = self._pass.shares(picture, region)
        self._whites = 0.0 * every.any_channel
        # The lowest of the ends is reached on the largest area.
        if not every.any_channel[0] >= self._whites_from:
            return every
        white = white_pixels(picture, self._level / 100)
        if white is None:
            return every
        left = ~white if region is None else ~white & (region.mask > 0)
        coloured = self._pass.shares(picture, Region(left))
        self._whites = every.any_channel - coloured.any_channel
        return coloured

    def _due(
        self, picture: Picture, last: int, seconds: float = _EVERY_SECONDS
    ) -> bool:
        # A hundredth of a tick of slack: 10 frames of 1/50 s are 0.2 s.
        since = (picture.pts - last + 0.01) * self._tick
        return not 0 <= since < seconds

    def _judged(self, picture: Picture) -> Region | None:
        if not (self._relevant or self._ignore):
            return None
        if self._region is None or self._region.mask.shape != picture.y.shape:
            self._region = Region(
                judged_region(
                    self._relevant,
                    self._ignore,
                    height=picture.height,
                    width=picture.width,
                )
            )
        return self._region

    def _values_of(self, shares: Shares) -> Values:
        values: dict[str, float | NDArray[np.floating]] = {
            "out_of_range_percent": self._out_of_range
        }
        if self._signal.transfer == "pq" or (
            self._region is not None and not self._region.pixels
        ):
            return values
        for name, row in zip(CHANNELS, shares.channels, strict=True):
            values[f"{name}_from_percent"] = row
        values["any_from_percent"] = shares.any_channel
        values["white_from_percent"] = np.asarray(self._whites, np.float32)
        values["luma_from_percent"] = shares.luma
        if shares.box is not None:
            values["worst_box"] = np.array(shares.box, np.float32)
        return values

    def finish(self) -> Mapping[str, object]:
        if not self._frames:
            return {}
        index, piled = self._piles.ceiling()
        code = codes_of_ceilings(self._signal)[index]
        return {
            "ceiling_number": index,
            "ceiling_percent": round(self._signal.percent(code), 2),
            "ceiling_seen": piled,
            "runs_past_100": self._piles.runs_past_white(),
            "frames_looked_at_percent": round(100 * self._looked_at / self._frames, 1),
        }


def _ceiling_number(measured: Measured) -> int:
    """Return which of the ceilings this take's channels end at."""
    number = measured.totals.get("channels", {}).get("ceiling_number", 0)
    return number if isinstance(number, int) else 0


def _derive(measured: Measured) -> Mapping[str, NDArray[np.floating]]:
    readings = measured.picture
    if readings is None:
        return {}
    index = _ceiling_number(measured)
    return {
        f"{name}_percent": readings[f"channels.{name}_from_percent"][:, index]
        for name in (*CHANNELS, "any", "luma", "white")
    }


# ------------------------------------------------------------------------- judging


def _shares_at(hit: Hit) -> dict[str, float]:
    return {
        name: float(hit.readings[f"channels.{name}_percent"][hit.worst_row])
        for name in CHANNELS
    }


def _leading(hit: Hit) -> list[str]:
    """Return the channels that saturate on at least half of the worst one's area."""
    shares = _shares_at(hit)
    most = max(shares.values())
    return sorted(
        (name for name in CHANNELS if shares[name] >= 0.5 * most),
        key=lambda name: -shares[name],
    )


def _luma_at(hit: Hit) -> float:
    return float(hit.readings["channels.luma_percent"][hit.worst_row])


def _message(hit: Hit) -> str:
    names = _leading(hit)
    listed = " and ".join(names) if len(names) < 3 else "red, green and blue"
    verb = "saturates" if len(names) == 1 else "saturate"
    # Whatever else there is, tissue is at its end in red first.
    lost = "texture in tissue is lost" if "red" in names else "texture there is lost"
    white = float(hit.readings["channels.white_percent"][hit.worst_row])
    let_pass = ""
    if white >= _TOLD_PERCENT:
        let_pass = f"; a further {white:.1f} % is on white cloth, which is let pass"
    return (
        f"{listed.capitalize()} {verb} on {hit.worst:.1f} % of the picture while luma "
        f"is at {_luma_at(hit):.0f} %: {lost} (limit {hit.limit:g} %){let_pass}."
    )


def _advice(hit: Hit) -> str:
    names = _leading(hit)
    much = close_by(hit.readings, hit.first, hit.last, channels=True)
    luma = close_by(hit.readings, hit.first, hit.last)
    level = hit.measured.limits["highlights.level_percent"]
    how = much or (
        "close the iris by ⅓ to ⅔ stop (how far over its end a channel was cannot be "
        "measured)"
    )
    if much and luma and much != luma:
        # The same two amounts as in the advice on what is burnt.
        part = luma.removeprefix("close the iris by ").partition(" (")[0]
        how += f" ({part} of it takes the zebra off the field)"
    first = (
        f"{how[0].upper()}{how[1:]}, then look again; the zebra at {level:g} % reads "
        "luma and does not show this."
    )
    if len(names) > 1:
        return first
    return (
        f"{first} If only {names[0]} saturates while the picture is no brighter than "
        "this, also check saturation, colour matrix and white balance in the camera's "
        "menu."
    )


def _where(hit: Hit) -> tuple[int, int, int, int] | None:
    box = hit.readings["channels.worst_box"][hit.worst_row]
    if np.isnan(box).any():
        return None
    x, y, w, h = (int(v) for v in box)
    return x, y, w, h


def _summarise(measured: Measured) -> Mapping[str, object]:
    readings = measured.picture
    if readings is None or not readings.rows:
        return {}
    totals = measured.totals.get("channels", {})
    out: dict[str, object] = {
        key: totals[key]
        for key in ("ceiling_percent", "ceiling_seen", "frames_looked_at_percent")
        if key in totals
    }
    for name in (*CHANNELS, "any", "white", "out_of_range"):
        values = readings[f"channels.{name}_percent"]
        known = values[~np.isnan(values)]
        out[f"{name}_max_percent"] = float(known.max()) if known.size else math.nan
        out[f"{name}_mean_percent"] = (
            float(known.mean(dtype=np.float64)) if known.size else math.nan
        )
    return out


def _notes(measured: Measured) -> Iterable[str]:
    readings, video = measured.picture, measured.info.video
    if readings is None or not readings.rows or video is None:
        return
    if video.signal.transfer == "pq":
        yield (
            "Saturating colour channels were not judged: the picture is PQ, where no "
            "camera comes near 100 % and its own end is not known."
        )
    else:
        judged = readings["channels.any_percent"]
        outside = readings["channels.out_of_range_percent"]
        if np.isnan(judged[~np.isnan(outside)]).any():
            yield (
                "Colour channels were not judged: the regions to judge and to ignore "
                "leave no pixel of the picture."
            )
    yield from _ceiling_notes(measured)
    yield from _range_notes(measured, video.signal)


def _ceiling_notes(measured: Measured) -> Iterable[str]:
    totals = measured.totals.get("channels", {})
    if _ceiling_number(measured):
        yield (
            "This camera records colours up to about "
            f"{totals['ceiling_percent']:.0f} %: a colour counts as cut off only from "
            "there on, not from 100 %."
        )
    elif totals.get("runs_past_100") and not totals.get("ceiling_seen"):
        assert measured.picture is not None  # noqa: S101 - the caller has looked
        with np.errstate(invalid="ignore"):
            over = (
                measured.picture["channels.any_percent"]
                > (measured.limits["channels.review_percent"])
            )
        if not over.any():
            return
        yield (
            "Colours reach over 100 % and no upper end was seen; they were judged at "
            "100 %. The recording may hold more than an ordinary screen shows."
        )


def _range_notes(measured: Measured, signal: Signal) -> Iterable[str]:
    assert measured.picture is not None  # noqa: S101 - the caller has looked
    outside = measured.picture["channels.out_of_range_percent"]
    with np.errstate(invalid="ignore"):
        over = outside > _ALLOWED_OUTSIDE_PERCENT
    if signal.is_hdr or not over.any():
        return
    worst = int(np.nanargmax(outside))
    grid = measured.info.grid
    at = grid.label(grid.nearest(measured.picture.start(worst)))
    lengths = np.diff(measured.picture.times())
    yield (
        f"Colours outside the range that EBU R 103 allows (−5 to 105 %, on at most "
        f"1 % of the picture) for {float(lengths[over].sum()):.1f} s; worst "
        f"{float(outside[worst]):.1f} % of the picture at {at}. A broadcaster may "
        "refuse or limit this. Expose as the findings say first; then lower the "
        "camera's white clip or knee, or, where strong colours alone go out, its "
        "saturation. Single pixels count: the recommendation's filter is not applied."
    )


def _mark(picture: Picture, setup: Setup, finding: Finding) -> Marks:
    index = 0
    if setup.result is not None:
        seen = setup.result.summary.get("channels", {}).get("ceiling_percent")
        if isinstance(seen, float):
            levels = [
                picture.signal.percent(c) for c in codes_of_ceilings(picture.signal)
            ]
            index = int(np.argmin([abs(level - seen) for level in levels]))
    mask = saturated(
        picture, level_percent=setup.limits["highlights.level_percent"], ceiling=index
    )
    relevant, ignore = (setup.limits[f"highlights.{k}"] for k in ("relevant", "ignore"))
    if relevant or ignore:
        mask &= judged_region(
            relevant, ignore, height=picture.height, width=picture.width
        )
    white = white_pixels(picture, setup.limits["highlights.level_percent"] / 100)
    if white is not None:
        mask &= ~white
    return Marks(
        areas=(("channel", mask),),
        caption="Marked: one colour is burnt out although the brightness is not.",
    )


_FROM = "at or above 100, 103, 105, 107, 109 %, luma under the level"
_WIDE = len(CEILINGS)

MEASURE = Measure(
    name="channels",
    version=3,
    label="Colour channels",
    clock="picture",
    room="exposure",
    columns=(
        *(
            Column(
                f"{name}_from_percent",
                f"{name.capitalize()} {_FROM}",
                "%",
                2,
                width=_WIDE,
            )
            for name in CHANNELS
        ),
        Column("any_from_percent", f"Any channel {_FROM}", "%", 2, width=_WIDE),
        Column("white_from_percent", f"Of white {_FROM}", "%", 2, width=_WIDE),
        Column("luma_from_percent", f"Luma, any channel {_FROM}", "%", 1, width=_WIDE),
        Column("out_of_range_percent", "Outside −5 to 105 %", "%", 2),
        Column("worst_box", "Largest saturated area: x, y, w, h", "px", 0, width=4),
    ),
    derived=(
        Column("any_percent", "A channel at its end, luma under the level", "%", 2),
        *(
            Column(f"{name}_percent", f"{name.capitalize()} at its end", "%", 2)
            for name in CHANNELS
        ),
        Column("white_percent", "At its end on white cloth, let pass", "%", 2),
        Column("luma_percent", "Luma where a channel is at its end", "%", 1),
    ),
    options=(
        Option(
            "channels.review_percent",
            3.0,
            "Review from this share of the picture on where red, green or blue is at "
            "its end though luma is under highlights.level_percent (house choice).",
            unit="%",
            low=0,
            high=100,
        ),
        Option(
            "channels.reject_percent",
            12.0,
            "Reject from this share of the picture on (house choice).",
            unit="%",
            low=0,
            high=100,
        ),
        Option(
            "channels.min_seconds",
            0.2,
            "Shorter than this is let pass, unless it is over the reject limit "
            "(house choice).",
            unit="s",
            low=0,
            high=60,
        ),
    ),
    start=_Reader,
    derive=_derive,
    rules=(
        Rule(
            "highlights.channel",
            column="channels.any_percent",
            label="Colour channel saturates",
            review="channels.review_percent",
            reject="channels.reject_percent",
            min_seconds="channels.min_seconds",
            bridge_seconds=0.5,
            unit="%",
            message=_message,
            advice=_advice,
            where=_where,
        ),
    ),
    charts=(
        Chart(
            ("any_percent", "red_percent", "green_percent", "blue_percent"),
            "Saturated colour channels",
            "% of the picture",
            low=0.0,
            limits=("channels.review_percent", "channels.reject_percent"),
            explain=(
                "Share of the picture where red, green or blue is at its end though "
                "luma is under the level."
            ),
        ),
    ),
    summarise=_summarise,
    notes=_notes,
    mark=_mark,
    method=(
        "R′, G′ and B′ come from luma and chroma by the stream's own matrix and range, "
        "rounded to whole codes of its depth; a chroma sample holds for all luma "
        "samples that share it, so that shares are exact inside areas and off by at "
        "most the pixels beside a colour edge. A channel is at its end within two "
        "8-bit codes (0.9 %) of 100 %, or of the pile-up at which the take's channels "
        "end when they run past 100 % to it. Every pixel is looked at twice a "
        "second and whenever a grid of some thousand places has changed by more than "
        "half a percent of the picture (and a tenth of what was there); frames in "
        "between hold the last figure. From 1 % on, or half the review limit, white "
        "things go apart: cells of the small picture with one channel at its end whose "
        "other two stand to each other as in the picture's white, to 0.14 stops; "
        "that white is told as for burnt-out swabs (highlights). The range is looked "
        "at once a second."
    ),
    source=(
        "Matrices: ITU-R BT.601-7, BT.709-6, BT.2020-2. Range: EBU R 103 v3.0 (−5 to "
        "105 %, 1 % of the picture; without its spatial filter). Limits and the rule "
        "itself: house choice."
    ),
)
