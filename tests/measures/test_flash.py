"""Flashes: counts, areas and levels built to lie just under and just over the figures.

Second opinion: colour-science for BT.1886, BT.2100 and linear light.
"""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

import colour
import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from qc.judge import find
from qc.measures import default_limits, flash, framing
from qc.measures.base import Measured, Setup
from qc.measures.flash import flashes_in_a_second, turns
from qc.measures.parts.light.flashlight import Screen, needed_nits
from qc.media import TakeReader, probe
from qc.records import Coverage, Finding, Grade, Picture, TakeResult
from qc.signal import Matrix, Signal
from tests.pictures import Image, column, footage, measure, picture, scene, setup_of

MEASURES = (framing.MEASURE, flash.MEASURE)
FIGURES: dict[str, Any] = tomllib.loads(
    (Path(__file__).parents[1] / "values" / "light.toml").read_text()
)["flash"]
HEIGHT, WIDTH = 90, 160
BIG = (180, 320)
RATES = [Fraction(25), Fraction(50), Fraction(60000, 1001)]
TEN_BITS = Signal(bit_depth=10)


def code_of(nits: float, signal: Signal = TEN_BITS) -> float:
    """Return the luma code that a screen of 200 cd/m2 shows as `nits`."""
    share = float(colour.models.eotf_inverse_BT1886(nits / 200, L_B=0, L_W=1))
    return signal.code(100 * share)


def flat(nits: float, size: tuple[int, int] = (HEIGHT, WIDTH)) -> Image:
    return np.full(size, code_of(nits))


def part(area_percent: float, nits: float, ground: float = 10.0) -> Image:
    """Return a picture whose left part of so much area is bright."""
    out = flat(ground, BIG)
    height, width = BIG
    share = area_percent / 100 * width
    whole = int(share)
    out[:, :whole] = code_of(nits)
    # The column in between, up to where the area is right.
    out[: round((share - whole) * height), whole : whole + 1] = code_of(nits)
    return out


def judged(
    images: Sequence[Image], rate: Fraction, signal: Signal = TEN_BITS
) -> Measured:
    pictures = (picture(im, signal=signal, index=i) for i, im in enumerate(images))
    return measure(pictures, setup_of(rate=rate, signal=signal), MEASURES)


def found(measured: Measured) -> list[Finding]:
    return list(find(measured, MEASURES))


def most(measured: Measured) -> float:
    return float(column(measured, "flash.flashes_per_second").max())


def flashing(
    dark: Image, bright: Image, rate: Fraction, *, flashes: int
) -> list[Image]:
    """Return two seconds with so many flashes evenly in 0.9 s of them."""
    n = round(2 * rate)
    at = 0.5 + 0.9 * np.arange(2 * flashes) / (2 * flashes)
    frames = np.ceil(at * float(rate)).astype(int)
    lit = [int(np.searchsorted(frames, i, side="right")) % 2 == 1 for i in range(n)]
    return [bright if on else dark for on in lit]


# ----------------------------------------------------------------------------- counts


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("flashes", [1, 3, 4, 8])
@pytest.mark.parametrize("from_bright", [False, True])
def test_more_than_three_flashes_in_a_second(
    rate: Fraction, flashes: int, from_bright: bool
) -> None:
    dark, bright = flat(5), flat(120)
    if from_bright:
        dark, bright = bright, dark
    measured = judged(flashing(dark, bright, rate, flashes=flashes), rate)
    assert most(measured) == flashes
    assert bool(found(measured)) == (flashes > FIGURES["most_per_second"])


@pytest.mark.parametrize("rate", RATES)
def test_the_finding_says_what_where_and_what_to_do(rate: Fraction) -> None:
    images = flashing(flat(5), flat(120), rate, flashes=5)
    (finding,) = found(judged(images, rate))
    assert finding.rule == "light.flash"
    assert finding.grade is Grade.REVIEW
    assert finding.worst == 5
    assert finding.limit == 3
    assert float(finding.start) == pytest.approx(0.5, abs=1.01 / rate)
    # The last change: nine tenths of 0.9 s after the first.
    assert float(finding.end) == pytest.approx(0.5 + 0.81, abs=2.01 / rate)
    assert "Warning to viewers" in finding.message
    assert "BT.1702" in finding.message
    assert "cannot be completely eradicated" in finding.advice


