"""Standard output may go away or fill up; the takes still get done."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from qc.errors import LimitsError
from qc.limits import parse
from qc.measures import all_options, load_limits
from qc.pipeline import check_take
from qc.records import TakeFailure
from tests import synth
from tests.processes import command_here

MEDIA = Path(__file__).parents[1] / "sample_media"
TAKE = MEDIA / "take08_one_channel.mov"


@pytest.fixture(scope="module")
def short(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A second of a take with a dead channel: one finding."""
    return synth.first_seconds(TAKE, tmp_path_factory.mktemp("short") / TAKE.name, 1)


def _run(command: str, cwd: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        ["bash", "-c", command],
        cwd=cwd,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )


def test_a_reader_that_leaves_stops_no_take(tmp_path: Path, short: Path) -> None:
    copies = []
    for i in range(3):
        copies.append(tmp_path / f"a{i}.mov")
        copies[-1].write_bytes(short.read_bytes())
    names = " ".join(c.name for c in copies)
    done = _run(
        f"{sys.executable} -m qc take {names} | head -1; exit ${{PIPESTATUS[0]}}",
        tmp_path,
    )
    assert done.returncode == 1  # one finding each, as without the pipe
    assert "Traceback" not in done.stderr
    assert len(list(tmp_path.glob("reports/*/result.json"))) == 3


@pytest.mark.parametrize("more", ["", "--format json"])
def test_a_full_output_is_told_and_the_report_is_there(
    tmp_path: Path, short: Path, more: str
) -> None:
    done = _run(f"{sys.executable} -m qc take {short} {more} > /dev/full", tmp_path)
    assert done.returncode == 2
    assert "the output could not be written" in done.stderr
    assert "Traceback" not in done.stderr
    assert len(list(tmp_path.glob("reports/*/result.json"))) == 1


@pytest.mark.parametrize("closed", [">&-", "2>&-"])
def test_closed_streams_are_borne(tmp_path: Path, short: Path, closed: str) -> None:
    done = _run(f"{sys.executable} -m qc take {short} {closed}", tmp_path)
    assert done.returncode == 1
    assert "Traceback" not in done.stderr
    assert len(list(tmp_path.glob("reports/*/result.json"))) == 1


@pytest.mark.parametrize(
    "name",
    ["x**y.mov", "a" * 300 + "*.mov", "a" * 300 + ".mov", ""],
    ids=["stars", "long with a star", "long", "none"],
)
def test_impossible_names_are_one_sentence(tmp_path: Path, name: str) -> None:
    done = command_here("take", name, cwd=tmp_path)
    assert done.returncode == 2
    assert "Traceback" not in done.stderr
    assert "error" in done.stderr


@pytest.mark.parametrize(
    "text",
    [
        "[highlights]\nlevel_percent = 1" + "0" * 400,
        "[highlights]\nlevel_percent = 1" + "0" * 5000,
        "[highlights]\nrelevant = " + "[" * 5000 + "]" * 5000,
        "[highlights]\nrelevant = [[0.0, 0.0, 0.5, 1" + "0" * 400 + "]]",
    ],
)
def test_absurd_limits_are_refused(text: str) -> None:
    with pytest.raises(LimitsError, match=r"h\.toml: ") as caught:
        parse(text, all_options(), source="h.toml")
    assert len(str(caught.value)) < 500


def test_a_byte_order_mark_is_no_matter() -> None:
    limits = parse(
        "\ufeff[highlights]\nlevel_percent = 90\n", all_options(), source="h.toml"
    )
    assert limits["highlights.level_percent"] == 90


def test_limits_that_are_no_file_are_refused(tmp_path: Path) -> None:
    with pytest.raises(LimitsError, match="not a file"):
        load_limits(tmp_path)


def test_a_fault_of_ours_costs_its_own_take_only(
    monkeypatch: pytest.MonkeyPatch, short: Path
) -> None:
    def broken(*_: object, **__: object) -> None:
        raise ZeroDivisionError("made up")

    monkeypatch.setattr("qc.pipeline.measure_take", broken)
    monkeypatch.delenv("QC_DEBUG", raising=False)
    failure = check_take(short)
    assert isinstance(failure, TakeFailure)
    assert "a fault in this program (ZeroDivisionError: made up)" in failure.message
    monkeypatch.setenv("QC_DEBUG", "1")
    with pytest.raises(ZeroDivisionError, match="made up"):
        check_take(short)


def test_json_stays_one_strict_document(tmp_path: Path, short: Path) -> None:
    done = _run(f"{sys.executable} -m qc take {short} --format json", tmp_path)
    assert len(json.loads(done.stdout)["takes"]) == 1
