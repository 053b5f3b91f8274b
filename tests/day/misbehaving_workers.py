"""Ways in which measuring a take may go wrong; run in worker processes by test_run."""

from __future__ import annotations

import os
import signal
import time

from qc.day.worker import write_pulse
from qc.daybook import DayTake, Job
from qc.records import Grade


def by_name(job: Job) -> DayTake:
    """Behave as the take's name says."""
    write_pulse(job.pulse, {"pid": os.getpid(), "phase": "measure"})
    if "crash" in job.name:
        os.kill(os.getpid(), signal.SIGSEGV)
    if "hang" in job.name:
        time.sleep(600)
    if "grow" in job.name:
        hoard = []
        for _ in range(10_000):
            hoard.append(bytearray(b"x" * 10_000_000))
            time.sleep(0.005)
    return DayTake(job.name, Grade.CLEAN, {}, None)
