"""Standard output that may go away or fill up without stopping the work."""

from __future__ import annotations

import os
import sys
import time
from contextlib import suppress
from typing import Any, TextIO

__all__ = ["Output", "began", "guard_streams"]


class Output:
    """A text stream that remembers its first error instead of raising it.

    Reports are what a run is for; what is printed about them may be cut off by
    ``| head``, or the disk it goes to may be full, and the takes still get done.
    """

    def __init__(self, stream: TextIO | None) -> None:
        self._stream = stream
        self.error: OSError | None = None

    def write(self, text: str) -> int:
        """Write, unless the stream has failed before."""
        if self._stream is not None and self.error is None:
            try:
                self._stream.write(text)
            except OSError as error:
                self._fail(error)
        return len(text)

    def flush(self) -> None:
        """Flush, unless the stream has failed before."""
        if self._stream is not None and self.error is None:
            try:
                self._stream.flush()
            except OSError as error:
                self._fail(error)

    def _fail(self, error: OSError) -> None:
        self.error = error
        # What is still buffered would be tried again when the program ends.
        with suppress(OSError, ValueError, AttributeError):
            descriptor = self._stream.fileno()  # type: ignore[union-attr]
            nowhere = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nowhere, descriptor)
            os.close(nowhere)

    def isatty(self) -> bool:
        """Whether somebody looks at it."""
        return self._stream is not None and self._stream.isatty()

    @property
    def encoding(self) -> str:
        """Encoding of the stream."""
        return getattr(self._stream, "encoding", None) or "utf-8"

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)


def guard_streams() -> Output:
    """Guard standard output and error; return the guarded standard output."""
    for name in ("stdout", "stderr"):
        stream = getattr(sys, name)
        if isinstance(stream, Output):
            continue
        # A file name that is no valid text must not stop the output.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")
        setattr(sys, name, Output(stream))
    guarded: Any = sys.stdout
    return guarded  # type: ignore[no-any-return]


def began() -> float:
    """Return when this process began, by `time.monotonic`.

    What the system does not tell counts from now: then the time the interpreter took
    to start is left out.
    """
    now = time.monotonic()
    try:
        # Field 22 of proc(5)'s stat: ticks since the machine was started; the name
        # before it stands in brackets and may hold anything.
        with open("/proc/self/stat", "rb") as file:  # noqa: PTH123 -- quick to start
            ticks = int(file.read().rpartition(b")")[2].split()[19])
        age = time.clock_gettime(time.CLOCK_BOOTTIME) - ticks / os.sysconf("SC_CLK_TCK")
    except (OSError, ValueError, IndexError, AttributeError):
        return now
    return now - age if age >= 0 else now
