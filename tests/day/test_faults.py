"""What must not happen to a day: silence about a loss, tracebacks, left processes."""

from __future__ import annotations

import contextlib
import copy
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import qc.day
from qc.cli import main
from qc.day import _measured, check_day, day_folder, watch_day
from qc.day.advice import day_advice
from qc.day.find import find_recordings
from qc.day.kept import whole
from qc.day.worker import kept_take
from qc.daybook import DayTake, Found, Job
from qc.errors import ReportError, UsageError
from qc.measures import default_limits
from qc.pipeline import check_take
from qc.records import TakeResult
from qc.report.day_files import day_csv, day_document
from qc.report.day_otio import day_otio, selects_otio
from qc.report.day_page import day_page
from qc.report.spotwords import verdict_word
from qc.report.unjudged import is_too_short
from tests import synth
from tests.day.documents import day_of, finding, lost, take
from tests.processes import command_here, hear_ctrl_c

MEDIA = Path(__file__).parents[2] / "sample_media"
TAKE = MEDIA / "take08_one_channel.mov"
LINUX = sys.platform == "linux"


def _put(path: Path, data: bytes = b"") -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)
    os.utime(path, (1_700_000_000, 1_700_000_000))
    return path


class Here(Executor):
    """Measures in this process, which is quicker to start than a worker."""

    def submit(  # type: ignore[override]
        self, fn: Callable[[Job], DayTake], /, job: Job
    ) -> Future[DayTake]:
        """Measure a take now."""
        done: Future[DayTake] = Future()
        done.set_result(fn(job))
        return done


# ------------------------------------------------------------- what cannot be looked at


@pytest.fixture
def barred(monkeypatch: pytest.MonkeyPatch) -> set[str]:
    """Names that the system gives no access to, whoever runs the tests."""
    names: set[str] = set()
    opened, listed = Path.open, os.scandir

    def open_(self: Path, *arguments: Any, **keywords: Any) -> Any:
        if self.name in names:
            raise PermissionError(13, "Permission denied", str(self))
        return opened(self, *arguments, **keywords)

    def scandir(path: Path | int) -> Any:
        # Removing a folder lists it by its descriptor.
        if not isinstance(path, int) and Path(path).name in names:
            raise PermissionError(13, "Permission denied", str(path))
        return listed(path)

    monkeypatch.setattr(Path, "open", open_)
    monkeypatch.setattr(os, "scandir", scandir)
    return names


@pytest.mark.parametrize("name", ["a.mov", "card/b.mov"])
def test_what_cannot_be_read_is_told_and_fails_the_day(
    name: str, tmp_path: Path, barred: set[str], capsys: pytest.CaptureFixture[str]
) -> None:
    _put(tmp_path / "cards" / name, TAKE.read_bytes())
    barred.add(name.partition("/")[0])
    code = main(["day", str(tmp_path / "cards"), "--out", str(tmp_path / "out")])
    assert code == 2
    told = capsys.readouterr().out
    assert name.partition("/")[0] in told
    assert "Permission denied" in told


def test_what_cannot_be_opened_counts_as_unreadable(
    tmp_path: Path, barred: set[str], capsys: pytest.CaptureFixture[str]
) -> None:
    _put(tmp_path / "cards/a.mov", TAKE.read_bytes())
    _put(tmp_path / "cards/locked.mp4", TAKE.read_bytes())
    barred.add("locked.mp4")
    main(
        ["day", str(tmp_path / "cards"), "--out", str(tmp_path / "out"), "--no-stills"]
    )
    told = capsys.readouterr().out.replace("\N{NO-BREAK SPACE}", " ")
    assert "× 1 unreadable" in told
    assert "1 file or folder could not be opened (locked.mp4)" in told
    page = (tmp_path / "out/cards/day.html").read_text()
    assert "All of it is usable" not in page
    assert "No limit was broken in any take" not in page
    assert "1\N{NO-BREAK SPACE}unreadable file, of unknown length" in page
    totals = json.loads((tmp_path / "out/cards/day.json").read_bytes())["totals"]
    assert totals["unreadable"] == 1


