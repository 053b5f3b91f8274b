"""A day's folder as a whole: parallel, resumable, safe to kill; the same every time."""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from qc.day import _folders, check_day, watch_day
from qc.daybook import Skipped
from qc.errors import ReportError, UsageError
from qc.records import Grade
from tests import synth
from tests.processes import command_here, hear_ctrl_c

MEDIA = Path(__file__).parents[2] / "sample_media"
NAMES = [
    "take02_overexposed.mov",
    "take08_one_channel.mov",
    "take09_damaged.mov",
    "take10_dropframe.mov",
]


def _old(path: Path) -> None:
    """Date a file back, so that it does not look as if it were still being written."""
    os.utime(path, (1_700_000_000, 1_700_000_000))


def _day(folder: Path, names: list[str] | None = None) -> Path:
    folder.mkdir()
    for name in NAMES if names is None else names:
        shutil.copy(MEDIA / name, folder / name)
        _old(folder / name)
    return _with_letter(folder)


def _short_day(folder: Path, names: list[str]) -> Path:
    """Make a day of takes of a second, where what is in them matters not."""
    folder.mkdir()
    for name in names:
        _old(synth.first_seconds(MEDIA / name, folder / name, 1))
    return _with_letter(folder)


def _with_letter(folder: Path) -> Path:
    (folder / "letter.mov").write_text("no recording")
    _old(folder / "letter.mov")
    return folder


def _checked(folder: Path, toml: str) -> tuple[str, dict[str, Any]]:
    """Check a day of one small silent take; return its grade and what is kept of it."""
    folder.mkdir()
    path = synth.write(folder / "a.mov", synth.scene(50, 96, 64), synth.Video())
    _old(path)
    limits = folder / "house.toml"
    limits.write_text(toml)
    _qc(folder, "--limits", str(limits), cwd=folder)
    told = json.loads(
        (folder / "reports" / folder.name / "day.json").read_text("utf-8")
    )
    (take,) = told["takes"]
    kept = folder / "reports" / folder.name / "a" / "result.json"
    return take["grade"], json.loads(kept.read_text("utf-8"))


def test_a_patch_outside_one_picture_keeps_no_take_from_being_measured(
    tmp_path: Path,
) -> None:
    toml = "[white]\nneutral = [80, 20, 40, 20]"
    grade, kept = _checked(tmp_path / "day", toml)
    assert grade != "unreadable"
    assert kept["notes"][0] == (
        "The neutral patch 80,20,40,20 lies outside this picture of 96x64: it was not "
        "used, a white was looked for instead."
    )
    assert not any("lies outside" in note for note in _fitting(tmp_path))


def _fitting(tmp_path: Path) -> list[str]:
    toml = "[white]\nneutral = [40, 20, 40, 20]"
    return list(_checked(tmp_path / "fits", toml)[1]["notes"])


def test_a_take_without_sound_is_told_once(tmp_path: Path) -> None:
    _, kept = _checked(tmp_path / "day", '[peaks]\nchannel_names = ["one", "two"]')
    (found,) = (f for f in kept["findings"] if f["rule"] == "sound.dead_channel")
    assert found["message"] == (
        "There is no sound in this take: 2 channels are expected."
    )


def _tree(home: Path) -> dict[str, bytes]:
    """Every file of a day's reports, with what may differ from run to run taken out."""
    out = {}
    for path in sorted(home.rglob("*")):
        if path.is_file() and path.name != ".day.lock":
            data = path.read_bytes()
            if path.suffix in (".json", ".html"):
                data = re.sub(rb'"elapsed_s": ?[\d.e-]+', b'"elapsed_s":0', data)
                data = re.sub(rb"[Ww]ritten [^<]*", b"", data)
                data = re.sub(rb"<bdi>[^<]*s</bdi>", b"", data)
            out[str(path.relative_to(home))] = data
    return out


def _qc(folder: Path, *arguments: str, cwd: Path) -> subprocess.CompletedProcess[str]:
    return command_here("day", folder, *arguments, cwd=cwd)


def test_a_day_gives_a_report_of_each_take_and_of_the_whole(tmp_path: Path) -> None:
    folder = _day(tmp_path / "cards")
    done = _qc(folder, cwd=tmp_path)
    assert done.returncode == 2  # one take cannot be read
    assert "Traceback" not in done.stderr
    home = tmp_path / "reports/cards"
    for name in ("day.html", "day.json", "day.csv", "day.otio"):
        assert (home / name).is_file()
    for name in NAMES:
        assert (home / Path(name).stem / "report.html").is_file()
    told = json.loads((home / "day.json").read_text("utf-8"))
    grades = {t["name"]: t["grade"] for t in told["takes"]}
    assert grades == {
        "letter.mov": "unreadable",
        "take02_overexposed.mov": "reject",
        "take08_one_channel.mov": "review",
        "take09_damaged.mov": "review",
        "take10_dropframe.mov": "reject",
    }
    assert not list(home.rglob(".*part*"))
    assert not (home / ".day.running").exists()


