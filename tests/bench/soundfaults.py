"""How surely faults of sound are found, and how often they are reported without cause.

    python tests/bench/soundfaults.py [--takes 6] [--lossy] [--rules sound.hum ...]
                                      [--folder FOLDER]

Faults of known place and strength are put into clean sound: rendered speech, and the
sound of real recordings where they are at hand (``QC_FOOTAGE``, else
``../shared/footage`` beside the project). ``--folder`` adds more of them: those whose
names begin with ``rendered`` are a machine's voice, with ``music`` hold no speech. A
fault counts as found when a finding of its rule touches its place. False alarms are
findings of a rule on the same sound without the fault, by the minute of sound a track
holds. With ``--lossy`` sound goes through AAC at 192 kbit/s on its way, and the sample
takes' sound is heard as well, for clipping and drop-outs. Real recordings may carry
faults of their own: ``known`` names the rules that are not counted on them, with the
reason, and ``_OWN_FAULTS`` single moments.

What nobody hears is no fault. Clicks and missing pieces are put where their third
difference is three times the highest of the sound 10 ms around: of noise, a click then
doubles the energy of 5 ms. Hum is put only where its fundamental or second harmonic is
stronger than all the sound itself holds in the 10 Hz around it.
"""

from __future__ import annotations

import argparse
import importlib
import io
import itertools
import os
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import av
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from qc.measures.base import Measure
from qc.media.sound import float_samples
from qc.records import Finding
from tests.bench.soundstretches import (
    cut_off,
    falls,
    short_hum,
    turned_apart,
    whole_dead,
    whole_mono,
    whole_quiet,
    whole_turned,
)
from tests.sounds import Sound, as_pcm, findings, measure, speech

__all__ = [
    "Material",
    "Row",
    "faults",
    "main",
    "materials",
    "sample_takes",
    "table",
    "through_aac",
]

_ROOT = Path(__file__).resolve().parents[2]
FOLDER = Path(os.environ.get("QC_FOOTAGE") or _ROOT.parent / "shared" / "footage")

Spans = list[tuple[float, float]]
Rng = np.random.Generator
_NEAR_S = 0.05
_HEARD = 3.0

# What these recordings carry themselves (their spectra show a line at 60 Hz that stands
# 40 dB over its neighbours; both channels hold one sound).
# Music of a machine's may keep one tone at 50.0 or 60.0 Hz, guitars bring their hum
# along, and a machine's voice has holes of zeros.
_KNOWN = {
    "music11.wav": {"sound.hum"},
    "music_guit_em9.wav": {"sound.hum"},
    "music_guit_e_fifths.wav": {"sound.hum"},
    "music_loop_garzul.wav": {"sound.hum"},
    "rendered1.wav": {"sound.dropout"},
    "rendered2.wav": {"sound.dropout"},
    "rendered3.wav": {"sound.dropout"},
    "debian.wav": {"sound.hum"},
    "deleted.wav": {"sound.hum"},
}
# Moments at which a recording has a fault of its own: found there it is no false alarm.
# The samples of this one step by 0.05 of full scale in one, in a smooth vowel.
_OWN_FAULTS = {("audio-stereo-24-bit-44100Hz.wav", "sound.dropout"): (1.186,)}
# A rotor, a hall, a street: no speech of which a level could be judged.
_NOT_SPOKEN = {"karma.mp4", "hdr10-av1.mp4", "sample_edit_list.mp4"}


@dataclass(frozen=True, eq=False)
class Material:
    """Clean sound: (2, n), and the rules it breaks by itself."""

    name: str
    sound: Sound
    rate: int
    real: bool
    known: frozenset[str] = frozenset()
    spoken: bool = True

    @property
    def minutes(self) -> float:
        return self.sound.shape[1] / self.rate / 60


@dataclass(frozen=True)
class Fault:
    """A kind of fault: its rule, its name, and what puts it in.

    `put` returns the faulty sound and where the faults are, in seconds; None where it
    cannot be put into this sound.
    """

    rule: str
    name: str
    put: Callable[[Sound, int, Rng], tuple[Sound, Spans] | None]
    least_s: float = 1.5


