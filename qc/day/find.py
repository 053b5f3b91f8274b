"""Finding the recordings of a day: by what files hold, not by what they are called."""

from __future__ import annotations

import json
import os
import stat
import time
import unicodedata
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from qc.daybook import Found, Skipped
from qc.media.container import STILL_PICTURES
from qc.report import REPORT_FILES
from qc.report.day_files import DAY_FILES

__all__ = ["find_recordings", "looks_like_recording", "settle"]

# Endings that recorders use. A file called so is a take even if its content is broken:
# it must be reported as unreadable, not passed over.
_ENDINGS = frozenset((
    ".mov", ".mp4", ".m4v", ".mxf", ".mts", ".m2ts", ".m2t", ".ts", ".mpg", ".mpeg",
    ".vob", ".mkv", ".webm", ".avi", ".dv", ".wav", ".bwf", ".rf64", ".w64", ".aif",
    ".aiff", ".flac", ".mp3", ".m4a", ".aac", ".3gp", ".3g2", ".mod", ".tod",
    ".gxf", ".lxf", ".wmv", ".asf", ".ogg", ".ogv", ".opus", ".caf", ".qt", ".f4v",
    ".flv", ".ivf", ".y4m", ".h264", ".264", ".h265", ".265", ".hevc",
))  # fmt: skip
# SMPTE ST 377-1 (from memory): an MXF file may begin with 64 KiB of something else.
_HEAD = 65536 + 16
_MXF_KEY = bytes.fromhex("060e2b34020501010d010201")
# A file changed less than this ago may still be written.
_FRESH_S = 10.0
# One that has not moved for this long is complete.
_STILL_S = 2.0
_POLL_S = 0.5
# Folders that systems keep to themselves on every disk; recorders never write there.
_SYSTEM_FOLDERS = frozenset((
    "lost+found", "system volume information", "$recycle.bin",
))  # fmt: skip
# Our documents say which folders hold our reports, and these are what we write there.
_MARKERS = ("day.json", "result.json")
_OWN_FILES = frozenset((*DAY_FILES, *REPORT_FILES))
_OWN_LOCK = ".day.lock"


def find_recordings(
    folder: Path, *, reports: Path | None = None
) -> tuple[list[Found], list[Skipped]]:
    """List the recordings under a folder and what else lies there.

    Parameters
    ----------
    folder : Path
        Searched with all its subfolders; links are not followed.
    reports : Path, optional
        Where this day's reports go: files of their names under it are taken for them
        unread. Elsewhere our documents tell. Recordings beside reports are found.

    Returns
    -------
    found, skipped : lists, in name order
    """
    found: list[Found] = []
    skipped: list[Skipped] = []
    home = None if reports is None else os.path.realpath(reports)
    for path, name, problem in _walk(folder, home):
        if problem is not None:
            skipped.append(problem)
            continue
        try:
            facts = path.stat(follow_symlinks=False)
            reason = _not_a_recording(path, facts)
        except OSError as error:
            # What is gone again is nothing lost, nor is what would be passed over.
            gone = isinstance(error, FileNotFoundError) or path.name.startswith(".")
            reason = f"cannot be read: {error.strerror}"
            skipped.append(Skipped(name, reason, lost=not gone))
            continue
        if reason:
            skipped.append(Skipped(name, reason))
        else:
            found.append(Found(path, name, facts.st_size, facts.st_mtime_ns))
    return found, skipped


def _walk(folder: Path, home: str | None) -> Iterator[tuple[Path, str, Skipped | None]]:
    """Yield (path, relative name, why it is skipped) of all that are no folders."""
    pending = [(folder.absolute(), "", False)]
    while pending:
        here, prefix, ours = pending.pop()
        try:
            entries = sorted(os.scandir(here), key=lambda e: _order(e.name))
        except OSError as error:
            name = prefix or "."
            lost = here.name.casefold() not in _SYSTEM_FOLDERS
            reason = f"the folder cannot be read: {error.strerror}"
            yield here, name, Skipped(name, reason, lost=lost)
            continue
        known = ours or _holds_reports(here, entries)
        own = _OWN_FILES if known else frozenset[str]()
        deeper = []
        for entry in entries:
            if entry.name in own or entry.name == _OWN_LOCK:
                continue
            path, name = Path(entry.path), f"{prefix}{entry.name}"
            if entry.is_symlink():
                yield path, name, _link(path, name, folder)
            elif entry.is_dir(follow_symlinks=False):
                # Where reports go is searched too: whoever names a card's folder with
                # --out must not lose its recordings.
                if not entry.name.startswith("."):
                    below = ours or os.path.realpath(path) == home
                    deeper.append((path, f"{name}/", below))
            else:
                yield path, name, None
        pending.extend(reversed(deeper))


def _link(path: Path, name: str, folder: Path) -> Skipped:
    """Tell of a link; what it leads to is found by itself where it lies in `folder`."""
    target = os.path.realpath(path)
    inside = Path(target).is_relative_to(os.path.realpath(folder))
    if inside or not os.path.exists(target):  # noqa: PTH110
        return Skipped(name, "a link: not followed")
    return Skipped(name, "a link out of this folder: not followed", leads_out=True)


