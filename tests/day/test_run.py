"""Workers that crash, hang or grow cost their own take only."""

from __future__ import annotations

import signal
import time
from concurrent.futures import Executor
from pathlib import Path

import pytest

from qc.day.run import LocalWorkers, ctrl_c_later
from qc.daybook import Job
from qc.ended import Ended, ends_in_order
from qc.measures import default_limits
from qc.records import Grade


@pytest.fixture(autouse=True)
def _workers_find_this_folder(monkeypatch: pytest.MonkeyPatch) -> None:
    # Spawned processes import the function by its module's name.
    monkeypatch.syspath_prepend(str(Path(__file__).parent))
    monkeypatch.setenv("PYTHONPATH", str(Path(__file__).parent))


def _job(name: str, folder: Path) -> Job:
    return Job(
        path=folder / name,
        name=name,
        out=folder,
        folder=name,
        key="k",
        pulse=folder / f"{name}.json",
        limits=default_limits(),
        stills=False,
        video=None,
        threads=1,
        memory_mb=600,
    )


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_ctrl_c_waits_until_jobs_are_handed_over(number: signal.Signals) -> None:
    before, done = signal.getsignal(number), []

    def hand_over() -> None:
        with ctrl_c_later():
            signal.raise_signal(number)
            done.append("all")

    signal.signal(number, signal.default_int_handler)
    try:
        with pytest.raises(KeyboardInterrupt):
            hand_over()
        assert signal.getsignal(number) is signal.default_int_handler
    finally:
        signal.signal(number, before)
    assert done == ["all"]


def test_who_is_asked_to_end_is_not_asked_again_while_cleaning_up() -> None:
    cleaned = []

    def work() -> None:
        with ends_in_order():
            try:
                signal.raise_signal(signal.SIGTERM)
            finally:
                signal.raise_signal(signal.SIGTERM)
                cleaned.append("all")

    assert signal.getsignal(signal.SIGTERM) is signal.SIG_DFL
    with pytest.raises(Ended):
        work()
    assert cleaned == ["all"]
    assert signal.getsignal(signal.SIGTERM) is signal.SIG_DFL


@pytest.mark.slow
def test_each_fault_is_told_and_all_others_are_done(tmp_path: Path) -> None:
    from misbehaving_workers import by_name  # type: ignore[import-not-found]

    names = ["a1", "crash", "a2", "hang", "a3", "grow", "a4", "a5"]
    with LocalWorkers(2, stall_s=8) as workers:
        futures = {n: workers.submit(by_name, _job(n, tmp_path)) for n in names}
        takes = {n: f.result(timeout=90) for n, f in futures.items()}
    for name in ("a1", "a2", "a3", "a4", "a5"):
        assert takes[name].grade is Grade.CLEAN
    messages = {n: takes[n].document["message"] for n in ("crash", "hang", "grow")}
    assert all(takes[n].grade is Grade.UNREADABLE for n in messages)
    assert "ended without a word" in messages["crash"]
    assert "nothing moved on for 8 s" in messages["hang"]
    assert "needed more than 600 MB" in messages["grow"]
    # What the worker is the cause of, not the file, is tried again next time.
    assert not list(tmp_path.rglob("result.json"))


@pytest.mark.slow
def test_stopping_gives_up_at_once(tmp_path: Path) -> None:
    from misbehaving_workers import by_name

    workers = LocalWorkers(1, stall_s=600)
    future = workers.submit(by_name, _job("hang", tmp_path))
    waiting = workers.submit(by_name, _job("a1", tmp_path))
    deadline = time.monotonic() + 30
    while not (tmp_path / "hang.json").exists() and time.monotonic() < deadline:
        time.sleep(0.05)
    began = time.monotonic()
    workers.shutdown(cancel_futures=True)
    assert time.monotonic() - began < 15
    assert "stopped before" in future.result(timeout=1).document["message"]
    assert waiting.cancelled()


def test_it_is_an_executor_like_any_other() -> None:
    assert issubclass(LocalWorkers, Executor)
