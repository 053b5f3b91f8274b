"""From which strength on faults of sound are found, and how often without cause.

    python tests/bench/soundstrengths.py [--rules sound.rumble ...] [--split tune|test]
                                         [--trials N] [--minutes N] [--list FOLDER]
                                         [--folder FOLDER]

The faults are those of `faults/mic.py`: knocks, rubbing and wind, plugs that are
swapped within a take, sound that was cut off ahead of a low cut. Each goes in at chance
strengths, from what nobody notices to what is plain, into rendered speech and the
recordings of `soundfaults.materials`. False alarms are counted on sound without a
fault: those, applause, strings, two speakers in turn, gains that are turned. Edges are
told in hundredths of a second.

Where nothing else is named, the strength that a listener notices is a house choice; it
was fixed before anything was measured with it.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

if __name__ == "__main__":  # as a script only this folder is on the path
    sys.path[:0] = [str(Path(__file__).resolve().parents[2])]

from qc.measures.peaks import MEASURE as PEAKS
from qc.measures.phase import MEASURE as PHASE
from qc.measures.rumble import MEASURE as RUMBLE
from tests.bench.faults import mic, score
from tests.bench.faults.table import Outcome, listing, table
from tests.bench.inject import strengths
from tests.bench.soundfaults import FOLDER, Material, materials
from tests.sounds import RATE, Sound, applause, as_pcm, findings, measure, music, speech

__all__ = ["KINDS", "SoundKind", "main", "run", "untouched"]

RANDOM_STATE = 6007
_TRIALS, _MINUTES = 40, 20
_HEARD = (
    "speech of -23 dBFS is listened to at about 65 dB of sound pressure; so this is "
    "60 dB and more, which an ear hears from 32 Hz on (ISO 226, from memory)"
)
_MEASURES = {
    "sound.rumble": (RUMBLE,),
    "sound.swapped": (PEAKS, PHASE),
    "sound.clipped": (PEAKS,),
}


@dataclass(frozen=True)
class SoundKind:
    """A kind of fault of sound; see `faults.kinds.Kind`.

    Attributes
    ----------
    least_s : float
        Shorter sound is played again and again until it lasts so long.
    """

    rule: str
    name: str
    put: mic.Put
    low: float
    high: float
    noticed: float
    unit: str
    why: str
    edges: str = "none"
    least_s: float = 12.0
    as_note: bool = False


KINDS: tuple[SoundKind, ...] = (
    SoundKind("sound.rumble", "knocks", mic.knocks, 0.3, 60, 8, "% of full scale",
              "peaks of 8 % are -28 dBFS over a twentieth of a second: " + _HEARD,
              "both"),
    SoundKind("sound.rumble", "rubbing", mic.rubbing, 0.2, 30, 5, "% of full scale",
              "-26 dBFS: " + _HEARD, "both"),
    SoundKind("sound.rumble", "wind", mic.wind, 0.2, 30, 5, "% of full scale",
              "as rubbing"),
    SoundKind("sound.swapped", "plugs", mic.plugs, 2, 30, 10, "dB",
              "noise of 10 dB more is twice as loud (the sone scale)", "start", 60.0),
    SoundKind("sound.clipped", "ahead of a coupling", mic.overloaded(4, 25, 1),
              0.3, 15, 6, "dB",
              "half of the height of the loudest syllables is gone"),
    SoundKind("sound.clipped", "ahead of a low cut", mic.overloaded(60, 120, 1),
              0.3, 15, 6, "dB", "as ahead of a coupling"),
    SoundKind("sound.clipped", "ahead of a steep low cut", mic.overloaded(60, 120, 2),
              0.3, 15, 6, "dB", "as ahead of a coupling"),
)  # fmt: skip


# --------------------------------------------------------------------- clean sound


def _lasting(material: Material, seconds: float) -> Sound:
    """Return a material's sound, played again until it lasts so long."""
    times = -(-round(seconds * material.rate) // material.sound.shape[1])
    return np.tile(material.sound, (1, max(times, 1)))


def _voices(start: int, folders: Sequence[Path]) -> list[Material]:
    """Return rendered speech of the split, then what is there of real speech."""
    out = []
    for k in range(8):
        rng = np.random.default_rng([start, k])
        mono = speech(
            15.0,
            number=start + k,
            level_dbfs=rng.uniform(-28, -16),
            floor_dbfs=rng.uniform(-85, -55),
        )
        out.append(Material(f"voice {k}", _twice(mono, rng), RATE, real=False))
    out += [m for m in materials(0, folders=folders) if m.spoken]
    return [replace(m, sound=_as_loud(m.sound)) for m in out]


def _as_loud(sound: Sound) -> Sound:
    """Bring a voice to the -23 dBFS that `_HEARD` speaks of, its pauses left out."""
    power = np.mean(np.square(sound, dtype=np.float64), axis=0)
    spoken = power[power > 1e-3 * power.max()]
    scale = 10 ** (-23 / 20) / np.sqrt(spoken.mean())
    return sound * min(scale, 0.98 / np.abs(sound).max())


def _twice(mono: Sound, rng: mic.Rng) -> Sound:
    """Return a channel and what a second microphone hears of it."""
    other = 0.5 * np.roll(mono, int(rng.integers(20, 400)))
    return np.stack([mono, other + 1e-4 * rng.standard_normal(len(mono))])


def untouched(start: int, minutes: int, folders: Sequence[Path]) -> Iterator[Material]:
    """Yield sound without a fault: a minute of each kind in turn, then recordings."""
    for k in range(minutes):
        rng = np.random.default_rng([start, 1, k])
        number, kind = start + 100 + k, k % 5
        if kind == 0:
            x = _twice(speech(60, number=number, level_dbfs=rng.uniform(-28, -12),
                              floor_dbfs=rng.uniform(-80, -45)), rng)  # fmt: skip
        elif kind == 1:
            x = _in_turn(number, rng)
        elif kind == 2:
            x = _twice(music(60, number=number, drums=False), rng)
        elif kind == 3:
            x = _twice(
                np.concatenate([applause(20, number=number + n) for n in range(3)]), rng
            )
        else:
            x = _turned_gains(number, rng)
        name = ("voice", "two in turn", "strings", "applause", "gains turned")[kind]
        yield Material(f"{name} {k}", x, RATE, real=False)
    yield from materials(0, folders=folders)


def _in_turn(number: int, rng: mic.Rng) -> Sound:
    """Two speakers, each with a microphone that hears the other faintly."""
    one, two = (speech(60, number=number + 50 * k, floor_dbfs=-120) for k in (1, 2))
    turn = round(rng.uniform(5, 15) * RATE)
    at = np.arange(60 * RATE) // turn % 2 == 0
    one, two = one * at, two * ~at
    noise = [10 ** (rng.uniform(-75, -50) / 20) * rng.standard_normal(60 * RATE)
             for _ in range(2)]  # fmt: skip
    return np.stack([one + 0.08 * two + noise[0], two + 0.08 * one + noise[1]])


def _turned_gains(number: int, rng: mic.Rng) -> Sound:
    """A voice on two channels whose gains are turned, in steps of up to 20 dB."""
    x = _twice(speech(60, number=number, floor_dbfs=-60), rng)
    x[1] += 10 ** (rng.uniform(-65, -50) / 20) * rng.standard_normal(x.shape[1])
    for channel in range(2):
        for at in rng.uniform(5, 55, 2):
            x[channel, round(at * RATE) :] *= 10 ** (rng.uniform(-20, 12) / 20)
    return x * min(1.0, 0.9 / np.abs(x).max())


# -------------------------------------------------------------------------- a run


def _told(sound: Sound, rate: int, rule: str) -> list[score.Told]:
    used = _MEASURES[rule]
    found = findings(measure(used, as_pcm(sound), rate=rate), *used)
    return [
        score.Told(
            f.rule,
            str(f.grade),
            round(100 * float(f.start)),
            round(100 * float(f.end)),
            f.worst,
            f.limit,
            None,
            f.message,
        )
        for f in found
        if f.rule == rule
    ]


def run(
    *,
    split: str = "test",
    rules: Sequence[str] = (),
    trials: int = _TRIALS,
    minutes: int = _MINUTES,
    folders: Sequence[Path] = (FOLDER,),
) -> Outcome:
    """Put every fault in, and listen to sound without."""
    start = {"tune": 1000, "test": 5000}[split]
    out = Outcome()
    kinds = [k for k in KINDS if not rules or k.rule in rules]
    voices = _voices(start, folders)
    for at, kind in enumerate(kinds):
        away = 0
        for number, strength in enumerate(strengths(kind, trials)):
            rng = np.random.default_rng(
                [RANDOM_STATE, start, KINDS.index(kind), number]
            )
            material = voices[(number + at) % len(voices)]
            clean = _lasting(material, kind.least_s)
            made = None
            if kind.rule not in material.known:
                made = kind.put(clean, material.rate, rng, strength)
            if made is None:
                away += 1
                continue
            total = round(100 * made.sound.shape[1] / material.rate)
            span = round(100 * made.span[0]), round(100 * made.span[1])
            loud = made.sound / max(1.0, 1.02 * float(np.abs(made.sound).max()))
            found = _told(loud, material.rate, kind.rule)
            before = _told(clean, material.rate, kind.rule)
            good, edges = score.match(
                kind.rule, span, found, before, total=total, edges=kind.edges
            )
            out.cases.append(
                score.Case(
                    kind.rule,
                    kind.name,
                    material.name,
                    number,
                    strength,
                    strength >= kind.noticed,
                    span,
                    bool(good),
                    grade=good[0].grade if good else "",
                    edges=edges,
                    stray=len(found) - len(good),
                    told=made.told,
                )
            )
        if away:
            out.remarks.append(f"{kind.rule}, {kind.name}: {away} had no place")
    asked = list(dict.fromkeys(k.rule for k in kinds))
    for material in untouched(start, minutes, folders):
        out.minutes += material.minutes
        for rule in asked:
            why = "so the recording is" if rule in material.known else ""
            told = _told(material.sound, material.rate, rule)
            out.alarms += [score.Alarm(material.name, t, why) for t in told]
    return out


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the bench and print its table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--rules", nargs="*", default=[], help="only these rules")
    parser.add_argument("--split", choices=("tune", "test"), default="test")
    parser.add_argument("--trials", type=int, default=_TRIALS, help="faults of a kind")
    parser.add_argument("--minutes", type=int, default=_MINUTES, help="without a fault")
    parser.add_argument("--list", type=Path, help="write misses and false alarms there")
    parser.add_argument("--folder", type=Path, nargs="*", default=[])
    given = parser.parse_args(arguments)
    known = {k.rule for k in KINDS}
    if unknown := sorted(set(given.rules) - known):
        parser.error(f"no such rule: {', '.join(unknown)}; there are: {sorted(known)}")
    out = run(
        split=given.split,
        rules=given.rules,
        trials=given.trials,
        minutes=given.minutes,
        folders=[FOLDER, *given.folder],
    )
    print(table(out, KINDS))
    print("edges in hundredths of a second")
    if given.list is not None:
        given.list.mkdir(parents=True, exist_ok=True)
        for rule in dict.fromkeys(c.rule for c in out.cases):
            (given.list / f"sound_{rule}.txt").write_text(listing(out, rule))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
