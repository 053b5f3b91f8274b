"""Spot checks of long takes with faults at known places: time kept, promises kept.

Each trial joins coded pieces into a take of an hour or more, with two kinds of fault at
chance places and of chance length, and runs ``qc spot`` on it as a command. Printed are
the time it took of the time it had, the share of the file that was read, how often a
fault was found, and how often the promise broke: a fault that was not found although
there was more of it than the bound allows, or a stretch longer than what "cannot have
been missed". The promise may break in 5 of 100.

    python tests/bench/spotcheck.py --trials 20 --within 20
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests import synth

RATE, PIECE_S = Fraction(25), 10
RANDOM_STATE = 11
RULES = {"burnt": "highlights.relevant", "black": "picture.black"}
# Of the stretches of a fault: pieces, shortest and longest.
STRETCHES, LONGEST = 4, 24


@dataclass(frozen=True)
class Trial:
    """What one spot check made of one take."""

    took_s: float
    read_share: float
    by_chance: int
    found: int
    faults: int
    broken: int


def pieces(folder: Path, width: int, height: int) -> dict[str, Path]:
    """Write one coded piece of each kind: a still scene with noise, and its faults."""
    rng = np.random.default_rng(RANDOM_STATE)
    (luma, cb, cr), *_ = synth.scene(1, width, height)
    clean: list[synth.Planes] = []
    for _ in range(int(RATE) * PIECE_S):
        noisy = luma * 0.8 + 10 + rng.normal(0, 2.0, luma.shape)
        clean.append((np.clip(np.rint(noisy), 16, 235).astype(np.uint8), cb, cr))
    burnt, black = [], []
    for y, *chroma in clean:
        blown = y.copy()
        blown[height // 6 : -height // 6, width // 6 : -width // 6] = 235
        burnt.append((blown, *chroma))
        black.append((np.full_like(y, 16), *(np.full_like(c, 128) for c in chroma)))
    t = np.arange(48_000 * PIECE_S) / 48_000
    tone = (3000 * np.sin(2 * np.pi * 440 * t)).astype(np.int16)
    kind = synth.Video(rate=RATE, options=synth.h264(group=50))
    return {
        name: synth.write(
            folder / f"{name}.mov", shown, kind, [synth.Sound(np.stack([tone, tone]))]
        )
        for name, shown in (("clean", clean), ("burnt", burnt), ("black", black))
    }


def joined(path: Path, parts: list[Path]) -> None:
    """Write the packets of recordings of one kind end to end."""
    coded: dict[Path, list[tuple[int, av.Packet[Any]]]] = {}
    with av.open(str(parts[0])) as first, av.open(str(path), "w") as out:
        new = [out.add_stream_from_template(s) for s in first.streams]
        ends = [0] * len(new)
        for part in parts:
            if part not in coded:
                with av.open(str(part)) as source:
                    coded[part] = [
                        (p.stream.index, p) for p in source.demux() if p.size
                    ]
            lengths = [0] * len(new)
            for index, old in coded[part]:
                packet = av.Packet(bytes(old))
                packet.pts = (old.pts or 0) + ends[index]
                packet.dts = (old.dts or 0) + ends[index]
                packet.duration, packet.time_base = old.duration, old.time_base
                packet.is_keyframe, packet.stream = old.is_keyframe, new[index]
                lengths[index] += old.duration or 0
                out.mux(packet)
            ends = [a + b for a, b in zip(ends, lengths, strict=True)]


def order_of(rng: np.random.Generator, count: int) -> list[str]:
    """Return the kinds of the pieces of a take."""
    order = ["clean"] * count
    for kind in RULES:
        for _ in range(int(rng.integers(1, STRETCHES + 1))):
            long = int(rng.integers(1, LONGEST + 1))
            at = int(rng.integers(0, count - long))
            order[at : at + long] = [kind] * long
    return order


def longest(order: list[str], kind: str) -> int:
    """Return how many pieces of a kind lie in a row, at most."""
    best = run = 0
    for each in order:
        run = run + 1 if each == kind else 0
        best = max(best, run)
    return best


def trial(path: Path, order: list[str], within: float, out: Path) -> Trial:
    """Run the command on a take and hold its promises against what was put in."""
    began = time.monotonic()
    command = [sys.executable, "-m", "qc", "spot", str(path), "--out", str(out)]
    subprocess.run(
        [*command, "--within", str(within), "--quiet", "--fail-on", "reject"],
        check=False,
    )
    took = time.monotonic() - began
    told = json.loads((out / f"{path.stem}-spot" / "result.json").read_bytes())
    spot = told["coverage"]["spot"]
    bounds = {b["rule"]: b for b in spot["bounds"]}
    found = faults = broken = 0
    for kind, rule in RULES.items():
        share = 100 * order.count(kind) / len(order)
        if not share:
            continue
        faults += 1
        if any(f["rule"] == rule for f in told["findings"]):
            found += 1
            continue
        sure = longest(order, kind) * PIECE_S > bounds[rule]["sure_s"]
        broken += share > bounds[rule]["share_percent"] or sure
    return Trial(
        took_s=took,
        read_share=spot["bytes_read"] / told["take"]["bytes"],
        by_chance=spot["by_chance"],
        found=found,
        faults=faults,
        broken=broken,
    )


def main(arguments: Sequence[str] | None = None) -> None:
    """Run trials and print what came of them."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--trials", type=int, default=20)
    parser.add_argument("--within", type=float, default=20.0)
    parser.add_argument("--minutes", type=int, default=65)
    parser.add_argument("--size", default="320x180")
    given = parser.parse_args(arguments)
    width, height = (int(n) for n in given.size.split("x"))
    rng = np.random.default_rng(RANDOM_STATE)
    done: list[Trial] = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        parts = pieces(folder, width, height)
        for number in range(given.trials):
            path = folder / "take.mov"
            order = order_of(rng, given.minutes * 60 // PIECE_S)
            joined(path, [parts[kind] for kind in order])
            done.append(trial(path, order, given.within, folder / f"reports{number}"))
            last = done[-1]
            print(
                f"{number + 1}: {last.took_s:.1f} s of {given.within:g}, "
                f"{last.by_chance} windows by chance, "
                f"{100 * last.read_share:.2f} % of the file read, "
                f"{last.found} of {last.faults} faults found, {last.broken} promises "
                "broken",
                flush=True,
            )
    ratio = max(t.took_s for t in done) / given.within
    broken, promised = sum(t.broken for t in done), sum(t.faults for t in done)
    print(f"longest: {100 * ratio:.0f} % of the time given (allowed: 110 %)")
    print(f"promises broken: {broken} of {promised} (allowed: 5 %)")


if __name__ == "__main__":
    main()
