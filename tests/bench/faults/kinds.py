"""Every fault that can be put in, its strengths, and from which on a viewer notices.

Where no source is named, the strength that a viewer notices is common practice, from
viewing, and a house choice; it was fixed before anything was measured with it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from tests.bench.faults import iris, lamp, lens, tape
from tests.bench.faults.job import Injected, Job
from tests.bench.faults.pieces import Source

__all__ = ["KINDS", "Graded", "Kind"]


def _anywhere(_: Source) -> bool:
    return True


class Graded(Protocol):
    """What a table tells of a kind of fault, in picture or sound; see `Kind`."""

    @property
    def rule(self) -> str: ...
    @property
    def name(self) -> str: ...
    @property
    def low(self) -> float: ...
    @property
    def high(self) -> float: ...
    @property
    def noticed(self) -> float: ...
    @property
    def unit(self) -> str: ...
    @property
    def edges(self) -> str: ...
    @property
    def as_note(self) -> bool: ...


@dataclass(frozen=True)
class Kind:
    """A kind of fault.

    Attributes
    ----------
    low, high : float
        Strengths put in.
    noticed : float
        A viewer notices from here on; what recall is asked of.
    why : str
        Why there.
    edges : str
        Which ends are abrupt: "both", "start" or "none".
    fits : function of a Source
        Whether the fault would show in this piece.
    """

    rule: str
    name: str
    put: Callable[[Job], Injected | None]
    low: float
    high: float
    noticed: float
    unit: str
    why: str
    edges: str = "none"
    fits: Callable[[Source], bool] = _anywhere
    as_note: bool = False


def _still(source: Source) -> bool:
    return source.still


def _moves(source: Source) -> bool:
    return source.moves


def _travels(source: Source) -> bool:
    return source.travels


def _neutral(source: Source) -> bool:
    return source.neutral


def _steady(source: Source) -> bool:
    return source.still or source.name.startswith(("take", "field"))


KINDS: tuple[Kind, ...] = (
    Kind("focus.soft", "at once", lens.soft, 0.35, 8, 2.0, "px",
         "half of the detail at 0.09 cycles a pixel is gone (6.1 of the standards: "
         "MTF50 is 0.187 over the sd)", "both"),
    Kind("focus.soft", "slowly", lens.soft_slowly, 0.35, 8, 2.0, "px",
         "as at once"),
    Kind("focus.hunting", "swings", lens.hunting, 0.35, 6, 2.0, "px",
         "as soft focus", fits=_steady),
    Kind("picture.shake", "sway", lens.sway, 0.1, 4, 1.0, "% of width",
         "19 pixels of a 1920 picture, twice the width of a caption's stroke",
         fits=_steady),
    Kind("picture.shake", "knock", lens.knock, 0.1, 4, 1.0, "% of width",
         "as sway", "start", fits=_steady),
    Kind("picture.black", "lens cap", tape.black, 1, 50, 3, "frames",
         "a tenth of a second of black is seen as a blink", "both"),
    Kind("picture.frozen", "stopped", tape.frozen, 0.15, 3, 0.75, "s",
         "a living picture that stops for longer than a blink of the eye", "both",
         fits=_moves),
    Kind("picture.repeated", "single frames", tape.repeated, 2, 16, 8, "frames",
         "about one jerk a second", "both", fits=_moves),
    Kind("picture.repeated", "every second", tape.cadence, 1, 1, 1, "",
         "a note, no fault", fits=_moves, as_note=True),
    Kind("file.gap", "frames lost", tape.gap, 1, 25, 1, "frames",
         "exact by the time stamps", "both"),
    Kind("picture.combing", "woven fields", tape.woven, 0.5, 30, 5, "% of range",
         "teeth of 5 % of the range at edges that move are seen at a metre", "both",
         fits=_moves),
    Kind("light.flicker", "whole picture", lamp.flicker, 0.3, 20, 2.0, "% of light",
         "at 5 to 10 Hz an eye sees 1 % (de Lange curves, from memory)"),
    Kind("light.banding", "rolling bands", lamp.banding, 0.3, 20, 3.0, "% of light",
         "an eye sees bands of 1 % in a flat field (contrast sensitivity, from "
         "memory), 3 % in a picture"),
    Kind("light.flash", "4 to 8 a second", lamp.flashes, 12, 70, 30, "% of picture",
         "ITU-R BT.1702-3: over 25 % of the picture", "both"),
    Kind("picture.noise", "gain", iris.gain_noise, 0.3, 5, 2.0, "% of range",
         "34 dB under the range at mid level", "both"),
    Kind("picture.blemish", "drop", lens.blemish, 5, 80, 30, "% darker",
         "half a stop darker and blurred, 3 to 8 % of the width across",
         fits=_travels),
    Kind("picture.blemish", "drop that lands", lens.landing, 5, 80, 30, "% darker",
         "as a drop; a camera at rest", fits=_steady),
    Kind("picture.blemish", "large drop that lands", lens.splash, 5, 80, 30,
         "% darker", "as a drop, 8 to 20 % of the width across; a camera at rest",
         fits=_steady),
    Kind("picture.blemish", "drop under a sway", lens.swayed, 5, 80, 30, "% darker",
         "as a drop; there from the start, 1.5 to 4 % of the width to and fro",
         fits=_steady),
    Kind("picture.blemish", "dust", lens.dust, 5, 90, 40, "% darker",
         "a dark dot of 1.2 to 2.5 % of the width", fits=_travels),
    Kind("picture.blemish", "stuck pixel", lens.stuck, 10, 100, 40, "% to white",
         "a bright dot that does not move is seen on a dark ground", fits=_travels),
    Kind("exposure.dark", "iris closed", iris.dark, 1, 4.5, 2.5, "stops",
         "white falls to 40 % of the range", "both"),
    Kind("highlights.relevant", "iris open", iris.burnt, 0.3, 25, 4, "% of picture",
         "four times what the house lets pass", "both"),
    Kind("exposure.drift", "walks", iris.drift, 0.15, 1.6, 0.5, "stops",
         "a third of a stop is seen between two shots, half a stop within one"),
    Kind("exposure.drift", "pumps", iris.pumping, 0.15, 1.6, 0.5, "stops",
         "as walking"),
    Kind("white.drift", "walks", iris.white_walk, 5, 80, 25, "mired",
         "five just noticeable steps of 5 mired (trade rule, from memory)",
         fits=_neutral),
    Kind("white.cast", "changed preset", iris.cast, 8, 95, 40, "mired",
         "twice what the house lets pass", "both", fits=_neutral),
)  # fmt: skip
