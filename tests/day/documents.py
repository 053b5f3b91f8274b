"""Takes of a day made by hand: documents as a report keeps them.

Frames of findings and usable ranges are given; seconds and labels follow from them by
`qc.timecode`, which has tests of its own.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

from qc.day.checks import camera_of, check_whole_day, day_advice, day_times
from qc.daybook import DayResult, DayTake, Skipped
from qc.measures import default_limits
from qc.records import Grade
from qc.timecode import TimecodeFormat

__all__ = ["day_of", "finding", "lost", "take"]

NTSC_30 = Fraction(30_000, 1001)
NTSC_60 = Fraction(60_000, 1001)


def finding(
    start: int,
    end: int,
    *,
    rule: str = "highlights.relevant",
    grade: Grade = Grade.REVIEW,
    message: str = "Tissue burns out.",
    advice: str = "Close the iris by ⅔ stop.",
    worst: float | None = 12.5,
) -> dict[str, Any]:
    """Return a finding over frames ``[start, end)``; `take` adds times and labels."""
    return {
        "rule": rule,
        "grade": grade.value,
        "start_frame": start,
        "end_frame": end,
        "worst_frame": start,
        "worst": worst,
        "limit": 5.0,
        "unit": "%",
        "message": message,
        "advice": advice,
        "where": None,
        "channel": None,
    }


def take(
    name: str,
    start: str | None = None,
    *,
    seconds: Fraction | float = 60,
    frames: int | None = None,
    rate: Fraction | int = 25,
    drop: bool = False,
    findings: Sequence[dict[str, Any]] = (),
    usable: Sequence[tuple[int, int]] | None = None,
    picture: bool = True,
    audio: Sequence[int] = (2,),
    sample_rate: int = 48_000,
    metadata: dict[str, str] | None = None,
    created: str | None = None,
    filed: float | None = None,
    fingerprint: str | None = None,
    content: str | None = None,
    exposure: Sequence[float | None] = (40.0, 41.0),
    folder: str | None = "",
    **facts: object,
) -> DayTake:
    """Return a readable take.

    Parameters
    ----------
    start : str, optional
        First timecode label; without one the file has none.
    filed : float, optional
        Time of the file in seconds since 1970.
    facts
        More or other keys of the document's ``"take"``.
    """
    rate = Fraction(rate)
    timecode = TimecodeFormat(rate, drop)
    first = timecode.frame(start) if start else 0
    if frames is None:
        frames = round(Fraction(seconds) * rate)
    duration = frames / rate

    def place(facts_of: dict[str, Any]) -> dict[str, Any]:
        told = dict(facts_of)
        for end in ("start", "end", "worst"):
            if f"{end}_frame" in told:
                told[f"{end}_tc"] = timecode.label(first + told[f"{end}_frame"])
                told[f"{end}_s"] = float(round(told[f"{end}_frame"] / rate, 6))
        return told

    told = [place(f) for f in findings]
    if usable is None:
        usable = [(0, frames)]
    ranges = [place({"start_frame": a, "end_frame": b}) for a, b in usable]
    ranges.sort(key=lambda r: r["start_frame"] - r["end_frame"])
    grade = max((Grade(f["grade"]) for f in told), key=lambda g: g.rank, default=None)
    if grade is None or grade is Grade.NOTE:
        grade = Grade.CLEAN
    document = {
        "schema": 1,
        "take": {
            "name": name.rpartition("/")[2],
            "path": f"/media/{name}",
            "fingerprint": f"bytes of {name}" if fingerprint is None else fingerprint,
            "duration_s": float(round(duration, 6)),
            "frames": frames if picture else None,
            "frame_rate": f"{rate.numerator}/{rate.denominator}" if picture else None,
            "width": 1920 if picture else None,
            "height": 1080 if picture else None,
            "rotation": 0 if picture else None,
            "scan": "progressive" if picture else None,
            "codec": "h264" if picture else None,
            "bit_depth": 8 if picture else None,
            "range": "limited" if picture else None,
            "start_timecode": timecode.label(first),
            "drop_frame": drop,
            "timecode_source": "timecode track" if start else "none",
            "audio": [
                {
                    "codec": "pcm_s24le",
                    "channels": n,
                    "layout": "stereo" if n == 2 else f"{n} channels",
                    "sample_rate": sample_rate,
                }
                for n in audio
            ],
        }
        | facts,
        "grade": grade.value,
        "findings": told,
        "usable": ranges,
        "advice": [],
        "day": {
            "name": name,
            "key": "k",
            "content": f"content of {name}" if content is None else content,
            "metadata": metadata or {},
            "created": created,
            "mtime_ns": None if filed is None else round(filed * 1_000_000_000),
            "poster": None,
            "strips": {
                "exposure": list(exposure),
                "highlights": None,
                "focus": None,
                "sound": [-20.0, -12.5],
            },
        },
    }
    return DayTake(name, grade, document, name if folder == "" else folder)


def lost(name: str, *, stage: str = "open") -> DayTake:
    """Return a take that could not be measured."""
    document = {
        "schema": 1,
        "take": {"name": name.rpartition("/")[2], "path": f"/media/{name}"},
        "grade": "unreadable",
        "stage": stage,
        "message": f"{name}: cannot be opened",
        "day": {"name": name, "key": "k"},
    }
    return DayTake(name, Grade.UNREADABLE, document, None)


def day_of(
    takes: Sequence[DayTake],
    home: Path,
    *,
    elapsed_s: float = 1.5,
    skipped: Sequence[Skipped] = (),
) -> DayResult:
    """Return the result of a day, recordings in ``home/day``, reports beside it."""
    findings = check_whole_day(takes, default_limits())
    return DayResult(
        folder=home / "day",
        out=home / "reports" / "day",
        takes=tuple(takes),
        skipped=tuple(skipped),
        findings=findings,
        advice=day_advice(takes, findings),
        elapsed_s=elapsed_s,
        times=day_times(takes),
        cameras={t.name: camera_of(t) for t in takes},
    )
