"""A neutral patch drawn for another size of picture: scaled, refused, or told."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest

from qc.errors import UsageError
from qc.limits import Limits
from qc.measures import all_options, default_limits
from qc.patchsize import drawn_on, fitted
from qc.pipeline import check_take
from qc.records import TakeFailure, TakeInfo, TakeResult
from tests.pictures import info_of

SAMPLES = Path(__file__).parents[1] / "sample_media"


def _info(width: int, height: int, aspect: Fraction = Fraction(1)) -> TakeInfo:
    info = info_of(width=width, height=height)
    assert info.video is not None
    return replace(info, video=replace(info.video, pixel_aspect=aspect))


def _limits(patch: Sequence[int], size: Sequence[int] = ()) -> Limits:
    changes = {"white.neutral": list(patch), "white.neutral_size": list(size)}
    return default_limits().with_values(all_options(), changes, source="test")


def test_without_a_patch_nothing_is_said() -> None:
    limits = default_limits()
    assert fitted(limits, _info(1280, 720)) == (limits, "")


def test_a_check_scales_the_patch_and_says_so() -> None:
    """Twice as wide and high as the sample: half of every number, exactly."""
    limits = _limits([168, 124, 300, 208], [2560, 1440])
    result = check_take(SAMPLES / "take01_clean.mov", limits=limits)
    assert isinstance(result, TakeResult)
    assert result.limits["white.neutral"] == (84, 62, 150, 104)
    assert "was scaled to 84,62,150,104" in result.notes[0]


def test_a_check_refuses_a_patch_of_another_shape() -> None:
    limits = _limits([10, 10, 50, 50], [720, 576])
    result = check_take(SAMPLES / "take01_clean.mov", limits=limits)
    assert isinstance(result, TakeFailure)
    assert "another shape" in result.message


def test_a_patch_of_this_size_is_used_as_it_is() -> None:
    limits = _limits([100, 200, 50, 50], [1280, 720])
    assert fitted(limits, _info(1280, 720)) == (limits, "")


@pytest.mark.parametrize(
    ("size", "aspect", "patch"),
    [
        # two thirds: 66.7 and 133.3 up, 133.3 and 200 down
        ((1280, 720), Fraction(1), (67, 134, 66, 66)),
        ((3840, 2160), Fraction(1), (200, 400, 200, 200)),
        # narrow pixels: 1440 x 1080 of 4:3 pixels shows what 1920 x 1080 does
        ((1440, 1080), Fraction(4, 3), (75, 200, 75, 100)),
    ],
)
def test_a_patch_of_another_size_is_scaled_and_told(
    size: tuple[int, int], aspect: Fraction, patch: tuple[int, ...]
) -> None:
    drawn = _limits([100, 200, 100, 100], [1920, 1080])
    limits, note = fitted(drawn, _info(*size, aspect))
    assert limits["white.neutral"] == patch
    assert limits["white.neutral_size"] == size
    assert note.startswith(
        "The neutral patch 100,200,100,100, drawn for 1920x1080, was scaled to "
        f"{','.join(map(str, patch))} for this picture of {size[0]}x{size[1]}."
    )
    # Once scaled, it is of this size.
    assert fitted(limits, _info(*size, aspect)) == (limits, "")


def test_a_patch_of_another_shape_is_refused() -> None:
    limits = _limits([100, 200, 50, 50], [1920, 1080])
    with pytest.raises(UsageError, match=r"drawn for a picture of 1920x1080.*720x576"):
        fitted(limits, _info(720, 576))


def test_a_patch_of_no_known_size_is_used_and_that_is_told() -> None:
    limits = _limits([100, 200, 50, 50])
    same, note = fitted(limits, _info(720, 576))
    assert same is limits
    assert "neutral_size = [720, 576] under [white]" in note


def test_the_size_of_a_recording_is_that_of_its_picture() -> None:
    assert drawn_on(SAMPLES / "take01_clean.mov") == (1280, 720)
    assert drawn_on(SAMPLES / "truth.json") is None


@pytest.mark.parametrize("value", ["[1920]", "[0, 1080]", '"HD"', "[1920.0, 1080]"])
def test_a_size_is_two_whole_numbers(value: str) -> None:
    from qc.errors import LimitsError
    from qc.limits import parse

    with pytest.raises(LimitsError, match=r"must be \[width, height\]"):
        parse(f"[white]\nneutral_size = {value}", all_options(), source="house.toml")
