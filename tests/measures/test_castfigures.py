"""The figures in a sentence on a cast are of one white: each follows from the others.

What CCT and Duv say in u', v' and CIEDE2000 is worked out by colour-science.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

import colour
import numpy as np
import pytest
from numpy.typing import NDArray

from qc.measures.white import MEASURE
from qc.records import Finding
from qc.signal import Signal
from tests.measures.test_white import (
    D65,
    HALF_GREY,
    WARM,
    findings,
    make_info,
    measure,
    notes,
    summary,
    take,
)

SIGNAL = Signal(bit_depth=10)
COLD = HALF_GREY * [2**-0.2, 1.0, 2**0.2]
GREENISH = HALF_GREY * [2**-0.1, 1.0, 2**-0.15]
MILD = HALF_GREY * [2**0.15, 1.0, 2**-0.1]
NUMBER = r"[+−]?[0-9]+(?:\.[0-9]+)?"
FIGURES = re.compile(
    rf"CIEDE2000 ({NUMBER}) from neutral, limit {NUMBER}; Δu′v′ ({NUMBER}); CCT of the "
    rf"white ({NUMBER}) K, Duv ({NUMBER}), where neutral is ({NUMBER}) K"
)
GAINS = re.compile(rf"gains of red ({NUMBER}) stop, blue ({NUMBER}) stop")


def numbers(pattern: re.Pattern[str], text: str) -> list[float]:
    found = pattern.search(text)
    assert found is not None, text
    return [float(n.replace("−", "-")) for n in found.groups()]


def of_xyz(xyz: Iterable[float]) -> tuple[NDArray[np.float64], float]:
    """Return u', v' and the CIEDE2000 of a surface as light as white, from neutral."""
    white = np.asarray(xyz) / np.asarray(xyz)[1]
    uv = colour.xy_to_Luv_uv(colour.XYZ_to_xy(white))
    lab = colour.XYZ_to_Lab(white, D65)
    return uv, float(colour.delta_E(lab, [lab[0], 0, 0], method="CIE 2000"))


def white_told(finding: Finding) -> None:
    """Check that all figures told of a cast are those of one white."""
    delta_e, delta_uv, cct, duv, neutral = numbers(FIGURES, finding.message)
    uv = colour.temperature.CCT_to_uv_Ohno2013([cct, duv])
    xyz = colour.xy_to_XYZ(colour.UCS_uv_to_xy(uv))
    uv_prime, expected = of_xyz(xyz)
    middle = colour.xy_to_Luv_uv(D65)
    # Told are whole kelvins and thousandths of Duv: half a thousandth in v is three
    # quarters of it in v', and 0.6 of CIEDE2000.
    assert delta_uv == pytest.approx(np.hypot(*(uv_prime - middle)), abs=8e-4)
    assert delta_e == pytest.approx(expected, abs=0.8)
    words = re.search(r"(warm|cold) by about (\d+) mired", finding.message)
    shift = 1e6 / cct - 1e6 / neutral
    if words is None:
        assert abs(shift) < 5.5
    else:
        assert float(words[2]) == pytest.approx(abs(shift), abs=3.0)
        assert (words[1] == "warm") == (shift > 0)
    if "gains of" not in finding.advice:
        return
    red, blue = numbers(GAINS, finding.advice)
    space = colour.RGB_COLOURSPACES["ITU-R BT.709"]
    uv_prime, expected = of_xyz(colour.RGB_to_XYZ([2**-red, 1.0, 2**-blue], space))
    # Told are hundredths of a stop.
    assert delta_uv == pytest.approx(np.hypot(*(uv_prime - middle)), abs=8e-4)
    assert delta_e == pytest.approx(expected, abs=0.3)


@pytest.mark.parametrize(
    "plan",
    [
        [(80, WARM)],
        [(40, WARM), (60, COLD)],
        [(60, COLD), (40, WARM)],
        [(30, WARM), (50, MILD), (50, COLD)],
        [(40, WARM), (90, GREENISH)],
        [(40, WARM), (30, np.full(3, 0.01)), (40, COLD)],
    ],
    ids=str,
)
def test_all_figures_of_a_cast_are_of_one_moment(
    plan: list[tuple[int, NDArray[np.float64]]],
) -> None:
    frames = sum(count for count, _ in plan)
    measured = measure(take(plan, signal=SIGNAL), make_info(SIGNAL, frames=frames))
    casts = [f for f in findings(measured) if f.rule == "white.cast"]
    assert casts
    for finding in casts:
        white_told(finding)
    # The worst of all is the moment told.
    worst = max(casts, key=lambda f: f.worst or 0.0)
    assert "warm" in worst.message.partition("(")[0]


def test_the_summary_is_of_one_white() -> None:
    plan = [(40, WARM), (50, MILD), (45, COLD)]
    measured = measure(take(plan, signal=SIGNAL), make_info(SIGNAL, frames=135))
    told = summary(measured)
    alone = summary(measure(take([(50, MILD)], signal=SIGNAL), make_info(SIGNAL)))
    for name in ("delta_uv_prime", "cct_k", "duv", "red_stops", "blue_stops"):
        assert told[name] == pytest.approx(alone[name])


def test_a_cast_that_turns_into_its_opposite_gets_no_one_correction() -> None:
    plan = [(60, WARM), (60, COLD)]
    measured = measure(take(plan, signal=SIGNAL), make_info(SIGNAL, frames=120))
    (finding,) = [f for f in findings(measured) if f.rule == "white.cast"]
    warm, cold = finding.message.index("through: warm"), finding.message.index("cold")
    assert warm < cold
    assert "gains of" not in finding.advice
    assert "theatre lamp" not in finding.advice


def test_advice_on_a_patch_that_is_often_no_patch_is_doubtful() -> None:
    dark = np.full(3, 0.01)
    plan = [(30, WARM), (100, dark), (30, WARM)]
    measured = measure(take(plan, signal=SIGNAL), make_info(SIGNAL, frames=160))
    (finding,) = findings(measured)
    assert "in 100 of 160 frames" in notes(measured)[0]
    # 60 of 160 frames.
    assert "The patch could be read in only 38 % of these frames" in finding.message
    assert finding.advice.startswith(
        "Make sure that the patch lies on one and the same"
    )
    assert "gains of" not in finding.advice
    # A hand that passes leaves the finding sure.
    plan = [(60, WARM), (20, dark), (60, WARM)]
    measured = measure(take(plan, signal=SIGNAL), make_info(SIGNAL, frames=140))
    (finding,) = findings(measured)
    assert "could be read in only" not in finding.message
    assert finding.advice.startswith("Before the next case")
    assert "gains of" in finding.advice


def test_the_swatches_are_of_the_white_told() -> None:
    plan = [(40, WARM), (60, COLD)]
    measured = measure(take(plan, signal=SIGNAL), make_info(SIGNAL, frames=100))
    (finding,) = [f for f in findings(measured) if f.rule == "white.cast"]

    class Result:
        picture = measured.picture
        info = measured.info

    assert MEASURE.exhibits is not None
    (exhibit,) = MEASURE.exhibits(Result(), finding)  # type: ignore[arg-type]
    assert "red −0.31 stop, blue +0.44 stop" in exhibit.caption