@dataclass
class Row:
    """One line of the table."""

    rule: str
    fault: str
    material: str
    put: int = 0
    found: int = 0
    false_alarms: int = 0
    minutes: float = 0.0

    @property
    def recall(self) -> float:
        return self.found / self.put if self.put else float("nan")

    @property
    def false_per_minute(self) -> float:
        return self.false_alarms / self.minutes if self.minutes else float("nan")


# ----------------------------------------------------------------------- materials


def _two(mono: Sound, number: int, floor_dbfs: float = -70.0) -> Sound:
    """Make two microphones of one: other level, own noise, a little of the room."""
    rng = np.random.default_rng(number)
    n = len(mono)
    late = np.roll(mono, 37)
    noise = 10 ** (floor_dbfs / 20) * rng.standard_normal((2, n))
    return np.stack([mono + 0.1 * late, 0.8 * mono + 0.25 * late]) + noise


def materials(
    takes: int = 4, seconds: float = 12.0, folders: Sequence[Path] | None = None
) -> Iterator[Material]:
    """Yield rendered speech, then real sound where it is at hand."""
    for number in range(takes):
        mono = speech(seconds, number=number)
        # By its level as a whole: how loud its vowels come out is chance.
        mono *= 10 ** ((-20 - 2 * (number % 4)) / 20) / np.sqrt(np.mean(mono**2))
        yield Material(f"speech {number}", _two(mono, number), 48_000, real=False)
    folders = (FOLDER,) if folders is None else folders
    for path in sorted(p for f in folders if f.is_dir() for p in f.glob("*")):
        for track, (sound, rate) in enumerate(_tracks(path)):
            level = np.sqrt(np.mean(np.square(sound[0], dtype=np.float64)))
            if sound.shape[1] >= 1.5 * rate and rate >= 16_000 and level > 1e-3:
                two = _two(sound[0].astype(np.float64), track, -80.0)
                yield Material(
                    f"{path.name}:{track}",
                    two * min(1.0, 0.8 / np.abs(two).max()),
                    rate,
                    real=not path.name.startswith("rendered"),
                    known=frozenset(_KNOWN.get(path.name, ())),
                    spoken=not path.name.startswith("music")
                    and path.name not in _NOT_SPOKEN,
                )


def sample_takes() -> Iterator[Material]:
    """Yield the sample takes' sound: a voice whose throat closes between its pulses."""
    others = {f.rule for f in faults()} - {"sound.clipped", "sound.dropout"}
    for path in sorted((_ROOT / "sample_media").glob("take*")):
        if path.name.startswith("take07"):
            continue  # cut off on purpose
        for sound, rate in _tracks(path):
            yield Material(path.name, sound, rate, real=False, known=frozenset(others))


def _tracks(path: Path) -> Iterator[tuple[Sound, int]]:
    if path.suffix not in {".wav", ".mp4", ".mov"}:
        return
    with av.open(str(path)) as container:
        for stream in container.streams.audio:
            if stream.codec_context is None:
                continue
            container.seek(0)
            try:
                parts = [float_samples(f) for f in container.decode(stream)]
            except av.FFmpegError:
                continue
            if parts:
                yield np.concatenate(parts, axis=1), stream.rate


def through_aac(sound: Sound, rate: int) -> Sound:
    memory = io.BytesIO()
    with av.open(memory, "w", format="mp4") as out:
        stream: Any = out.add_stream("aac", rate=rate, layout="stereo")
        stream.bit_rate = 192_000
        for at in range(0, sound.shape[1], 1024):
            part = np.ascontiguousarray(sound[:, at : at + 1024], np.float32)
            frame = av.AudioFrame.from_ndarray(part, format="fltp", layout="stereo")
            frame.sample_rate, frame.pts = rate, at
            out.mux(stream.encode(frame))
        out.mux(stream.encode(None))
    memory.seek(0)
    with av.open(memory) as again:
        whole = [float_samples(f) for f in again.decode(audio=0)]
    return np.concatenate(whole, axis=1)[:, : sound.shape[1]]


