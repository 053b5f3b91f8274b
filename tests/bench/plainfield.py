"""Plain fields for `fit_highlights`: what matters and what is white."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["PlainField"]

Array = NDArray[np.float64]

RANDOM_STATE = 1


class PlainField:
    """A field drawn with a few strokes: smooth patches, squares, bars, one camera.

    Rendered takes share one hand; these keep what is fitted from leaning on it. The
    attributes are those of a family's case that `measure_frames` asks for.

    Attributes
    ----------
    lamp_stops, lamp_red : float
        Stops of blue and of red over green that a white thing shows; known once it is
        drawn.
    """

    lamp_stops = lamp_red = 0.0

    bit_depth, full_range, first_code = 8, False, 225
    _SIZE = (270, 480)
    _FLESH = ((0.55, 0.30, 0.26), (0.62, 0.45, 0.38), (0.42, 0.14, 0.11),
              (0.30, 0.19, 0.14), (0.70, 0.56, 0.44), (0.62, 0.36, 0.34))  # fmt: skip
    _DRAPES = ((0.04, 0.15, 0.14), (0.05, 0.12, 0.30), (0.10, 0.24, 0.15),
               (0.12, 0.12, 0.12), (0.62, 0.62, 0.62), (0.02, 0.02, 0.02))  # fmt: skip

    def __init__(self, number: int) -> None:
        self._rng = np.random.default_rng([RANDOM_STATE, 7, number])

    def _noise(self, size: float) -> Array:
        rough = self._rng.normal(0, 1, self._SIZE)
        soft = cv2.GaussianBlur(rough, (0, 0), size)
        return np.asarray(soft / soft.std(), np.float64)

    def _turned(self) -> tuple[Array, Array]:
        """Return how far each pixel lies from a chance point, along turned axes."""
        rng, (h, w) = self._rng, self._SIZE
        rows, columns = np.indices(self._SIZE)
        x = columns - rng.uniform(0.1, 0.9) * w
        y = rows - rng.uniform(0.1, 0.9) * h
        turn = rng.uniform(0, np.pi)
        return (
            np.abs(x * np.cos(turn) + y * np.sin(turn)),
            np.abs(y * np.cos(turn) - x * np.sin(turn)),
        )

    def frame(self) -> tuple[tuple[Any, Any, Any], Any]:
        """Draw and shoot one frame: planes, and masks of what matters and is white."""
        rng = self._rng
        drape = np.array(self._DRAPES[rng.integers(len(self._DRAPES))])
        light = np.ones((*self._SIZE, 3)) * drape * rng.uniform(0.7, 1.3)
        matters = np.zeros(self._SIZE, bool)
        white = np.full(self._SIZE, drape.min() > 0.5)
        lamp = np.full(self._SIZE, rng.uniform(0.3, 1))
        for _ in range(rng.integers(1, 3)):
            along, across = self._turned()
            reach = rng.uniform(60, 300)
            lamp += rng.uniform(0, 2) * np.exp(
                -(np.hypot(along, across) ** 2) / reach**2
            )
        for _ in range(rng.integers(0, 4)):
            along, across = self._turned()
            a, b = rng.uniform(25, 150, 2)
            bed = (along / a) ** 2 + (across / b) ** 2 < 1
            colour = np.array(self._FLESH[rng.integers(len(self._FLESH))])
            flesh = colour * rng.uniform(0.8, 1.2, 3) * rng.uniform(0.7, 1.5)
            mottled = np.exp(rng.uniform(0, 0.3) * self._noise(rng.uniform(1, 12)))
            light[bed] = (flesh * mottled[..., None])[bed]
            matters[bed], white[bed] = True, False
            if rng.random() < 0.7:  # a pool of light of its own
                away = (along / a) ** 2 + (across / b) ** 2
                lamp[bed] *= (0.5 + rng.uniform(0, 3) * np.exp(-2 * away))[bed]
        for _ in range(rng.integers(0, 3)):
            along, across = self._turned()
            sheet = (along < rng.uniform(12, 90)) & (across < rng.uniform(12, 90))
            cotton = np.array((0.85, 0.84, 0.82)) * rng.uniform(0.85, 1.1)
            weave = 1 - rng.uniform(0, 0.15) * np.abs(self._noise(rng.uniform(0.6, 3)))
            light[sheet] = (cotton * np.maximum(weave, 0.4)[..., None])[sheet]
            matters[sheet], white[sheet] = False, True
        if rng.random() < 0.4:  # a bar of steel
            along, across = self._turned()
            bar = (along < 200) & (across < rng.uniform(1.5, 5))
            light[bar], matters[bar], white[bar] = rng.uniform(0.3, 1), True, False
        return self._shoot(light * lamp[..., None]), (matters, white)

    def _shoot(self, light: Array) -> tuple[Any, Any, Any]:
        """Expose so that 1 to 40 % burn; BT.709-6, 8 bits."""
        rng = self._rng
        blue = rng.uniform(-1.4, 1.4) if rng.random() < 0.5 else rng.normal(0, 0.1)
        tint = rng.uniform(-0.4, 0.3) if rng.random() < 0.4 else 0.0
        self.lamp_stops, self.lamp_red = float(blue), float(tint - 0.57 * blue)
        light = np.asarray(cv2.GaussianBlur(light, (0, 0), rng.uniform(0.5, 1.2)))
        luma = light @ (0.2126, 0.7152, 0.0722)
        level = np.percentile(luma, 100 - np.exp(rng.uniform(0, np.log(40))))
        light = light * (0.93 / level) * (2**self.lamp_red, 1, 2**blue)
        light += rng.normal(0, 1, light.shape) * rng.uniform(0.001, 0.004)
        curve = 1.099 * np.maximum(light, 0.018) ** 0.45 - 0.099
        v = np.where(light < 0.018, 4.5 * light, curve)
        clip = rng.choice((1.0, 1.05, 1.09))
        if rng.random() < 0.3:
            knee = rng.uniform(0.8, 0.9)
            room = 1.1 * (clip - knee)
            soft = knee + room * (1 - np.exp(-np.maximum(v - knee, 0) / room))
            v = np.where(v > knee, soft, v)
        r, g, b = np.moveaxis(np.minimum(v, clip), -1, 0)
        y = 0.2126 * r + 0.7152 * g + 0.0722 * b
        half = [
            cv2.resize(c, None, None, 0.5, 0.5, cv2.INTER_AREA)
            for c in ((b - y) / 1.8556, (r - y) / 1.5748)
        ]
        planes = (16 + 219 * y, *(128 + 224 * c for c in half))
        first, second, third = (
            np.clip(np.rint(p), 0, 255).astype(np.uint8) for p in planes
        )
        return first, second, third