def _holds_reports(folder: Path, entries: Sequence[os.DirEntry[str]]) -> bool:
    """Tell whether a folder holds reports of ours, by a document of theirs."""
    for name in _MARKERS:
        if not any(entry.name == name for entry in entries):
            continue
        try:
            told = json.loads((folder / name).read_bytes())
        except (OSError, ValueError, RecursionError):
            continue
        tool = told.get("tool") if isinstance(told, dict) else None
        if isinstance(tool, dict) and tool.get("name") == "Rushes QC":
            return True
    return False


def _order(name: str) -> tuple[str, str]:
    """Sort key by which names come as people expect, in any script."""
    return unicodedata.normalize("NFC", name).casefold(), name


def _not_a_recording(path: Path, facts: os.stat_result) -> str:
    """Return why a file is not a recording; empty if it is one, or ought to be one."""
    if not stat.S_ISREG(facts.st_mode):
        return "not a regular file"
    named_so = path.suffix.lower() in _ENDINGS
    with path.open("rb") as file:
        head = file.read(_HEAD)
    if head[:4] == b"\x00\x05\x16\x07" or path.name.startswith("._"):
        return "a hidden companion that a computer put beside a file"
    if path.name.startswith("."):
        return "a hidden file"
    if looks_like_recording(head):
        return ""
    if named_so:
        return ""
    return _kind(head, path)


def looks_like_recording(head: bytes) -> bool:
    """Tell from a file's first bytes whether it is a recording.

    Parameters
    ----------
    head : bytes
        The more of them the better; MXF may have a run-in of up to 64 KiB.
    """
    if head[4:8] in (b"ftyp", b"moov", b"mdat", b"wide", b"pnot") or (
        head[4:8] in (b"free", b"skip") and (b"mdat" in head or b"moov" in head)
    ):
        # HEIC and AVIF pictures are in the same box, by their brand.
        return head[8:12] not in (b"heic", b"heix", b"mif1", b"avif", b"msf1")
    if head[:4] in (b"RIFF", b"RF64", b"RIFX"):
        return head[8:12] in (b"AVI ", b"WAVE")
    if head[:4] == b"FORM":
        return head[8:12] in (b"AIFF", b"AIFC")
    starts = (
        b"\x1a\x45\xdf\xa3",  # Matroska, WebM
        b"fLaC",
        b"OggS",
        b"caff",
        b"\x00\x00\x01\xba",  # MPEG program stream
        b"\x00\x00\x01\xb3",  # MPEG video
        b"0&\xb2u\x8ef\xcf\x11",  # ASF
        b"FLV\x01",
        b"DKIF",
        b"YUV4MPEG2",
        b"riff\x2e\x91\xcf\x11",  # Wave64
        b"\x1f\x07\x00",  # DV
    )
    if head.startswith(starts) or _MXF_KEY in head:
        return True
    # Transport streams: the sync byte every 188 bytes, or every 192 after a time stamp.
    for offset, step in ((0, 188), (4, 192), (0, 204)):
        marks = range(offset, min(len(head), 4096), step)
        if len(marks) >= 4 and all(head[i] == 0x47 for i in marks):
            return True
    return False


def _kind(head: bytes, path: Path) -> str:
    if head.startswith(STILL_PICTURES):
        return "a still picture"
    if path.suffix.lower() in (".thm", ".jpg", ".jpeg", ".heic", ".png", ".bmp"):
        return "a still picture"
    text = head[:512]
    if text and b"\x00" not in text:
        return "a text or sidecar file"
    return "not a recording" if head else "an empty file"


def settle(
    found: list[Found],
    *,
    patience: float,
    now: Callable[[], float] = time.time,
    sleep: Callable[[float], None] = time.sleep,
) -> tuple[list[Found], list[Found]]:
    """Wait until files are no longer being written; all are watched at once.

    Parameters
    ----------
    found : list of Found
    patience : float
        Seconds to wait at most.

    Returns
    -------
    resting, growing : lists of Found
        As they are now; what grows still may be measured later.
    """
    began = now()
    resting = [f for f in found if not 0 <= began - f.mtime_ns / 1e9 < _FRESH_S]
    watched = {f: began for f in found if 0 <= began - f.mtime_ns / 1e9 < _FRESH_S}
    while watched:
        sleep(_POLL_S)
        moment = now()
        for last, since in list(watched.items()):
            try:
                facts = last.path.stat(follow_symlinks=False)
            except OSError:
                del watched[last]  # gone again: a copy that was given up
                continue
            seen = Found(last.path, last.name, facts.st_size, facts.st_mtime_ns)
            if seen != last:
                del watched[last]
                watched[seen] = moment
            elif moment - since >= _STILL_S:
                del watched[last]
                resting.append(last)
        if moment - began >= patience:
            break
    return (
        sorted(resting, key=lambda f: _order(f.name)),
        sorted(watched, key=lambda f: _order(f.name)),
    )
