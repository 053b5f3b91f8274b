"""Work that goes on in a second thread, so that the report is there sooner.

Decoding, compressing and scaling pictures leave Python to other threads, and from the
last frame on a processor is free; before the first frame one is, too.
"""

from __future__ import annotations

import importlib
import threading
from collections.abc import Generator
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from typing import TypeVar

__all__ = ["get_ready", "one_ahead"]

T = TypeVar("T")


def get_ready() -> threading.Thread:
    """Begin to import what reports need, while a recording is opened and measured.

    What goes wrong there is met again, and told, when a report is written.
    """
    # Not a daemon: an import that the end of the program cuts off can crash it.
    thread = threading.Thread(target=_import, name="qc-ready")
    thread.start()
    return thread


def _import() -> None:
    with suppress(Exception):
        for name in ("opentimelineio", "qc.report.page"):
            importlib.import_module(name)
        from qc.report.sheetmaker import compile_templates

        compile_templates(besides="day")


def one_ahead(items: Generator[T, None, None]) -> Generator[T, None, None]:
    """Yield what a generator yields, while the next one is made in another thread.

    The generator runs in one thread only, and is closed there when this one is. What it
    raises is raised here, where the item that it failed to make would be.

    Examples
    --------
    >>> list(one_ahead(n * n for n in range(4)))
    [0, 1, 4, 9]
    """
    with ThreadPoolExecutor(1, thread_name_prefix="qc-ahead") as thread:
        coming = thread.submit(_next, items)
        try:
            while (found := coming.result()) is not None:
                coming = thread.submit(_next, items)
                yield found[0]
        finally:
            thread.submit(items.close)


def _next(items: Generator[T, None, None]) -> tuple[T] | None:
    for item in items:
        return (item,)
    return None