@pytest.mark.slow
def test_one_worker_and_two_give_the_same(tmp_path: Path) -> None:
    folder = _day(tmp_path / "cards", [NAMES[0], NAMES[2]])
    trees = []
    for jobs in (1, 2):
        out = tmp_path / "out"
        check_day(folder, out=out, jobs=jobs)
        trees.append(_tree(out / "cards"))
        shutil.rmtree(out)
    assert trees[0].keys() == trees[1].keys()
    different = [n for n in trees[0] if trees[0][n] != trees[1][n]]
    assert different == []


@pytest.mark.slow
def test_only_what_is_new_is_measured(tmp_path: Path) -> None:
    folder = _short_day(tmp_path / "cards", NAMES[:2])
    out = tmp_path / "out"

    def fresh(**changes: Any) -> set[str]:
        result = check_day(folder, out=out, jobs=1, **changes)
        return {t.name for t in result.takes if t.fresh}

    assert fresh() == {*NAMES[:2], "letter.mov"}
    assert fresh() == set()
    # A new take; a take that changed; other limits; all again.
    _old(synth.first_seconds(MEDIA / NAMES[3], folder / NAMES[3], 1))
    assert fresh() == {NAMES[3]}
    _old(synth.first_seconds(MEDIA / NAMES[2], folder / NAMES[1], 1))
    assert fresh() == {NAMES[1]}
    assert fresh(fresh=True) == {*NAMES[:2], NAMES[3], "letter.mov"}
    assert fresh(stills=False) == {*NAMES[:2], NAMES[3], "letter.mov"}
    # A take that is gone is no longer of the day.
    (folder / NAMES[0]).unlink()
    result = check_day(folder, out=out, stills=False)
    assert NAMES[0] not in {t.name for t in result.takes}


@pytest.mark.slow
def test_reports_of_one_take_in_the_days_folder(tmp_path: Path) -> None:
    folder = _short_day(tmp_path / "cards", NAMES[:1])
    home, stem = tmp_path / "reports/cards", Path(NAMES[0]).stem

    def mode(name: str) -> str:
        told = json.loads((home / name / "result.json").read_text("utf-8"))
        return str(told["coverage"]["mode"])

    def folders() -> list[str]:
        return sorted(p.name for p in home.iterdir() if p.is_dir())

    _qc(folder, cwd=tmp_path)
    before = folders()
    assert stem in before
    # A spot check of a take costs neither its report nor a measuring anew.
    for command, measured in (("spot", 0), ("take", 1)):
        done = command_here(
            command, folder / NAMES[0], "--out", str(home), cwd=tmp_path
        )
        assert done.returncode in (0, 1), done.stderr
        again = _qc(folder, cwd=tmp_path)
        assert f"qc: {measured} take" in again.stderr
        assert folders() == sorted([*before, f"{stem}-spot"])
        assert mode(f"{stem}-spot") == "spot"
        assert mode(stem) == "every frame"
        told = json.loads((home / "day.json").read_text("utf-8"))
        reports = {t["name"]: t["folder"] for t in told["takes"]}
        assert reports[NAMES[0]] == stem


@pytest.mark.slow
def test_settings_of_the_day_alone_measure_nothing_again(tmp_path: Path) -> None:
    folder = _short_day(tmp_path / "cards", NAMES[:1])
    limits = tmp_path / "l.toml"
    _qc(folder, cwd=tmp_path)
    limits.write_text("[day]\ngap_max_seconds = 60\n")
    again = _qc(folder, "--limits", str(limits), cwd=tmp_path)
    assert "qc: 0 takes to measure, 2 kept from before" in again.stderr


