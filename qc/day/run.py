"""Running the takes of a day: workers that may die, one take at a time each.

Every slot owns a process pool of one. A process that crashes, hangs or grows too large
breaks its own pool and so costs its own take only.
"""

from __future__ import annotations

import json
import multiprocessing
import os
import signal
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import (
    Executor,
    Future,
    ProcessPoolExecutor,
    ThreadPoolExecutor,
)
from concurrent.futures import (
    TimeoutError as NotYet,
)
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager, suppress
from multiprocessing.connection import wait
from pathlib import Path
from typing import Any

from qc.day.worker import EXIT_ORPHAN, failed_take, guarded
from qc.daybook import DayTake, Job

__all__ = ["LocalWorkers", "ctrl_c_later", "read_pulse"]

_POLL_S = 0.25


def read_pulse(path: Path) -> dict[str, Any]:
    """Return what a worker last said of itself; empty if nothing."""
    try:
        told = json.loads(path.read_bytes())
    except (OSError, ValueError):
        return {}
    return told if isinstance(told, dict) else {}


class LocalWorkers(Executor):
    """An executor of `measure_job` on this machine's cores.

    Parameters
    ----------
    jobs : int
        Processes at a time.
    stall_s : float
        A take in which nothing moves on for this long is given up.
    """

    def __init__(self, jobs: int, *, stall_s: float) -> None:
        self._stall_s = stall_s
        self._slots = threading.local()
        self._pools: set[ProcessPoolExecutor] = set()
        self._lock = threading.Lock()
        self._stopped = threading.Event()
        self._threads = ThreadPoolExecutor(
            jobs, thread_name_prefix="qc-slot", initializer=_deaf_to_ctrl_c
        )

    def submit(  # type: ignore[override]
        self, fn: Callable[[Job], DayTake], /, job: Job
    ) -> Future[DayTake]:
        """Measure a take by `fn` when a slot is free, guarded, in a process."""
        return self._threads.submit(self._in_slot, fn, job)

    def _in_slot(self, fn: Callable[[Job], DayTake], job: Job) -> DayTake:
        if self._stopped.is_set():
            return failed_take(job, f"{job.path}: stopped before it was measured")
        with suppress(OSError):
            job.pulse.unlink()
        pool = self._pool()
        try:
            future = pool.submit(guarded, fn, job)
            return self._watched(future, job)
        except BrokenProcessPool:
            self._drop(pool)
            return failed_take(job, self._why(job))
        finally:
            with suppress(OSError):
                job.pulse.unlink()

    def _watched(self, future: Future[DayTake], job: Job) -> DayTake:
        last: object = None
        since = time.monotonic()
        while True:
            try:
                return future.result(timeout=_POLL_S)
            except NotYet:
                if future.done():
                    raise
            said = read_pulse(job.pulse)
            if said != last:
                last, since = said, time.monotonic()
            stalled = time.monotonic() - since > self._stall_s
            if stalled or self._stopped.is_set():
                self._kill(said)
                with suppress(BrokenProcessPool, NotYet):
                    future.result(timeout=10)
                self._drop(self._pool())
                return failed_take(
                    job,
                    f"{job.path}: nothing moved on for {self._stall_s:g} s, so it was "
                    "given up; try it alone with 'qc take', or copy it again from the "
                    "card"
                    if stalled
                    else f"{job.path}: stopped before it was measured",
                )

    def _pool(self) -> ProcessPoolExecutor:
        pool: ProcessPoolExecutor | None = getattr(self._slots, "pool", None)
        if pool is None:
            # Spawned, not forked: decoders and OpenCV hold threads and locks.
            pool = ProcessPoolExecutor(
                1, mp_context=multiprocessing.get_context("spawn"), initializer=_begin
            )
            self._slots.pool = pool
            with self._lock:
                self._pools.add(pool)
        return pool

    def _drop(self, pool: ProcessPoolExecutor) -> None:
        self._slots.pool = None
        with self._lock:
            self._pools.discard(pool)
        # When all is stopping, what the pool holds must be given back before the end.
        pool.shutdown(wait=self._stopped.is_set(), cancel_futures=True)

    def _kill(self, said: dict[str, Any]) -> None:
        pid = said.get("pid")
        if isinstance(pid, int):
            with suppress(OSError):
                os.kill(pid, getattr(signal, "SIGKILL", signal.SIGTERM))

    def _why(self, job: Job) -> str:
        if read_pulse(job.pulse).get("phase") == "memory":
            return (
                f"{job.path}: needed more than {job.memory_mb} MB of memory and was "
                "given up; raise [day] memory_mb if the machine has more"
            )
        return (
            f"{job.path}: measuring this file ended without a word (a crash, or the "
            "system ran out of memory); try it alone with 'qc take', or copy it again "
            "from the card"
        )

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """Let the processes go; with `cancel_futures` give up what they are at."""
        if cancel_futures:
            self._stopped.set()
        self._threads.shutdown(wait=wait, cancel_futures=cancel_futures)
        with self._lock:
            pools = list(self._pools)
        for pool in pools:
            pool.shutdown(wait=wait, cancel_futures=cancel_futures)


@contextmanager
def ctrl_c_later() -> Iterator[None]:
    """Let Ctrl-C, and a wish from outside to end, wait until what is done here is done.

    Raised just after Python code has taken a lock, as thread pools do, it would leave
    that locked, and whoever wants it next would wait for ever.
    """
    if threading.current_thread() is not threading.main_thread():
        yield  # hears no Ctrl-C
        return
    heard: list[int] = []
    before = {
        number: signal.signal(number, lambda number, _: heard.append(number))
        for number in (signal.SIGINT, signal.SIGTERM)
    }
    try:
        yield
    finally:
        for number, answer in before.items():
            signal.signal(number, answer)
    if heard:
        signal.raise_signal(heard[0])


def _deaf_to_ctrl_c() -> None:
    """Keep Ctrl-C from this thread, and so from the processes that it starts.

    They inherit it: a process of ours never hears Ctrl-C, not even while it starts.
    """
    if not hasattr(signal, "pthread_sigmask"):  # Windows
        return
    # Begun first: where it starts later, it lets the thread hear Ctrl-C again.
    from multiprocessing import resource_tracker

    resource_tracker.ensure_running()
    signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})


def _begin() -> None:
    """Leave Ctrl-C to the parent, which ends workers in good order; end with it."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True, name="qc-orphan").start()


def _end_with_parent() -> None:
    """End this process when the run is gone, also while it waits for a take.

    A worker holds both ends of the queue it reads from, and would wait for ever.
    """
    parent = multiprocessing.parent_process()
    if parent is not None:
        wait([parent.sentinel])
        os._exit(EXIT_ORPHAN)
