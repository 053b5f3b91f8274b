"""Items fetched ahead in another thread: order, errors, and leaving early.

Expected is what the source gives when it is read without a thread.
"""

from __future__ import annotations

import subprocess
import sys
import textwrap
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from qc.media import TakeReader, probe
from qc.media.ahead import read_ahead
from qc.media.threads import frames_ahead
from qc.records import Picture, SoundBlock
from tests import synth
from tests.synth import Sound, Video


class _Counted:
    """A source that tells how far it was read, and by whom it was closed."""

    def __init__(self, count: int, fails_at: int | None = None) -> None:
        self.given = 0
        self.closed_by: int | None = None
        self._count, self._fails_at = count, fails_at

    def __iter__(self) -> Iterator[int]:
        try:
            for number in range(self._count):
                if number == self._fails_at:
                    raise OSError("the card is gone")
                self.given = number + 1
                yield number
        finally:
            self.closed_by = threading.get_ident()


def _eventually(what: str, told: Callable[[], bool]) -> None:
    """Wait until a function says yes; seconds are far more than it takes."""
    end = time.monotonic() + 5
    while not told():
        assert time.monotonic() < end, what
        time.sleep(0.005)


@pytest.mark.parametrize("most", [1, 2, 7, 1000])
def test_everything_comes_in_order(most: int) -> None:
    assert list(read_ahead(iter(range(500)), most)) == list(range(500))


def test_no_more_are_fetched_than_may_wait() -> None:
    source = _Counted(100)
    with closing(read_ahead(source, 3)) as items:
        assert next(items) == 0
        # One is taken, three wait.
        _eventually("the source was not read ahead", lambda: source.given == 4)
        time.sleep(0.05)
        assert source.given == 4
        assert next(items) == 1
        _eventually("room was not used", lambda: source.given == 5)


def test_what_the_source_raises_comes_behind_its_items() -> None:
    items = read_ahead(_Counted(10, fails_at=6), 4)
    assert [next(items) for _ in range(6)] == [0, 1, 2, 3, 4, 5]
    with pytest.raises(OSError, match="the card is gone"):
        next(items)


def test_who_leaves_early_leaves_no_thread() -> None:
    source, before = _Counted(10**9), threading.active_count()
    with closing(read_ahead(source, 2)) as items:
        assert next(items) == 0
        assert threading.active_count() == before + 1
    assert threading.active_count() == before
    # By its own thread: two must never be in it.
    assert source.closed_by not in (None, threading.get_ident())
    given = source.given
    time.sleep(0.02)
    assert source.given == given <= 4


def test_a_fault_in_the_middle_leaves_no_thread() -> None:
    before = threading.active_count()
    source = _Counted(10**9)

    def measure() -> None:
        with closing(read_ahead(source, 2)) as items:
            for item in items:
                if item == 5:
                    raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        measure()
    assert threading.active_count() == before
    assert source.closed_by is not None


@pytest.fixture(scope="module")
def take(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("ahead") / "take.mov"
    sound = Sound(synth.ramps(2, 48_000))
    return synth.write(path, synth.scene(40), Video(options=synth.h264()), [sound])


def _told(items: Iterable[Picture | SoundBlock]) -> list[tuple[object, ...]]:
    """Return what items hold, apart from what their buffers are."""
    return [
        (i.index, i.pts, i.key, i.y.tobytes(), i.cb.tobytes(), i.cr.tobytes())
        if isinstance(i, Picture)
        else (i.start, i.first_row, i.samples.tobytes())
        for i in items
    ]


@pytest.mark.parametrize("threads", [0, 1, 3])
def test_a_take_read_ahead_is_the_take(take: Path, threads: int) -> None:
    info = probe(take)
    with TakeReader(info, threads=threads) as reader:
        plain = _told(reader)
    with TakeReader(info, threads=threads) as reader, closing(reader.ahead()) as items:
        # Kept to the end: what a picture shows must not change under it.
        ahead = _told(list(items))
    assert sum(len(entry) == 6 for entry in plain) == 40
    assert ahead == plain


def test_one_thread_is_one_thread(take: Path) -> None:
    before = threading.active_count()
    with TakeReader(probe(take), threads=1) as reader:
        items = reader.ahead()
        next(items)
        assert threading.active_count() == before
        items.close()


def test_large_pictures_wait_in_smaller_numbers(take: Path) -> None:
    track = probe(take).video
    assert track is not None
    deep = replace(track.signal, bit_depth=10)
    sizes = {
        frames_ahead(replace(track, width=w, height=h, signal=s))
        * (2 * w * h * (1 + (s.bit_depth > 8)))
        for w, h in ((320, 180), (1920, 1080), (3840, 2160), (4096, 2304))
        for s in (track.signal, deep)
    }
    # Two bytes a pixel, as in 4:2:2, twice that for more than 8 bits.
    assert max(sizes) <= 48 << 20
    assert frames_ahead(replace(track, width=16384, height=8640)) == 1
    assert frames_ahead(None) >= 1


LEAVING = """
    import os, signal, sys
    from contextlib import closing
    from pathlib import Path
    from qc.media import TakeReader, probe
    path, how = Path(sys.argv[1]), sys.argv[2]
    signal.signal(signal.SIGINT, signal.default_int_handler)
    info = probe(path)
    for _ in range(5):
        try:
            with TakeReader(info) as reader, closing(reader.ahead()) as items:
                for n, item in enumerate(items):
                    if n == 3 and how == "interrupt":
                        os.kill(os.getpid(), signal.SIGINT)
                    elif n == 3 and how == "error":
                        raise RuntimeError("inside")
                    elif n == 3:
                        break
        except (KeyboardInterrupt, RuntimeError):
            pass
    print("left")
"""


@pytest.mark.parametrize("how", ["break", "error", "interrupt"])
def test_leaving_early_does_not_hang(take: Path, how: str) -> None:
    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(LEAVING), str(take), how],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert (done.returncode, done.stdout) == (0, "left\n"), done.stderr
