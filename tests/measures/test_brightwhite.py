"""What a white thing shows: the lamp that lights it, against the camera's balance.

Pictures are drawn in linear light and coded by the formulas of BT.709-6, as in
`test_brightparts`; votes are checked against arithmetic by hand.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from qc.measures.parts.burnt.brightblocks import block_counts
from qc.measures.parts.burnt.brightcues import Scene, stops_of
from qc.measures.parts.burnt.brightparts import BrightMemory, scene_of
from qc.measures.parts.burnt.brightwhite import (
    LAMP_FEATURES,
    LAMPS,
    TINTS,
    Votes,
    evidence_of,
    votes_of,
    white_of,
)
from tests.measures.test_brightparts import Camera, Light, field, lay_tissue

# Planckian locus, 2500 to 12000 K, in BT.709 primaries: red falls as blue rises.
SLOPE = 0.57


def shot(camera: Camera, light: Light) -> Scene:
    """Return what a picture is judged by."""
    picture = camera.shoot(light)
    counts = block_counts(picture.y, 225)
    return scene_of(picture, counts, code=225, memory=BrightMemory())


def under(blue: float, tint: float = 0.0) -> tuple[float, float, float]:
    return (2 ** (tint - SLOPE * blue), 1.0, 2**blue)


# The last three are a tenth greener, a tenth pinker, and both cold and greener.
@pytest.mark.parametrize(
    ("blue", "tint"),
    [(-0.9, 0.0), (-0.4, 0.0), (0.5, 0.0), (-0.19, -0.3), (0.1, 0.25), (0.35, -0.3)],
)
def test_a_white_is_found_under_a_lamp_it_was_not_balanced_for(
    blue: float, tint: float
) -> None:
    gains = under(blue, tint)
    light = field()
    lay_tissue(light, 330, 130, 70, 0.9)
    light[80:170, 60:150] = 0.40 / max(gains)  # paper, perfectly neutral, not burnt
    scene = shot(Camera(gains=gains), light)
    red, found, known = white_of(scene, stops_of(scene.rgb, scene.transfer))
    assert known
    # Stops are read as a power of 2.2 of the signal, which BT.709's curve is only near
    # to: what that reading must give follows from the formula of BT.709-6.
    lights = 0.40 / max(gains) * np.array(gains)
    signal = 1.099 * lights**0.45 - 0.099
    expected = 2.2 * np.log2(signal[[0, 2]] / signal[1])
    assert (red, found) == pytest.approx(expected, abs=0.04)


@pytest.mark.parametrize("blue", [0.9, 1.2])
def test_a_white_is_found_where_its_blue_is_at_its_end_everywhere(blue: float) -> None:
    light = field(0.4)
    lay_tissue(light, 330, 130, 70, 0.5)
    # Blue is cut off at 1.05 of the signal, 1.12 of the light; red and green are left.
    rows = np.linspace(0.75, 0.95, 200)
    light[40:240, 30:230] = rows[:, None, None]
    assert 0.75 * 2**blue > 1.12
    scene = shot(Camera(gains=under(blue)), light)
    _, found, known = white_of(scene, stops_of(scene.rgb, scene.transfer))
    assert known
    assert found == pytest.approx(blue, abs=0.2)


@pytest.mark.parametrize("level", [0.7, 1.0])
def test_without_a_white_no_cast_is_made_up(level: float) -> None:
    light = field()
    lay_tissue(light, 300, 130, 70, level)
    scene = shot(Camera(), light)
    red, blue, _ = white_of(scene, stops_of(scene.rgb, scene.transfer))
    assert (red, blue) == pytest.approx((0, 0), abs=0.08)


# -------------------------------------------------------------------------------- votes


def plain(red: float, green: float, blue: float) -> Scene:
    """A picture of one colour of which nothing burns; the signal ends at 1."""
    rgb = np.empty((3, 8, 8), np.float32)
    rgb[:] = np.array([red, green, blue])[:, None, None]
    luma = np.full((8, 8), 0.2126 * red + 0.7152 * green + 0.0722 * blue, np.float32)
    return Scene(rgb, luma, np.zeros((8, 8), np.float32), 0.95, 1.0, "bt709")


def votes_at(scene: Scene, tint: float = 0.0) -> Votes:
    every = votes_of(scene, stops_of(scene.rgb, scene.transfer))
    return every[TINTS.index(tint)]


def vote(scene: Scene, tint: float = 0.0) -> tuple[str, float]:
    """Return the one vote of a picture of one colour, if lamps have a tint."""
    votes = votes_at(scene, tint)
    assert votes.tint == tint
    assert len(votes.kind) == votes.places == 16
    assert len(set(votes.kind.tolist())) == 1
    # Four spans a kind, of which the first is the vote's own place.
    kind = LAMP_FEATURES[4 * int(votes.kind[0])].removeprefix("here ")
    return kind, float(votes.blue[0])


def code(stops: float) -> float:
    """Return how many times as large a code is so many stops brighter, near enough."""
    return float(2 ** (stops / 2.2))


def test_what_lies_on_the_line_of_lamps_votes_for_the_blue_it_shows() -> None:
    scene = plain(0.6 * code(-SLOPE * 0.4), 0.6, 0.6 * code(0.4))
    assert vote(scene) == ("bright", pytest.approx(0.4, abs=1e-4))
    scene = plain(0.3, 0.3, 0.3)
    assert vote(scene) == ("lit", pytest.approx(0.0, abs=1e-4))


def test_what_lies_off_it_votes_for_the_nearest_lamp() -> None:
    # Half a stop off, at a right angle to the line: (1, 0.57) over red and blue.
    length = float(np.hypot(1, SLOPE))
    red, blue = -SLOPE * 0.3 + 0.5 / length, 0.3 + 0.5 * SLOPE / length
    scene = plain(0.5 * code(red), 0.5, 0.5 * code(blue))
    assert vote(scene) == ("redder", pytest.approx(0.3, abs=1e-3))


def test_where_blue_is_at_its_end_red_tells_the_lamp() -> None:
    scene = plain(0.8 * code(-SLOPE * 1.2), 0.8, 1.0)
    assert vote(scene) == ("blue ended", pytest.approx(1.2, abs=1e-3))
    # Under the lamp that this red asks for blue would not be at its end: no white.
    scene = plain(0.8 * code(-SLOPE * 0.2), 0.8, 1.0)
    assert not len(votes_at(scene).kind)


def test_where_red_is_at_its_end_blue_tells_the_lamp() -> None:
    scene = plain(1.0, 0.8, 0.8 * code(-1.3))
    assert vote(scene) == ("red ended", pytest.approx(-1.3, abs=1e-3))


@pytest.mark.parametrize("tint", [-0.3, 0.15])
def test_a_tint_moves_the_line_of_lamps_to_its_side(tint: float) -> None:
    red = tint - SLOPE * 0.4
    scene = plain(0.6 * code(red), 0.6, 0.6 * code(0.4))
    assert vote(scene, tint) == ("bright", pytest.approx(0.4, abs=1e-4))
    if tint < -0.25:  # far off the line of black bodies
        assert vote(scene)[0] == "greener"
    # Blue at its end: the red that is left tells the lamp, less the tint.
    scene = plain(0.8 * code(tint - SLOPE * 1.2), 0.8, 1.0)
    assert vote(scene, tint) == ("blue ended", pytest.approx(1.2, abs=1e-3))
    # Red at its end: blue tells it, if red would be at its end under that lamp.
    scene = plain(1.0, 0.8, 0.8 * code(-1.6))
    assert vote(scene, tint) == ("red ended", pytest.approx(-1.6, abs=1e-3))


def test_evidence_is_what_lies_here_about_and_to_either_side() -> None:
    # Of 100 places 8 are bright and vote for a lamp, 4 for one 1 stop bluer.
    blue = np.repeat(np.float32([0.2, 1.2]), [8, 4])
    votes = Votes(
        np.zeros(12, np.intp), -SLOPE * blue, blue, 0.0, 100, (0.1, 0.2, 0.05)
    )
    rows = evidence_of(votes)
    assert rows.shape == (len(LAMPS), len(LAMP_FEATURES))
    at = {round(float(b), 1): row for b, row in zip(LAMPS, rows, strict=True)}

    def told(lamp: float, name: str) -> float:
        # Powers of two over 2e-4 of the picture.
        value = at[lamp][LAMP_FEATURES.index(name)]
        return float(2 ** (value - 12.3) - 2e-4)

    assert told(0.2, "here bright") == pytest.approx(0.5 * 0.08, rel=1e-3)
    assert told(0.1, "here bright") == pytest.approx(0.25 * 0.08, rel=1e-3)
    assert told(0.2, "bluer bright") == pytest.approx(0.04, rel=1e-3)
    assert told(0.2, "yellower bright") == pytest.approx(0, abs=1e-6)
    assert told(-1.0, "bluer bright") == pytest.approx(0.12, rel=1e-3)
    assert told(2.0, "yellower bright") == pytest.approx(0.12, rel=1e-3)
    weights = np.exp(-0.5 * (np.arange(-3, 4) / 1.5) ** 2)
    assert told(0.2, "about bright") == pytest.approx(
        0.08 / float(weights.sum()), rel=0.01
    )
    assert told(0.2, "here lit") == pytest.approx(0, abs=1e-6)


def test_a_vote_past_the_last_lamp_counts_for_the_last() -> None:
    blue = np.full(5, 7.0, np.float32)
    votes = Votes(np.zeros(5, np.intp), -SLOPE * blue, blue, 0.0, 50, (0.0, 0.0, 0.0))
    here: NDArray[np.float32] = evidence_of(votes)[:, 0]
    assert int(np.argmax(here)) == len(LAMPS) - 1
