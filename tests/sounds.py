"""Sound for tests: takes made of arrays, and rendered speech whose answer is known."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from qc.limits import Limits, parse
from qc.measures.base import Measure, Measured, Setup, SoundReader
from qc.media.sound import row_start
from qc.records import AudioTrack, Finding, Readings, SoundBlock, TakeInfo
from qc.timecode import TimecodeFormat

__all__ = [
    "RATE",
    "Sound",
    "applause",
    "as_pcm",
    "blocks_of",
    "figures",
    "findings",
    "house",
    "measure",
    "measure_blocks",
    "music",
    "rms_dbfs",
    "speech",
    "tone",
    "track_of",
]

RATE = 48_000
Sound = NDArray[np.floating[Any]]


def track_of(
    sound: Sound, rate: int = RATE, *, first_channel: int = 1, **more: Any
) -> AudioTrack:
    facts = {"codec": "pcm_s16le", "layout": "", "number": 0, "stream": 0} | more
    return AudioTrack(
        channels=sound.shape[0],
        sample_rate=rate,
        first_channel=first_channel,
        **facts,
    )


def blocks_of(
    track: AudioTrack, sound: Sound, cuts: Iterable[int] = (), *, start: int = 0
) -> list[SoundBlock]:
    """Cut sound into blocks at rows, as the decoder does; `start` is a sample."""
    rate, n = track.sample_rate, sound.shape[1]
    first_row, end_row = start * 100 // rate, -(-(start + n) * 100 // rate)
    rows = sorted({first_row, *(c for c in cuts if first_row < c < end_row), end_row})
    out = []
    for first, last in itertools.pairwise(rows):
        edges = np.array([row_start(r, rate) - start for r in range(first, last + 1)])
        edges = np.clip(edges, 0, n)
        part = np.ascontiguousarray(sound[:, edges[0] : edges[-1]], np.float32)
        part.flags.writeable = False
        out.append(
            SoundBlock(
                track=track,
                samples=part,
                start=start + int(edges[0]),
                first_row=first,
                row_edges=edges - edges[0],
            )
        )
    return out


def house(measures: Sequence[Measure], toml: str = "") -> Limits:
    return parse(toml, [o for m in measures for o in m.options], source="test.toml")


def measure_blocks(
    measures: Sequence[Measure],
    takes: Sequence[tuple[AudioTrack, Sequence[SoundBlock]]],
    toml: str = "",
) -> Measured:
    """Measure as the pipeline does, each track's blocks in order."""
    limits = house(measures, toml)
    info = TakeInfo(
        path=Path("take.wav"),
        bytes=0,
        container="wav",
        duration=None,
        video=None,
        audio=tuple(track for track, _ in takes),
        timecode=TimecodeFormat(Fraction(25), drop_frame=False),
    )
    sound: list[Readings] = []
    totals: dict[str, list[Mapping[str, object]]] = {m.name: [] for m in measures}
    for track, blocks in takes:
        first = blocks[0].first_row
        rows = blocks[-1].first_row + len(blocks[-1].row_edges) - 1 - first
        columns: dict[str, NDArray[np.float32]] = {}
        for m in measures:
            reader = cast(SoundReader, m.start(Setup(info, limits), track))
            for c in m.columns:
                shape = (rows, track.channels) if c.per_channel else (rows,)
                columns[f"{m.name}.{c.name}"] = np.full(shape, np.nan, np.float32)
            for block in blocks:
                at = block.first_row - first
                for name, values in reader.read(block).items():
                    whole = columns[f"{m.name}.{name}"]
                    whole[at : at + len(block.row_edges) - 1] = values
            totals[m.name].append(reader.finish())
        edges = np.arange(first, first + rows + 1, dtype=np.int64)
        sound.append(Readings("sound", Fraction(1, 100), edges, columns, track))
    by_name = {name: {"tracks": figures} for name, figures in totals.items()}
    return Measured(info, limits, None, tuple(sound), by_name)


