"""A made-up day of the teaching theatre: documents like those the command keeps.

The figures drift as a real day's do: light through a window lowers the level over the
morning, the white goes warm when a lamp is changed, and some takes go wrong.
"""

from __future__ import annotations

import base64
import functools
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from qc.daybook import DayFinding, DayResult, DayTake, Skipped
from qc.records import Grade

__all__ = ["CAMERAS", "fake_day", "fake_document", "fake_take", "poster"]

CAMERAS = ("Overhead", "Side")
_NAMES = ("spay", "hip", "dental", "hernia", "suture", "eye")


@functools.lru_cache(maxsize=64)
def poster(number: int) -> str:
    """Return a JPEG of about 5 kB as base64."""
    random = np.random.default_rng(number)
    y, x = np.mgrid[0:108, 0:192]
    picture = np.empty((108, 192, 3), np.float64)
    for c, base in enumerate((110, 120, 90)):
        picture[..., c] = base + 50 * np.sin(x / 23 + number + c) * np.cos(y / 17)
    middle = (x - 96 - 9 * np.sin(number)) ** 2 / 3000 + (y - 54) ** 2 / 900 < 1
    picture[middle] = (60, 50, 170)
    picture += random.normal(0, 17, picture.shape)
    image = np.clip(picture, 0, 255).astype(np.uint8)
    ok, data = cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, 70])
    assert ok
    return base64.b64encode(data.tobytes()).decode("ascii")


def _label(seconds: float) -> str:
    whole = int(seconds)
    return f"{whole // 3600:02d}:{whole // 60 % 60:02d}:{whole % 60:02d}:00"


def _finding(rule: str, grade: str, start: float, end: float) -> dict[str, Any]:
    return {
        "rule": rule,
        "grade": grade,
        "start_s": start,
        "end_s": end,
        "message": f"{rule} for {end - start:g} s.",
        "advice": "Close the iris by about ⅔ stop.",
    }


def fake_document(
    name: str,
    *,
    start: float = 36_000.0,
    duration: float = 600.0,
    grade: str = "clean",
    findings: list[dict[str, Any]] | None = None,
    usable: float | None = None,
    level: float = 40.0,
    burnt: tuple[float, float] = (0.05, 0.2),
    cast: float | None = 2.0,
    focus: float = 80.0,
    peak: float = -9.0,
    picture: str | None = None,
    number: int = 0,
) -> dict[str, Any]:
    """Return what is kept of a take that could be measured."""
    random = np.random.default_rng(number)
    whole = duration if usable is None else usable
    levels = level + random.normal(0, 1.5, 48).cumsum() / 3
    areas = np.abs(random.normal(burnt[0], burnt[0] / 2 + 0.01, 48))
    areas[random.integers(48)] = burnt[1]
    sharp = 100 - np.abs(random.normal(0, 8, 48))
    sharp[random.integers(46) :][:2] = focus
    sound = peak - np.abs(random.normal(0, 9, 48))
    sound[random.integers(48)] = peak

    def rounded(values: np.ndarray) -> list[float]:
        return [round(float(v), 2) for v in values]

    return {
        "schema": 1,
        "take": {
            "name": name.rpartition("/")[2],
            "path": f"/media/{name}",
            "duration_s": duration,
            "frames": int(duration * 25),
            "frame_rate": "25/1",
            "start_timecode": _label(start),
            "drop_frame": False,
            "timecode_source": "timecode track",
            "audio": [{"channels": 2}],
        },
        "coverage": {
            "mode": "every frame",
            "frames_read": int(duration * 25),
            "frames_damaged": 0,
            "frames_missing": 0,
            "decode_errors": 0,
            "sound_read_s": duration,
        },
        "grade": grade,
        "findings": findings or [],
        "usable": [{"start_s": 0.0, "duration_s": whole}] if whole else [],
        "summary": {
            "exposure": {"p50_median_percent": level},
            "highlights": {
                "relevant_mean_percent": burnt[0],
                "relevant_max_percent": burnt[1],
            },
            "focus": {"relative_percent_min": focus},
            "peaks": {"true_peak_dbtp": peak},
            **(
                {
                    "white": {
                        "cast_delta_e00": cast,
                        "mired_shift": 4 * cast - 10,
                        "words": "warm by about 20 mired" if cast > 5 else "neutral",
                    }
                }
                if cast is not None
                else {}
            ),
        },
        "advice": [],
        "notes": [],
        "limits": {},
        "tool": {"name": "Rushes QC", "version": "0.1.0"},
        "day": {
            "name": name,
            "key": f"k{number}",
            "content": f"c{number}",
            "metadata": {},
            "created": None,
            "mtime_ns": 0,
            "poster": picture,
            "strips": {
                "exposure": rounded(levels),
                "highlights": rounded(areas),
                "focus": rounded(sharp),
                "sound": rounded(sound),
            },
        },
    }