@pytest.mark.parametrize(
    ("rate", "frames", "too_many"),
    [
        # The Recommendation's own spacing: 360 ms and more between leading edges.
        (25, 9, False),
        (50, 18, False),
        (30, 10, False),  # 334 ms
        (24, 8, False),
        (25, 6, True),  # 4.2 a second
        (50, 12, True),
    ],
)
def test_spacing_of_leading_edges(rate: int, frames: int, too_many: bool) -> None:
    # As long bright as dark, for four seconds.
    images = [
        flat(120) if (i % frames) * 2 < frames else flat(5) for i in range(4 * rate)
    ]
    assert bool(found(judged(images, Fraction(rate)))) == too_many


def test_every_frame_another_is_the_fastest_flash() -> None:
    for rate in RATES:
        n = round(2 * rate)
        measured = judged([flat(120 * (i % 2)) for i in range(n)], rate)
        # A turn at every frame of a second, half-open.
        assert most(measured) == pytest.approx(float(rate) / 2, abs=0.5)
        assert np.isfinite(column(measured, "flash.rise_percent")).all()


def test_a_minute_of_flashes_says_that_length_is_a_risk() -> None:
    images = [flat(120) if i % 6 < 3 else flat(5) for i in range(25 * 7)]
    (finding,) = found(judged(images, Fraction(25)))
    assert "It goes on for 7 s" in finding.message


# ------------------------------------------------------------------------------ area


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize(("area", "counts"), [(24, False), (26, True), (100, True)])
def test_a_quarter_of_the_picture(rate: Fraction, area: float, counts: bool) -> None:
    images = flashing(flat(10, BIG), part(area, 120), rate, flashes=6)
    measured = judged(images, rate)
    assert bool(found(measured)) == counts
    rise = float(column(measured, "flash.rise_percent").max())
    assert rise == pytest.approx(area, abs=0.9)


@pytest.mark.parametrize(("area", "counts"), [(23, False), (27, True)])
def test_a_square_in_the_middle(area: float, counts: bool) -> None:
    bright = flat(10, BIG)
    side = (area / 100) ** 0.5
    height, width = BIG
    y, x = round(height * side / 2), round(width * side / 2)
    bright[height // 2 - y : height // 2 + y, width // 2 - x : width // 2 + x] = 900
    measured = judged(flashing(flat(10, BIG), bright, RATES[0], flashes=6), RATES[0])
    assert bool(found(measured)) == counts


def test_parts_that_flash_against_each_other_count_once() -> None:
    left = part(50, 120, 5)
    right = np.ascontiguousarray(left[:, ::-1])
    images = flashing(left, right, RATES[0], flashes=5)
    assert most(judged(images, RATES[0])) == 5


def test_a_small_part_does_not_add_up_over_frames() -> None:
    # 13 % of the picture at every frame: twice within a tenth of a second.
    images = [part(13, 120 if i % 2 else 10) for i in range(50)]
    assert most(judged(images, RATES[0])) == 0


# ----------------------------------------------------------------------------- levels


@pytest.mark.parametrize(
    ("dark", "bright", "counts"),
    [
        (0.0, 19.7, False),
        (0.0, 20.3, True),
        (100.0, 119.7, False),
        (100.0, 120.3, True),
        (159.5, 179.8, True),
        (160.5, 199.0, False),  # the darker one is not dark; SDR
    ],
)
def test_twenty_candelas_from_under_160(
    dark: float, bright: float, counts: bool
) -> None:
    signal = Signal(bit_depth=12)
    images = flashing(
        np.full((HEIGHT, WIDTH), code_of(dark, signal)),
        np.full((HEIGHT, WIDTH), code_of(bright, signal)),
        RATES[0],
        flashes=5,
    )
    assert bool(found(judged(images, RATES[0], signal))) == counts


@pytest.mark.parametrize(("start", "needed"), FIGURES["needs"])
def test_codes_of_a_flash_in_eight_bits(start: int, needed: float) -> None:
    for code, counts in ((int(needed), False), (int(needed) + 1, True)):
        if abs(code - needed) < 0.1:
            continue  # the figure itself is rounded to a tenth
        images = flashing(
            np.full((HEIGHT, WIDTH), float(start)),
            np.full((HEIGHT, WIDTH), float(code)),
            RATES[0],
            flashes=5,
        )
        assert bool(found(judged(images, RATES[0], Signal()))) == counts


def test_a_change_may_take_several_frames() -> None:
    # Up and down by 60 cd/m2 in three frames each way: 25 / 6 flashes a second.
    ramp = [5, 25, 45, 65, 45, 25]
    images = [flat(ramp[i % 6]) for i in range(75)]
    assert bool(found(judged(images, RATES[0])))
    # Steps of 6 add up to 18 only: no flash.
    small = [5, 11, 17, 23, 17, 11]
    assert most(judged([flat(small[i % 6]) for i in range(75)], RATES[0])) == 0


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 2**32 - 1), st.sampled_from(["bt709", "hlg", "pq"]))
def test_luminance_is_colour_sciences(number: int, transfer: Any) -> None:
    matrix: Matrix = "bt709" if transfer == "bt709" else "bt2020"
    signal = Signal(bit_depth=10, transfer=transfer, matrix=matrix)
    random = np.random.default_rng(number)
    rgb = random.uniform(0.02, 0.98, 3)
    weights = (
        np.array([0.2126, 0.7152, 0.0722])
        if matrix == "bt709"
        else np.array([0.2627, 0.6780, 0.0593])
    )
    luma = float(weights @ rgb)
    cb = (rgb[2] - luma) / (2 * (1 - weights[2]))
    cr = (rgb[0] - luma) / (2 * (1 - weights[0]))
    p = ycbcr_picture(luma, cb, cr, signal)
    # What the rounded codes say.
    y, b, r = (float(v.flat[0]) for v in (p.y, p.cb, p.cr))
    luma, cb, cr = (y - 64) / 876, (b - 512) / 896, (r - 512) / 896
    red, blue = luma + 2 * (1 - weights[0]) * cr, luma + 2 * (1 - weights[2]) * cb
    green = (luma - weights[0] * red - weights[2] * blue) / weights[1]
    back = np.clip([red, green, blue], 0, 1)
    if transfer == "bt709":
        expected = 200 * weights @ colour.models.eotf_BT1886(back, L_B=0, L_W=1)
    elif transfer == "pq":
        expected = weights @ colour.models.eotf_ST2084(back)
    else:
        light = colour.models.oetf_inverse_BT2100_HLG(back)
        expected = 1000 * (weights @ light) ** 1.2
    shown = Screen(signal).show(p)
    assert float(shown.nits[0, 0]) == pytest.approx(
        float(expected), rel=0.004, abs=0.05
    )


