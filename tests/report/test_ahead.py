"""One thing is made ahead while another is used, and nothing else changes."""

from __future__ import annotations

import subprocess
import sys
import threading
from collections.abc import Generator

import pytest

from qc.report.ahead import get_ready, one_ahead


def test_the_next_is_made_while_one_is_used() -> None:
    second_begun = threading.Event()
    threads: set[str] = set()

    def made() -> Generator[int, None, None]:
        threads.add(threading.current_thread().name)
        yield 1
        second_begun.set()
        threads.add(threading.current_thread().name)
        yield 2

    seen = []
    for number in one_ahead(made()):
        # Would wait in vain if the second were made when it is asked for.
        assert second_begun.wait(10)
        seen.append(number)
    assert seen == [1, 2]
    # A decoder must not change threads.
    assert len(threads) == 1
    assert threading.current_thread().name not in threads


def test_what_goes_wrong_is_told_in_its_place() -> None:
    def made() -> Generator[int, None, None]:
        yield 1
        yield 2
        raise OSError("the card was pulled out")

    seen: list[int] = []
    with pytest.raises(OSError, match="pulled out"):
        seen.extend(one_ahead(made()))
    assert seen == [1, 2]


def test_who_leaves_early_closes_it_and_no_thread_stays() -> None:
    closed: list[str] = []

    def made() -> Generator[int, None, None]:
        try:
            yield from range(100)
        finally:
            closed.append(threading.current_thread().name)

    before = threading.active_count()
    items = one_ahead(made())
    assert next(items) == 0
    with pytest.raises(KeyboardInterrupt):
        items.throw(KeyboardInterrupt())
    assert len(closed) == 1
    assert threading.active_count() == before


def test_nothing_to_make() -> None:
    def none() -> Generator[int, None, None]:
        yield from ()

    assert list(one_ahead(none())) == []


def test_what_reports_need_is_brought_in_beforehand() -> None:
    # In a process of its own: here everything has been imported long ago.
    code = (
        "import sys\n"
        "from qc.report.ahead import get_ready\n"
        "assert 'qc.report.page' not in sys.modules\n"
        "get_ready().join(60)\n"
        "print({'qc.report.page', 'opentimelineio'} <= sys.modules.keys())\n"
    )
    run = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    )
    assert run.stdout.strip() == "True"


def test_what_cannot_be_brought_in_is_told_later(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setitem(sys.modules, "opentimelineio", None)  # an import of it fails
    thread = get_ready()
    thread.join(60)
    assert not thread.is_alive()