def test_a_day_tells_of_a_take_too_short_to_judge_all(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "cards").mkdir()
    clip = synth.write(
        tmp_path / "cards/a.mov", synth.scene(10), synth.Video(options=synth.h264())
    )
    alone = check_take(clip)
    assert isinstance(alone, TakeResult)
    assert is_too_short(alone)
    main(
        ["day", str(tmp_path / "cards"), "--out", str(tmp_path / "out"), "--no-stills"]
    )
    told = capsys.readouterr()
    assert "● 1 clean (1 too short to judge all)" in told.out
    assert "a.mov: clean, but too short to judge all" in told.err
    word = verdict_word(alone, "Clean")
    assert word.endswith("but too short to judge all")
    assert "Too short to judge all" in (tmp_path / "out/cards/day.html").read_text()


def test_what_is_no_loss_is_not_called_one(tmp_path: Path, barred: set[str]) -> None:
    _put(tmp_path / "lost+found/x")
    _put(tmp_path / ".DS_Store")
    _put(tmp_path / "notes.txt", b"text")
    barred |= {"lost+found", ".DS_Store"}
    _, skipped = find_recordings(tmp_path)
    assert {s.name: s.lost for s in skipped} == {
        "lost+found/": False,
        ".DS_Store": False,
        "notes.txt": False,
    }