def measure(
    measures: Sequence[Measure],
    *sounds: Sound,
    rate: int = RATE,
    toml: str = "",
    cuts: Iterable[int] | None = None,
    **more: Any,
) -> Measured:
    """Measure a take with one track for each of `sounds`, each (channels, n)."""
    takes, channel = [], 1
    for number, sound in enumerate(sounds):
        track = track_of(sound, rate, first_channel=channel, number=number, **more)
        at = range(0, sound.shape[1] * 100 // rate, 100) if cuts is None else cuts
        takes.append((track, blocks_of(track, sound, at)))
        channel += track.channels
    return measure_blocks(measures, takes, toml)


def findings(measured: Measured, *measures: Measure) -> list[Finding]:
    return [f for m in measures for check in m.checks for f in check(measured)]


def figures(measured: Measured, measure: Measure) -> Mapping[str, Any]:
    assert measure.summarise is not None
    return measure.summarise(measured)


# -------------------------------------------------------------------------- sounds


def tone(
    seconds: float, *, hertz: float = 440.0, peak_dbfs: float = -12.0, rate: int = RATE
) -> Sound:
    n = np.arange(round(seconds * rate))
    return 10 ** (peak_dbfs / 20) * np.sin(2 * np.pi * hertz * n / rate)


def rms_dbfs(sound: Sound) -> float:
    return float(10 * np.log10(np.mean(np.square(sound, dtype=np.float64))))


def as_pcm(sound: Sound, bits: int = 16) -> Sound:
    """Round to the steps of integer sound, as a recorder writes it."""
    steps = 2.0 ** (bits - 1)
    return np.clip(np.round(sound * steps), -steps, steps - 1) / steps


def speech(
    seconds: float,
    *,
    number: int = 0,
    rate: int = RATE,
    level_dbfs: float = -20.0,
    floor_dbfs: float = -65.0,
    pauses: bool = True,
) -> Sound:
    """Render something like speech: syllables of pulses and hiss, pauses, room noise.

    Parameters
    ----------
    number : int
        Which of endlessly many speakers and texts.
    level_dbfs, floor_dbfs : float
        RMS of the syllables, about, and of the room.
    """
    rng = np.random.default_rng(number)
    n = round(seconds * rate)
    pitch = 90 + 130 * rng.random()
    knots = np.arange(0, n + rate, rate // 5)
    drift = np.interp(np.arange(n), knots, rng.normal(1.0, 0.08, len(knots)))
    phase = np.cumsum(pitch * drift / rate)
    pulses = np.diff(np.floor(phase), prepend=0.0)
    # A glottis opens slowly: its pulses have little above a few kilohertz.
    soft = np.exp(-2 * np.pi * 400 / rate)
    voiced = pulses
    for _ in range(3):
        voiced = signal.lfilter([1.0 - soft], [1.0, -soft], voiced)
    for centre in (
        rng.uniform(400, 800),
        rng.uniform(1100, 2200),
        rng.uniform(2400, 3200),
    ):
        radius = np.exp(-np.pi * 90 / rate)
        a = [1.0, -2 * radius * np.cos(2 * np.pi * centre / rate), radius**2]
        voiced = voiced + 0.5 * signal.lfilter([1.0 - radius], a, voiced)
    voiced = signal.sosfilt(
        signal.butter(2, (80, 7000), "band", fs=rate, output="sos"), voiced
    ) if rate > 16_000 else voiced - voiced.mean()  # fmt: skip
    hiss = rng.standard_normal(n)
    if rate > 20_000:
        hiss = signal.sosfilt(
            signal.butter(2, (2500, 9000), "band", fs=rate, output="sos"), hiss
        )
    voiced /= np.std(voiced) or 1.0
    hiss /= np.std(hiss)
    loud, noisy = np.zeros(n), np.zeros(n)
    at = int(rng.uniform(0.05, 0.3) * rate)
    while at < n:
        length = int(rng.uniform(0.09, 0.28) * rate)
        shape = np.hanning(length)[: n - at] ** 0.6
        if rng.random() < 0.25:
            noisy[at : at + length] += 0.4 * shape
        else:
            loud[at : at + length] += rng.uniform(0.5, 1.3) * shape
        at += length + int(rng.uniform(0.0, 0.06) * rate)
        if pauses and rng.random() < 0.12:
            at += int(rng.uniform(0.2, 0.9) * rate)
    out = 10 ** (level_dbfs / 20) * (voiced * loud + hiss * noisy)
    return out + 10 ** (floor_dbfs / 20) * rng.standard_normal(n)


def music(
    seconds: float, *, number: int = 0, peak_dbfs: float = -6.0, drums: bool = True
) -> Sound:
    """Render a tune of plucked strings, with a bass and a drum under it if wanted.

    Strings after Karplus and Strong (Computer Music Journal 7, 1983, from memory): a
    burst of noise goes round a delay line that softens it.
    """
    rng = np.random.default_rng(number)
    n, at = round(seconds * RATE), 0
    out = np.zeros(n)
    beat = round(RATE * rng.uniform(0.3, 0.5))
    notes = 110 * 2 ** (np.array([0, 2, 4, 7, 9, 12, 14, 16]) / 12)
    for count in itertools.count():
        length = 2 * RATE
        if n - at < length:  # the last notes die away
            break
        period = round(RATE / rng.choice(notes))
        string = rng.standard_normal(period)
        turns = []
        for _ in range(-(-length // period)):
            turns.append(string)
            string = 0.498 * (string + np.roll(string, 1))
        out[at : at + length] += 0.3 * np.concatenate(turns)[:length]
        t = np.arange(length) / RATE
        if drums and count % 2 == 0:
            hertz = rng.choice(notes) / 2
            out[at : at + length] += (
                0.4 * np.sin(2 * np.pi * hertz * t) * np.exp(-3 * t)
            )
        if drums and count % 4 == 0:
            drum = np.sin(2 * np.pi * (55 * t - 1.5 * np.exp(-30 * t)))
            out[at : at + length] += 0.8 * drum * np.exp(-12 * t)
        at += beat // rng.integers(1, 3)
    return 10 ** (peak_dbfs / 20) * out / np.abs(out).max()


def applause(seconds: float, *, number: int = 0, people: int = 60) -> Sound:
    """Render people who clap, each at his own pace, in a hall: it swells and fades."""
    rng = np.random.default_rng(number)
    n, short = round(seconds * RATE), round(0.03 * RATE)
    out = np.zeros(n)
    for _ in range(people):
        centre = rng.uniform(800, 3000)
        band = signal.butter(
            2, (0.7 * centre, 1.5 * centre), "band", fs=RATE, output="sos"
        )
        decay = np.exp(-np.arange(short) / (0.006 * RATE))
        clap = signal.sosfilt(band, rng.standard_normal(short) * decay)
        period = rng.uniform(0.2, 0.3) * RATE
        at, strength = rng.uniform(0, period), rng.uniform(0.2, 1.0)
        while at < n - short:
            out[int(at) : int(at) + short] += strength * rng.uniform(0.7, 1.3) * clap
            at += period * max(rng.normal(1.0, 0.06), 0.5)
    hall = rng.standard_normal(round(0.8 * RATE))
    hall *= np.exp(-np.arange(len(hall)) / (0.15 * RATE))
    hall /= np.sqrt(np.sum(hall**2))
    out += 0.5 * signal.fftconvolve(out, hall)[:n]
    out *= np.interp(
        np.arange(n) / RATE, [0, 0.5, seconds - 2, seconds], [0.1, 1, 1, 0.1]
    )
    return 0.5 * out / np.abs(out).max()


def with_gap_before(blocks: Sequence[SoundBlock], which: int) -> list[SoundBlock]:
    """Tell that samples are missing before a block."""
    out = list(blocks)
    out[which] = replace(out[which], gap_before=True)
    return out
