"""Light: brightness that beats with the mains, and bands that roll down the picture.

Lamps on the mains, and dimmed LED lamps, go bright and dark faster than an eye sees. A
camera whose exposure is not a whole number of pulses catches now more, now less of
them: the whole picture flickers; and a sensor that reads its rows one after another
shows it as bands.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping

import numpy as np
from numpy.typing import NDArray

from qc.limits import Option
from qc.measures.base import (
    Chart,
    Column,
    Measure,
    Measured,
    Rule,
    Setup,
    Values,
)
from qc.measures.parts.light.fewrounds import few_rounds
from qc.measures.parts.light.lightbeats import (
    FLICKER_ROUNDS,
    RESOLUTION_HZ,
    UNKNOWN_HZ,
    beats,
    rate_of,
    shots,
)
from qc.measures.parts.light.lightfigures import exhibits, mark
from qc.measures.parts.light.lightrolls import (
    LEAST_ROUNDS,
    SEEN_PERCENT,
    slow_beat,
)
from qc.measures.parts.light.lightstrips import StripFollower
from qc.measures.parts.light.lightwaves import PARTS, STRIPS
from qc.measures.parts.light.lightwords import (
    banding_advice,
    banding_message,
    flicker_advice,
    flicker_message,
)
from qc.measures.parts.light.mains import PULSES_HZ, beat_hz
from qc.measures.parts.light.pumped import pumped
from qc.records import Picture
from qc.signal import Signal

__all__ = ["MEASURE"]

_FLICKER, _BANDING = "light.flicker", "light.banding"
# Bands that move by less than this share of a round in 3 s stand still.
_STILL_HZ = 0.04
# A smaller share of a take that could not be told is not worth a note.
_NOTE_SHARE = 0.05
# From so many percent of the width a second on the camera pans or tilts, and so much of
# a take of it is worth a note (house choices).
_PANS_PERCENT_S, _PANNED_SHARE = 5.0, 0.5


class _Reader:
    def __init__(self, setup: Setup) -> None:
        video = setup.info.video
        self._strips = StripFollower(video.signal if video is not None else Signal())

    def read(self, picture: Picture) -> Values:
        values: dict[str, float | NDArray[np.floating]] = {"key": float(picture.key)}
        changes = self._strips.read(picture)
        if changes is not None:
            values["strips_stops"], values["parts_stops"] = changes
        apart = self._strips.between_fields(picture)
        if apart is not None:
            values["fields_stops"] = apart
        return values

    def finish(self) -> Mapping[str, object]:
        return {}


def _derive(measured: Measured) -> Mapping[str, NDArray[np.floating]]:
    out = beats(measured)
    percent = out["flicker_percent"]
    told = pumped(
        measured,
        percent,
        out["flicker_hz"],
        rate=rate_of(measured),
        resolution_hz=RESOLUTION_HZ,
        below_hz=UNKNOWN_HZ,
    )
    percent[told], out["flicker_hz"][told] = 0.0, np.nan
    return out


def _notes(measured: Measured) -> Iterable[str]:
    readings = measured.picture
    video = measured.info.video
    if readings is None or video is None or not readings.rows:
        return
    flicker = readings["light.flicker_percent"]
    if np.isnan(flicker).all():
        yield (
            "Flicker and bands could not be judged: no stretch of two seconds is lit "
            "and quiet enough."
        )
        return
    if video.interlaced and ((flicker > 0) & _panned(measured)).any():
        yield (
            "Where the camera pans or tilts, flicker is read from both fields of a "
            "frame together, which hides part of it: there it is stronger than the "
            "figures say."
        )
    yield from _slow_notes(measured)
    yield from _few_notes(measured)
    yield from _pan_notes(measured)


def _slow_notes(measured: Measured) -> Iterable[str]:
    """Say where bands that roll slowly could not be told from what else happens."""
    rate, share = rate_of(measured), _slow_share(measured)
    beat = slow_beat(rate)
    if beat is None or not share < 1.0 - _NOTE_SHARE:
        return
    mains = next(
        mains
        for mains, pulses in PULSES_HZ.items()
        if abs(beat_hz(pulses, rate=rate)) == beat
    )
    told = f"only in {100 * share:.0f} % of the take" if share >= 0.005 else "nowhere"
    yield (
        f"Slow bands, as lamps on {mains} Hz mains make them at {round(rate, 2):g} "
        f"frames a second, could be told {told}: it takes a shot of "
        f"{LEAST_ROUNDS / beat:.1f} s in which little moves."
    )


def _few_notes(measured: Measured) -> Iterable[str]:
    """Say where light swung as slow flicker does, but not often enough to tell."""
    readings = measured.picture
    if readings is None:
        return
    limit = float(measured.limits["light.flicker_review_percent"])
    times = readings.times()[:-1]
    flicker = readings["light.flicker_percent"]
    grid = measured.info.grid
    for first, last in shots(measured):
        beat = slow_beat(rate_of(measured, times[first:last]))
        if beat is None or (flicker[first:last] > 0).any():
            continue
        seen = few_rounds(
            readings.columns.part("light.strips_stops", first, last),
            times[first:last],
            beat=beat,
            most=FLICKER_ROUNDS,
        )
        if seen is None or seen.percent <= limit:
            continue
        yield (
            f"From {grid.label(grid.nearest(readings.start(first)))} on the light of "
            f"the whole picture goes up and down by {seen.percent:.1f} %, once in "
            f"{1 / seen.hertz:.1f} s, as under lamps on the mains at this frame rate. "
            f"The shot holds {seen.rounds:.1f} rounds of it; it takes "
            f"{FLICKER_ROUNDS:g} to tell flicker from an iris, a dimmer or daylight."
        )


def _pan_notes(measured: Measured) -> Iterable[str]:
    """Say how much was filmed while panning, where slow beats are not told."""
    readings = measured.picture
    if readings is None or not readings.rows:
        return
    pans = _panned(measured)
    for kind in ("flicker", "banding"):
        limit = float(measured.limits[f"light.{kind}_review_percent"])
        pans &= ~(readings[f"light.{kind}_percent"] >= limit)
    share = float(np.mean(pans))
    if share >= _PANNED_SHARE:
        yield (
            f"In {100 * share:.0f} % of the take the camera pans or tilts: bands and "
            f"flicker there that come round less than {UNKNOWN_HZ:g} times a second "
            "could not be told from what passes."
        )


def _panned(measured: Measured) -> NDArray[np.bool_]:
    """Return in which rows the camera pans or tilts, as far as that was measured."""
    readings = measured.picture
    if readings is None or "steadiness.pan_percent_s" not in readings.columns:
        return np.zeros(0 if readings is None else readings.rows, np.bool_)
    return readings["steadiness.pan_percent_s"] >= _PANS_PERCENT_S


def _slow_share(measured: Measured) -> float:
    """Return the share of a take in which slow bands could be told, if not weak."""
    readings = measured.picture
    if readings is None or not readings.rows:
        return math.nan
    floor = readings["light.slow_floor_percent"]
    told = (floor <= SEEN_PERCENT) | (readings["light.banding_percent"] > 0)
    return float(np.mean(told))


def _summarise(measured: Measured) -> Mapping[str, object]:
    readings = measured.picture
    if readings is None or not readings.rows:
        return {}
    out: dict[str, object] = {}
    for kind in ("flicker", "banding"):
        percent = readings[f"light.{kind}_percent"]
        known = ~np.isnan(percent)
        out[f"{kind}_max_percent"] = math.nan
        out[f"{kind}_hz"] = math.nan
        if known.any():
            worst = int(np.nanargmax(percent))
            out[f"{kind}_max_percent"] = float(percent[worst])
            out[f"{kind}_hz"] = float(readings[f"light.{kind}_hz"][worst])
    judged = float(np.mean(~np.isnan(readings["light.flicker_percent"])))
    out["judged_percent"] = 100.0 * judged
    rate = rate_of(measured)
    if slow_beat(rate) is not None:
        out["slow_bands_judged_percent"] = 100.0 * _slow_share(measured)
    out["still_bands_mains_hz"] = [
        mains
        for mains, pulses in PULSES_HZ.items()
        if abs(beat_hz(pulses, rate=rate)) < _STILL_HZ
    ]
    return out


def _option(kind: str, grade: str, default: float, text: str) -> Option:
    return Option(
        f"light.{kind}_{grade}_percent", default, text, unit="%", low=0.1, high=100
    )


MEASURE = Measure(
    name="light",
    label="Light",
    clock="picture",
    room="light",
    columns=(
        Column(
            "strips_stops",
            "Light of each strip against the frame before",
            "stops",
            3,
            width=STRIPS,
        ),
        Column(
            "parts_stops",
            "Light of each part of a strip against the frame before",
            "stops",
            3,
            width=STRIPS * PARTS,
        ),
        Column(
            "fields_stops",
            "Light of each strip from the upper to the lower field",
            "stops",
            3,
            width=STRIPS,
        ),
        Column("key", "Key frame", "", 0),
    ),
    derived=(
        Column("flicker_percent", "Flicker of the whole picture", "% of light", 1),
        Column("flicker_hz", "Frequency of the flicker", "Hz", 2),
        Column("banding_percent", "Bands that roll", "% of light", 1),
        Column("banding_hz", "Frequency of the bands", "Hz", 2),
        Column("bands_count", "Bands from top to bottom", "", 1),
        Column("slow_floor_percent", "Slow bands that could be told", "% of light", 1),
    ),
    derive=_derive,
    options=(
        _option(
            "flicker",
            "review",
            1.0,
            "Flicker when the whole picture's light beats by this much, as 100 x "
            "(high - low) / (high + low); at 5 to 10 Hz an eye sees 1 % (house "
            "choice).",
        ),
        _option(
            "flicker",
            "reject",
            10.0,
            "Flicker that makes a picture not usable (house choice).",
        ),
        _option(
            "banding",
            "review",
            1.5,
            "Bands when light beats by this much from row to row (house choice).",
        ),
        _option(
            "banding",
            "reject",
            10.0,
            "Bands that make a picture not usable (house choice).",
        ),
    ),
    start=_Reader,
    rules=(
        Rule(
            id=_FLICKER,
            column="light.flicker_percent",
            label="Flicker",
            message=flicker_message,
            advice=flicker_advice,
            review="light.flicker_review_percent",
            reject="light.flicker_reject_percent",
            bridge_seconds=2.0,
            unit="%",
        ),
        Rule(
            id=_BANDING,
            column="light.banding_percent",
            label="Rolling bands",
            message=banding_message,
            advice=banding_advice,
            review="light.banding_review_percent",
            reject="light.banding_reject_percent",
            bridge_seconds=2.0,
            unit="%",
        ),
    ),
    charts=(
        Chart(
            columns=("flicker_percent", "banding_percent"),
            label="Beating light",
            unit="% of light",
            low=0.0,
            limits=("light.flicker_review_percent",),
            explain=(
                "How much the light beats, all over and in bands; 0 is steady, a gap "
                "could not be judged."
            ),
        ),
    ),
    summarise=_summarise,
    notes=_notes,
    mark=mark,
    exhibits=exhibits,
    method=(
        "Scene light of 27 strips of 30 cells is compared with the frame before; the "
        "mean of the middle half of a strip's cells leaves out what moves. Over 3 s "
        "within a shot (30 s for slow beats) the plane wave over time and height that "
        "stands out most is sought: under half a band from top to bottom it is "
        "flicker, else rolling bands (up to 13; 10 where the camera moves). It counts "
        "when it is narrow, six times its surroundings and explains 60 % of all "
        "strips' light at its frequency. Under a moving camera and over cuts, where "
        "single cells tell nothing, the plain means of three parts of each strip are "
        "read as well, each weighed by how quiet it is: there a wave counts when it "
        "is narrow, five times its surroundings (four where lamps on the mains would "
        "put one) and three quarters of all parts swing with it, left, middle and "
        "right alike. Between 0.3 and 3 Hz, where the mains do not put a beat, it "
        "must be steady: over 3, 6 or 12 s one sine (three rounds of it, two and a "
        "half of bands), fitted by least squares, explains 60 % of what all strips do "
        "and 80 % of the whole picture's light, in both halves and on all sides "
        "alike; weaker ones behind what moves are not told. Where the level of the "
        "scene pumps in the same rounds, it is exposure that does so, and told there. "
        "A beat begins and ends "
        "where its strength, followed over whole rounds, passes half of what it is "
        "inside. Weak steps at the coder's key frames do not count. Bands that crawl "
        "at 0.06 to 0.3 Hz where the mains should not beat, because they run off a "
        "little, take three quarters of a round. Where the mains make bands that take "
        "seconds to come round (0.12 Hz at 29.97 and 59.94 frames), half a round "
        "within a shot is enough if a plane wave of that speed, fitted by least "
        "squares to what the strips do differently, explains 80 % of it, in both "
        "halves and on the left, in the middle and on the right. Where lamps pulse at "
        "an exact multiple of the frame rate (50 Hz mains at 25 or 50 frames, 60 Hz "
        "at 24, 30 or 60) nothing beats: bands that stand still cannot be told from "
        "the picture. An interlaced take is read field by field (what both fields see "
        "differently at all times is taken out), up to 2 Hz under half the field rate; "
        "under a moving camera two fields are read together as one frame: light that "
        "changes from field to field reads weaker there than it is, and what beats "
        "faster than half the frame rate is told at the frequency it has from frame to "
        "frame."
    ),
    source=(
        "Closed forms: light pulses at twice the mains frequency, beats at its "
        "distance to the nearest multiple of the frame rate, and an exposure t leaves "
        "|sinc(f t)| of it. Percent flicker: lighting trade, from memory. Limits: "
        "house choice."
    ),
    version=12,
)
