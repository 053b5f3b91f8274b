"""The files of a day: its page, and what other programs read of it.

``day.json`` is the whole day in short; ``day.csv`` a table for spreadsheets;
``day.otio`` every take with a marker a finding and ``selects.otio`` what is usable, for
editing systems.
"""

from __future__ import annotations

import csv
import io
import os
import secrets
from collections.abc import Mapping
from contextlib import suppress
from fractions import Fraction
from pathlib import Path
from typing import Any

import qc
from qc.daybook import DayFinding, DayResult, DayTake
from qc.limits import Limits
from qc.records import Grade
from qc.report.day_facts import TakeFacts, day_order, fault_label
from qc.report.day_otio import day_otio, selects_otio
from qc.report.day_values import copies_of, day_totals
from qc.report.folder import _explained, _sync
from qc.report.handover import _cell, json_bytes, plain, plain_text

__all__ = ["DAY_FILES", "day_csv", "day_document", "write_day"]

_SCHEMA = 1  # 1: the first
# The document comes last: what it says stands on disk by then.
DAY_FILES = ("day.html", "day.csv", "day.otio", "selects.otio", "day.json")
_GRADES = (Grade.CLEAN, Grade.REVIEW, Grade.REJECT, Grade.UNREADABLE)
_MOST_FAULTS = 3


def write_day(result: DayResult, limits: Limits, *, stills: bool) -> None:
    """Write the files of a day into its report folder, each whole or not at all.

    Parameters
    ----------
    result : DayResult
    limits : Limits
    stills : bool
        Whether the page holds pictures of the recordings.

    Raises
    ------
    ReportError
        The files cannot be written there; earlier ones are still whole.
    """
    from qc.report.day_page import day_page

    page = day_page(result, limits, stills=stills)
    contents = {
        "day.html": page.encode("utf-8", "backslashreplace"),
        "day.csv": day_csv(result),
        "day.otio": day_otio(result),
        "selects.otio": selects_otio(result),
        "day.json": json_bytes(day_document(result)),
    }
    with _explained(result.out):
        result.out.mkdir(parents=True, exist_ok=True)
        _sweep(result.out)
        for name in DAY_FILES:
            _put(result.out / name, contents[name])
        _sync(result.out)


def _put(target: Path, data: bytes) -> None:
    """Replace a file by a whole new one; one that says the same already stays."""
    with suppress(OSError):
        if not target.is_symlink() and target.read_bytes() == data:
            return
    part = target.with_name(f".{target.name}.part-{secrets.token_hex(4)}")
    try:
        with part.open("xb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        part.replace(target)
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)


def _sweep(out: Path) -> None:
    """Remove what a killed run left behind; no other run is at work in this folder."""
    for name in DAY_FILES:
        for part in out.glob(f".{name}.part-*"):
            with suppress(OSError):
                part.unlink()


# -------------------------------------------------------------------------------- JSON


def day_document(result: DayResult) -> dict[str, Any]:
    """Return a day as plain values, ready for `json_bytes`.

    Returns
    -------
    dict
        ``"schema": 1``. Takes are in order of time; those whose time is not known come
        last, with ``null``. Totals count the time of a recording once, however many
        copies of it there are, and under ``"across_takes"`` what is to be looked at
        that no take's own grade counts. Only ``elapsed_s`` differs when nothing has
        changed.
    """
    takes = [_take(take, result) for take in day_order(result)]
    return {
        "schema": _SCHEMA,
        "folder": plain_text(str(result.folder)),
        "complete": result.complete,
        "grade": result.grade.value,
        "totals": _totals(result),
        "advice": plain(result.advice),
        "findings": [_day_finding(f) for f in result.findings],
        "takes": takes,
        "skipped": [
            plain({"name": s.name, "reason": s.reason}) for s in result.skipped
        ],
        "elapsed_s": _seconds(result.elapsed_s),
        "tool": {"name": "Rushes QC", "version": qc.__version__},
    }


def _seconds(value: Fraction | float) -> float:
    return float(round(Fraction(value), 6))


def _totals(result: DayResult) -> dict[str, Any]:
    totals = day_totals(result.takes, result.findings, result.skipped)
    copies = copies_of(result.findings)
    counting = [
        (TakeFacts.of(take), take.document)
        for take in result.takes
        if take.readable and take.name not in copies
    ]
    recorded = sum((facts.duration for facts, _ in counting), Fraction(0))
    usable = sum((facts.usable(told) for facts, told in counting), Fraction(0))
    return {grade.value: totals.grades.get(grade, 0) for grade in _GRADES} | {
        "across_takes": len(totals.across),
        "copies": len(copies),
        "duration_s": _seconds(recorded),
        "usable_s": _seconds(usable),
    }


