"""What processes that tests start need."""

from __future__ import annotations

import signal

__all__ = ["hear_ctrl_c"]


def hear_ctrl_c() -> None:
    """Hear Ctrl-C, though whoever started the tests in the background has it ignored.

    For a new process, before its program begins.
    """
    signal.signal(signal.SIGINT, signal.default_int_handler)