# -------------------------------------------------------------------------- faults


def _places(sound: Sound, rate: int, rng: Rng, seconds: float, most: int) -> list[int]:
    """Return samples with sound around them, a second apart."""
    need = int(seconds * rate)
    pad = int(0.03 * rate)
    out: list[int] = []
    for _ in range(60):
        low, high = 4 * pad, sound.shape[1] - need - 4 * pad
        if high <= low or len(out) == most:
            break
        at = int(rng.integers(low, high))
        edges = sound[0, at - pad : at], sound[0, at + need : at + need + pad]
        heard = all(np.sqrt(np.mean(e[: pad // 3] ** 2)) > 0.012 for e in
                    (edges[0][::-1], edges[1]))  # fmt: skip
        if heard and all(abs(at - other) > rate for other in out):
            out.append(at)
    return out


def _zeros(low_ms: float, high_ms: float) -> Callable[..., tuple[Sound, Spans] | None]:
    def put(sound: Sound, rate: int, rng: Rng) -> tuple[Sound, Spans] | None:
        out, spans = sound.copy(), []
        seconds = rng.uniform(low_ms, high_ms) / 1000
        for at in _places(sound, rate, rng, seconds, 3):
            end = at + max(int(seconds * rate), 1)
            out[0, at:end] = 0.0
            spans.append((at / rate, end / rate))
        return out, spans

    return put


def _repeats(sound: Sound, rate: int, rng: Rng) -> tuple[Sound, Spans] | None:
    out, spans = as_pcm(sound), []
    length = int(rng.uniform(0.006, 0.08) * rate)
    for at in _places(sound, rate, rng, 2 * length / rate, 3):
        out[0, at + length : at + 2 * length] = out[0, at : at + length]
        spans.append((at / rate, (at + 2 * length) / rate))
    return out, spans


def _roughest(sound: Sound, rate: int, at: int) -> float:
    """Return the largest third difference 10 ms around a sample."""
    around = sound[0, max(at - rate // 100, 0) : at + rate // 100]
    return float(np.abs(np.diff(around, 3)).max())


def _clicks(db: float) -> Callable[..., tuple[Sound, Spans] | None]:
    def put(sound: Sound, rate: int, rng: Rng) -> tuple[Sound, Spans] | None:
        out, spans = sound.copy(), []
        height = 10 ** (db / 20)
        for at in rng.integers(rate // 5, sound.shape[1] - rate // 5, 30):
            apart = all(abs(at / rate - other) > 0.2 for other, _ in spans)
            # The third difference of a pulse of 1 is 2, or 3 if it is one sample.
            heard = 2.0 * height >= _HEARD * _roughest(sound, rate, int(at))
            if heard and apart and len(spans) < 3:
                width = int(rng.integers(1, 4))
                out[0, at : at + width] += height * rng.choice([-1, 1])
                spans.append((at / rate, (at + width) / rate))
        return out, spans

    return put


def _cuts(sound: Sound, rate: int, rng: Rng) -> tuple[Sound, Spans] | None:
    """Leave a piece out where that makes a step that is heard."""
    for at in _places(sound, rate, rng, 0.05, 20):
        rough = _roughest(sound, rate, at)
        for length in range(int(0.008 * rate), int(0.05 * rate)):
            other = _roughest(sound, rate, at + length)
            step = abs(sound[0, at] - sound[0, at + length])
            # The third difference of a step of 1 is about 2.
            if step < 0.03 or 2.0 * step < _HEARD * max(rough, other):
                continue
            out = np.concatenate([sound[:, :at], sound[:, at + length :]], axis=1)
            joined = np.abs(np.diff(out[0, at - 4 : at + 4], 3)).max()
            if joined > _HEARD * max(rough, other):
                return out, [(at / rate, at / rate)]
    return None


def _hum(db: float, mains: int) -> Callable[..., tuple[Sound, Spans] | None]:
    def put(sound: Sound, rate: int, rng: Rng) -> tuple[Sound, Spans] | None:
        n = np.arange(sound.shape[1]) / rate
        hertz = mains + rng.uniform(-0.08, 0.08)
        parts = [
            rng.uniform(0.3, 1.0) / k
            * np.sin(2 * np.pi * hertz * k * n + rng.uniform(0, 6))
            for k in range(1, 7)
        ]  # fmt: skip
        scale = 10 ** (db / 20) / np.std(sum(parts))
        own = np.abs(np.fft.rfft(sound[0])) ** 2 / sound.shape[1] ** 2 * 2
        step = rate / sound.shape[1]
        heard = False
        for k in (1, 2):
            low, high = (round((mains * k + d) / step) for d in (-5, 5))
            heard |= np.var(parts[k - 1]) * scale**2 > own[low : high + 1].sum()
        if not heard:
            return None
        hum = sum(parts) * scale
        return sound + np.stack([hum, 0 * hum]), [(0.0, sound.shape[1] / rate)]

    return put


def _clipped(over_db: float) -> Callable[..., tuple[Sound, Spans] | None]:
    def put(sound: Sound, rate: int, rng: Rng) -> tuple[Sound, Spans] | None:
        peak = np.abs(sound[0]).max()
        loud = sound * 10 ** (over_db / 20) / peak
        return loud.clip(-1, 1) * 0.5, [(0.0, sound.shape[1] / rate)]

    return put


def faults() -> tuple[Fault, ...]:
    """Return every kind of fault that the bench puts in."""
    return (
        Fault("sound.clipped", "cut 6 dB, then -6 dB", _clipped(6)),
        Fault("sound.clipped", "cut 12 dB, then -6 dB", _clipped(12)),
        Fault("sound.dropout", "zeros 1.5 to 10 ms", _zeros(1.5, 10)),
        Fault("sound.dropout", "zeros 10 to 80 ms", _zeros(10, 80)),
        Fault("sound.dropout", "block repeated", _repeats),
        Fault("sound.dropout", "click -12 dBFS", _clicks(-12)),
        Fault("sound.dropout", "click -24 dBFS", _clicks(-24)),
        Fault("sound.dropout", "piece missing", _cuts),
        Fault("sound.hum", "50 Hz at -50 dBFS", _hum(-50, 50), 4.5),
        Fault("sound.hum", "60 Hz at -50 dBFS", _hum(-50, 60), 4.5),
        Fault("sound.hum", "50 Hz at -35 dBFS", _hum(-35, 50), 4.5),
        Fault("sound.hum", "60 Hz at -20 dBFS", _hum(-20, 60), 4.5),
        Fault("sound.dead_channel", "nothing", whole_dead(None), 3.2),
        Fault("sound.dead_channel", "noise at -60 dBFS", whole_dead(-60), 3.2),
        Fault("sound.dead_channel", "zeros 1.2 to 5 s", cut_off(None), 4.0),
        Fault("sound.dead_channel", "falls to -95, 1.2 to 5 s", cut_off(-95), 4.0),
        Fault("sound.hum", "2 to 3 s of 50 Hz at -42", short_hum(-42), 6.0),
        Fault("sound.phase", "one turned round", whole_turned, 3.0),
        Fault("sound.phase", "turned, 0.3 to 1.2 ms", turned_apart, 3.0),
        Fault("sound.same", "mono twice", whole_mono, 3.0),
        Fault("sound.quiet", "-30 dB", whole_quiet, 4.0),
        Fault("sound.quiet", "24 dB lower from a half on", falls, 9.0),
    )


# --------------------------------------------------------------------------- table


def _measures() -> dict[str, Measure]:
    """Return the sound measures that are there, by name."""
    out: dict[str, Measure] = {}
    for name in ("peaks", "dropout", "hum", "phase", "loudness", "speech"):
        try:
            out[name] = importlib.import_module(f"qc.measures.{name}").MEASURE
        except (ImportError, AttributeError):
            continue
    return out


def _measured(
    sound: Sound, rate: int, used: Sequence[Measure], *, lossy: bool
) -> list[Finding]:
    pcm = as_pcm(sound)
    codec = "pcm_s16le"
    if lossy:
        pcm, codec = through_aac(pcm, rate), "aac"
    measured = measure(used, pcm, rate=rate, codec=codec)
    return findings(measured, *used)


def _needed(rule: str, known: dict[str, Measure]) -> list[Measure]:
    """Return the measure that has a rule, and those whose readings it may use."""
    names = [n for n, m in known.items() if rule in m.rule_labels]
    if names and "peaks" not in names and names[0] in ("speech", "loudness"):
        names = ["peaks", "loudness", "speech"]
    return [known[n] for n in names if n in known]


def table(
    takes: int = 4,
    *,
    lossy: bool = False,
    rules: Sequence[str] = (),
    number: int = 1,
    folders: Sequence[Path] | None = None,
) -> list[Row]:
    """Put every fault into every material and count what is found."""
    known = _measures()
    rows: dict[tuple[str, str, bool], Row] = {}
    heard = materials(takes, folders=folders)
    for material in itertools.chain(heard, sample_takes() if lossy else ()):
        clean: dict[str, list[Finding]] = {}
        for k, fault in enumerate(faults()):
            used = _needed(fault.rule, known)
            long = material.minutes * 60 >= fault.least_s
            ours = fault.rule not in material.known
            ours &= material.spoken or fault.rule != "sound.quiet"
            if not used or not long or not ours or (rules and fault.rule not in rules):
                continue
            kind = "real" if material.real else "rendered"
            row = rows.setdefault(
                (fault.rule, fault.name, material.real),
                Row(fault.rule, fault.name, kind),
            )
            rng = np.random.default_rng([number, k, len(material.name)])
            made = fault.put(material.sound, material.rate, rng)
            if made is None or not made[1]:
                continue
            sound, spans = made
            found = _measured(sound, material.rate, used, lossy=lossy)
            own = [f for f in found if f.rule == fault.rule]
            row.put += len(spans)
            row.found += sum(_touched(own, span) for span in spans)
            if fault.rule not in clean:
                clean[fault.rule] = _measured(
                    material.sound, material.rate, used, lossy=lossy
                )
            row.false_alarms += sum(
                f.rule == fault.rule and not _is_own(f, material.name)
                for f in clean[fault.rule]
            )
            row.minutes += material.minutes
    order = {(f.rule, f.name): k for k, f in enumerate(faults())}
    return sorted(rows.values(), key=lambda r: (order[r.rule, r.fault], r.material))


def _is_own(found: Finding, name: str) -> bool:
    """Tell whether a finding is of a fault that the recording has by itself."""
    moments = _OWN_FAULTS.get((name.partition(":")[0], found.rule), ())
    short = found.end - found.start < 2 * _NEAR_S
    return short and any(_touched([found], (t, t)) for t in moments)


def _touched(found: Sequence[Finding], span: tuple[float, float]) -> bool:
    return any(
        float(f.start) - _NEAR_S <= span[1] and span[0] <= float(f.end) + _NEAR_S
        for f in found
    )


def main(arguments: Sequence[str] | None = None) -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--takes", type=int, default=6, help="rendered takes of 12 s")
    parser.add_argument("--lossy", action="store_true", help="through AAC")
    parser.add_argument("--rules", nargs="*", default=[])
    parser.add_argument("--folder", type=Path, nargs="*", default=[])
    options = parser.parse_args(arguments)
    line = "{:20} {:26} {:9} {:>4} {:>5} {:>7} {:>9} {:>7}"
    heads = "rule", "fault", "sound", "put", "found", "recall", "false/min", "minutes"
    print(line.format(*heads))
    folders = [FOLDER, *options.folder]
    for row in table(
        options.takes, lossy=options.lossy, rules=options.rules, folders=folders
    ):
        shares = (
            f"{row.recall:.3f}",
            f"{row.false_per_minute:.2f}",
            f"{row.minutes:.1f}",
        )
        where = row.rule, row.fault, row.material, row.put, row.found
        print(line.format(*where, *shares))


if __name__ == "__main__":
    main()