def _take(take: DayTake, result: DayResult) -> dict[str, Any]:
    document = take.document
    start, end, basis = result.times.get(take.name, (None, None, None))
    facts: dict[str, Any] = {
        "name": plain_text(take.name),
        "grade": take.grade.value,
        "folder": None if take.folder is None else plain_text(take.folder),
        "camera": plain_text(result.cameras.get(take.name, "")),
        "start_timecode": None,
        "drop_frame": None,
        "frame_rate": None,
        "frames": None,
        "duration_s": None,
        "usable_s": None,
        "start_s": None if start is None else _seconds(start),
        "end_s": None if end is None else _seconds(end),
        "time_from": basis,
        "findings": None,
        "worst": [],
        "message": plain(document.get("message")),
    }
    if take.readable:
        length, told = TakeFacts.of(take), document["take"]
        facts |= {
            "start_timecode": length.start_label if length.has_timecode else None,
            "drop_frame": length.timecode.drop_frame,
            "frame_rate": told.get("frame_rate"),
            "frames": told.get("frames"),
            "duration_s": _seconds(length.duration),
            "usable_s": _seconds(length.usable(document)),
            "findings": len(document["findings"]),
            "worst": _worst(document)[:_MOST_FAULTS],
        }
    return facts


def _worst(document: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return a take's faults by rule: the gravest first, then what lasts longest."""
    rules: dict[str, dict[str, Any]] = {}
    for finding in document["findings"]:
        grade, lasting = Grade(finding["grade"]), _lasting(finding)
        rule = rules.setdefault(
            finding["rule"],
            {
                "rule": finding["rule"],
                "fault": fault_label(finding["rule"]),
                "grade": grade.value,
                "count": 0,
                "duration_s": 0.0,
                "message": plain_text(finding["message"]),
                "_longest": (grade.rank, lasting),
            },
        )
        rule["count"] += 1
        rule["duration_s"] = _seconds(rule["duration_s"] + lasting)
        if (grade.rank, lasting) > rule["_longest"]:
            rule["_longest"] = grade.rank, lasting
            rule["grade"] = grade.value
            rule["message"] = plain_text(finding["message"])
    ordered = sorted(
        rules.values(),
        key=lambda r: (-Grade(r["grade"]).rank, -r["duration_s"], r["rule"]),
    )
    return [{k: v for k, v in rule.items() if k != "_longest"} for rule in ordered]


def _lasting(finding: Mapping[str, Any]) -> float:
    return float(finding["end_s"] - finding["start_s"])


def _day_finding(finding: DayFinding) -> dict[str, Any]:
    return {
        "rule": finding.rule,
        "fault": fault_label(finding.rule),
        "grade": finding.grade.value,
        "takes": plain(finding.takes),
        "start_s": None if finding.start is None else _seconds(finding.start),
        "end_s": None if finding.end is None else _seconds(finding.end),
        "message": plain(finding.message),
        "advice": plain(finding.advice),
    }


# ------------------------------------------------------------------------------- table


_COLUMNS = (
    "take", "grade", "camera", "start_tc", "start_s", "time_from", "duration_s",
    "usable_s", "findings", "reject", "review", "note", "faults", "messages",
    "day_messages", "report",
)  # fmt: skip


def day_csv(result: DayResult) -> bytes:
    """Return the takes as a table, one row each in order of time, RFC 4180.

    As a take's ``findings.csv``: UTF-8 with a byte order mark, and text that would be
    taken for a formula gets an apostrophe in front.
    """
    file = io.StringIO(newline="")
    writer = csv.writer(file, lineterminator="\r\n")
    writer.writerow(_COLUMNS)
    for take in day_order(result):
        row = _row(take, result)
        writer.writerow(_cell(row[name]) for name in _COLUMNS)
    return file.getvalue().encode("utf-8-sig")


def _row(take: DayTake, result: DayResult) -> dict[str, Any]:
    facts = _take(take, result)
    faults = _worst(take.document) if take.readable else []
    grades = [f["grade"] for f in take.document.get("findings") or ()]
    messages = [fault["message"] for fault in faults]
    if not take.readable:
        messages.append(facts["message"] or "")
    day = (f.message for f in result.findings if take.name in f.takes)
    return facts | {
        "take": facts["name"],
        "start_tc": facts["start_timecode"],
        "faults": "; ".join(fault["fault"] for fault in faults),
        "messages": " ".join(messages),
        "day_messages": plain_text(" ".join(day)),
        "report": f"{facts['folder']}/report.html" if facts["folder"] else None,
        **{
            grade.value: grades.count(grade) if take.readable else None
            for grade in (Grade.REJECT, Grade.REVIEW, Grade.NOTE)
        },
    }
