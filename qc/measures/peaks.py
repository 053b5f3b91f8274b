"""Peaks: how high every sound channel goes, where it is clipped, and which are dead."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from qc.limits import Option
from qc.measures.base import (
    Chart,
    Column,
    Measure,
    Measured,
    Setup,
    Values,
    signed,
)
from qc.measures.parts.sound.deadchannels import (
    check_missing,
    check_noise,
    check_silence,
)
from qc.measures.parts.sound.flattops import Flats, FlatTops
from qc.measures.parts.sound.lossytops import SoftTops
from qc.measures.parts.sound.soundlines import (
    ROWS_PER_SECOND,
    Line,
    first_row,
    grouped,
    length_of,
    totals_of,
    tracks_of,
    unknown_channels,
)
from qc.measures.parts.sound.soundviews import seen
from qc.measures.parts.sound.truepeak import (
    SILENCE_DBFS,
    ClippedRuns,
    TruePeaks,
    busiest_window,
    dbfs,
    is_floating,
    keeps_full_scale,
    keeps_samples,
    oversampling,
)
from qc.records import AudioTrack, Finding, Grade, SoundBlock
from qc.spans import Span, bridged, complement, runs

__all__ = ["MEASURE"]

# Tried with AAC, MP3, AC-3 and Opus: sound that was cut off at full scale before coding
# comes back above this somewhere, sound that a limiter held just under it does not.
_LOSSY_REACHES_DBFS = -0.2
# Softened tops are told apart only roughly: those closer together than this are one
# finding, which is a note up to so many seconds of tops in one second (house choice).
_SOFT_GAP_S = 5.0
_SOFT_REVIEW_S = 0.005
# What is clipped was too loud just before and after it as well: said once.
_LOUD_S = 0.5
# Clipped moments closer together than this are one loud word.
_ONE_PLACE_ROWS = 20
# +120 dBFS: no recorder's headroom reaches here, so this is damage, as NaN is.
_NO_SOUND = np.float32(1e6)


class _Reader:
    def __init__(self, setup: Setup, track: AudioTrack) -> None:
        limits = setup.limits
        self._lossy = not keeps_full_scale(track.codec)
        level = f"peaks.clip_level_{'lossy_' * self._lossy}dbfs"
        self._meter = TruePeaks(track.channels, oversampling(track.sample_rate))
        self._clipped = ClippedRuns(
            track.channels,
            level=10.0 ** (limits[level] / 20.0),
            shortest=limits["peaks.clip_run_samples"],
            alike=is_floating(track.codec),
        )
        full = 10.0 ** (limits[level] / 20.0)
        # Logarithmic steps are too coarse for flat tops.
        self._flats: FlatTops | SoftTops | None = None
        if not keeps_samples(track.codec):
            self._flats = SoftTops(track.channels, track.sample_rate, full=full)
        elif not self._lossy or track.codec in ("pcm_u8", "pcm_s8"):
            self._flats = FlatTops(track.channels, track.sample_rate, full=full)
        zeros = np.zeros(track.channels)
        self._highest = np.stack([zeros, zeros])  # samples, true peaks
        self._energy, self._samples = zeros.copy(), zeros.copy()
        self._clipped_total, self._bad_total = zeros.astype(int), 0
        self._last_row: int | None = None
        self._tails: list[tuple[int, list[float]]] = []

    def read(self, block: SoundBlock) -> Values:
        if block.gap_before:
            self._end_of_run()
        samples, edges = block.samples, block.row_edges
        peaks = seen(block).highest.copy()
        lengths = np.diff(edges)[:, np.newaxis]
        bad = ~(peaks < _NO_SOUND) & (lengths > 0)
        if bad.any():
            good = np.abs(samples) < _NO_SOUND
            self._bad_total += int(good.size - np.count_nonzero(good))
            samples = np.where(good, samples, np.float32(0.0))
            peaks[bad] = math.nan
        energy = np.where(bad, math.nan, seen(block).energy)
        between = self._meter.rows(samples, edges)
        true_peaks = np.maximum(between, peaks)  # NaN stays where samples are bad
        clipped = self._clipped.feed(samples, edges)
        if self._flats is not None:
            self._flats.feed(block)
        if len(peaks):
            self._last_row = block.first_row + len(peaks) - 1
        both = np.stack([peaks, true_peaks], axis=1)
        np.fmax(self._highest, np.fmax.reduce(both, initial=0.0), out=self._highest)
        self._energy += np.nansum(energy, axis=0)
        self._samples += np.where(np.isnan(energy), 0, lengths).sum(axis=0)
        self._clipped_total += clipped.sum(axis=0)
        return {
            "sample_peak_dbfs": dbfs(peaks),
            "true_peak_dbtp": dbfs(true_peaks),
            "rms_dbfs": dbfs(np.sqrt(energy / np.maximum(lengths, 1))),
            "clipped_samples": np.where(np.isnan(peaks), math.nan, clipped),
        }

    def _end_of_run(self) -> None:
        """Bring out what the filter still holds; a gap must not be read across."""
        self._clipped.reset()
        if self._flats is not None:
            self._flats.end()
        tail = self._meter.flush()
        if self._last_row is not None and tail.shape[1]:
            highest = tail.max(axis=1).astype(np.float64)
            self._highest[1] = np.maximum(self._highest[1], highest)
            self._tails.append((self._last_row, dbfs(highest).tolist()))

    def finish(self) -> Mapping[str, object]:
        self._end_of_run()
        with np.errstate(invalid="ignore", divide="ignore"):
            rms = np.sqrt(self._energy / self._samples)  # NaN where nothing was read
        unread = np.where(self._samples == 0, math.nan, 0.0)
        sample_peak, true_peak = dbfs(self._highest) + unread
        if self._lossy:
            self._clipped_total[sample_peak < _LOSSY_REACHES_DBFS] = 0
        flats = self._flats.finish() if self._flats is not None else []
        for channel, found in enumerate(flats):
            self._clipped_total[channel] += sum(int(c.sum()) for c in found.counts)
        return {
            "sample_peak_dbfs": sample_peak.tolist(),
            "true_peak_dbtp": true_peak.tolist(),
            "rms_dbfs": dbfs(rms).tolist(),
            "clipped_samples": self._clipped_total.tolist(),
            "damaged_samples": self._bad_total,
            # Rows are handed over before the samples that follow them are known: what
            # only came out behind the last row before a gap or the end.
            "tails": self._tails,
            # Known only once the level is, so they stand in no row.
            "flats": flats,
        }


def _check_levels(measured: Measured) -> Iterator[Finding]:
    """Yield clipped stretches, and peaks over the limit where nothing is clipped."""
    gap = measured.limits["peaks.bridge_seconds"]
    for number, readings, track in tracks_of(measured):
        times = readings.edges.astype(np.float64) * float(readings.time_base)
        peaks = readings["peaks.true_peak_dbtp"].copy()
        for row, tail in totals_of(measured)[number]["tails"]:
            at = row - first_row(readings)
            if 0 <= at < len(peaks):
                peaks[at] = np.maximum(peaks[at], np.float32(tail))
        for index in range(track.channels):
            line = Line(measured, readings, track, index)
            over = peaks[:, index] > np.float32(line.limit("review_dbtp"))
            clipped = np.nan_to_num(line.column("clipped_samples")).astype(np.int64)
            found_flats = totals_of(measured)[number].get("flats", ())
            flats = found_flats[index] if found_flats else Flats()
            flat = flats.over(first_row(readings), readings.rows)
            if not keeps_samples(track.codec):
                for span in bridged(runs(flat > 0), times=times, gap=_SOFT_GAP_S):
                    yield _softened(line, span, flat, flats.level)
                flat[:] = 0
            clipped += flat
            said: list[Span] = []
            for span in bridged(runs(clipped > 0), times=times, gap=gap):
                below = flats if flat[span[0] : span[1]].any() else None
                found = _clipped(line, span, clipped, peaks[:, index], below)
                if found is not None:
                    yield found
                    around = times[span[0]] - _LOUD_S, times[span[1]] + _LOUD_S
                    a, b = np.searchsorted(times, around)
                    said.append((int(a), int(b)))
            for a, b in complement(said, first=0, last=len(over)):
                for first, last in bridged(
                    runs(over[a:b]), times=times[a : b + 1], gap=gap
                ):
                    yield _over(line, (a + first, a + last), peaks[:, index])


def _clipped(
    line: Line,
    span: Span,
    clipped: NDArray[np.int64],
    peaks: NDArray[np.float32],
    flats: Flats | None,
) -> Finding | None:
    first, last = span
    counts = clipped[first:last]
    total, busiest = int(counts.sum()), busiest_window(counts, rows=ROWS_PER_SECOND)
    review = line.limit("clipped_review_samples")
    reject = line.limit("clipped_reject_percent") / 100.0 * line.track.sample_rate
    if busiest < min(review, reject):
        return None
    grade = Grade.REJECT if busiest >= reject else Grade.REVIEW
    limit = reject if grade is Grade.REJECT else review
    lossy = not keeps_full_scale(line.track.codec)
    highest = np.nanmax(line.column("sample_peak_dbfs")[first:last])
    if lossy and highest < _LOSSY_REACHES_DBFS:
        return None
    about = "about " if lossy else ""
    length = _places(line, counts, span)
    share = f", {grouped(busiest)} of them in one second" if busiest < total else ""
    # The true peak of a row's last moment may stand in the next row.
    down = line.turn_down(float(np.nanmax(peaks[first : last + 1])))
    advice = (
        f"turn the recorder's input level down by at least {down} dB, "
        f"{line.target()}; how high clipped sound really went cannot be known."
    )
    where = ""
    if flats is not None:
        where = f" flat at {signed(float(dbfs(flats.level)), 1)} dBFS"
        if flats.low_cut_hz:
            where = (
                f" at about {signed(float(dbfs(flats.level)), 0)} dBFS, ahead of a low "
                f"cut of about {flats.low_cut_hz:.0f} Hz that lets their tops slope,"
            )
        advice = (
            "it is cut off before the level is set: turn down what comes first (the "
            "microphone's pad, the wireless transmitter, the mixer's gain), by 6 dB to "
            "begin with, not the recorder's level. The recording can only be heard, "
            "not repaired."
        )
    return line.finding(
        "sound.clipped",
        span,
        grade=grade,
        worst_row=first + int(counts.argmax()),
        worst=float(busiest),
        limit=limit,
        unit="samples/s",
        message=(
            f"{line}: {about}{grouped(total)} samples clipped{where} {length}"
            f"{share} (limit {grouped(math.ceil(limit))} in a second)."
        ),
        advice=advice,
    )


def _places(line: Line, counts: NDArray[np.int64], span: Span) -> str:
    """Return in how many places samples are clipped, and within what time."""
    length = length_of(line.readings, span)
    rows = np.arange(len(counts) + 1, dtype=np.float64)
    places = len(bridged(runs(counts > 0), times=rows, gap=_ONE_PLACE_ROWS))
    return f"in {places} places within {length}" if places > 1 else f"in {length}"


def _softened(line: Line, span: Span, flat: NDArray[np.int64], level: float) -> Finding:
    """Return the finding of flat tops that lossy coding has softened."""
    counts = flat[span[0] : span[1]]
    busiest = busiest_window(counts, rows=ROWS_PER_SECOND)
    review = _SOFT_REVIEW_S * line.track.sample_rate
    many = busiest >= review
    return line.finding(
        "sound.clipped",
        span,
        grade=Grade.REVIEW if many else Grade.NOTE,
        worst_row=span[0] + int(counts.argmax()),
        worst=float(busiest),
        limit=review if many else None,
        unit="samples/s",
        message=(
            f"{line}: the sound looks cut off at {signed(float(dbfs(level)), 1)} dBFS "
            f"here and there in {length_of(line.readings, span)}, before it was coded "
            "with losses; the coding hides the exact places."
        ),
        advice=(
            "listen to it; if loud words sound harsh, turn down what comes before the "
            "recorder (the microphone's pad, the wireless transmitter, the mixer's "
            "gain), by 6 dB to begin with, not the recorder's level."
        ),
    )


def _over(line: Line, span: Span, peaks: NDArray[np.float32]) -> Finding:
    worst_row = span[0] + int(np.nanargmax(peaks[span[0] : span[1]]))
    worst, limit = float(peaks[worst_row]), line.limit("review_dbtp")
    whole = ""
    if is_floating(line.track.codec) and worst > 0:
        whole = (
            " In this file nothing is lost: its numbers go on beyond full scale. Lower "
            "it before it is written to any other format."
        )
    return line.finding(
        "sound.peak",
        span,
        grade=Grade.REVIEW,
        worst_row=worst_row,
        worst=worst,
        limit=limit,
        unit="dBTP",
        message=(
            f"{line}: true peak {signed(worst, 1)} dBTP (limit {signed(limit)} dBTP)."
        ),
        advice=(
            "turn the recorder's input level down by about "
            f"{line.turn_down(worst)} dB, {line.target()}.{whole}"
        ),
    )


_FIGURES = ("sample_peak_dbfs", "true_peak_dbtp", "rms_dbfs", "clipped_samples")


def _summarise(measured: Measured) -> Mapping[str, object]:
    channels = [
        {
            "channel": track.channel_numbers[index],
            "track": track.number,
            "name": "".join(Line(measured, readings, track, index).names[1:]),
            **{name: totals_of(measured)[k][name][index] for name in _FIGURES},
        }
        for k, readings, track in tracks_of(measured)
        for index in range(track.channels)
    ]
    if not channels:
        return {}
    out: dict[str, object] = {
        name: max(
            (v for c in channels if not math.isnan(v := c[name])), default=math.nan
        )
        for name in ("sample_peak_dbfs", "true_peak_dbtp")
    }
    out["clipped_samples"] = sum(c["clipped_samples"] for c in channels)
    return out | {"channels": channels}


def _notes(measured: Measured) -> Iterator[str]:
    yield from unknown_channels(measured, "peaks.unused_channels")
    for k, _, track in tracks_of(measured):
        bad = totals_of(measured)[k]["damaged_samples"]
        if bad:
            yield (
                f"Sound track {track.number + 1}: {grouped(bad)} damaged samples (not "
                "a number, or absurdly high); the hundredths of a second that hold "
                "them are not measured."
            )


def _option(
    name: str, default: Any, unit: str, low: float, high: float, text: str, **more: Any
) -> Option:
    return Option(f"peaks.{name}", default, text, unit=unit, low=low, high=high, **more)


# fmt: off
_OPTIONS = (
    _option("target_peak_dbfs", -9.0, "dBFS", -40, 0,
            "Where the loudest sounds should reach when recording; the advice aims "
            "here (-6 to -12 is common practice, no source)."),
    _option("review_dbtp", -1.0, "dBTP", -40, 20,
            "Review when the true peak goes over this (EBU R 128: highest true peak in "
            "production)."),
    _option("clip_level_dbfs", -0.01, "dBFS", -12, 0,
            "From this level on samples count as clipped, in PCM and other sound that "
            "keeps every sample (house choice).", measuring=True),
    _option("clip_level_lossy_dbfs", -0.7, "dBFS", -12, 0,
            "The same for AAC and other lossy sound, where clipped samples no longer "
            "lie exactly at full scale (house choice).", measuring=True),
    _option("clip_run_samples", 3, "", 1, 1000,
            "So many samples one after another at the clip level are clipped "
            "(house choice).", kind="whole", measuring=True),
    _option("clipped_review_samples", 4, "", 1, 1_000_000,
            "Review from so many clipped samples within one second on (house choice).",
            kind="whole"),
    _option("clipped_reject_percent", 0.5, "%", 0.001, 100,
            "Reject when this share of the samples of any one second is clipped "
            "(house choice)."),
    _option("bridge_seconds", 2.0, "s", 0, 60,
            "Clipped or too high moments closer together than this are one finding "
            "(house choice)."),
    _option("dead_level_dbfs", -70.0, "dBFS", -150, -20,
            "Under this RMS level a channel carries nothing (house choice)."),
    _option("sound_level_dbfs", -50.0, "dBFS", -150, 0,
            "Over this RMS level a channel carries sound; another that carries nothing "
            "meanwhile is dead (house choice)."),
    _option("noise_level_dbfs", -45.0, "dBFS", -150, 0,
            "Noise that keeps still up to this RMS level is all that a channel "
            "without a microphone carries; louder may be meant (house choice)."),
    _option("dead_min_seconds", 10.0, "s", 0.1, 86_400,
            "A channel is dead when it carries nothing for this long, or in the whole "
            "take (house choice)."),
    _option("cut_min_seconds", 1.0, "s", 0.1, 86_400,
            "A channel that falls at once to zeros, or far under the noise of its own "
            "room, while another carries sound is dead from this length on "
            "(house choice)."),
    _option("silent_min_seconds", 30.0, "s", 0.1, 86_400,
            "Silence on all channels is reported from this length on, or when it is "
            "the whole take (house choice)."),
    _option("lost_min_seconds", 3.0, "s", 0.1, 86_400,
            "Nothing but zeros on all channels, not even noise, is reported from this "
            "length on, wherever it stands (house choice)."),
    _option("hole_min_seconds", 0.02, "s", 0.02, 86_400,
            "The same where the recording has noise otherwise and no gate, from this "
            "length on; from 0.1 s where the noise is very faint; from cut_min_seconds "
            "on in AAC and other lossy sound and up to the take's end, not at its "
            "beginning (house choice)."),
    _option("channel_names", (), "", -math.inf, math.inf,
            'What the channels are, in order: ["surgeon", "room"]. Findings name them, '
            "and a channel that is not in the take is told.", kind="texts"),
    _option("unused_channels", (), "", -math.inf, math.inf,
            'Channels that are left empty on purpose, by number or name: ["3", "4"]. '
            "They are never reported as dead.", kind="texts"),
)
# fmt: on

MEASURE = Measure(
    name="peaks",
    label="Sound peaks",
    clock="sound",
    columns=(
        Column("true_peak_dbtp", "True peak", "dBTP", per_channel=True),
        Column("sample_peak_dbfs", "Sample peak", "dBFS", per_channel=True),
        Column("rms_dbfs", "RMS level", "dBFS", per_channel=True),
        Column("clipped_samples", "Clipped samples", "", 0, per_channel=True),
    ),
    options=_OPTIONS,
    start=_Reader,
    checks=(_check_levels, check_silence, check_noise, check_missing),
    check_rules={
        "sound.clipped": "Clipped sound",
        "sound.peak": "Peak too high",
        "sound.dead_channel": "Dead channel",
        "sound.silent": "No sound",
    },
    charts=(
        Chart(
            ("true_peak_dbtp",),
            "True peak",
            "dBTP",
            low=-60.0,
            high=3.0,
            limits=("peaks.review_dbtp",),
            always=True,
            explain="Highest level in each hundredth of a second, channel by channel.",
        ),
    ),
    summarise=_summarise,
    notes=_notes,
    version=13,
    method=(
        "Every sample of every channel. True peak: four points a sample (two from "
        "96 kHz, one from 192 kHz) by a windowed sinc over 32 samples, flat within "
        "0.03 dB up to 20 kHz at 48 kHz. Clipped: runs of samples on one side of zero "
        "at the clip level; lossy coding makes tops uneven, so that there it is an "
        "estimate, made only where full scale is reached. Flat tops under full scale: "
        "runs of three or more samples within three steps of 16 bits of the highest of "
        "a second, left too fast for a smooth peak, three tops or more at one level; "
        "or straight tops with sharp corners, twelve or more in ten seconds, most of "
        "which fall at one rate, as behind a low cut or a coupling of up to 300 Hz; "
        "in sound coded with losses half-waves that are over nine tenths of their top "
        "for more than half their width, twenty or more in the take within 2 % of "
        "one level, of different widths, a third or more of all that high, far more "
        "than just under it and hardly any beyond. RMS is plain: a full-scale "
        f"sine reads -3.01 dBFS. Digital silence reads {SILENCE_DBFS:g} dBFS. An LFE "
        "channel may be empty. Zeros on all channels for a moment: rows of a hundredth "
        "of a second; told where the quietest tenth of the others lies over -90 dBFS "
        "(-80 in lossy sound, and for less than 0.1 s) and noise goes on elsewhere for "
        "longer than before any of the zeros, or they begin in loud sound: no gate "
        "does either. A moment that ends in noise alone has no gate before it either. "
        "Sound that falls for a moment far under the noise of its room is told as well."
    ),
    source=(
        "True peak: ITU-R BS.1770-5 Annex 2 (method), checked with EBU Tech 3341 cases "
        "15 to 23. Limit of -1 dBTP: EBU R 128. Other limits: house choice."
    ),
)
