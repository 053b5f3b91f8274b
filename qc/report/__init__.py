"""The report: everything about a take in one folder."""

from __future__ import annotations

from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any, BinaryIO

from qc.records import TakeInfo, TakeResult
from qc.report.archive import write_readings
from qc.report.folder import Belongs, Writer, existing_folder, place, safe_name
from qc.report.handover import (
    findings_csv,
    json_bytes,
    markers_otio,
    markers_vtt,
    plain_text,
    result_document,
)

__all__ = ["REPORT_FILES", "report_folder", "same_take", "write_report"]

# The result comes last: see `qc.report.folder`.
REPORT_FILES = (
    "report.html",
    "readings.npz",
    "findings.csv",
    "markers.otio",
    "markers.vtt",
    "result.json",
)
# Behind the name of the folder that holds a spot check.
_SPOT = "-spot"


def write_report(
    result: TakeResult,
    out: Path,
    *,
    stills: bool = True,
    page: bool = True,
    name: str | None = None,
    shown_name: str = "",
    belongs: Belongs | None = None,
    extra: Mapping[str, object] | None = None,
) -> Path:
    """Write everything about a take into its folder under `out`.

    Parameters
    ----------
    result : TakeResult
    out : Path
        Made if it does not exist. The take's folder is ``out/<stem>``, with a number
        behind it when another take of that name was there first; of a spot check it is
        ``out/<stem>-spot``, for a look at some of a take must not cost the report of
        all of it.
    stills : bool
        Whether the page holds pictures of the recording.
    page : bool
        Whether to write ``report.html``; an earlier one is removed if not.
    name : str, optional
        What to call the folder instead of the take's stem.
    shown_name : str
        What the page calls the take where others have its name; the file's if left out.
    belongs : function of a document, optional
        Whether an earlier report is one of this take; by name and content if left out.
    extra : mapping, optional
        More keys for ``result.json``.

    Returns
    -------
    Path
        The take's folder.

    Raises
    ------
    ReportError
        The files cannot be written there; an earlier report is still whole.
    """
    out = Path(out)
    if page:
        # Before the other thread begins, which brings in modules too.
        from qc.report.page import take_page
    with ThreadPoolExecutor(1, thread_name_prefix="qc-handover") as beside:
        # Frames are decoded for the page meanwhile, which leaves a processor free.
        handed_over = beside.submit(_handover, result, out, dict(extra or {}))
        if page:
            text = take_page(result, stills=stills, name=shown_name)
        contents = handed_over.result()
    if page:
        contents["report.html"] = text.encode("utf-8", "backslashreplace")
    writers: dict[str, Writer] = {
        file: _writer(data) for file, data in contents.items()
    }
    writers["readings.npz"] = lambda file: write_readings(result, file)
    return place(
        out,
        _folder_name(result) if name is None else name,
        {file: writers[file] for file in REPORT_FILES if file in writers},
        belongs=_report_of(result) if belongs is None else belongs,
        source=result.info.path,
        all_names=REPORT_FILES,
    )


def report_folder(info: TakeInfo, out: Path) -> Path | None:
    """Return the folder under `out` that holds this take's report, if any.

    That of a spot check does not count.
    """
    return existing_folder(
        Path(out), info.path.stem, belongs=same_take(info), document=REPORT_FILES[-1]
    )


def _handover(
    result: TakeResult, out: Path, extra: dict[str, object]
) -> dict[str, bytes]:
    """Return the files that hold no pictures, by name.

    No column of readings is looked at here: a store does not serve two threads at once.
    """
    return {
        "findings.csv": findings_csv(result),
        "markers.otio": markers_otio(result, out),
        "markers.vtt": markers_vtt(result),
        "result.json": json_bytes(result_document(result) | extra),
    }


def _writer(data: bytes) -> Writer:
    def write(file: BinaryIO) -> None:
        file.write(data)

    return write


def _folder_name(result: TakeResult) -> str:
    stem = result.info.path.stem
    if result.coverage.mode == "spot":
        return safe_name(stem, ending=_SPOT)
    return stem


def _report_of(result: TakeResult) -> Belongs:
    """Return which documents may give way to a result: of its take, and no fuller."""
    same = same_take(result.info)
    if result.coverage.mode != "spot":
        return same

    def belongs(document: Mapping[str, Any]) -> bool:
        coverage = document.get("coverage")
        spot = isinstance(coverage, dict) and coverage.get("mode") == "spot"
        return spot and (same(document) or _has_grown(result.info, document))

    return belongs


def _has_grown(info: TakeInfo, document: Mapping[str, Any]) -> bool:
    """Tell whether a report is of this take when its file was shorter."""
    from qc.media import bears

    take = document.get("take")
    if not isinstance(take, dict) or take.get("name") != plain_text(info.name):
        return False
    try:
        marks = [(int(at), int(n), str(digest)) for at, n, digest in take["marks"]]
        return bears(info.path, marks)
    except (KeyError, TypeError, ValueError, OverflowError, OSError):
        return False


def same_take(info: TakeInfo) -> Belongs:
    """Return whether a report's document is of a take, by its name and content."""

    def belongs(document: Mapping[str, Any]) -> bool:
        take = document.get("take")
        if not isinstance(take, dict) or take.get("name") != plain_text(info.name):
            return False
        if not info.fingerprint:
            # Without one a take is known by its place alone.
            return take.get("path") == plain_text(str(info.path))
        return bool(take.get("fingerprint") == info.fingerprint)

    return belongs