def ycbcr_picture(luma: float, cb: float, cr: float, signal: Signal) -> Picture:
    scale = signal.white - signal.black
    y = np.full((HEIGHT, WIDTH), signal.black + luma * scale)
    p = picture(y, signal=signal)
    shape, dtype = p.cb.shape, p.cb.dtype
    planes = [
        np.full(shape, round(signal.chroma_zero + signal.chroma_span * c), dtype)
        for c in (cb, cr)
    ]
    return Picture(
        index=0, pts=0, y=p.y, cb=planes[0], cr=planes[1], signal=signal, duration=1
    )


def test_bright_places_count_in_hdr_from_a_contrast_of_a_seventeenth() -> None:
    darker = np.array([0, 159.9, 160, 400], np.float32)
    sdr, hdr = needed_nits(darker, hdr=False), needed_nits(darker, hdr=True)
    assert sdr.tolist() == [20, 20, np.inf, np.inf]
    brighter = darker + hdr
    assert ((brighter - darker) / (brighter + darker))[2:] == pytest.approx(1 / 17)
    # Both meet at 160: an eighth of it is 20.
    assert hdr[2] == pytest.approx(20)


@pytest.mark.parametrize(("high", "counts"), [(440.0, False), (460.0, True)])
def test_hdr_is_judged_at_its_own_levels(high: float, counts: bool) -> None:
    # 400 to 450 cd/m2 is a contrast of 1/17. PQ by colour-science.
    signal = Signal(bit_depth=12, transfer="pq", matrix="bt2020")
    low_code, high_code = (
        signal.code(100 * float(colour.models.eotf_inverse_ST2084(nits)))
        for nits in (400.0, high)
    )
    images = flashing(
        np.full((HEIGHT, WIDTH), low_code),
        np.full((HEIGHT, WIDTH), high_code),
        RATES[0],
        flashes=5,
    )
    measured = judged(images, RATES[0], signal)
    assert bool(found(measured)) == counts
    assert flash.MEASURE.notes is not None
    assert any("PQ" in n for n in flash.MEASURE.notes(measured)) == counts


# ------------------------------------------------------------------------------- red


