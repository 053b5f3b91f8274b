"""Make the sample takes, their truth and nothing else.

Run ``python sample_media/make.py`` (or with ``--out FOLDER``). Needs numpy, scipy,
opencv-python-headless and av. The same frames come out at every run.
"""

from __future__ import annotations

import argparse
import json
import shutil
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from theatre import files, scene, sound, takes
from theatre.takes import Fault, Take

DAMAGED_PICTURE = 72
"""Coded picture of take 9 whose bytes are overwritten."""
SCENARIO = (
    "A demonstration abdominal exploration in the teaching theatre of an invented "
    "veterinary school. Drawn and synthesised: no animal, person or place was recorded."
)


def make_sound(take: Take) -> tuple[NDArray[np.float64], Take]:
    """Return both channels and the take with what was really put in."""
    rate = take.recipe.frame_rate
    count = takes.frame_samples(take.frames, rate, sound.RATE)
    samples = sound.two_channels(count, take.file)
    faults: list[Fault] = []
    for fault in take.faults:
        known = fault
        if fault.rule == "sound.clipped" and fault.channel:
            start = takes.frame_samples(fault.start_frame, rate, sound.RATE)
            end = takes.frame_samples(fault.end_frame, rate, sound.RATE)
            gain = float(str(fault.put_in["gain_db"]))
            samples, hit = sound.overload(samples, fault.channel - 1, start, end, gain)
            more = {
                "first_sample": hit[0],
                "last_sample": hit[1],
                "samples_clipped": hit[2],
            }
            known = replace(fault, put_in={**fault.put_in, **more})
        if fault.rule == "sound.dead_channel" and fault.channel:
            samples[:, fault.channel - 1] = 0.0
        faults.append(known)
    return samples, replace(take, faults=tuple(faults))


def make_take(take: Take, field: scene.Scene, out: Path) -> Take:
    """Write one take; return it with what was really put in."""
    samples, take = make_sound(take)
    path = out / take.file
    files.write(path, take.pictures(field), samples, take.recipe)
    if "damaged" not in take.file:
        return take
    with tempfile.TemporaryDirectory() as folder:
        good = Path(folder) / take.file
        shutil.copyfile(path, good)
        span = files.damage(path, DAMAGED_PICTURE, (0.25, 0.80))
        wrong = files.wrong_frames(good, path)
    if not wrong or wrong != list(range(wrong[0], wrong[-1] + 1)):
        raise RuntimeError(f"{path.name}: the damage gave frames {wrong}, not one span")
    put_in: dict[str, object] = {"bytes": list(span), "coded_picture": DAMAGED_PICTURE}
    fault = Fault("file.damaged", wrong[0], wrong[-1] + 1, put_in=put_in)
    return replace(take, faults=(*take.faults, fault))


def truth(made: list[Take]) -> dict[str, object]:
    """Return what was put in, ready for JSON."""
    return {
        "scenario": SCENARIO,
        "neutral": list(scene.NEUTRAL_BOX),
        "swab_area": list(scene.SWAB_AREA),
        "takes": [
            {
                "file": t.file,
                "what": t.what,
                "frame_rate": f"{t.recipe.frame_rate.numerator}/"
                f"{t.recipe.frame_rate.denominator}",
                "frames": t.frames,
                "width": scene.WIDTH,
                "height": scene.HEIGHT,
                "start_timecode": t.recipe.timecode,
                "drop_frame": ";" in t.recipe.timecode,
                "bit_depth": t.bit_depth,
                "faults": [
                    {
                        "rule": f.rule,
                        "start_frame": f.start_frame,
                        "end_frame": f.end_frame,
                        "channel": f.channel,
                        "also": list(f.also),
                        "in_ignored_area": f.in_ignored_area,
                        "put_in": f.put_in,
                    }
                    for f in t.faults
                ],
            }
            for t in made
        ],
    }


def main() -> int:
    """Make the takes asked for."""
    parser = argparse.ArgumentParser(description="Make the sample takes.")
    here = Path(__file__).resolve().parent
    parser.add_argument("--out", type=Path, default=here, help="folder to write into")
    parser.add_argument("--only", help="make only takes whose name contains this")
    options = parser.parse_args()
    out: Path = options.out
    out.mkdir(parents=True, exist_ok=True)
    began = time.perf_counter()
    field = scene.Scene()
    made: list[Take] = []
    for take in takes.all_takes():
        if options.only and options.only not in take.file:
            continue
        made.append(make_take(take, field, out))
        size = (out / take.file).stat().st_size / 1e6
        spent = time.perf_counter() - began
        sys.stderr.write(f"{take.file}: {size:.2f} MB, {spent:.0f} s so far\n")
    if not options.only:
        text = json.dumps(truth(made), indent=1, ensure_ascii=False)
        (out / "truth.json").write_text(text + "\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
