"""Whether a sheet that filled the picture was a white reference, or may be skin.

Skin of every tone is coded much as a white is under a warmer lamp, and is as flat. So
the colour of a warm sheet says nothing by itself; the rest of the take may. Under one
lamp a white has next to nothing bluer beside it, and a sure white elsewhere has its
colour. Where the rest of a take is silent, a warm sheet is believed only if it is as
bright and of as even a colour as a white held into the lamp, at the start of a take,
where a reference is taken. A sheet that is not warm is none of skin.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from qc.measures.parts.neutral.neutral import Features, Scene, Search
from qc.measures.parts.neutral.neutrallight import Map

__all__ = ["Witness", "may_be_skin"]

# From this much R/G over B/G on, in stops, a colour may be skin: the skins of colour
# charts have 1.4 and more, pale skin 0.35; a white under a lamp 15 mired warmer has
# 0.23. What is less warm is within the limit of a cast: nothing hangs on it.
_WARM_STOPS = 0.2
# All house choices from here on.
_SURE = 0.5  # confidence from which another surface has a say
_AGREES, _OTHER = 0.12, 0.2  # stops of R/G and B/G: one colour; another
# What lies beside skin: a share of the lit picture that is bluer, or bright things
# that outshine it in blue by so many stops and by so many more than in red, or reds
# with so much more blue than it has.
_BLUER, _OVER_BLUE, _MORE_BLUE, _REDS_BLUE = 0.02, 0.3, 0.2, 0.15
_SOME = 0.15  # of the pictures looked at
_LEAST_REDS = 0.005  # of the lit picture
# A white held into the lamp: stops of luminance under diffuse white, deviation of its
# colour in stops, and how soon in the take, how long.
_BRIGHT, _EVEN, _SOON_S, _LONG_S = -2.0, 0.05, 0.5, 0.8
_MOST_SCENES = 24


def may_be_skin(red_stops: float, blue_stops: float) -> bool:
    """Return whether a colour, log2 R/G and B/G, is warm enough to be skin's."""
    return red_stops > 0.0 and red_stops - blue_stops > _WARM_STOPS


@dataclass(slots=True)
class _Sheet:
    """A warm sheet, as it was at its first look."""

    red: float
    blue: float
    level: float  # stops of green under diffuse white
    bright: float  # of luminance
    spread: float
    first_s: float
    last_s: float


class Witness:
    """Gathers what the rest of a take says of sheets that fill the picture."""

    def __init__(self) -> None:
        self._sheets: dict[int, _Sheet] = {}
        self._others: list[tuple[float, float]] = []
        self._scenes: list[Scene] = []
        self._every, self._looks = 1, 0
        self._start_s = math.nan

    def saw(self, at_s: float) -> None:
        """Note that the take has a picture at this time."""
        if math.isnan(self._start_s):
            self._start_s = at_s

    def looked(self, search: Search) -> None:
        """Keep what a picture shows that no sheet fills, of ever fewer pictures."""
        if search.scene.red.size == 0:
            return
        self._looks += 1
        if self._looks % self._every:
            return
        self._scenes.append(search.scene)
        if len(self._scenes) > _MOST_SCENES:
            self._scenes = self._scenes[::2]
            self._every *= 2

    def other(self, features: Features, confidence: float) -> None:
        """Note a surface that is no sheet."""
        if confidence >= _SURE:
            self._others.append((features.red_stops, features.blue_stops))

    def sheet(self, track: int, features: Features, bright: float, at_s: float) -> None:
        """Note a sheet.

        Parameters
        ----------
        bright : float
            Stops of the picture's bright end.
        """
        known = self._sheets.get(track)
        if known is not None:
            known.last_s = at_s
            known.spread = max(known.spread, features.spread_stops)
            return
        red, blue = features.red_stops, features.blue_stops
        level = features.level_stops + bright
        light = 0.2126 * 2.0**red + 0.7152 + 0.0722 * 2.0**blue  # ITU-R BT.709
        spread = features.spread_stops
        self._sheets[track] = _Sheet(
            red, blue, level, level + math.log2(light), spread, at_s, at_s
        )

    def held(self, track: int, at_s: float) -> None:
        """Note that a sheet is still there."""
        if track in self._sheets:
            self._sheets[track].last_s = at_s

    def doubts(self) -> dict[int, tuple[str, float]]:
        """Return sheets that are not to be believed: why, and since when in seconds."""
        out = {}
        for track, sheet in self._sheets.items():
            if not may_be_skin(sheet.red, sheet.blue):
                continue
            why = self._doubt(sheet)
            if why:
                out[track] = why, sheet.first_s
        return out

    def _doubt(self, sheet: _Sheet) -> str:
        agrees = False
        for red, blue in self._others:
            apart = math.hypot(red - sheet.red, blue - sheet.blue)
            agrees |= apart <= _AGREES
            if apart > _OTHER and red - blue < sheet.red - sheet.blue:
                return "skin"
        if agrees:
            return ""
        against = [_is_against(scene, sheet) for scene in self._scenes]
        if sum(against) > _SOME * len(against):
            return "skin"
        like_a_white = (
            bool(against)
            and sheet.bright >= _BRIGHT
            and sheet.spread <= _EVEN
            and sheet.first_s - self._start_s <= _SOON_S
            and sheet.last_s - sheet.first_s >= _LONG_S
        )
        return "" if like_a_white else "doubtful"


def _is_against(scene: Scene, sheet: _Sheet) -> bool:
    """Return whether a picture shows what does not lie beside a white of this colour.

    With the slack of the features that candidates are weighed by.
    """
    over_red = scene.bright_red - sheet.level - sheet.red
    over_blue = scene.bright_blue - sheet.level - sheet.blue
    if over_blue > _OVER_BLUE and over_blue - over_red > _MORE_BLUE:
        return True
    lit = scene.green > scene.bright - 3.0
    count = max(int(np.count_nonzero(lit)), 1)
    bluer = lit & (scene.blue > sheet.blue + 0.25) & (scene.red > sheet.red - 0.4)
    if np.count_nonzero(bluer) > _BLUER * count:
        return True
    off: Map = scene.red - np.float32(sheet.red)
    reds = lit & (off > 0.5) & (off < 2.5)
    if np.count_nonzero(reds) < _LEAST_REDS * count:
        return False
    return float(np.median(scene.blue[reds])) - sheet.blue > _REDS_BLUE
