"""Progress of a day on a terminal: the whole, and each take that is being measured."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import PurePosixPath
from typing import TYPE_CHECKING

from rich.console import Console
from rich.markup import escape
from rich.progress import (
    BarColumn,
    Progress,
    TaskID,
    TaskProgressColumn,
    TextColumn,
    TimeRemainingColumn,
)

if TYPE_CHECKING:
    from qc.day import Told
    from qc.daybook import DayTake, Job

__all__ = ["bars"]

_LOOK_EVERY_S = 0.5


@contextmanager
def bars(console: Console) -> Iterator[Told]:
    """Draw the bars while the day runs; what workers say of themselves moves them."""
    progress = Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        TaskProgressColumn(),
        TimeRemainingColumn(),
        console=console,
        transient=True,
    )
    whole = progress.add_task("day", total=None)
    watched: list[Job] = []
    running: dict[str, TaskID] = {}
    lock = threading.Lock()
    stop = threading.Event()

    def tell(jobs: list[Job], ready: int, take: DayTake | None) -> None:
        with lock:
            if take is None:
                watched[:] = jobs
                progress.update(whole, total=_work(jobs), completed=0)
                return
            job = next(j for j in watched if j.name == take.name)
            progress.advance(whole, _work([job]))
            task = running.pop(take.name, None)
            if task is not None:
                progress.remove_task(task)

    def look() -> None:
        from qc.day.run import read_pulse

        while not stop.wait(_LOOK_EVERY_S):
            with lock:
                for job in watched:
                    said = read_pulse(job.pulse)
                    position = said.get("position")
                    if not isinstance(position, int | float):
                        continue
                    if job.name not in running:
                        name = escape(PurePosixPath(job.name).name)
                        running[job.name] = progress.add_task(f"  {name}", total=None)
                    progress.update(
                        running[job.name],
                        completed=position,
                        total=said.get("length") or None,
                    )

    with progress:
        thread = threading.Thread(target=look, daemon=True, name="qc-bars")
        thread.start()
        try:
            yield tell
        finally:
            stop.set()
            thread.join(timeout=2 * _LOOK_EVERY_S)


def _work(jobs: list[Job]) -> float:
    """Return how much there is to do; bytes stand for time well enough."""
    return float(sum(max(_size(job), 1) for job in jobs))


def _size(job: Job) -> int:
    try:
        return job.path.stat().st_size
    except OSError:
        return 1