@pytest.mark.slow
def test_killed_at_any_moment_it_ends_in_the_same_report(tmp_path: Path) -> None:
    folder = _short_day(tmp_path / "cards", NAMES)
    check_day(folder, out=tmp_path / "calm", jobs=2)
    command = [sys.executable, "-m", "qc", "day", str(folder), "--out", "stormy"]
    for pause in (0.7, 1.6, 2.4, 3.3):
        process = subprocess.Popen(
            command,
            cwd=tmp_path,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
        time.sleep(pause)
        # A power cut: everything at once, workers too.
        os.killpg(process.pid, signal.SIGKILL)
        process.wait()
    check_day(folder, out=tmp_path / "stormy", jobs=2)
    calm, stormy = _tree(tmp_path / "calm/cards"), _tree(tmp_path / "stormy/cards")
    stormy = {n: d for n, d in stormy.items() if ".part-" not in n}
    assert calm.keys() == stormy.keys()
    assert [n for n in calm if calm[n] != stormy[n]] == []


def test_a_second_run_on_the_same_reports_says_so_and_stops(tmp_path: Path) -> None:
    import fcntl

    folder = _day(tmp_path / "cards", [])
    home = tmp_path / "reports/cards"
    home.mkdir(parents=True)
    with (home / ".day.lock").open("a+b") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        done = _qc(folder, cwd=tmp_path)
    assert done.returncode == 2
    assert "another run of 'qc day' is at work" in done.stderr
    assert _qc(folder, cwd=tmp_path).stderr.count("another run") == 0


@pytest.mark.slow
def test_ctrl_c_keeps_what_is_done(tmp_path: Path) -> None:
    folder = _day(tmp_path / "cards", [])
    for i in range(12):
        shutil.copy(MEDIA / NAMES[0], folder / f"a{i:02d}.mov")
        _old(folder / f"a{i:02d}.mov")
    process = subprocess.Popen(
        [sys.executable, "-m", "qc", "day", str(folder)],
        cwd=tmp_path,
        stderr=subprocess.PIPE,
        text=True,
        preexec_fn=hear_ctrl_c,
    )
    deadline = time.monotonic() + 60
    while time.monotonic() < deadline and not list(
        (tmp_path / "reports").glob("cards/a*/result.json")
    ):
        time.sleep(0.1)
    process.send_signal(signal.SIGINT)
    _, errors = process.communicate(timeout=60)
    assert process.returncode == 130
    assert "Traceback" not in errors
    done = list((tmp_path / "reports").glob("cards/a*/result.json"))
    assert 1 <= len(done) < 12
    for path in done:
        assert json.loads(path.read_text("utf-8"))["grade"] == "reject"


def test_a_folder_that_is_none_is_told(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="no such folder"):
        check_day(tmp_path / "none")
    with pytest.raises(UsageError, match=r"not a folder; .*'qc take'"):
        check_day(MEDIA / NAMES[0])


def test_an_output_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    folder = _day(tmp_path / "cards", [])
    (tmp_path / "out").write_text("a file")
    with pytest.raises(ReportError, match="the report cannot be written"):
        check_day(folder, out=tmp_path / "out")


def test_an_empty_folder_is_a_day_without_takes(tmp_path: Path) -> None:
    (tmp_path / "cards").mkdir()
    result = check_day(tmp_path / "cards", out=tmp_path / "out")
    assert result.takes == ()
    assert result.empty
    assert not (tmp_path / "out").exists()


def test_a_folder_of_which_nothing_can_be_opened_has_a_report(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "cards").mkdir()
    lost = Skipped("card", "the folder cannot be read: denied", lost=True)
    monkeypatch.setattr("qc.day.find_recordings", lambda *_, **__: ([], [lost]))
    result = check_day(tmp_path / "cards", out=tmp_path / "out")
    assert not result.empty
    assert "card" in (tmp_path / "out/cards/day.html").read_text()


def test_folders_of_reports_do_not_depend_on_order_and_never_collide() -> None:
    names = ["A.mov", "A.mp4", "b/A.mov", "b A.mov", "C.mov", "c.MOV", "d.mov"]
    folders = dict(zip(names, _folders(names), strict=True))
    assert len({f.casefold() for f in folders.values()}) == len(names)
    assert folders["d.mov"] == "d"
    again = dict(zip(reversed(names), _folders(names[::-1]), strict=True))
    assert again == folders


def test_grades_are_counted_for_the_exit_code(tmp_path: Path) -> None:
    folder = _short_day(tmp_path / "cards", ["take01_clean.mov"])
    (folder / "letter.mov").unlink()
    assert _qc(folder, cwd=tmp_path).returncode == 0
    _old(synth.first_seconds(MEDIA / NAMES[1], folder / NAMES[1], 1))
    assert _qc(folder, cwd=tmp_path).returncode == 1
    assert _qc(folder, "--fail-on", "reject", cwd=tmp_path).returncode == 0
    assert Grade("clean") is Grade.CLEAN


@pytest.mark.slow
def test_watching_measures_what_is_copied_in_later(tmp_path: Path) -> None:
    folder = _short_day(tmp_path / "cards", NAMES[1:2])
    rounds = watch_day(folder, every_s=0.1, out=tmp_path / "out", jobs=1)
    assert len(next(rounds).takes) == 2
    _old(synth.first_seconds(MEDIA / NAMES[3], folder / NAMES[3], 1))
    later = next(rounds)
    assert {t.name for t in later.takes if t.fresh} == {NAMES[3]}
    assert len(later.takes) == 3
    page = (tmp_path / "out/cards/day.html").read_text("utf-8")
    assert NAMES[3] in page
