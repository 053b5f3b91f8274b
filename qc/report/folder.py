"""The folder of a report: whose it is, what it is called, and written whole or not.

Everything is written into a temporary folder beside it first and flushed to the disk.
A new report is put in place by renaming that folder, which also settles who gets a name
when two runs want it at once. In a folder that exists, files are replaced one by one,
so that whatever else people keep there stays, and nobody finds the folder missing; the
file that says whose folder it is comes last, so that an earlier run's word stands until
all the rest is in place.
"""

from __future__ import annotations

import errno
import hashlib
import itertools
import json
import os
import platform
import re
import secrets
import shutil
import stat
import tempfile
import time
import unicodedata
from collections.abc import Callable, Collection, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, BinaryIO, TypeAlias

from qc.errors import ReportError

__all__ = [
    "Belongs",
    "Writer",
    "check_writable",
    "existing_folder",
    "place",
    "safe_name",
]

Belongs: TypeAlias = Callable[[Mapping[str, Any]], bool]
Writer: TypeAlias = Callable[[BinaryIO], None]

# With a number behind it and in the temporary folder's name it stays under the 143
# bytes that encrypted folders leave of the usual 255 (the 143 from memory).
_LONGEST_BYTES = 100
# Microsoft, "Naming Files, Paths, and Namespaces": characters and device names that
# Windows keeps for itself, also with an extension and a superscript digit.
_ILLEGAL = frozenset('<>:"/\\|?*')
_DEVICE = re.compile(
    r"(con|prn|aux|nul|conin\$|conout\$|(com|lpt)[0-9¹²³])", re.IGNORECASE
)
# Joiners shape letters in several scripts; other invisible characters only deceive.
_JOINERS = "\u200c\u200d"

_PART = re.compile(r"\..+\.part-([0-9a-f]{6})-([0-9]{1,10})-[0-9a-f]{8}", re.DOTALL)
_STALE_S = 86_400.0
# A report with pictures takes about as much; house choice.
_LEAST_FREE_BYTES = 1_000_000
_LARGEST_DOCUMENT_BYTES = 1 << 28
# Where a link to a link can be made it is; asking for it elsewhere is an error.
_FOLLOW = os.link not in os.supports_follow_symlinks


def safe_name(stem: str, *, ending: str = "") -> str:
    r"""Return a folder name for a take, close to its own and legal on every system.

    Parameters
    ----------
    stem : str
        File name without its extension, in any script.
    ending : str
        What stands behind it, however much of the name has to be cut.

    Returns
    -------
    str
        At most 100 bytes in UTF-8; a name that is cut ends in a hash of the whole.

    Examples
    --------
    >>> [safe_name(s) for s in ("Fall 3: Übung", "con", "-r", "..", "take 4. ")]
    ['Fall 3_ Übung', '_con', '_-r', 'take', 'take 4']
    >>> safe_name("take 4. ", ending="-spot")
    'take 4-spot'
    """
    text = unicodedata.normalize("NFC", stem)
    text = "".join("_" if _odd(c) else c for c in text).strip(" ").rstrip(". ")
    # A leading dot hides the folder, a leading hyphen reads as an option.
    if text.startswith((".", "-")) or _DEVICE.fullmatch(
        text.partition(".")[0].rstrip()
    ):
        text = f"_{text}"
    return _shortened(text or "take", stem, _LONGEST_BYTES - len(ending)) + ending


def _odd(character: str) -> bool:
    category = unicodedata.category(character)
    return (
        character in _ILLEGAL
        or category in ("Cc", "Cs", "Zl", "Zp")
        or (category == "Cf" and character not in _JOINERS)
    )


def _shortened(text: str, stem: str, most: int) -> str:
    if len(text.encode()) <= most:
        return text
    whole = hashlib.sha256(stem.encode("utf-8", "surrogatepass")).hexdigest()[:8]
    end = len(text.encode()[: most - 9].decode(errors="ignore"))
    # An accent or a joined sign belongs to the letter before it.
    while end > 1 and (
        unicodedata.category(text[end]).startswith("M")
        or text[end] in _JOINERS
        or text[end - 1] in _JOINERS
    ):
        end -= 1
    return f"{text[:end].rstrip('. ')}_{whole}"