def fake_take(name: str, **facts: Any) -> DayTake:
    """Return a take that could be measured."""
    document = fake_document(name, **facts)
    folder = name.rpartition("/")[2].rpartition(".")[0]
    return DayTake(name, Grade(document["grade"]), document, folder)


def _unreadable(name: str) -> DayTake:
    document = {
        "schema": 1,
        "take": {"name": name, "path": f"/media/{name}"},
        "grade": "unreadable",
        "stage": "open",
        "message": f"/media/{name}: no picture or sound in this file; copy it again "
        "from the card",
        "day": {"name": name, "key": "k"},
    }
    return DayTake(name, Grade.UNREADABLE, document, None)


def _faults(kind: int, duration: float) -> tuple[str, list[dict[str, Any]]]:
    if kind == 1:
        return "reject", [
            _finding("highlights.relevant", "reject", 0.1 * duration, 0.3 * duration),
            _finding("highlights.relevant", "review", 0.5 * duration, 0.52 * duration),
            _finding("sound.peak", "review", 3.0, 3.4),
        ]
    if kind == 3:
        return "review", [
            _finding("focus.soft", "review", 10.0 + 9 * i, 12.0 + 9 * i)
            for i in range(3)
        ]
    if kind == 4:
        return "clean", [_finding("sound.peak", "note", 5.0, 5.2)]
    if kind == 5:
        return "review", [
            _finding("white.cast", "review", 0.0, duration),
            _finding("focus.soft", "review", 4.0, 6.0),
            _finding("sound.silent", "review", 40.0, 75.0),
            _finding("exposure.dark", "note", 1.0, 2.0),
        ]
    return "clean", []


def fake_day(
    number: int = 14, *, complete: bool = True, posters: bool = True
) -> DayResult:
    """Return a day of so many takes: two cameras, one gap, one unreadable file."""
    random = np.random.default_rng(2024)
    takes: list[DayTake] = []
    times: dict[str, tuple[float, float, str]] = {}
    cameras: dict[str, str] = {}
    clocks = [8.4 * 3600, 8.45 * 3600]
    for i in range(number):
        which = i % 2 if number > 4 else 0
        name = f"{CAMERAS[which].lower()}/{_NAMES[i % 6]}_{i + 1:03d}.mov"
        if i == number - 2 and number > 4:
            takes.append(_unreadable(name))
            cameras[name] = CAMERAS[which]
            continue
        kind = int(random.integers(0, 7))
        duration = round(float(random.uniform(240, 1500)) * min(1.0, 28 / number), 2)
        share = i / max(number - 1, 1)
        grade, findings = _faults(kind, duration)
        start = clocks[which]
        takes.append(
            fake_take(
                name,
                start=start,
                duration=duration,
                grade=grade,
                findings=findings,
                usable=duration * (1.0 if grade == "clean" else 0.62),
                level=44 - 9 * share + 5 * which + float(random.normal(0, 1)),
                burnt=(0.8, 11.5) if kind == 1 else (0.06, 0.3),
                cast=(2.0 if share < 0.6 else 7.5) + float(random.normal(0, 0.4)),
                focus=38.0 if kind == 3 else 82.0,
                peak=-0.4 if kind in (1, 4) else -8.5,
                picture=poster(i % 60) if posters else None,
                number=i,
            )
        )
        times[name] = (start, start + duration, "timecode")
        cameras[name] = CAMERAS[which]
        pause = float(random.uniform(300, 2400)) * min(1.0, 28 / number)
        clocks[which] = start + duration + (75.0 if i == 3 else pause)
    first, second = (t.name for t in takes[3:6:2]) if number > 5 else ("", "")
    findings_of_day = (
        (
            DayFinding(
                "day.gap",
                Grade.REVIEW,
                (first, second),
                "Recording was stopped for 1 min 15 s in the middle of a case.",
                "Let the camera run until the case is over.",
                times[first][1],
                times[second][0],
            ),
            DayFinding(
                "day.odd_format",
                Grade.NOTE,
                (takes[0].name,),
                "25 frames a second, where the others have 50.",
                "Set both cameras alike before the first case.",
            ),
        )
        if number > 5
        else ()
    )
    return DayResult(
        folder=Path("/media/theatre 2 – Tuesday"),
        out=Path("/media/reports/theatre 2 – Tuesday"),
        takes=tuple(sorted(takes, key=lambda t: t.name)),
        skipped=(
            Skipped("notes.txt", "not a recording"),
            Skipped("side/.hidden.mov", "hidden"),
            *(() if complete else (Skipped("side/late.mov", "still being written"),)),
        ),
        findings=findings_of_day,
        advice=(
            "Close the overhead camera’s iris by about ⅔ stop: tissue burnt out in 4 "
            "takes.",
            "Take the white balance again on a clean swab when the lamp is changed.",
            "Lower channel 1 by 6 dB.",
            "Set both cameras to 25 frames a second.",
        ),
        elapsed_s=812.4,
        complete=complete,
        times=times,
        cameras=cameras,
    )
