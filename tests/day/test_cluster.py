"""A day on a Dask scheduler with two workers on the loopback; one of them is killed."""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

pytest.importorskip("distributed", reason="needs the extra 'cluster'")

MEDIA = Path(__file__).parents[2] / "sample_media"
TAKES = 4


def _start(*arguments: str) -> subprocess.Popen[bytes]:
    """Start a Dask process as README says, in a group of its own."""
    return subprocess.Popen(
        [sys.executable, "-m", "distributed.cli." + arguments[0], *arguments[1:]],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    )


@pytest.fixture
def scheduler(tmp_path: Path) -> Iterator[str]:
    told = tmp_path / "scheduler.json"
    process = _start(
        "dask_scheduler",
        "--host=127.0.0.1",
        "--port=0",
        "--no-dashboard",
        f"--scheduler-file={told}",
    )
    try:
        deadline = time.monotonic() + 60
        while not told.exists() and time.monotonic() < deadline:
            time.sleep(0.1)
        time.sleep(0.3)
        yield str(json.loads(told.read_text())["address"])
    finally:
        os.killpg(process.pid, signal.SIGKILL)
        process.wait()


def _worker(address: str, folder: Path) -> subprocess.Popen[bytes]:
    return _start(
        "dask_worker",
        address,
        "--host=127.0.0.1",
        "--nthreads=1",
        "--no-nanny",
        "--no-dashboard",
        f"--local-directory={folder}",
    )


@pytest.mark.slow
def test_a_worker_lost_in_the_middle_costs_no_take(
    scheduler: str, tmp_path: Path
) -> None:
    cards = tmp_path / "cards"
    cards.mkdir()
    for i in range(TAKES):
        shutil.copy(MEDIA / "take02_overexposed.mov", cards / f"a{i}.mov")
        os.utime(cards / f"a{i}.mov", (1_700_000_000, 1_700_000_000))
    workers = [_worker(scheduler, tmp_path / f"w{i}") for i in range(2)]
    day = subprocess.Popen(
        [
            *(sys.executable, "-m", "qc", "day", str(cards)),
            *("--cluster", scheduler, "--no-stills"),
        ],
        cwd=tmp_path,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        pulses = tmp_path / "reports/cards/.day.running"
        victim = _pid_at_work(pulses, {w.pid for w in workers})
        os.kill(victim, signal.SIGKILL)
        output, errors = day.communicate(timeout=180)
    finally:
        for worker in workers:
            os.killpg(worker.pid, signal.SIGKILL)
            worker.wait()
    assert day.returncode == 1, errors
    assert re.search(rf"{TAKES} reject", output)
    told = json.loads((tmp_path / "reports/cards/day.json").read_text("utf-8"))
    assert [t["grade"] for t in told["takes"]] == ["reject"] * TAKES


def _pid_at_work(pulses: Path, pids: set[int]) -> int:
    """Return the process of a worker that is in the middle of a take."""
    deadline = time.monotonic() + 90
    while time.monotonic() < deadline:
        for path in pulses.glob("*.json"):
            try:
                said = json.loads(path.read_text())
            except (OSError, ValueError):
                continue
            if said.get("pid") in pids and said.get("phase") == "measure":
                return int(said["pid"])
        time.sleep(0.05)
    raise AssertionError("no worker was seen at work")


def test_nobody_there_is_told_in_a_sentence(tmp_path: Path) -> None:
    (tmp_path / "cards").mkdir()
    done = subprocess.run(
        [
            *(sys.executable, "-m", "qc", "day", "cards"),
            *("--cluster", "tcp://127.0.0.1:9"),
        ],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 2
    assert "no Dask scheduler answers there" in done.stderr
    assert "Traceback" not in done.stderr