@pytest.mark.parametrize("transfer", ["bt709", "hlg", "pq"])
def test_what_is_passed_over_is_never_saturated_red(transfer: Any) -> None:
    # Cells of chance colours near red; colour-science's curves say which are red.
    signal = Signal(bit_depth=10, transfer=transfer, matrix="bt2020")
    screen, random = Screen(signal), np.random.default_rng(12)
    eotf: Any = {
        "bt709": lambda v: colour.models.eotf_BT1886(v, L_B=0, L_W=1),
        "hlg": colour.models.oetf_inverse_BT2100_HLG,
        "pq": lambda v: colour.models.eotf_ST2084(v) / 1000,
    }[transfer]
    passed = red = 0
    for _ in range(400):
        rgb = random.uniform(0, 1) * np.array([1, *random.uniform(0, 1, 2)])
        luma = float(np.array([0.2627, 0.6780, 0.0593]) @ rgb)
        cb, cr = (rgb[2] - luma) / 1.8814, (rgb[0] - luma) / 1.4746
        shown = screen.show(ycbcr_picture(luma, cb, cr, signal))
        r, g, b = eotf(rgb)
        saturated = r / max(r + g + b, 1e-9) >= 0.81 and 320 * (r - g - b) >= 20.5
        assert shown.may_be_red or not saturated
        if saturated:
            assert shown.saturated.all()
        passed += not shown.may_be_red
        red += saturated
    assert passed > 100
    assert red > 20


def red_picture(rgb: tuple[float, float, float], index: int) -> Picture:
    """Return a flat picture of R'G'B' shares."""
    red, green, blue = rgb
    luma = 0.2126 * red + 0.7152 * green + 0.0722 * blue
    p = ycbcr_picture(luma, (blue - luma) / 1.8556, (red - luma) / 1.5748, TEN_BITS)
    p.index = p.pts = index
    return p


@pytest.mark.parametrize(
    ("one", "other", "counts"),
    [
        # Deep red and black: under 20 cd/m2, but to and from saturated red.
        ((0.6, 0.0, 0.0), (0.0, 0.0, 0.0), True),
        # Red and a blue of about its luminance.
        ((0.6, 0.0, 0.0), (0.0, 0.0, 0.95), True),
        # A grey of the same small luminance step.
        ((0.33, 0.33, 0.33), (0.0, 0.0, 0.0), False),
        # Reddish, but R / (R + G + B) under 0.8.
        ((0.6, 0.35, 0.35), (0.45, 0.3, 0.3), False),
        # Saturated, but 320 (R - G - B) changes by less than 20.
        ((0.30, 0.0, 0.0), (0.0, 0.0, 0.0), False),
    ],
)
def test_red_flashes(
    one: tuple[float, float, float], other: tuple[float, float, float], counts: bool
) -> None:
    linear = [
        np.asarray(colour.models.eotf_BT1886(c, L_B=0, L_W=1)) for c in (one, other)
    ]
    nits = [200 * float(np.array([0.2126, 0.7152, 0.0722]) @ c) for c in linear]
    assert abs(nits[0] - nits[1]) < 20
    red = [float(c[0] / max(c.sum(), 1e-9)) for c in linear]
    excess = [max(0.0, 320 * float(c[0] - c[1] - c[2])) for c in linear]
    step = abs(excess[0] - excess[1])
    assert (max(red) >= 0.8 and step >= 20) == counts
    pictures = (red_picture(one if i % 6 < 3 else other, i) for i in range(60))
    measured = measure(pictures, setup_of(rate=Fraction(25), signal=TEN_BITS), MEASURES)
    assert bool(found(measured)) == counts
    if counts:
        assert "red" in found(measured)[0].message


# --------------------------------------------------------------- what is not a flash


