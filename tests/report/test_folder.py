"""The report's folder: the right one, whole, and nothing else touched.

Outside sources: Microsoft, "Naming Files, Paths, and Namespaces", for names that are
legal everywhere; POSIX errno values; numpy for reading the archive back.
"""

from __future__ import annotations

import errno
import json
import os
import shutil
import signal
import subprocess
import sys
import threading
import time
import types
import unicodedata
from collections.abc import Callable, Iterator
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

import qc.report
from qc.errors import DecodeError, ReportError
from qc.media.container import fingerprint, marks
from qc.records import Readings, TakeResult
from qc.report import REPORT_FILES, report_folder, write_report
from qc.report.archive import write_readings
from qc.report.folder import place, safe_name

MakeResult = Callable[..., TakeResult]


def write(result: TakeResult, out: Path) -> Path:
    return write_report(result, out, page=False)


def told(folder: Path) -> dict[str, Any]:
    document = json.loads((folder / "result.json").read_bytes())
    assert isinstance(document, dict)
    return document


def everything(folder: Path) -> dict[str, bytes]:
    return {
        str(p.relative_to(folder)): p.read_bytes()
        for p in sorted(folder.rglob("*"))
        if p.is_file()
    }


def nothing_left_over(out: Path) -> bool:
    return not [p.name for p in out.iterdir() if p.name.startswith(".")]


# ---------------------------------------------------------------------------- the files