def existing_folder(
    out: Path, stem: str, *, belongs: Belongs, document: str
) -> Path | None:
    """Return the folder under `out` that holds the report asked for, if there is one.

    Parameters
    ----------
    out : Path
        Where reports are written; need not exist.
    stem : str
        File name of the take without its extension.
    belongs : function of a mapping
        Whether a folder's document is that of this take.
    document : str
        Name of the JSON file that says whose folder it is.
    """
    base = safe_name(stem)
    try:
        with os.scandir(out) as entries:
            found = sorted(
                (number, entry.name)
                for entry in entries
                if (number := _number(entry.name, base)) is not None
                and entry.is_dir(follow_symlinks=False)
            )
    except (FileNotFoundError, NotADirectoryError):
        return None
    for _, name in found:
        told = _read(out / name / document)
        if told is not None and belongs(told):
            return out / name
    return None


def check_writable(out: Path) -> None:
    """Find out, before hours of measuring, whether reports can be written under `out`.

    Folders that do not exist are not made: something is made for a moment in the
    nearest one that does.

    Raises
    ------
    ReportError
        Nothing can be written there now; says why and what to do.
    """
    with _explained(out):
        with suppress(FileNotFoundError, NotADirectoryError):
            # What is too long for the system is an error though it does not exist.
            os.lstat(out / ("n" * _LONGEST_BYTES) / "readings.npz")
        for folder in (out, *out.absolute().parents):
            if os.path.lexists(folder):
                with tempfile.TemporaryDirectory(prefix=".qc-", dir=folder):
                    disk = shutil.disk_usage(folder)
                if disk.total and disk.free < _LEAST_FREE_BYTES:
                    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
                return


def place(
    out: Path,
    stem: str,
    writers: Mapping[str, Writer],
    *,
    belongs: Belongs,
    source: Path,
    all_names: Collection[str] = (),
) -> Path:
    """Write the files of a report into its folder under `out`, all or none.

    The folder is ``out/<stem>``, or ``<stem>-2``, ``-3`` ... when that is taken. A
    folder is taken unless it is empty or `belongs` to the take; a symbolic link is
    always taken and never followed.

    Parameters
    ----------
    out : Path
        Made if it does not exist.
    stem : str
        File name of the take without its extension.
    writers : mapping of file name to function of a binary file
        The last one writes the JSON document that `belongs` is asked about.
    belongs : function of a mapping
        Whether an earlier report's document is that of this take.
    source : Path
        The recording, which no file of the report may replace.
    all_names : collection of str
        Files that a report may have: an earlier report's that are not written now are
        removed, for they would speak of another run.

    Returns
    -------
    Path
        The folder.

    Raises
    ------
    ReportError
        Nothing can be written there; says why and what to do.
    """
    base = safe_name(stem)
    names = list(writers)
    with _explained(out):
        out.mkdir(parents=True, exist_ok=True)
        _sweep(out)
        part = out / f".{base}.part-{_host()}-{os.getpid()}-{secrets.token_hex(4)}"
        try:
            part.mkdir()
            for name, write in writers.items():
                with (part / name).open("xb") as file:
                    write(file)
                    file.flush()
                    os.fsync(file.fileno())
            _sync(part)
            refused: set[Path] = set()
            while True:
                folder = existing_folder(out, stem, belongs=belongs, document=names[-1])
                if folder is not None:
                    _spare(source, folder, [*names, *all_names])
                    _replace(part, folder, names, set(all_names) - set(names))
                    _sync(folder)
                    break
                folder = _free(out, base, refused)
                if _claim(part, folder):
                    break
                refused.add(folder)
            _sync(out)
            return folder
        finally:
            _discard(part)


# ------------------------------------------------------------------- whose it is


def _key(name: str) -> str:
    # Other systems do not tell upper from lower case, nor ways to write an accent.
    return unicodedata.normalize("NFC", name).casefold()


def _number(name: str, base: str) -> int | None:
    """Return which of the folders of that name it is: 1 for ``A``, 2 for ``A-2``."""
    key, wanted = _key(name), _key(base)
    if key == wanted:
        return 1
    match = re.fullmatch(r"-([1-9][0-9]*)", key.removeprefix(wanted), re.ASCII)
    if match is None or not key.startswith(wanted):
        return None
    number = int(match[1])
    return number if number > 1 else None


def _read(path: Path) -> Mapping[str, Any] | None:
    """Return a JSON object of ours, None for whatever else lies there."""
    try:
        facts = path.lstat()
        if not stat.S_ISREG(facts.st_mode) or facts.st_size > _LARGEST_DOCUMENT_BYTES:
            return None
        document = json.loads(path.read_bytes())
    except (OSError, ValueError, RecursionError):
        return None
    return document if isinstance(document, dict) else None


def _free(out: Path, base: str, refused: Collection[Path]) -> Path:
    with os.scandir(out) as entries:
        taken = {_key(e.name): e.name for e in entries if not _is_empty_folder(e)}
    names = (base if n == 1 else f"{base}-{n}" for n in itertools.count(1))
    return next(
        out / name
        for name in names
        if _key(name) not in taken and out / name not in refused
    )


