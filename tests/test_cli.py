"""The command as its users meet it: verdicts, errors in one sentence, exit codes."""

from __future__ import annotations

import hashlib
import json
import os
import resource
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from qc.cli import ExitCode, _parser, main
from qc.limits import to_toml
from qc.measures import all_options, default_limits
from qc.report.folder import check_writable
from tests import synth
from tests.processes import command_here as _qc
from tests.processes import hear_ctrl_c

MEDIA = Path(__file__).parents[1] / "sample_media"
CLEAN, OVEREXPOSED = MEDIA / "take01_clean.mov", MEDIA / "take02_overexposed.mov"
ONE_CHANNEL = MEDIA / "take08_one_channel.mov"
HOUSE = MEDIA / "house.toml"
NBSP = "\N{NO-BREAK SPACE}"


@pytest.fixture(scope="module")
def short(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The clean take's first second, for tests that ask nothing of what is in it."""
    folder = tmp_path_factory.mktemp("short")
    return synth.first_seconds(CLEAN, folder / CLEAN.name, 1)


@pytest.fixture(scope="module")
def short_deaf(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The first second of a take with a dead channel: one finding, for review."""
    folder = tmp_path_factory.mktemp("short")
    return synth.first_seconds(ONE_CHANNEL, folder / ONE_CHANNEL.name, 1)


def _process(
    *arguments: object, cwd: Path, **changes: Any
) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "qc", *map(str, arguments)],
        cwd=cwd,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
        **changes,
    )


def _no_debris(folder: Path) -> None:
    """Nothing half-written is left: neither temporary names nor empty files."""
    for path in folder.rglob("*"):
        assert not path.name.startswith("."), path
        assert path.is_dir() or path.stat().st_size > 0, path


def test_a_clean_take_gives_zero_and_a_whole_report(tmp_path: Path) -> None:
    done = _process("take", CLEAN, cwd=tmp_path)
    assert done.returncode == 0
    assert done.stdout.startswith("● CLEAN  take01_clean.mov")
    assert "Traceback" not in done.stderr
    names = {p.name for p in (tmp_path / "reports" / "take01_clean").iterdir()}
    assert names == {
        "report.html",
        "result.json",
        "readings.npz",
        "findings.csv",
        "markers.otio",
        "markers.vtt",
    }
    _no_debris(tmp_path)


def test_findings_give_one_and_the_verdict_comes_first(tmp_path: Path) -> None:
    done = _process("take", OVEREXPOSED, cwd=tmp_path)
    assert done.returncode == 1
    first, *rest = done.stdout.splitlines()
    assert first.startswith("■ REJECT  take02_overexposed.mov")
    assert rest[0].strip().startswith("→ Close the iris")
    assert _qc("take", OVEREXPOSED, "--fail-on", "reject", cwd=tmp_path).returncode == 1


def test_fail_on_decides_about_one_or_zero(tmp_path: Path, short_deaf: Path) -> None:
    assert _qc("take", short_deaf, "--fail-on", "reject", cwd=tmp_path).returncode == 0
    assert _qc("take", short_deaf, "--fail-on", "note", cwd=tmp_path).returncode == 1


def test_json_is_one_document_on_stdout(tmp_path: Path) -> None:
    done = _qc("take", OVEREXPOSED, "none.mov", "--format", "json", cwd=tmp_path)
    assert done.returncode == 2
    document = json.loads(done.stdout)
    first, second = document["takes"]
    assert document["schema"] == first["schema"] == 1
    assert first["grade"] == "reject"
    assert first["findings"][0]["rule"] == "highlights.relevant"
    assert second["grade"] == "unreadable"
    assert "no such file" in second["message"]
    kept = json.loads(
        (tmp_path / "reports/take02_overexposed/result.json").read_text("utf-8")
    )
    assert kept["findings"] == first["findings"]


def test_quiet_says_nothing_but_errors(tmp_path: Path, short: Path) -> None:
    done = _process("take", short, "none.mov", "--quiet", cwd=tmp_path)
    assert done.stdout == ""
    assert done.stderr.startswith("qc: error: none.mov: no such file")


def _text(path: Path) -> None:
    path.write_text("Dear editor, the takes are on the other card.\n" * 50)


def _empty(path: Path) -> None:
    path.write_bytes(b"")


def _no_index(path: Path) -> None:
    """A MOV whose recorder lost power: the index at the end was never written."""
    data = CLEAN.read_bytes()
    at = data.rfind(b"moov") - 4
    head = data[:at] if at > len(data) // 2 else data[: len(data) // 2]
    if b"moov" in head:
        # The index stands in front: take it out instead.
        size = int.from_bytes(data[at : at + 4], "big")
        head = data[:at] + data[at + size : -2000]
    path.write_bytes(head)


@pytest.mark.parametrize(
    ("name", "make", "sentence"),
    [
        ("missing.mov", None, "no such file; check the name"),
        ("folder", Path.mkdir, "this is a folder; .*'qc day'"),
        ("letter.mov", _text, "not a recording that can be opened"),
        ("nothing.mov", _empty, r"the file is empty \(0 bytes\); copy it again"),
        ("cut.mov", _no_index, "has no index: it was cut short"),
    ],
)
def test_bad_input_is_one_sentence_and_the_rest_is_done(
    tmp_path: Path, short: Path, name: str, make: Any, sentence: str
) -> None:
    bad = tmp_path / name
    if make is not None:
        make(bad)
    done = _qc("take", bad, short, cwd=tmp_path)
    assert done.returncode == 2
    errors = [e for e in done.stderr.splitlines() if e.startswith("qc: error: ")]
    assert len(errors) == 1
    import re

    assert re.search(sentence, errors[0])
    assert name in errors[0]
    assert "Traceback" not in done.stderr
    assert "take01_clean.mov  25 frames" in done.stdout.replace(NBSP, " ")
    assert (tmp_path / "reports/take01_clean/report.html").is_file()
    assert [p.name for p in (tmp_path / "reports").iterdir()] == ["take01_clean"]


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("[highlights]\nlevl_percent = 90\n", "did you mean 'level_percent'"),
        ("[highlights]\nlevel_percent = 'x'\n", "must be a number"),
        ("[highlights]\nlevel_percent = 500\n", "must be between 1 and 109 %"),
    ],
)
def test_a_wrong_limits_file_stops_before_anything_is_written(
    tmp_path: Path, text: str, sentence: str
) -> None:
    limits = tmp_path / "house.toml"
    limits.write_text(text)
    done = _qc("take", CLEAN, "--limits", limits, cwd=tmp_path)
    assert done.returncode == 2
    assert len(done.stderr.splitlines()) == 1
    assert "house.toml: [highlights]" in done.stderr
    assert sentence in done.stderr
    assert not (tmp_path / "reports").exists()
    check = _qc("limits", "--check", limits, cwd=tmp_path)
    assert check.returncode == 2
    assert sentence in check.stderr


def test_limits_are_printed_as_they_are_read(tmp_path: Path) -> None:
    printed = _qc("limits", cwd=tmp_path).stdout
    plain = to_toml(default_limits(), all_options(), titles={})
    assert plain.splitlines()[1] in printed
    (tmp_path / "mine.toml").write_text(printed)
    done = _qc("limits", "--check", "mine.toml", cwd=tmp_path)
    assert (done.returncode, done.stdout) == (0, "mine.toml: the limits file is fine\n")


def test_a_channel_that_nothing_names_is_told_when_limits_are_checked(
    tmp_path: Path,
) -> None:
    text = '[peaks]\nchannel_names = ["room"]\nunused_channels = ["rom", "3"]'
    (tmp_path / "mine.toml").write_text(text)
    done = _qc("limits", "--check", "mine.toml", cwd=tmp_path)
    assert done.returncode == 0
    assert 'unused_channels: "rom" is not in channel_names' in done.stdout
    assert '"3"' not in done.stdout


def test_a_mistyped_option_is_told_with_the_one_that_was_perhaps_meant(
    capsys: pytest.CaptureFixture[str],
) -> None:
    with pytest.raises(SystemExit) as end:
        main(["take", "a.mov", "--limts", "house.toml"])
    assert end.value.code == 2
    assert (
        capsys.readouterr()
        .err.rstrip()
        .endswith("not understood: --limts house.toml; did you mean --limits?")
    )
    with pytest.raises(SystemExit):
        main(["limits", "--zzz"])
    assert "mean" not in capsys.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["--neutral", "1200,600,200,200"], "does not fit in the 1280x720 picture"),
        (["--neutral", "left"], "is not X,Y,WIDTH,HEIGHT in pixels"),
        (["--neutral", "84,62,150,104@10:00:00:00"], "10:00:00:00"),
        (["--level", "0"], "--level: .*must be between 1 and 109 %"),
        (["--level", "nan"], "must be a finite number"),
        (["--level", "bright"], "'bright' is not a number"),
        (["--video", "first"], "'first' is not a whole number; it counts picture"),
        (["--video", "3"], "no picture stream 3: it has 1 picture stream"),
        (["--video", "-1"], "counts picture streams from 0"),
        (["--fail-on", "never"], "invalid choice: 'never'"),
        (["--limits", "none.toml"], "no such limits file; 'qc limits' prints one"),
    ],
)
def test_wrong_options_are_told(
    tmp_path: Path, arguments: Sequence[str], sentence: str
) -> None:
    import re

    done = _qc("take", CLEAN, *arguments, cwd=tmp_path)
    assert done.returncode == 2
    assert re.search(sentence, done.stderr)
    assert "Traceback" not in done.stderr
    assert not (tmp_path / "reports" / "take01_clean").exists()


def test_a_folder_without_recordings_is_no_clean_day(tmp_path: Path) -> None:
    (tmp_path / "card").mkdir()
    done = _qc("day", "card", cwd=tmp_path)
    assert done.returncode == 2
    assert "qc: error: card: no recordings found" in done.stderr
    # Nor is there a report of it, to be found and believed later.
    assert "report" not in done.stdout
    assert [p.name for p in tmp_path.iterdir()] == ["card"]


def test_a_day_takes_no_moment_of_one_take(tmp_path: Path) -> None:
    done = _qc("day", ".", "--neutral", "40,60,80,80@10:00:00:00", cwd=tmp_path)
    assert done.returncode == 2
    assert "leave @TIMECODE out" in done.stderr
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("text", ["97.5", "97,5", " 97.5 % ", "97,5%"])
def test_a_level_may_be_written_as_people_write_it(text: str) -> None:
    options = _parser().parse_args(["take", "a.mov", "--level", text])
    assert options.level == 97.5


@pytest.mark.parametrize("text", ["20", "20 s", "20,0s"])
def test_a_time_may_be_written_as_people_write_it(text: str) -> None:
    assert _parser().parse_args(["spot", "a.mov", "--within", text]).within == 20.0


def test_an_output_folder_that_is_a_file_is_told(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("here")
    done = _process("take", CLEAN, "--out", "out", cwd=tmp_path)
    assert done.returncode == 2
    assert "qc: error: " in done.stderr
    assert "out" in done.stderr
    assert "Traceback" not in done.stderr
    assert (tmp_path / "out").read_text() == "here"


def test_where_nothing_can_be_written_nothing_is_measured(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("here")
    done = _qc("take", "none.mov", "--out", "out/deeper", cwd=tmp_path)
    assert done.returncode == 2
    assert "out is not a folder" in done.stderr
    assert "none.mov" not in done.stderr.partition("qc: error:")[2]


def test_looking_whether_one_may_write_leaves_nothing_behind(tmp_path: Path) -> None:
    check_writable(tmp_path / "not" / "yet")
    assert list(tmp_path.iterdir()) == []


def test_a_name_that_begins_with_a_hyphen_is_a_file(
    tmp_path: Path, short: Path
) -> None:
    shutil.copy(short, tmp_path / "-1.mov")
    done = _qc("take", "-1.mov", "--quiet", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "reports/_-1/report.html").exists()


def test_a_full_disk_leaves_the_old_report_whole(tmp_path: Path, short: Path) -> None:
    assert _qc("take", short, cwd=tmp_path).returncode == 0
    folder = tmp_path / "reports/take01_clean"
    before = {p.name: p.read_bytes() for p in folder.iterdir()}

    def small_files_only() -> None:
        # Writing past this size fails as on a full disk; Python ignores the signal.
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (30_000, 30_000))

    done = _process("take", short, cwd=tmp_path, preexec_fn=small_files_only)
    assert done.returncode == 2
    assert "Traceback" not in done.stderr
    assert "qc: error: " in done.stderr
    assert {p.name: p.read_bytes() for p in folder.iterdir()} == before
    _no_debris(tmp_path)


def test_the_recording_stays_as_it_was(tmp_path: Path, short: Path) -> None:
    take = tmp_path / "a.mov"
    shutil.copy(short, take)
    os.utime(take, ns=(1_600_000_000_000_000_000, 1_600_000_000_000_000_000))
    take.chmod(0o444)
    before = take.stat()
    mark = hashlib.sha256(take.read_bytes()).hexdigest()
    _qc("take", take, cwd=tmp_path)
    after = take.stat()
    assert (after.st_mtime_ns, after.st_size, after.st_mode, after.st_ino) == (
        before.st_mtime_ns,
        before.st_size,
        before.st_mode,
        before.st_ino,
    )
    assert hashlib.sha256(take.read_bytes()).hexdigest() == mark


def test_takes_of_one_name_do_not_overwrite_each_other(
    tmp_path: Path, short: Path, short_deaf: Path
) -> None:
    for folder, source in (("one", short), ("two", short_deaf)):
        (tmp_path / folder).mkdir()
        shutil.copy(source, tmp_path / folder / "A.mov")
    for _ in range(2):
        _qc("take", "one/A.mov", "two/A.mov", cwd=tmp_path)
        grades = {
            p.parent.name: json.loads(p.read_text("utf-8"))["grade"]
            for p in (tmp_path / "reports").glob("*/result.json")
        }
        assert grades == {"A": "clean", "A-2": "review"}


def test_odd_names_are_shown_and_filed(tmp_path: Path, short: Path) -> None:
    names = ["-x.mov", "a b'\"<i>.mov", "日本語.mov", "[bold]x[bold].mov"]
    for name in names:
        shutil.copy(short, tmp_path / name)
    done = _process("take", "--", *names, cwd=tmp_path)
    assert done.returncode == 0
    for name in names:
        assert f"  {name}  25 frames" in done.stdout.replace(NBSP, " ")
    assert len(list((tmp_path / "reports").iterdir())) == len(names)


def test_a_file_that_is_named_twice_is_measured_once(
    tmp_path: Path, short: Path
) -> None:
    shutil.copy(short, tmp_path / "a.mov")
    (tmp_path / "b.mov").symlink_to("a.mov")
    twice = ("a.mov", "./a.mov", "b.mov")
    done = _qc("take", *twice, "--format", "json", cwd=tmp_path)
    assert done.returncode == 0
    assert [t["take"]["name"] for t in json.loads(done.stdout)["takes"]] == ["a.mov"]
    assert [p.name for p in (tmp_path / "reports").iterdir()] == ["a"]
    told = done.stderr.splitlines()
    assert told[:2] == [
        "qc: a.mov: named before; it is measured once",
        "qc: b.mov: named before; it is measured once",
    ]
    assert sum("measuring" in line for line in told) == 1


@pytest.mark.slow
@pytest.mark.parametrize(
    ("number", "code", "said"),
    [(signal.SIGINT, 130, "interrupted"), (signal.SIGTERM, 143, "ended from outside")],
)
def test_who_stops_it_gets_whole_files_or_none(
    number: int, code: int, said: str, tmp_path: Path, short: Path
) -> None:
    environment = os.environ | {"PYTHONUNBUFFERED": "1"}
    others = [shutil.copy(OVEREXPOSED, tmp_path / f"{n}.mov") for n in range(8)]
    process = subprocess.Popen(
        [sys.executable, "-m", "qc", "take", str(short), *map(str, others)],
        cwd=tmp_path,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=environment,
        preexec_fn=hear_ctrl_c,
    )
    report = tmp_path / "reports/take01_clean/result.json"
    deadline = time.monotonic() + 60
    while not report.exists() and time.monotonic() < deadline:
        time.sleep(0.05)
    time.sleep(0.3)
    process.send_signal(number)
    _, errors = process.communicate(timeout=60)
    assert process.returncode == code
    assert f"{said}; reports already written are complete" in errors
    assert "Traceback" not in errors
    assert json.loads(report.read_text("utf-8"))["grade"] == "clean"
    _no_debris(tmp_path)


def test_version_and_help(tmp_path: Path) -> None:
    import qc

    assert _process("--version", cwd=tmp_path).stdout == f"qc {qc.__version__}\n"
    told = " ".join(_process("--help", cwd=tmp_path).stdout.split())
    assert "Exit code: 0 nothing at or over --fail-on" in told
    assert all(f" {code.value} " in told for code in ExitCode)
    nothing = _process(cwd=tmp_path)
    assert nothing.returncode == 2
    assert "required: COMMAND" in nothing.stderr


def test_house_limits_of_the_sample_takes_are_fine(tmp_path: Path) -> None:
    assert _qc("limits", "--check", HOUSE, cwd=tmp_path).returncode == 0


def test_what_cannot_be_opened_is_told_before_anything_is_measured(
    tmp_path: Path,
    short: Path,
) -> None:
    (tmp_path / "text.mov").write_text("no recording")
    done = _qc("take", short, "gone.mov", "text.mov", "--format", "json", cwd=tmp_path)
    assert done.returncode == 2
    told = done.stderr.splitlines()
    assert told[0] == "qc: error: gone.mov: no such file; check the name and the folder"
    # What is missing or no recording is not said to be measured.
    assert [line for line in told if "measuring" in line] == [
        "qc: 1/3 measuring take01_clean.mov"
    ]
    assert sum("text.mov" in line for line in told) == 1
    # The results stand in the order that the files were named in.
    names = [take["take"]["name"] for take in json.loads(done.stdout)["takes"]]
    assert names == ["take01_clean.mov", "gone.mov", "text.mov"]


def test_a_patch_drawn_for_another_shape_is_refused(tmp_path: Path) -> None:
    done = _qc("take", CLEAN, "--neutral", "84,62,150,104/720x576", cwd=tmp_path)
    assert done.returncode == 2
    assert "was drawn for a picture of 720x576" in done.stderr
    assert "measuring" not in done.stderr


def test_a_patch_drawn_for_another_size_is_scaled(tmp_path: Path) -> None:
    done = _qc("take", CLEAN, "--neutral", "126,93,225,156/1920x1080", cwd=tmp_path)
    assert done.returncode == 0
    # Two thirds of each, by arithmetic.
    assert "was scaled to 84,62,150,104 for this picture of 1280x720" in done.stdout
    kept = json.loads((tmp_path / "reports/take01_clean/result.json").read_text())
    assert kept["limits"]["white.neutral"] == [84, 62, 150, 104]


def test_many_findings_of_one_kind_share_a_line(
    capsys: pytest.CaptureFixture[str],
) -> None:
    from dataclasses import replace

    from qc.console import print_take
    from qc.pipeline import check_take
    from qc.records import TakeResult

    result = check_take(OVEREXPOSED)
    assert isinstance(result, TakeResult)
    first = result.findings[0]
    many = tuple(
        replace(first, start_frame=n, end_frame=n + 1, worst_frame=n) for n in range(40)
    )
    print_take(replace(result, findings=many), Path("reports"))
    lines = capsys.readouterr().out.splitlines()
    (line,) = (line for line in lines if "Burnt out" in line)
    assert ", 40 times, the worst at " in line


def test_an_empty_command_and_help_give_examples(tmp_path: Path) -> None:
    for told in (_qc(cwd=tmp_path).stderr, _qc("--help", cwd=tmp_path).stdout):
        assert "qc take A001.mov" in told
        assert "qc spot A001.mov" in told
        assert "qc day /media/card" in told


@pytest.mark.parametrize(
    ("given", "meant"),
    [("clip.mov", "qc take clip.mov"), (".", "qc day ."), ("a b.mp4", "'a b.mp4'")],
)
def test_a_bare_file_is_answered_with_the_command_that_was_meant(
    given: str, meant: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as end:
        main([given])
    assert end.value.code == 2
    told = capsys.readouterr().err
    assert "did you mean: qc " in told
    assert f"{meant}?" in told


def test_takes_of_one_name_are_told_apart_and_listed_the_worst_first(
    tmp_path: Path,
) -> None:
    for folder, source in (("one", CLEAN), ("two", OVEREXPOSED)):
        (tmp_path / folder).mkdir()
        shutil.copy(source, tmp_path / folder / "C0001.mov")
    done = _qc("take", "one/C0001.mov", "two/C0001.mov", "gone.mov", cwd=tmp_path)
    assert done.returncode == 2
    lines = done.stdout.replace("\N{NO-BREAK SPACE}", " ").splitlines()
    total = lines.index("3 takes; 1 of them could not be done, see above")
    first, second, third = lines[total + 1 :]
    assert first.strip().startswith("× UNREADABLE  gone.mov")
    assert second.strip().startswith("■ REJECT  two/C0001.mov")
    assert third.strip().startswith("● CLEAN  one/C0001.mov  130 frames")
    assert "qc: 2/3 measuring two/C0001.mov" in done.stderr
    assert "report included" in done.stderr
    page = (tmp_path / "reports/C0001-2/report.html").read_text("utf-8")
    assert "<h1><bdi>two/C0001.mov</bdi></h1>" in page


def test_the_terminal_says_one_frame_and_the_least_that_counts(
    capsys: pytest.CaptureFixture[str],
) -> None:
    from dataclasses import replace

    from qc.console import print_take
    from qc.pipeline import check_take
    from qc.records import TakeResult

    result = check_take(OVEREXPOSED)
    assert isinstance(result, TakeResult)
    one = replace(result.coverage, frames_read=1)
    spot = "A spot that lay on the lens from the start could not be looked for: dark."
    print_take(replace(result, coverage=one, usable=(), notes=(spot,)), Path("r"))
    told = capsys.readouterr().out.replace("\N{NO-BREAK SPACE}", " ")
    assert " 1 frame, " in told
    assert "nothing usable of 2 s or more without a second look" in told
    assert "A spot that lay" not in told


def test_the_wait_counts_from_the_start_of_the_process() -> None:
    told = subprocess.run(
        [
            sys.executable,
            "-c",
            "import time; time.sleep(0.5); from qc.output import began; "
            "print(time.monotonic() - began())",
        ],
        capture_output=True,
        text=True,
        check=True,
    )
    # proc(5) counts in hundredths of a second.
    waited = float(told.stdout)
    assert 0.48 < waited < 60 if sys.platform == "linux" else waited >= 0


@pytest.mark.parametrize(("command", "on"), [("day", True), ("take", False)])
def test_an_interrupted_day_says_how_to_go_on(
    command: str,
    on: bool,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    def stop(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(f"qc.cli._{command}", stop)
    assert main([command, "."]) == 130
    told = capsys.readouterr().err
    assert "interrupted; reports already written are complete" in told
    assert ("run it again to go on" in told) is on