def test_report_has_its_files(
    make_result: MakeResult, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked = []

    def take_page(
        result: TakeResult, *, stills: bool = True, name: str | None = None
    ) -> str:
        asked.append(stills)
        return "<p>caf\udce9</p>"

    fake = types.SimpleNamespace(take_page=take_page)
    monkeypatch.setitem(sys.modules, "qc.report.page", fake)
    out = tmp_path / "not" / "yet"
    folder = write_report(make_result(tmp_path / "A.mov"), out, stills=False)
    assert folder == out / "A"
    assert sorted(p.name for p in folder.iterdir()) == sorted(REPORT_FILES)
    assert asked == [False]
    assert (folder / "report.html").read_bytes() == b"<p>caf\\udce9</p>"
    assert nothing_left_over(out)
    # A page of an earlier run would speak of other figures.
    assert write(make_result(tmp_path / "A.mov"), out) == folder
    assert sorted(p.name for p in folder.iterdir()) == sorted(REPORT_FILES[1:])


def test_page_that_cannot_be_made_leaves_the_old_report(
    make_result: MakeResult, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def take_page(
        result: TakeResult, *, stills: bool = True, name: str | None = None
    ) -> str:
        raise DecodeError("A.mov: cannot be read any more; put the card back")

    fake = types.SimpleNamespace(take_page=take_page)
    monkeypatch.setitem(sys.modules, "qc.report.page", fake)
    folder = write(make_result(tmp_path / "A.mov"), tmp_path / "reports")
    before = everything(tmp_path)
    with pytest.raises(DecodeError, match="put the card back"):
        write_report(make_result(tmp_path / "A.mov", spans=()), tmp_path / "reports")
    assert everything(tmp_path) == before
    assert folder.is_dir()


def test_same_result_gives_the_same_bytes(
    make_result: MakeResult, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    result = make_result(tmp_path / "A.mov")
    first = everything(write(result, tmp_path / "one"))
    monkeypatch.setattr(time, "time", lambda: 2e9)
    assert everything(write(result, tmp_path / "two")) == first
    later = replace(result, coverage=replace(result.coverage, elapsed_s=9.0))
    second = everything(write(later, tmp_path / "three"))
    assert {n for n in first if first[n] != second[n]} == {"result.json"}


@pytest.mark.skipif(os.name == "nt", reason="POSIX permissions")
def test_report_can_be_read_by_those_whom_the_umask_lets(
    make_result: MakeResult, tmp_path: Path
) -> None:
    old = os.umask(0o027)
    try:
        folder = write(make_result(tmp_path / "A.mov"), tmp_path / "reports")
    finally:
        os.umask(old)
    assert folder.stat().st_mode & 0o777 == 0o750
    assert (folder / "result.json").stat().st_mode & 0o777 == 0o640


# -------------------------------------------------------------------------- the archive


def test_readings_read_back_with_numpy(make_result: MakeResult, tmp_path: Path) -> None:
    result = make_result(
        tmp_path / "A.mov", rate=Fraction(30000, 1001), drop_frame=True,
        start="10:00:00;00", frames=70_000,
    )  # fmt: skip
    path = tmp_path / "readings.npz"
    with path.open("wb") as file:
        write_readings(result, file)
    assert result.picture is not None
    clocks = {"picture": result.picture, "sound1": result.sound[0]}
    with np.load(path, allow_pickle=False) as archive:
        wanted = set()
        for clock, readings in clocks.items():
            assert archive[f"{clock}.edges"].dtype == np.int64
            np.testing.assert_array_equal(archive[f"{clock}.edges"], readings.edges)
            assert Fraction(*archive[f"{clock}.time_base"].tolist()) == (
                readings.time_base
            )
            for name in readings.columns:
                column = archive[f"{clock}/{name}"]
                assert column.dtype == np.float32
                np.testing.assert_array_equal(column, readings[name])
            wanted |= {f"{clock}.edges", f"{clock}.time_base"}
            wanted |= {f"{clock}/{name}" for name in readings.columns}
        assert set(archive.files) == wanted
        assert archive["picture/white.patch"].shape == (70_000, 3)


def test_take_without_pictures_or_rows(make_result: MakeResult, tmp_path: Path) -> None:
    result = make_result(tmp_path / "A.wav", picture=False, frames=0, spans=())
    path = tmp_path / "readings.npz"
    with path.open("wb") as file:
        write_readings(result, file)
    with np.load(path, allow_pickle=False) as archive:
        assert archive["sound1/peaks.true_peak_dbtp"].shape == (0, 2)
        assert archive["sound1.edges"].tolist() == [0]
        assert not [name for name in archive.files if name.startswith("picture")]


class _LongColumns:
    """Columns of a day, which would not fit into memory; keeps what was asked for."""

    def __init__(self, rows: int) -> None:
        self.rows = rows
        self.largest = 0

    def part(self, name: str, first: int, last: int) -> NDArray[np.float32]:
        last = min(last, self.rows)
        self.largest = max(self.largest, last - first)
        return np.zeros((last - first, 4), np.float32)

    def __getitem__(self, name: str) -> NDArray[np.float32]:
        raise AssertionError(f"{name} was asked for as a whole")

    def __contains__(self, name: object) -> bool:
        return name == "a.b"

    def __iter__(self) -> Iterator[str]:
        return iter(["a.b"])

    def __len__(self) -> int:
        return 1


def test_readings_are_written_a_stretch_at_a_time(
    make_result: MakeResult, tmp_path: Path
) -> None:
    rows = 1_000_000
    columns = _LongColumns(rows)
    readings = Readings("picture", Fraction(1, 50), np.arange(rows + 1), columns)
    result = replace(make_result(tmp_path / "A.mov"), picture=readings, sound=())
    with (tmp_path / "readings.npz").open("wb") as file:
        write_readings(result, file)
    assert columns.largest <= rows // 10
    with np.load(tmp_path / "readings.npz", allow_pickle=False) as archive:
        assert archive["picture/a.b"].shape == (rows, 4)


def test_column_shorter_than_its_clock_is_refused(
    make_result: MakeResult, tmp_path: Path
) -> None:
    readings = Readings("picture", Fraction(1, 50), np.arange(12), _LongColumns(10))
    result = replace(make_result(tmp_path / "A.mov"), picture=readings, sound=())
    with (
        (tmp_path / "readings.npz").open("wb") as file,
        pytest.raises(ValueError, match=r"a\.b has 10 rows, not 11"),
    ):
        write_readings(result, file)


# ----------------------------------------------------------------------- whose folder


def test_takes_of_one_name_get_a_folder_each(
    make_result: MakeResult, tmp_path: Path
) -> None:
    out = tmp_path / "reports"
    takes = [
        make_result(tmp_path / "A.mov", fingerprint="f1"),
        make_result(tmp_path / "A.mp4", fingerprint="f2"),
        make_result(tmp_path / "other" / "A.mov", fingerprint="f3"),
    ]
    folders = [write(take, out) for take in takes]
    assert [f.name for f in folders] == ["A", "A-2", "A-3"]
    for take, folder in zip(takes, folders, strict=True):
        assert told(folder)["take"]["path"] == str(take.info.path)
        assert report_folder(take.info, out) == folder
    # Again, in another order and with other results.
    for take, folder in reversed(list(zip(takes, folders, strict=True))):
        assert write(replace(take, notes=("again",)), out) == folder
        assert told(folder)["notes"] == ["again"]
    assert len(list(out.iterdir())) == 3


def test_folder_is_found_again_when_one_before_it_is_gone(
    make_result: MakeResult, tmp_path: Path
) -> None:
    out = tmp_path / "reports"
    first = write(make_result(tmp_path / "A.mov", fingerprint="f1"), out)
    second = write(make_result(tmp_path / "A.mov", fingerprint="f2"), out)
    for path in first.iterdir():
        path.unlink()
    first.rmdir()
    assert write(make_result(tmp_path / "A.mov", fingerprint="f2"), out) == second
    assert not first.exists()


def test_same_content_under_the_same_name_is_the_same_take(
    make_result: MakeResult, tmp_path: Path
) -> None:
    out = tmp_path / "reports"
    first = write(make_result(tmp_path / "A.mov"), out)
    assert write(make_result(tmp_path / "moved" / "A.mov"), out) == first
    assert write(make_result(tmp_path / "B.mov"), out) != first


def test_take_without_fingerprint_is_known_by_its_place(
    make_result: MakeResult, tmp_path: Path
) -> None:
    out = tmp_path / "reports"
    first = write(make_result(tmp_path / "A.mov", fingerprint=""), out)
    other = make_result(tmp_path / "x" / "A.mov", fingerprint="")
    assert write(other, out).name == "A-2"
    assert write(make_result(tmp_path / "A.mov", fingerprint=""), out) == first


def test_take_named_like_a_second_folder(
    make_result: MakeResult, tmp_path: Path
) -> None:
    out = tmp_path / "reports"
    names = ("A.mov", "A.mp4", "A-2.mov")
    takes = [make_result(tmp_path / n, fingerprint=str(i)) for i, n in enumerate(names)]
    assert [write(t, out).name for t in takes] == ["A", "A-2", "A-2-2"]
    assert [write(t, out).name for t in takes] == ["A", "A-2", "A-2-2"]


def _as_spot(take: TakeResult) -> TakeResult:
    return replace(take, coverage=replace(take.coverage, mode="spot"))


def test_a_spot_check_leaves_the_full_report_alone(
    make_result: MakeResult, tmp_path: Path
) -> None:
    out = tmp_path / "reports"
    full = make_result(tmp_path / "A.mov", fingerprint="f1")
    folder = write(full, out)
    before = everything(folder)
    spot = write(_as_spot(full), out)
    assert spot == out / "A-spot"
    assert told(spot)["coverage"]["mode"] == "spot"
    assert everything(folder) == before
    # Again: a spot check takes the place of the one before, and of nothing else.
    assert write(replace(_as_spot(full), notes=("again",)), out) == spot
    assert told(spot)["notes"] == ["again"]
    kept = everything(spot)
    assert write(replace(full, notes=("again",)), out) == folder
    assert everything(spot) == kept
    assert report_folder(full.info, out) == folder
    assert sorted(p.name for p in out.iterdir()) == ["A", "A-spot"]


def test_recordings_named_like_a_spot_check_keep_their_reports(
    make_result: MakeResult, tmp_path: Path
) -> None:
    out = tmp_path / "reports"
    named = make_result(tmp_path / "A-spot.mov", fingerprint="f1")
    other = make_result(tmp_path / "A.mov", fingerprint="f2")
    again = make_result(tmp_path / "A.mp4", fingerprint="f3")
    for _ in range(2):
        assert write(named, out).name == "A-spot"
        assert write(_as_spot(other), out).name == "A-spot-2"
        assert write(_as_spot(again), out).name == "A-spot-3"
    assert report_folder(other.info, out) is None


def _looked_at(path: Path, make_result: MakeResult) -> TakeResult:
    """Return a spot check of a file as it is now."""
    take = make_result(path, fingerprint=fingerprint(path))
    return _as_spot(replace(take, info=replace(take.info, marks=marks(path))))


def test_a_spot_check_of_a_file_that_has_grown_replaces_the_one_before(
    make_result: MakeResult, tmp_path: Path
) -> None:
    out, path = tmp_path / "reports", tmp_path / "A.mov"
    data = np.random.default_rng(5).bytes(400_000)
    path.write_bytes(data[:100_000])
    full = write(make_result(path, fingerprint=fingerprint(path)), out)
    before = everything(full)
    for end in (100_000, 150_000, 390_000):
        path.write_bytes(b"head" + data[4:end])
        assert write(_looked_at(path, make_result), out) == out / "A-spot"
        assert told(out / "A-spot")["take"]["fingerprint"] == fingerprint(path)
    assert sorted(p.name for p in out.iterdir()) == ["A", "A-spot"]
    assert everything(full) == before


def test_a_spot_check_of_another_take_in_the_same_place_is_left_alone(
    make_result: MakeResult, tmp_path: Path
) -> None:
    out, path = tmp_path / "reports", tmp_path / "A.mov"
    rng = np.random.default_rng(6)
    path.write_bytes(rng.bytes(100_000))
    first = write(_looked_at(path, make_result), out)
    before = everything(first)
    path.write_bytes(rng.bytes(200_000))  # the card was emptied, numbers began anew
    assert write(_looked_at(path, make_result), out) == out / "A-spot-2"
    # By another name it is another take, too: A-spot of which nobody knows the marks.
    same = tmp_path / "A.mp4"
    same.write_bytes(path.read_bytes())
    assert write(_looked_at(same, make_result), out) == out / "A-spot-3"
    assert everything(first) == before


@pytest.mark.parametrize(
    "marks",
    ["", None, [1], [[0, 5]], [["a", 5, "x"]], [[0, 1e400, "x"]], {"a": 1}, [[]]],
)
def test_a_report_whose_marks_cannot_be_read_is_nobodys(
    make_result: MakeResult, tmp_path: Path, marks: object
) -> None:
    out, path = tmp_path / "reports", tmp_path / "A.mov"
    path.write_bytes(b"something")
    first = write(_looked_at(path, make_result), out)
    document = told(first)
    document["take"] |= {"marks": marks, "fingerprint": "other"}
    (first / "result.json").write_text(json.dumps(document))
    assert write(_looked_at(path, make_result), out) == out / "A-spot-2"


def test_a_full_report_put_under_that_name_is_not_replaced_by_a_spot_check(
    make_result: MakeResult, tmp_path: Path
) -> None:
    out = tmp_path / "reports"
    full = make_result(tmp_path / "A.mov", fingerprint="f1")
    write(full, out).rename(out / "A-spot")
    before = everything(out / "A-spot")
    assert write(_as_spot(full), out).name == "A-spot-2"
    assert everything(out / "A-spot") == before


def test_a_full_report_takes_the_place_of_a_spot_check_in_its_own_folder(
    make_result: MakeResult, tmp_path: Path
) -> None:
    out = tmp_path / "reports"
    full = make_result(tmp_path / "A.mov", fingerprint="f1")
    write(_as_spot(full), out).rename(out / "A")
    assert write(full, out) == out / "A"
    assert told(out / "A")["coverage"]["mode"] == "every frame"


@pytest.mark.parametrize("letter", ["x", "é", "文"])
def test_a_long_name_keeps_the_ending_of_a_spot_check(
    make_result: MakeResult, tmp_path: Path, letter: str
) -> None:
    stem = letter * (200 // len(letter.encode()))
    take = _as_spot(make_result(tmp_path / f"{stem}.mov"))
    name = write(take, tmp_path / "reports").name
    assert name.endswith("-spot")
    assert len(name.encode()) <= 100
    assert write(take, tmp_path / "reports").name == name


def test_names_that_other_systems_take_for_one(
    make_result: MakeResult, tmp_path: Path
) -> None:
    out = tmp_path / "reports"
    names = ("Über.mov", "ÜBER.mov", unicodedata.normalize("NFD", "über.mov"))
    folders = [
        write(make_result(tmp_path / n, fingerprint=str(i)), out)
        for i, n in enumerate(names)
    ]
    assert [f.name for f in folders] == ["Über", "ÜBER-2", "über-3"]


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"{",
        b"[1]",
        b'{"take": 3}',
        b'{"take": {"name": "A.mov", "fingerprint": "other"}}',
        b'{"take": {"name": "B.mov", "fingerprint": "f1"}}',
        b"\xff\xfe",
        b"[" * 100_000,
    ],
)
def test_what_is_not_ours_is_not_touched(
    make_result: MakeResult, tmp_path: Path, content: bytes
) -> None:
    foreign = tmp_path / "reports" / "A"
    foreign.mkdir(parents=True)
    (foreign / "result.json").write_bytes(content)
    (foreign / "report.html").write_bytes(b"theirs")
    before = everything(foreign)
    assert write(make_result(tmp_path / "A.mov"), tmp_path / "reports").name == "A-2"
    assert everything(foreign) == before


def test_folder_without_a_result_is_not_touched(
    make_result: MakeResult, tmp_path: Path
) -> None:
    foreign = tmp_path / "A"
    foreign.mkdir()
    (foreign / "letters.txt").write_bytes(b"x")
    assert write(make_result(tmp_path / "A.mov"), tmp_path).name == "A-2"
    assert everything(foreign) == {"letters.txt": b"x"}


def test_empty_folder_is_used(make_result: MakeResult, tmp_path: Path) -> None:
    (tmp_path / "A").mkdir()
    assert write(make_result(tmp_path / "A.mov"), tmp_path).name == "A"


def test_what_people_keep_in_a_report_stays(
    make_result: MakeResult, tmp_path: Path
) -> None:
    folder = write(make_result(tmp_path / "A.mov"), tmp_path)
    (folder / "my notes.txt").write_bytes(b"x")
    assert write(make_result(tmp_path / "A.mov", spans=()), tmp_path) == folder
    assert (folder / "my notes.txt").read_bytes() == b"x"
    assert told(folder)["findings"] == []


@pytest.mark.skipif(os.name == "nt", reason="needs a right to make links there")
def test_symbolic_links_are_not_followed(
    make_result: MakeResult, tmp_path: Path
) -> None:
    out = tmp_path / "reports"
    elsewhere = write(make_result(tmp_path / "A.mov"), tmp_path / "elsewhere")
    before = everything(elsewhere)
    out.mkdir()
    (out / "A").symlink_to(elsewhere)  # holds a report of this very take
    (out / "A-2").symlink_to(tmp_path / "nowhere")
    folder = write(make_result(tmp_path / "A.mov", spans=()), out)
    assert folder.name == "A-3"
    assert everything(elsewhere) == before
    # A link in place of a file of the report is replaced, not written through.
    victim = tmp_path / "victim"
    victim.write_bytes(b"x")
    (folder / "findings.csv").unlink()
    (folder / "findings.csv").symlink_to(victim)
    assert write(make_result(tmp_path / "A.mov"), out) == folder
    assert victim.read_bytes() == b"x"
    assert not (folder / "findings.csv").is_symlink()


@pytest.mark.skipif(os.name == "nt", reason="no named pipes there")
def test_named_pipe_does_not_hold_us_up(
    make_result: MakeResult, tmp_path: Path
) -> None:
    (tmp_path / "A").mkdir()
    os.mkfifo(tmp_path / "A" / "result.json")
    assert write(make_result(tmp_path / "A.mov"), tmp_path).name == "A-2"


def test_takes_written_at_once_do_not_meet(
    make_result: MakeResult, tmp_path: Path
) -> None:
    takes = [make_result(tmp_path / "A.mov", fingerprint=str(i)) for i in range(8)]
    start = threading.Barrier(len(takes))
    found: dict[int, Path] = {}

    def run(i: int) -> None:
        start.wait()
        found[i] = write(takes[i], tmp_path / "reports")

    threads = [threading.Thread(target=run, args=(i,)) for i in range(len(takes))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(set(found.values())) == len(takes)
    for i, folder in found.items():
        assert told(folder)["take"]["fingerprint"] == str(i)
    assert nothing_left_over(tmp_path / "reports")


# -------------------------------------------------------------------------------- names

RESERVED = {"CON", "PRN", "AUX", "NUL", "CONIN$", "CONOUT$"} | {
    f"{port}{digit}" for port in ("COM", "LPT") for digit in "0123456789¹²³"
}


def assert_legal_everywhere(name: str) -> None:
    """Hold a name against Microsoft's rules, POSIX's, and our own length."""
    assert name not in ("", ".", "..")
    assert not set(name) & set('<>:"/\\|?*')
    assert not [c for c in name if ord(c) < 32 or 127 <= ord(c) < 160]
    assert name[-1] not in " ."
    assert name[0] not in " .-"
    assert name.split(".")[0].strip().upper() not in RESERVED
    assert len(name.encode("utf-8")) <= 100


@pytest.mark.parametrize(
    ("stem", "name"),
    [
        ("Fall 3 (Übung)", "Fall 3 (Übung)"),
        ("手术教学 2024", "手术教学 2024"),
        ("درس الجراحة", "درس الجراحة"),
        ("می\u200cخواهم", "می\u200cخواهم"),
        ("dog 🐕\u200d🦺", "dog 🐕\u200d🦺"),
        ("take. ", "take"),
        (" take", "take"),
        ("10:30", "10_30"),
        ("a/b\\c", "a_b_c"),
        ("con", "_con"),
        ("Con.1", "_Con.1"),
        ("com¹", "_com¹"),
        ("console", "console"),
        ("-rf", "_-rf"),
        ("..", "take"),
        (".hidden", "_.hidden"),
        ("", "take"),
        ("a\nb\x00c", "a_b_c"),
        ("gpj\u202egnp", "gpj_gnp"),
        ("caf\udce9", "caf_"),
        (unicodedata.normalize("NFD", "é"), "é"),
    ],
)
def test_names_stay_recognisable_and_become_safe(stem: str, name: str) -> None:
    assert safe_name(stem) == name
    assert_legal_everywhere(name)


@given(
    st.text(st.characters() | st.sampled_from(" .-:/\u0301\u200d🐕con"), max_size=200)
)
def test_any_name_becomes_legal_and_stays_so(stem: str) -> None:
    name = safe_name(stem)
    assert_legal_everywhere(name)
    assert safe_name(name) == name


@pytest.mark.parametrize(
    "stem", ["x" * 251, "手" * 83, "e\u0325\u0301" * 50, "🐕\u200d🦺" * 22]
)
def test_long_names_are_cut_between_characters(
    make_result: MakeResult, tmp_path: Path, stem: str
) -> None:
    assert len(os.fsencode(f"{stem}.mov")) <= 255  # what file systems allow
    folder = write(make_result(tmp_path / f"{stem}.mov"), tmp_path)
    kept, _, digest = folder.name.rpartition("_")
    whole = unicodedata.normalize("NFC", stem)
    assert whole.startswith(kept)
    assert len(kept.encode()) > 70
    assert len(digest) == 8
    cut = whole[len(kept) :]
    assert not unicodedata.category(cut[0]).startswith("M")
    assert "\u200d" not in (cut[0], kept[-1])
    other = make_result(tmp_path / f"{stem[:-1]}.mov", fingerprint="f2")
    assert write(other, tmp_path) != folder
    second = make_result(tmp_path / f"{stem}.mov", fingerprint="f3")
    assert write(second, tmp_path).name == f"{folder.name}-2"


# ----------------------------------------------------------------- when writing fails


def full(*_: object, **__: object) -> None:
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


@pytest.mark.parametrize("again", [False, True], ids=["new", "again"])
@pytest.mark.parametrize("where", ["write", "fsync", "zip"])
def test_full_disk_leaves_the_old_report_whole(
    make_result: MakeResult,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    where: str,
    again: bool,
) -> None:
    out = tmp_path / "reports"
    if again:
        write(make_result(tmp_path / "A.mov"), out)
    before = everything(tmp_path)
    if where == "write":
        writer = qc.report._writer

        def half(data: bytes) -> Callable[[BinaryIO], None]:
            def write_half(file: BinaryIO) -> None:
                file.write(data[: len(data) // 2])
                full()

            return write_half if b"WEBVTT" in data else writer(data)

        monkeypatch.setattr(qc.report, "_writer", half)
    elif where == "fsync":
        monkeypatch.setattr(os, "fsync", full)
    else:
        monkeypatch.setattr(np.lib.format, "write_array_header_1_0", full)
    with pytest.raises(
        ReportError,
        match=r"reports: the report cannot be written: the disk is full; "
        r"make room there, or choose another folder with --out",
    ):
        write(make_result(tmp_path / "A.mov", spans=()), out)
    assert everything(tmp_path) == before
    assert nothing_left_over(out)
    assert again or not list(out.iterdir())


@pytest.mark.parametrize(
    "error", [OSError(errno.EIO, "fault"), KeyboardInterrupt("fault")]
)
@pytest.mark.parametrize("nth", range(1, 6))
def test_replacing_that_stops_midway_is_undone(
    make_result: MakeResult,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    nth: int,
    error: BaseException,
) -> None:
    folder = write(make_result(tmp_path / "A.mov"), tmp_path)
    (folder / "report.html").write_bytes(b"old page")
    (folder / "markers.vtt").unlink()
    before = everything(folder)
    real = os.replace
    calls = 0

    def replaced(*args: Any, **kwargs: Any) -> None:
        nonlocal calls
        calls += 1
        if calls == nth:
            raise error
        real(*args, **kwargs)

    monkeypatch.setattr(os, "replace", replaced)
    wanted = KeyboardInterrupt if isinstance(error, KeyboardInterrupt) else ReportError
    with pytest.raises(wanted, match="fault"):
        write(make_result(tmp_path / "A.mov", spans=(), level=2.5), tmp_path)
    assert everything(folder) == before
    assert nothing_left_over(tmp_path)


def test_replacing_without_hard_links_leaves_whole_files(
    make_result: MakeResult, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = write(make_result(tmp_path / "A.mov"), tmp_path)
    old = everything(folder)
    new = everything(
        write(make_result(tmp_path / "A.mov", spans=(), level=2.5), tmp_path / "2")
    )
    real = os.replace
    calls = 0

    def replaced(*args: Any, **kwargs: Any) -> None:
        nonlocal calls
        calls += 1
        if calls == 3:
            full()
        real(*args, **kwargs)

    def no_links(*_: object, **__: object) -> None:
        raise OSError(errno.EPERM, "not here")

    monkeypatch.setattr(os, "replace", replaced)
    monkeypatch.setattr(os, "link", no_links)
    with pytest.raises(ReportError, match="the disk is full"):
        write(make_result(tmp_path / "A.mov", spans=(), level=2.5), tmp_path)
    now = everything(folder)
    assert now.keys() == old.keys()
    assert all(now[name] in (old[name], new[name]) for name in now)
    # The result comes last: it still is the old one, so the report is not done.
    assert now["result.json"] == old["result.json"]
    assert nothing_left_over(tmp_path)


_KILLED = """
import sys, time
from pathlib import Path
from qc.report.folder import place

def slow(file):
    file.write(b"half")
    file.flush()
    print("writing", flush=True)
    time.sleep(600)

place(
    Path(sys.argv[1]), "A", {"result.json": slow},
    belongs=lambda document: True, source=Path("A.mov"),
)
"""


@pytest.mark.skipif(os.name == "nt", reason="needs SIGKILL")
def test_killed_run_leaves_the_old_report_and_is_cleared_away(
    make_result: MakeResult, tmp_path: Path
) -> None:
    folder = write(make_result(tmp_path / "A.mov"), tmp_path)
    before = everything(folder)
    root = str(Path(qc.report.__file__).parents[2])
    with subprocess.Popen(
        [sys.executable, "-c", _KILLED, str(tmp_path)],
        stdout=subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": root},
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == b"writing\n"
        # Another run meanwhile leaves the living one's work alone.
        write(make_result(tmp_path / "B.mov"), tmp_path)
        assert not nothing_left_over(tmp_path)
        process.send_signal(signal.SIGKILL)
    assert everything(folder) == before
    assert not nothing_left_over(tmp_path)
    write(make_result(tmp_path / "B.mov"), tmp_path)
    assert nothing_left_over(tmp_path)
    assert everything(folder) == before


def test_only_old_leftovers_of_ours_are_cleared_away(
    make_result: MakeResult, tmp_path: Path
) -> None:
    def leftover(name: str, *, days: float) -> Path:
        path = tmp_path / name
        path.mkdir()
        (path / "result.json").write_bytes(b"half")
        moment = time.time() - days * 86_400
        os.utime(path, (moment, moment))
        return path

    # A process number on another machine says nothing; age does.
    elsewhere_new = leftover(".A.part-ffffff-1-0123abcd", days=0.1)
    elsewhere_old = leftover(".A.part-ffffff-2-0123abcd", days=2)
    theirs = [
        leftover(name, days=900)
        for name in (".A", ".A.part", ".A.part-x", "A.part-ffffff-1-0123abcd", ".git")
    ]
    file = tmp_path / ".A.part-ffffff-3-0123abcd"
    file.write_bytes(b"x")
    os.utime(file, (0, 0))
    kept = elsewhere_old / "folder"
    write(make_result(tmp_path / "A.mov"), tmp_path)
    assert not elsewhere_old.exists()
    assert not kept.exists()
    assert elsewhere_new.exists()
    assert file.exists()
    assert all(path.exists() for path in theirs)


# --------------------------------------------------------------------- what people read


def test_file_in_place_of_the_folder(make_result: MakeResult, tmp_path: Path) -> None:
    blocked = tmp_path / "reports"
    blocked.write_bytes(b"x")
    for out in (blocked, blocked / "deeper" / "still"):
        with pytest.raises(
            ReportError,
            match=r"the report cannot be written: .*reports is not a folder; "
            r"choose another folder with --out$",
        ):
            write(make_result(tmp_path / "A.mov"), out)
    assert blocked.read_bytes() == b"x"


@pytest.mark.parametrize(
    ("number", "text"),
    [
        (errno.EACCES, "writing there is not allowed; close its files if they are"),
        (errno.EROFS, "the disk is write-protected; choose another folder"),
        (errno.ENOSPC, "the disk is full; make room there, or choose"),
        (errno.EDQUOT, "the disk is full; make room there, or choose"),
        (errno.EIO, f"{os.strerror(errno.EIO)}; choose another folder with --out"),
    ],
)
def test_errors_of_the_system_become_a_sentence(
    make_result: MakeResult,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    number: int,
    text: str,
) -> None:
    def refused(*_: object, **__: object) -> None:
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(os, "mkdir", refused)
    with pytest.raises(ReportError, match=f"the report cannot be written: {text}"):
        write(make_result(tmp_path / "A.mov"), tmp_path / "reports")


def test_path_that_is_too_long(make_result: MakeResult, tmp_path: Path) -> None:
    with pytest.raises(
        ReportError, match=r"too long; choose another folder .* shorter"
    ):
        write(make_result(tmp_path / "A.mov"), tmp_path / ("x" * 300))


def test_file_that_is_held_open_is_named(
    make_result: MakeResult, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write(make_result(tmp_path / "A.mov"), tmp_path)
    real = os.replace

    def held(source: Any, target: Any) -> None:
        if Path(source).name == Path(target).name == "findings.csv":
            # Spreadsheets on Windows do not let a file be replaced.
            raise PermissionError(errno.EACCES, "denied", source, None, target)
        real(source, target)

    monkeypatch.setattr(os, "replace", held)
    with pytest.raises(
        ReportError, match=r"A.findings\.csv: .*close its files if they are open"
    ):
        write(make_result(tmp_path / "A.mov"), tmp_path)


# --------------------------------------------------------------------------- the source


def test_recording_is_never_replaced(make_result: MakeResult, tmp_path: Path) -> None:
    take = tmp_path / "A"  # a recording without an extension, in the report folder
    take.write_bytes(b"recording")
    assert write(make_result(take), tmp_path).name == "A-2"
    with pytest.raises(ReportError, match="A is not a folder"):
        write(make_result(take), take)
    assert take.read_bytes() == b"recording"


def test_recording_named_like_a_file_of_its_report(
    make_result: MakeResult, tmp_path: Path
) -> None:
    take = tmp_path / "card" / "markers.vtt"
    folder = write(make_result(take), tmp_path)
    assert folder.name == "markers"
    inside = folder / "markers.vtt"
    inside.write_bytes(b"recording")
    before = everything(tmp_path)
    with pytest.raises(ReportError, match="the recording lies where its report would"):
        write(make_result(inside), tmp_path)
    assert everything(tmp_path) == before


def test_place_asks_whose_folder_it_is_by_the_last_file(tmp_path: Path) -> None:
    def put(text: bytes) -> Path:
        return place(
            tmp_path,
            "day",
            {
                "day.html": lambda f: f.write(b"page"),
                "day.json": lambda f: f.write(text),
            },
            belongs=lambda document: document.get("of") == json.loads(text)["of"],
            source=tmp_path / "none",
        )

    names = [put(t).name for t in (b'{"of": 1}', b'{"of": 2}', b'{"of": 1}')]
    assert names == ["day", "day-2", "day"]


def test_a_path_that_is_too_long_is_told_before_anything_is_measured(
    tmp_path: Path,
) -> None:
    from qc.report.folder import check_writable

    with pytest.raises(ReportError, match="the path is too long"):
        check_writable(tmp_path / ("n" * 300))
    assert list(tmp_path.iterdir()) == []


def test_a_disk_that_is_nearly_full_is_told_before_anything_is_measured(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from qc.report import folder

    usage = shutil.disk_usage(tmp_path)
    monkeypatch.setattr(
        folder.shutil, "disk_usage", lambda _: usage._replace(free=4096)
    )
    with pytest.raises(ReportError, match="the disk is full; make room there"):
        folder.check_writable(tmp_path / "reports")
    assert list(tmp_path.iterdir()) == []
