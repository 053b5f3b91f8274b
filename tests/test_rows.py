"""Pictures that are measured a few at a time give what they give one by one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import qc.rows
from qc.measures import all_measures
from qc.media.threads import frames_at_once
from qc.records import Picture
from qc.rows import PictureRows
from tests.pictures import VIDEO_8, info_of, measure, picture, scene, setup_of

MEASURES = tuple(m for m in all_measures() if m.clock == "picture")
HEIGHT, WIDTH = 144, 256


def _pictures(count: int) -> list[Picture]:
    """A picture that moves and brightens; one is damaged, one comes late."""
    still = scene(HEIGHT, WIDTH + count, np.random.default_rng(7))
    out = []
    for i in range(count):
        plane = still[:, i : i + WIDTH] * (1.0 + 0.02 * i)
        late = 3 * (i > 6)
        out.append(picture(plane, index=i, pts=i + late, damaged=i == 5))
    return out


@pytest.mark.parametrize("at_once", [1, 3, 4, 16])
def test_measured_a_few_at_a_time_rows_are_the_same(
    monkeypatch: pytest.MonkeyPatch, at_once: int
) -> None:
    setup = setup_of(width=WIDTH, height=HEIGHT)
    expected = measure(_pictures(11), setup, MEASURES)
    monkeypatch.setattr(qc.rows, "frames_at_once", lambda _: at_once)
    rows = PictureRows(setup, MEASURES)
    for p in _pictures(11):
        rows.take(p)
    found = rows.readings()
    assert found is not None
    assert expected.picture is not None
    np.testing.assert_array_equal(found.edges, expected.picture.edges)
    for m in MEASURES:
        for c in m.columns:
            name = f"{m.name}.{c.name}"
            np.testing.assert_array_equal(found[name], expected.picture[name], name)
    for name, totals in rows.totals().items():
        assert totals.keys() == expected.totals[name].keys()


def test_many_rows_of_which_few_wait_keep_their_order(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Numbers of rows that neither blocks nor what waits for them divide."""
    monkeypatch.setattr(qc.rows, "frames_at_once", lambda _: 7)
    continuity = tuple(m for m in MEASURES if m.name == "continuity")
    rows = PictureRows(setup_of(width=16, height=16), continuity)
    plane = np.full((16, 16), 100, np.uint8)
    begins = np.cumsum(1 + np.arange(5000) % 3)
    for pts in begins.tolist():
        rows.take(picture(plane, pts=pts))
    found = rows.readings()
    assert found is not None
    np.testing.assert_array_equal(found.edges, [*begins, begins[-1] + 1])
    assert found.rows == 5000


def test_few_large_pictures_are_measured_at_once() -> None:
    track = info_of(width=1920, height=1080).video
    assert track is not None
    deep = replace(VIDEO_8, bit_depth=10)
    for w, h in ((320, 180), (1920, 1080), (3840, 2160)):
        for s in (VIDEO_8, deep):
            count = frames_at_once(replace(track, width=w, height=h, signal=s))
            # As large as the decoder's: two bytes a pixel, or four.
            size = 2 * w * h * (1 + (s.bit_depth > 8))
            assert count == 1 or count * size <= 24 << 20
    assert frames_at_once(track) > 1
    assert frames_at_once(replace(track, width=16384, height=8640)) == 1
    assert frames_at_once(None) == 1
