"""What processes that tests start need."""

from __future__ import annotations

import contextlib
import io
import signal
import subprocess
from pathlib import Path

from qc.cli import main

__all__ = ["command_here", "hear_ctrl_c"]


def command_here(*arguments: object, cwd: Path) -> subprocess.CompletedProcess[str]:
    """Run the command ``qc`` in this process; a process of its own takes a second.

    A fault of the program, which there would be a traceback, is raised here.
    """
    given = [str(argument) for argument in arguments]
    out, err = io.StringIO(), io.StringIO()
    with (
        contextlib.chdir(cwd),
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(err),
    ):
        try:
            code: object = main(given)
        except SystemExit as end:
            code = end.code
    assert isinstance(code, int)
    return subprocess.CompletedProcess(given, code, out.getvalue(), err.getvalue())


def hear_ctrl_c() -> None:
    """Hear Ctrl-C, though whoever started the tests in the background has it ignored.

    For a new process, before its program begins.
    """
    signal.signal(signal.SIGINT, signal.default_int_handler)
