"""Times of pictures that leap: pauses, damage, recordings joined.

Expected is the order in which the pictures were made to be shown.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any, cast

import pytest
from av.video.frame import VideoFrame

from qc.media import TakeReader, probe
from qc.media.decoding import Decoded, FrameDecoder
from qc.media.ledger import Ledger, Sent
from tests import synth
from tests.synth import Video


class _Given:
    """A decoder that gives frames with the times it was told, in that order."""

    def __init__(self, times: list[int]) -> None:
        self._left = []
        for index, pts in enumerate(times):
            frame = VideoFrame(16, 16, "yuv420p")
            frame.pts = pts
            self._left.append(Decoded(frame, Sent(index, pts, 0), True, True))
        self.ledger = Ledger(tick=40)

    def decode(self, packet: object) -> list[Decoded]:
        return [self._left.pop(0)]

    def finish(self) -> list[Decoded]:
        return []


@pytest.mark.parametrize(
    ("given", "expected", "restarts"),
    [
        # A pause of three seconds: nothing to mend.
        ([*range(0, 400, 40), *range(3400, 4400, 40)], None, 0),
        # Data are missing from 400 to 2960, and both sides come by turns.
        (
            [*range(0, 240, 40), 2960, 240, 280, 3000, 3040, 320, 360,
             *range(3080, 4400, 40)],
            [*range(0, 400, 40), *range(2960, 4400, 40)],
            0,
        ),
        # Damage made up three times; the clock goes on behind them.
        ([0, 40, 80, 9040, 9080, 9120, *range(240, 1400, 40)],
         [*range(0, 1400, 40)], 0),
        # Recordings joined: the second begins where the first ends.
        ([*range(0, 2000, 40), *range(0, 2000, 40)], [*range(0, 4000, 40)], 1),
        # The same, with a pause just before.
        ([*range(0, 1200, 40), 3000, 3040, *range(0, 2000, 40)],
         [*range(0, 1200, 40), 3000, 3040, *range(3080, 5080, 40)], 1),
    ],
)  # fmt: skip
def test_times_that_leap(
    tmp_path: Path, given: list[int], expected: list[int] | None, restarts: int
) -> None:
    # Milliseconds, 25 frames a second.
    clip = synth.write(tmp_path / "a.mkv", synth.scene(3), Video(codec="ffv1"))
    info = probe(clip)
    with TakeReader(info) as reader:
        pictures = reader.pictures
        assert pictures is not None
        decoder, fake = pictures._decoder, _Given(given)
        pictures._decoder = cast(FrameDecoder, fake)
        packet = cast(Any, None)
        told = [t for _ in given for t in pictures.timed(packet)]
        told += pictures.rest()
        pictures._decoder = decoder
    assert [t.pts for t in told] == (expected or given)
    assert pictures.restarts == restarts
