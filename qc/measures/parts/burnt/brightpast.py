"""What the take remembers of a place from before it burnt out.

Private to `brightparts`. A small map of colour and light on the proxy
grid, taken wherever no channel was near its end. It is believed only where the light
of the whole picture rose enough since to burn that place out, and where the picture
around it is still the one remembered: what was laid down meanwhile has no past.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.burnt.brightcues import Plane, Scene, spread_of, stops_of
from qc.records import Picture
from qc.views import proxy_luma, proxy_rgb

__all__ = ["BrightMemory", "Past"]

Flags = NDArray[np.bool_]
White = tuple[float, float, bool]

# A clean picture is remembered once in so many.
_EVERY = 12
# Remembered where every channel is under this share of the level: no knee there.
_CLEAR = 0.88
_BRIGHT = 0.35
# A cut: coarse pictures that correlate less are of different scenes (as `framing`).
_SAME_SCENE = 0.5
_COARSE = (48, 27)
# A place burnt out by more light must by then be this close to the level, in stops.
_SLACK_STOPS = 0.4
_MATCH_STOPS = 0.3
_MATCH_CELLS = 0.05
_COLOURED_STOPS, _NEUTRAL_STOPS = 0.22, 0.1
# The light's white is the middle one of so many looks: a blue glove or a towel that
# comes and goes must not pass for it.
_WHITES = 7
# What a place was found to be is a mean over so many seconds of looks; however long ago
# the last look was, the newest has no more weight than this, and no merit counts for
# more than that. Where times are not known, looks are so far apart.
_SETTLE_SECONDS, _MOST_NEWEST, _MOST_MERIT, _SOME_SECONDS = 0.4, 0.6, 4.0, 0.2


@dataclass(frozen=True, slots=True, eq=False)
class Past:
    """What is remembered of burnt-out places, (h, w) arrays of bool.

    Attributes
    ----------
    tissue, cloth : array of bool
        Coloured, or neutral, before it burnt out.
    """

    tissue: Flags
    cloth: Flags


class BrightMemory:
    """The past of one take's bright places. Feed it every picture in order.

    `split` and `classify` feed it themselves; `see` is for pictures with nothing burnt
    out, and costs next to nothing for most of them.

    Parameters
    ----------
    tick : float or None
        Seconds of a tick of the pictures' times; None: not known.
    """

    def __init__(self, tick: float | None = None) -> None:
        self._tick = tick
        self._whites: deque[tuple[float, float]] = deque(maxlen=_WHITES)
        self._settled_at = 0
        self._settled: Plane | None = None
        self._seen = 0
        self._end = 0.0
        self._colour: Plane | None = None
        # In stops, less what the whole picture has brightened by since the start.
        self._light: Plane | None = None
        self._brightened = 0.0
        self._known: Flags | None = None
        self._coarse: Plane | None = None

    def reach(self, end: float) -> float:
        """Return where this camera's signal ends, given where this picture's does.

        Parameters
        ----------
        end : float
            Share of black to white.
        """
        self._end = max(self._end, end)
        return self._end

    def see(self, picture: Picture) -> None:
        """Remember a picture in which nothing, or next to nothing, is burnt out."""
        self._seen += 1
        self._settled = None
        if (self._seen - 1) % _EVERY or picture.damaged or not picture.y.size:
            return
        luma = picture.view(proxy_luma) * np.float32(0.01)
        self._follow(luma)
        rgb = picture.view(proxy_rgb)
        transfer = picture.signal.transfer
        colour = stops_of(rgb, transfer)
        level = max(self._end, 1.0)
        clear = _clear(rgb, level)
        light = _light_of(luma)
        self._expose(clear, luma, light)
        self._learn(clear, luma, colour, light)

    def recall(self, scene: Scene, colour: Plane) -> Past:
        """Return the past of a picture's burnt-out places, then learn from it."""
        self._seen = 0
        self._follow(scene.luma)
        clear, light = _clear(scene.rgb, scene.level), _light_of(scene.luma)
        past = self._past(scene, clear, light)
        self._learn(clear, scene.luma, colour, light)
        return past

    def steady_white(self, white: White) -> White:
        """Return the white of the looks of late, given what this one's free part shows.

        Parameters
        ----------
        white : (red, blue, known)
            As `brightwhite.white_of` gives it.
        """
        red, blue, known = white
        if known:
            self._whites.append((blue, red))
        if not self._whites:
            return white
        blue, red = sorted(self._whites)[(len(self._whites) - 1) // 2]
        return red, blue, True

    def settle(self, merit: Plane, burnt: Plane, pts: int) -> Plane:
        """Return merits averaged over the looks of late, and remember them.

        Parameters
        ----------
        merit, burnt : (h, w) arrays of float32
            Merit of each cell at this look, and its share that is burnt out.
        pts : int
            When the picture is shown, in ticks.

        Notes
        -----
        The light's white is told anew at every look, from what lies free then, and so
        whole areas waver together; a finding is of the worst look. A cell that was not
        burnt out at the look before has its own merit alone.
        """
        now = np.clip(merit, -_MOST_MERIT, _MOST_MERIT)
        before = self._settled
        apart = _SOME_SECONDS
        if self._tick is not None:
            apart = abs(pts - self._settled_at) * self._tick
        if before is not None and before.shape == now.shape:
            newest = min(1 - np.exp(-apart / _SETTLE_SECONDS), _MOST_NEWEST)
            latest = np.float32(newest)
            mean = before + latest * (now - before)
            now = np.where(np.isnan(before), now, mean)
        self._settled, self._settled_at = np.where(burnt > 0, now, np.nan), pts
        return now

    def _follow(self, luma: Plane) -> None:
        """Forget everything when the picture is of another scene."""
        coarse = cv2.resize(luma, _COARSE, interpolation=cv2.INTER_AREA)
        coarse = coarse - coarse.mean()
        length = float(np.linalg.norm(coarse))
        before = self._coarse
        self._coarse = coarse / np.float32(length) if length > 1e-3 else None
        same = before is not None and self._coarse is not None
        if before is not None and self._coarse is not None:
            alike = float(np.sum(before * self._coarse, dtype=np.float64))
            same = alike >= _SAME_SCENE
        if self._known is not None and self._known.shape != luma.shape:
            same = False
        if not same:
            self._colour = self._light = self._known = None
            self._settled = None
            self._whites.clear()

    def _expose(
        self, free: Flags, luma: Plane, light: Plane
    ) -> tuple[Flags, Plane] | None:
        """Follow the light of the whole picture from places that are not burnt out.

        Parameters
        ----------
        free, light : (h, w) arrays
            Of `_clear` and `_light_of`.

        Returns
        -------
        clear : (h, w) array of bool
            Such places.
        rise : (h, w) array of float32
            How far each cell has brightened, in stops. None: too few to tell.
        """
        if self._known is None or self._light is None:
            return None
        clear = free & (luma > 0.2) & self._known
        if np.count_nonzero(clear) < _MATCH_CELLS * clear.size:
            return None
        rise = light - self._light
        # Every fourth place is enough for a middle.
        self._brightened = float(np.median(rise[clear][::4]))
        return clear, rise

    def _alike(self, clear: Flags, rise: Plane) -> Flags:
        """Return where the clear places around are the ones remembered."""
        off = np.where(clear, np.abs(rise - np.float32(self._brightened)), 0)
        size = (15, 15)
        weight = cv2.blur(clear.astype(np.float32), size)
        total = cv2.blur(off.astype(np.float32), size)
        # Nothing of the place's surroundings left to compare: not believed.
        return np.asarray((weight > 1e-4) & (total < _MATCH_STOPS * weight), np.bool_)

    def _learn(self, free: Flags, luma: Plane, colour: Plane, light: Plane) -> None:
        """Remember the places that are bright and have every channel left."""
        if self._known is None or self._colour is None or self._light is None:
            self._brightened = 0.0
            self._colour, self._light = colour.copy(), light
            # Dark places serve to follow the light, not for their colour.
            self._known = free
            return
        light = light - np.float32(self._brightened)
        new = free & ((luma > _BRIGHT) | ~self._known)
        for held, now in zip(self._colour, colour, strict=True):
            np.copyto(held, now, where=new)
        np.copyto(self._light, light, where=new)
        self._known |= new

    def _past(self, scene: Scene, free: Flags, light: Plane) -> Past:
        nothing = np.zeros(scene.luma.shape, np.bool_)
        exposed = self._expose(free, scene.luma, light)
        known, colour, before = self._known, self._colour, self._light
        if exposed is None or known is None or colour is None or before is None:
            return Past(nothing, nothing)
        need = 2.2 * np.log2(scene.level) - _SLACK_STOPS - self._brightened
        told = (scene.burnt > 0.5) & known & (before > np.float32(need))
        if told.any():
            told &= self._alike(*exposed)
        if not told.any():
            return Past(nothing, nothing)
        spread = spread_of(colour)
        return Past(told & (spread > _COLOURED_STOPS), told & (spread < _NEUTRAL_STOPS))


def _clear(rgb: Plane, level: float) -> Flags:
    """Return where every channel is well under the level."""
    highest = cv2.max(cv2.max(rgb[0], rgb[1]), rgb[2])
    return np.asarray(highest < _CLEAR * level, np.bool_)


def _light_of(luma: Plane) -> Plane:
    """Return stops of light of luma, near enough over a fifth of the signal."""
    return np.asarray(np.log2(np.maximum(luma, 0.02)) * np.float32(2.2), np.float32)