def _is_empty_folder(entry: os.DirEntry[str]) -> bool:
    try:
        if not entry.is_dir(follow_symlinks=False):
            return False
        with os.scandir(entry.path) as inside:
            return next(inside, None) is None
    except OSError:
        return False


def _spare(source: Path, folder: Path, names: Collection[str]) -> None:
    for name in names:
        with suppress(OSError):
            if (folder / name).samefile(source):
                raise ReportError(
                    f"{source}: the recording lies where its report would be written; "
                    "move it, or choose another folder with --out"
                )


# --------------------------------------------------------------------- putting in place


def _claim(part: Path, folder: Path) -> bool:
    """Rename `part` to `folder`; False when somebody else was quicker."""
    if os.name == "nt":
        with suppress(OSError):
            folder.rmdir()  # only if empty; Windows does not rename onto a folder
    try:
        part.rename(folder)
    except OSError:
        if os.path.lexists(folder):
            return False
        raise
    return True


def _replace(part: Path, folder: Path, names: list[str], gone: Collection[str]) -> None:
    """Put new files in place of old ones; bring the old ones back if that fails."""
    begun: list[str] = []
    fresh: set[str] = set()
    try:
        for name in [*sorted(gone), *names]:
            target = folder / name
            if not os.path.lexists(target):
                fresh.add(name)
            # Not every file system has hard links; without one the new file stays.
            with suppress(OSError):
                os.link(target, part / f"old-{name}", follow_symlinks=_FOLLOW)
            begun.append(name)
            if name in gone:
                target.unlink(missing_ok=True)
            else:
                (part / name).replace(target)
    except BaseException:
        for name in reversed(begun):
            with suppress(OSError):
                if name in fresh:
                    (folder / name).unlink()
                else:
                    (part / f"old-{name}").replace(folder / name)
        raise


def _sync(folder: Path) -> None:
    """Flush a folder's list of names, where the system lets one."""
    if os.name == "nt":
        return
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _discard(part: Path) -> None:
    with suppress(OSError):
        with os.scandir(part) as entries:
            for entry in entries:
                with suppress(OSError):
                    Path(entry.path).unlink()
        part.rmdir()


def _sweep(out: Path) -> None:
    """Remove what killed runs left behind."""
    with suppress(OSError), os.scandir(out) as entries:
        for entry in entries:
            match = _PART.fullmatch(entry.name)
            if match is None or not entry.is_dir(follow_symlinks=False):
                continue
            age = time.time() - entry.stat(follow_symlinks=False).st_mtime
            dead = match[1] == _host() and not _alive(int(match[2]))
            if dead or age > _STALE_S:
                _discard(Path(entry.path))


def _host() -> str:
    # A process number says nothing on another machine that writes to the same disk.
    return hashlib.sha256(platform.node().encode("utf-8", "replace")).hexdigest()[:6]


def _alive(process: int) -> bool:
    if os.name == "nt":
        return True  # there, asking would interrupt it
    try:
        os.kill(process, 0)
    except (ProcessLookupError, OverflowError):
        return False
    except PermissionError:
        return True
    return True


# ---------------------------------------------------------------------- what went wrong


@contextmanager
def _explained(out: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise ReportError(_sentence(out, error)) from error


def _sentence(out: Path, error: OSError) -> str:
    where: str | Path = out
    for path in (out, *out.parents):
        if os.path.lexists(path) and not path.is_dir():
            return (
                f"{out}: the report cannot be written: {path} is not a folder; "
                "choose another folder with --out"
            )
    elsewhere = "choose another folder with --out"
    if error.errno in (errno.ENOSPC, getattr(errno, "EDQUOT", errno.ENOSPC)):
        why, remedy = "the disk is full", f"make room there, or {elsewhere}"
    elif error.errno == errno.EROFS:
        why, remedy = "the disk is write-protected", elsewhere
    elif error.errno in (errno.EACCES, errno.EPERM):
        why = "writing there is not allowed"
        remedy = f"close its files if they are open in another program, or {elsewhere}"
    elif error.errno == errno.ENAMETOOLONG:
        why, remedy = "the path is too long", f"{elsewhere} that has a shorter path"
    else:
        why, remedy = error.strerror or str(error), elsewhere
    # An error of replacing a file names the file to be replaced second.
    if error.filename2 is not None:
        where = os.fsdecode(error.filename2)
    return f"{where}: the report cannot be written: {why}; {remedy}"
