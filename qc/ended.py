"""A run that is ended from outside ends in good order, as it does on Ctrl-C."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

__all__ = ["Ended", "ends_in_order"]


class Ended(KeyboardInterrupt):
    """The system, or somebody else's command, asked this run to end (SIGTERM)."""


@contextmanager
def ends_in_order() -> Iterator[None]:
    """Raise `Ended` where SIGTERM would end the process at once, workers and all.

    Once: what is cleaned up then must not be interrupted by the same wish again, which
    ``timeout``, for one, sends twice. Who has set another answer to the signal keeps
    it.
    """
    here = threading.current_thread() is threading.main_thread()
    if not here or signal.getsignal(signal.SIGTERM) is not signal.SIG_DFL:
        yield
        return

    def end(number: int, frame: FrameType | None) -> None:
        signal.signal(signal.SIGTERM, signal.SIG_IGN)
        raise Ended

    signal.signal(signal.SIGTERM, end)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, signal.SIG_DFL)