def test_a_file_still_growing_fails_the_day(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    _put(tmp_path / "cards/a.mov", TAKE.read_bytes())

    def never(found: list[Found], *, patience: float) -> Any:
        return [], found

    monkeypatch.setattr(qc.day, "settle", never)
    code = main(["day", str(tmp_path / "cards"), "--out", str(tmp_path / "out")])
    assert code == 2
    assert "a.mov: still being written" in capsys.readouterr().out


# ---------------------------------------------------------------------------- processes

_IDLE = """
import os, sys, time
from pathlib import Path
from misbehaving_workers import by_name
from qc.day.run import LocalWorkers, read_pulse
from qc.daybook import Job
from qc.measures import default_limits

if __name__ == "__main__":
    here = Path(sys.argv[1])
    job = Job(here / "a", "a", here, "a", "k", here / "a.json", default_limits(),
              False, None, 1, 2000)
    workers = LocalWorkers(1, stall_s=60)
    workers.submit(by_name, job).result()
    (pool,) = workers._pools
    (pid,) = pool._processes
    print(pid, flush=True)
    time.sleep(600)
"""


def _alive(pid: int) -> bool:
    try:
        # A zombie has ended; only nobody has asked for it yet.
        return (
            Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
        )
    except OSError:
        return False


@pytest.mark.slow
@pytest.mark.skipif(not LINUX, reason="looks into /proc")
def test_an_idle_worker_ends_when_the_run_is_killed(tmp_path: Path) -> None:
    script = tmp_path / "idle.py"
    script.write_text(_IDLE)
    run = subprocess.Popen(
        [sys.executable, str(script), str(tmp_path)],
        env=os.environ | {"PYTHONPATH": str(Path(__file__).parent)},
        stdout=subprocess.PIPE,
        text=True,
    )
    assert run.stdout is not None
    worker = int(run.stdout.readline())
    assert _alive(worker)
    run.kill()
    run.wait()
    run.stdout.close()
    deadline = time.monotonic() + 10
    while _alive(worker) and time.monotonic() < deadline:
        time.sleep(0.1)
    left = _alive(worker)
    if left:
        os.kill(worker, signal.SIGKILL)
    assert not left


def _children(pid: int) -> Iterator[int]:
    for listed in Path(f"/proc/{pid}/task").glob("*/children"):
        with contextlib.suppress(OSError):
            yield from map(int, listed.read_text().split())


def _a_day_of_four(folder: Path) -> subprocess.Popen[str]:
    """Start a day's run on four takes, in a process group of its own."""
    for i in range(4):
        _put(folder / f"cards/a{i}.mov", TAKE.read_bytes())
    return subprocess.Popen(
        [sys.executable, "-m", "qc", "day", "cards", "--jobs", "2"],
        cwd=folder,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
        preexec_fn=hear_ctrl_c,
    )


@pytest.mark.slow
@pytest.mark.skipif(not LINUX, reason="looks into /proc")
def test_ending_the_run_alone_ends_its_workers(tmp_path: Path) -> None:
    run = _a_day_of_four(tmp_path)
    deadline = time.monotonic() + 90
    while time.monotonic() < deadline and not list(
        tmp_path.glob("reports/cards/.day.running/*.json")
    ):
        time.sleep(0.02)
    workers = list(_children(run.pid))
    assert len(workers) > 1
    run.terminate()
    _, errors = run.communicate(timeout=60)
    assert run.returncode == 143
    assert "qc: ended from outside; reports already written are complete" in errors
    assert "Traceback" not in errors
    assert "leaked" not in errors
    # One of them only keeps account of semaphores, and ends after the run has.
    deadline = time.monotonic() + 10
    while any(map(_alive, workers)) and time.monotonic() < deadline:
        time.sleep(0.05)
    assert not any(map(_alive, workers))


@pytest.mark.slow
@pytest.mark.skipif(not LINUX, reason="looks into /proc")
@pytest.mark.parametrize(
    ("pause", "number", "code", "said"),
    [
        (0.0, signal.SIGTERM, 143, "ended from outside"),
        (0.1, signal.SIGINT, 130, "interrupted;"),
        (0.4, signal.SIGTERM, 143, "ended from outside"),
    ],
)
def test_who_stops_it_while_workers_start_gets_one_sentence(
    pause: float, number: int, code: int, said: str, tmp_path: Path
) -> None:
    run = _a_day_of_four(tmp_path)
    deadline = time.monotonic() + 60
    # The first child only keeps account of semaphores; the others are workers.
    while len(list(_children(run.pid))) < 2 and time.monotonic() < deadline:
        time.sleep(0.005)
    time.sleep(pause)
    # As a terminal or a system does: every process of the group hears it.
    os.killpg(run.pid, number)
    _, errors = run.communicate(timeout=60)
    assert run.returncode == code
    assert f"qc: {said}" in errors
    assert "run it again to go on" in errors
    assert "Traceback" not in errors
    assert "leaked" not in errors


def test_a_folder_among_the_signs_of_life_is_no_hindrance(tmp_path: Path) -> None:
    _put(tmp_path / "cards/letter.mov", b"no recording")
    odd = tmp_path / "out/cards/.day.running/folder"
    odd.mkdir(parents=True)
    result = check_day(tmp_path / "cards", out=tmp_path / "out", jobs=1)
    assert [t.readable for t in result.takes] == [False]
    assert not odd.parent.exists()


def test_a_file_in_place_of_the_signs_of_life_is_told(tmp_path: Path) -> None:
    _put(tmp_path / ".day.running")
    job = Job(
        path=tmp_path / "a",
        name="a",
        out=tmp_path,
        folder="a",
        key="k",
        pulse=tmp_path / ".day.running/a.json",
        limits=default_limits(),
        stills=False,
        video=None,
        threads=1,
        memory_mb=2000,
    )
    with pytest.raises(ReportError, match=r"\.day\.running: cannot be made"):
        list(_measured([job], None, 1, default_limits()))


# --------------------------------------------------------------------------- documents

_TAKES = [
    take("a.mov", "10:00:00:00", findings=[finding(0, 50)], filed=1.7e9),
    take("b.mov", "10:05:00:00", audio=(2, 1), created="2024-05-01T09:00:00Z"),
    take("c.wav", picture=False, seconds=30, metadata={"originator": "desk"}),
]


def _places(value: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    if path:
        yield path
    steps: Any = ()
    if isinstance(value, dict):
        steps = value.items()
    elif isinstance(value, list):
        steps = enumerate(value)
    for key, inner in steps:
        yield from _places(inner, (*path, key))


def _use(takes: list[Any], home: Path) -> None:
    day = day_of(takes, home)
    day_document(day)
    day_csv(day)
    day_otio(day)
    selects_otio(day)
    day_page(day, default_limits(), stills=True)


def test_documents_as_we_write_them_are_whole(tmp_path: Path) -> None:
    for one in _TAKES:
        assert whole(one.document), one.name
    assert not whole({"day": {}, "grade": "unreadable"})
    _use(_TAKES, tmp_path)


_JSON = st.recursive(
    st.none() | st.booleans() | st.integers(-5, 5) | st.floats() | st.text(max_size=3),
    lambda inner: (
        st.lists(inner, max_size=2)
        | st.dictionaries(st.text(max_size=3), inner, max_size=2)
    ),
    max_leaves=3,
)
_PLACES = [
    (number, path)
    for number, one in enumerate(_TAKES)
    for path in _places(one.document)
]


@settings(deadline=None, max_examples=300)
@given(place=st.sampled_from(_PLACES), value=_JSON | st.just("gone"))
def test_a_broken_document_is_refused_or_does_no_harm(
    place: tuple[int, tuple[Any, ...]],
    value: Any,
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    number, path = place
    document = copy.deepcopy(_TAKES[number].document)
    inner: Any = document
    for key in path[:-1]:
        inner = inner[key]
    if value == "gone":
        del inner[path[-1]]
    else:
        inner[path[-1]] = value
    if whole(document):
        takes = list(_TAKES)
        takes[number] = replace(takes[number], document=document)
        _use(takes, tmp_path_factory.getbasetemp())


@pytest.mark.parametrize(
    "text",
    [
        '{"day": [], "grade": "clean"}',
        '{"day": {"name": "a.mov", "key": "k"}, "grade": "clean"}',
        '{"day": {"name": "a.mov", "key": "k"}, "grade": []}',
        "[]",
        "null",
        "{",
        "[" * 100_000,
    ],
)
def test_a_foreign_document_is_measured_again(text: str, tmp_path: Path) -> None:
    _put(tmp_path / "a/result.json", text.encode())
    _put(tmp_path / "a/report.html")
    assert kept_take(tmp_path, "a", name="a.mov", key="k") is None


@pytest.mark.slow
def test_a_foreign_document_costs_one_measuring_only(tmp_path: Path) -> None:
    _put(tmp_path / "cards/a.mov", TAKE.read_bytes())
    foreign = b'{"day": [], "grade": "clean"}'
    _put(tmp_path / "out/cards/a/result.json", foreign)
    fresh = []
    for _ in range(2):
        result = check_day(tmp_path / "cards", out=tmp_path / "out", jobs=1)
        fresh += [(t.grade.value, t.fresh) for t in result.takes]
    assert fresh == [("review", True), ("review", False)]
    # What is not ours is not touched.
    assert (tmp_path / "out/cards/a/result.json").read_bytes() == foreign


def test_a_take_that_was_gone_for_a_moment_is_measured_when_it_is_back(
    tmp_path: Path,
) -> None:
    (tmp_path / "cards").mkdir()
    clip = synth.write(
        tmp_path / "cards/a.mov", synth.scene(5), synth.Video(options=synth.h264())
    )
    os.utime(clip, (1_700_000_000, 1_700_000_000))

    def pulled(jobs: list[Job], ready: int, taken: DayTake | None) -> None:
        if taken is None:
            clip.rename(tmp_path / "away")

    here = Here()
    (gone,) = check_day(
        clip.parent, out=tmp_path / "out", executor=here, told=pulled
    ).takes
    assert not gone.readable
    (tmp_path / "away").rename(clip)
    (back,) = check_day(clip.parent, out=tmp_path / "out", executor=here).takes
    assert back.readable


def test_a_watched_folder_that_goes_is_waited_for(tmp_path: Path) -> None:
    folder, told = tmp_path / "cards", []
    _put(folder / "a.mov", b"no recording")

    def back() -> None:
        told.append("gone")
        (tmp_path / "away").rename(folder)

    rounds = watch_day(
        folder, every_s=0.01, gone=back, out=tmp_path / "out", executor=Here()
    )
    assert [t.name for t in next(rounds).takes] == ["a.mov"]
    folder.rename(tmp_path / "away")
    assert [t.name for t in next(rounds).takes] == ["a.mov"]
    assert told == ["gone"]


def test_a_folder_whose_one_take_cannot_be_opened_is_not_called_empty(
    tmp_path: Path, barred: set[str]
) -> None:
    _put(tmp_path / "cards/locked.mp4", TAKE.read_bytes())
    barred.add("locked.mp4")
    done = command_here("day", "cards", cwd=tmp_path)
    assert done.returncode == 2
    assert "× 1 unreadable" in done.stdout
    assert "no recordings found" not in done.stdout + done.stderr


def test_links_out_of_the_folder_are_told(tmp_path: Path) -> None:
    clip = _put(tmp_path / "master/a.mov", b"no recording")
    (tmp_path / "cards").mkdir()
    (tmp_path / "cards/a.mov").symlink_to(clip)
    done = command_here("day", "cards", cwd=tmp_path)
    assert done.returncode == 2
    assert "a link leads out of the folder, not followed: a.mov" in done.stdout


def test_what_keeps_a_report_from_being_written_is_told_with_its_take(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object, **__: object) -> Path:
        raise ReportError("out: the report cannot be written: the disk is full")

    monkeypatch.setattr("qc.day.worker.write_report", full)
    (tmp_path / "cards").mkdir()
    clip = synth.write(tmp_path / "cards/a.mov", synth.scene(5), synth.Video())
    os.utime(clip, (1_700_000_000, 1_700_000_000))
    (taken,) = check_day(clip.parent, out=tmp_path / "out", executor=Here()).takes
    assert taken.document["message"].startswith("a.mov: out: the report cannot be")


# ------------------------------------------------------------------------- own reports


def _report(folder: Path) -> None:
    tool = {"tool": {"name": "Rushes QC"}}
    _put(folder / "day.json", json.dumps(tool).encode())
    _put(folder / "day.html", b"<p>")
    _put(folder / "a/result.json", json.dumps(tool).encode())
    _put(folder / "a/report.html", b"<p>")


@pytest.mark.parametrize("out", ["cards/../cards/out", "cards", "."])
def test_own_reports_are_never_listed(
    out: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "cards").mkdir()
    assert check_day(Path("cards"), out=Path(out)).skipped == ()
    _report(day_folder(Path("cards"), Path(out)))
    result = check_day(Path("cards"), out=Path(out))
    assert result.skipped == ()
    assert result.takes == ()
    assert check_day(Path("cards"), out=Path(out)).skipped == ()


def test_a_recording_beside_our_reports_is_found(tmp_path: Path) -> None:
    _report(tmp_path / "card")
    _put(tmp_path / "card/a/take.mov", TAKE.read_bytes())
    _put(tmp_path / "other/day.json", b'{"tool": 1}')
    found, skipped = find_recordings(tmp_path)
    assert [f.name for f in found] == ["card/a/take.mov"]
    assert [s.name for s in skipped] == ["other/day.json"]


# ------------------------------------------------------------------------------- names


def test_an_empty_name_is_not_the_current_folder(
    capsys: pytest.CaptureFixture[str],
) -> None:
    with pytest.raises(SystemExit, match="2"):
        main(["day", ""])
    assert "name a file or folder" in capsys.readouterr().err


def test_names_that_the_system_refuses_are_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with pytest.raises(UsageError, match="cannot be opened: File name too long"):
        check_day(tmp_path / ("x" * 300), out=tmp_path / "out")

    def barred(self: Path, **_: Any) -> Any:
        raise PermissionError(13, "Permission denied", str(self))

    monkeypatch.setattr(Path, "stat", barred)
    with pytest.raises(UsageError, match="cannot be opened: Permission denied"):
        check_day(tmp_path / "cards", out=tmp_path / "out")


@pytest.mark.skipif(os.name == "nt", reason="Windows keeps a folder that is in use")
def test_a_deleted_working_folder_is_told_in_a_sentence(tmp_path: Path) -> None:
    here = tmp_path / "here"
    here.mkdir()
    done = subprocess.run(
        [sys.executable, "-P", "-c",
         "import os, sys, qc.cli, shutil; shutil.rmtree(os.getcwd()); "
         "sys.exit(qc.cli.main(['day', '.']))"],
        cwd=here,
        env=os.environ | {"PYTHONPATH": str(Path(qc.__file__).parents[1])},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )  # fmt: skip
    assert done.returncode == 2
    assert "is gone" in done.stderr
    assert "Traceback" not in done.stderr


# ------------------------------------------------------------------------------ counts


def test_advice_says_when_copies_are_left_out_of_its_count() -> None:
    burnt = take("a.mov", findings=[finding(0, 50)], content="same")
    again = take("copy/a.mov", findings=[finding(0, 50)], content="same")
    third = take("c.mov")

    def first(*takes: DayTake) -> str:
        return day_advice(takes, ())[0].replace("\N{NO-BREAK SPACE}", " ")

    assert " in 1 of 2 different takes, " in first(burnt, again, third)
    assert " in 1 of 2 takes, " in first(burnt, third)
    assert ": 1 of 2 different takes " in first(burnt, again, lost("d.mov"))


# ----------------------------------------------------------------------------- cluster


def test_an_address_that_is_none_is_told_at_once(tmp_path: Path) -> None:
    pytest.importorskip("distributed", reason="needs the extra 'cluster'")
    (tmp_path / "cards").mkdir()
    began = time.monotonic()
    done = subprocess.run(
        [sys.executable, "-m", "qc", "day", "cards", "--cluster", "nonsense"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert time.monotonic() - began < 15
    assert done.returncode == 2
    assert "no Dask scheduler answers there" in done.stderr
    assert len(done.stderr.splitlines()) == 1