def test_cuts_are_not_flashes_unless_they_repeat() -> None:
    random = np.random.default_rng(41)
    looks = [
        scene(HEIGHT, WIDTH, random, low=30) * g + 16 * (1 - g)
        for g in (1.0, 0.4, 1.0, 0.4)
    ]

    def cuts(each: int) -> list[Image]:
        return [looks[(i // each) % 4] for i in range(100)]

    assert not found(judged(cuts(25), RATES[0], Signal()))
    assert not found(judged(cuts(9), RATES[0], Signal()))
    assert found(judged(cuts(3), RATES[0], Signal()))


@pytest.mark.parametrize("step", [1, 3, 8])
def test_a_pan_is_no_flash(step: int) -> None:
    wide = scene(HEIGHT, WIDTH + 40 * step, np.random.default_rng(42))
    images = [wide[:, step * i : step * i + WIDTH] for i in range(40)]
    assert not found(judged(images, RATES[0], Signal()))


def test_hands_and_noise_are_no_flash() -> None:
    random = np.random.default_rng(43)
    still = scene(HEIGHT, WIDTH, random)
    images = []
    for i in range(60):
        image = still + random.normal(0, 10, still.shape)
        left = round(WIDTH * (0.4 + 0.3 * np.sin(2 * np.pi * 2 * i / 25)))
        image[30:, left : left + 30] = 210
        images.append(image)
    assert not found(judged(images, RATES[0], Signal()))


def test_one_step_of_the_iris_is_half_a_flash() -> None:
    images = [flat(40)] * 20 + [flat(150)] * 20
    assert most(judged(images, RATES[0])) == 0.5


@pytest.mark.parametrize("size", [(1, 1), (2, 3), (7, 5), (99, 41)])
def test_odd_and_tiny_pictures_flash_too(size: tuple[int, int]) -> None:
    images = [np.full(size, 200.0 if i % 4 < 2 else 20.0) for i in range(40)]
    assert found(judged(images, RATES[0], Signal()))


def test_damaged_frames_are_left_out() -> None:
    pictures = [
        picture(
            flat(120 if i % 5 == 2 else 5), signal=TEN_BITS, index=i, damaged=i % 5 == 2
        )
        for i in range(60)
    ]
    measured = measure(pictures, setup_of(rate=Fraction(25), signal=TEN_BITS), MEASURES)
    assert not found(measured)
    assert np.isnan(column(measured, "flash.rise_percent")[2])


# ------------------------------------------------------------------------- arithmetic


@given(st.lists(st.sampled_from("+-0b"), max_size=60))
def test_turns_alternate(kinds: list[str]) -> None:
    up = np.array([90.0 if k in "+b" else 0.0 for k in kinds])
    down = np.array([90.0 if k in "-b" else 0.0 for k in kinds])
    rows = turns(up, down, area_percent=25)
    # A plain walk through the letters.
    expected, last = [], ""
    for i, k in enumerate(kinds):
        now = {"0": "", "b": "-" if last == "+" else "+"}.get(k, k)
        if now and now != last:
            expected.append(i)
            last = now
    assert rows.tolist() == expected


@given(st.lists(st.booleans(), min_size=1, max_size=120), st.sampled_from(RATES))
def test_counting_in_the_fullest_second(on: list[bool], rate: Fraction) -> None:
    rows = np.flatnonzero(on)
    times = np.arange(len(on)) / float(rate)
    measured = flashes_in_a_second(rows, times)
    exact = [Fraction(int(r)) / rate for r in rows]
    expected = np.zeros(len(on))
    for first, begin in enumerate(exact):
        inside = [j for j in range(first, len(rows)) if exact[j] < begin + 1]
        part = slice(rows[first], rows[inside[-1]] + 1)
        expected[part] = np.maximum(expected[part], len(inside) / 2)
    assert measured == pytest.approx(expected)


def test_exhibits_show_both_directions() -> None:
    measured = judged(flashing(flat(5), flat(120), RATES[0], flashes=5), RATES[0])
    assert measured.picture is not None
    result = TakeResult(
        info=measured.info,
        coverage=Coverage("every frame", 0, None, 0, 0, 0, 0.0, 0.0),
        grade=Grade.REVIEW,
        findings=tuple(found(measured)),
        usable=(),
        summary={},
        advice=(),
        notes=(),
        picture=measured.picture,
        sound=(),
        duration=Fraction(2),
        limits=measured.limits,
    )
    assert flash.MEASURE.exhibits is not None
    (exhibit,) = flash.MEASURE.exhibits(result, result.findings[0])
    assert [line.label for line in exhibit.lines] == ["Brighter", "Darker"]
    # Five peaks of each.
    for line in exhibit.lines:
        assert np.count_nonzero(line.y > 25) == 5
    assert exhibit.levels == (("Limit", 25.0),)


@pytest.mark.footage
@pytest.mark.parametrize("name", ["carphone_pristine.mp4"])
def test_real_recordings_do_not_flash(name: str) -> None:
    info = probe(footage(name))
    cv2.setNumThreads(1)
    with TakeReader(info, threads=1) as reader:
        pictures = (item for item in reader if isinstance(item, Picture))
        measured = measure(pictures, Setup(info, default_limits()), MEASURES)
    assert not found(measured)
