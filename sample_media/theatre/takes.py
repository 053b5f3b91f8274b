"""The takes: what goes wrong in which of them, and when."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from fractions import Fraction

import numpy as np

from . import camera, scene
from .camera import Setting
from .files import Planes, Recipe

PAL = Fraction(25)
NTSC = Fraction(30000, 1001)

WARM_CCT_K = 4700.0
GREEN_DUV = 0.020


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault put into a take.

    Attributes
    ----------
    rule : str
        Id of the rule that ought to find it.
    start_frame, end_frame : int
        Where it stands; the end is exclusive.
    channel : int or None
        Sound channel, 1 or 2.
    also : tuple of str
        Other rules that ought to find the same: an iris knocked open saturates red.
    in_ignored_area : bool
        Whether it lies in `scene.SWAB_AREA`, which an operator leaves out.
    put_in : dict
        What was done, in figures.
    """

    rule: str
    start_frame: int
    end_frame: int
    channel: int | None = None
    also: tuple[str, ...] = ()
    in_ignored_area: bool = False
    put_in: dict[str, object] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Take:
    """One recording to make."""

    file: str
    what: str
    frames: int
    recipe: Recipe
    faults: tuple[Fault, ...] = ()
    bit_depth: int = 8
    chroma: str = "420"
    hour_s: float = 0.0
    """Where on the scene's own clock the take begins: no two takes look alike."""

    def fault(self, rule: str, frame: int) -> Fault | None:
        """Return the fault of that rule that covers `frame`."""
        for f in self.faults:
            if f.rule == rule and f.start_frame <= frame < f.end_frame:
                return f
        return None

    def setting(self, frame: int) -> Setting:
        """How the camera stands at `frame`."""
        high = self.fault("highlights.relevant", frame)
        soft = self.fault("focus.soft", frame)
        cast = self.fault("white.cast", frame)
        stops = float(str(high.put_in.get("stops", 0.0))) if high else 0.0
        sigma = 0.0
        if soft:
            # one frame on the way there and one on the way back
            ramp = frame in (soft.start_frame, soft.end_frame - 1)
            sigma = float(str(soft.put_in["sigma_px"])) * (0.6 if ramp else 1.0)
        gains = (1.0, 1.0, 1.0)
        if cast:
            given = cast.put_in["gains"]
            assert isinstance(given, list)  # noqa: S101 - written below
            gains = (float(given[0]), float(given[1]), float(given[2]))
        return Setting(stops, sigma, gains)

    def swab_laid(self, frame: int) -> bool:
        """Whether the large swab lies in the field at `frame`."""
        high = self.fault("highlights.relevant", frame)
        return bool(high and high.put_in.get("large_swab"))

    def pictures(self, field: scene.Scene) -> Iterator[Planes]:
        """Render and shoot every frame."""
        shooter = camera.Camera(self.file, self.bit_depth, self.chroma)
        for frame in range(self.frames):
            time_s = self.hour_s + float(frame / self.recipe.frame_rate)
            shot = field.frame(time_s, large_swab=self.swab_laid(frame))
            yield shooter.shoot(shot.light, frame, self.setting(frame))


def _burnt(start: int, end: int, stops: float) -> Fault:
    return Fault(
        "highlights.relevant",
        start,
        end,
        also=("highlights.channel",),
        put_in={"stops": stops},
    )


def _cast(start: int, end: int, xy: tuple[float, float], **more: float) -> Fault:
    gains = [round(g, 5) for g in camera.xy_gains(*xy)]
    put_in: dict[str, object] = {
        "gains": gains,
        "xy": [round(v, 5) for v in xy],
        **more,
    }
    return Fault("white.cast", start, end, put_in=put_in)


def all_takes() -> tuple[Take, ...]:
    """Every sample take, in order."""
    warm, green = camera.daylight_xy(WARM_CCT_K), camera.green_shift_xy(GREEN_DUV)
    return (
        Take(
            "take01_clean.mov",
            "Nothing wrong with it.",
            130,
            Recipe(PAL, "09:12:04:10"),
            hour_s=0.0,
        ),
        Take(
            "take02_overexposed.mov",
            "The iris is knocked open in the middle: tissue burns out.",
            130,
            Recipe(PAL, "09:20:31:00"),
            (_burnt(55, 110, 1.7),),
            hour_s=11.0,
        ),
        Take(
            "take03_white_swab.mov",
            "A large dry swab is laid down and burns out; the field stays right.",
            130,
            Recipe(PAL, "09:31:17:18"),
            (
                Fault(
                    "highlights.relevant",
                    60,
                    130,
                    in_ignored_area=True,
                    put_in={"stops": 0.0, "large_swab": True},
                ),
            ),
            hour_s=23.0,
        ),
        Take(
            "take04_soft.mov",
            "Focus is lost in the middle and comes back.",
            130,
            Recipe(PAL, "09:44:50:05"),
            (Fault("focus.soft", 60, 112, put_in={"sigma_px": 3.6, "ramp_frames": 1}),),
            hour_s=37.0,
        ),
        Take(
            "take05_warm.mp4",
            "The picture turns warm: a preset was changed.",
            130,
            Recipe(PAL, "10:02:11:22"),
            (_cast(50, 120, warm, cct_k=WARM_CCT_K, balanced_cct_k=6504.0),),
            hour_s=41.0,
        ),
        Take(
            "take06_green.mov",
            "The picture turns green: wrong tint.",
            130,
            Recipe(PAL, "10:15:36:03"),
            (_cast(45, 115, green, duv_shift=GREEN_DUV),),
            hour_s=53.0,
        ),
        Take(
            "take07_loud.mov",
            "The surgeon's microphone is turned up and clips; the picture is right.",
            125,
            Recipe(PAL, "10:29:08:14", pcm=True),
            (Fault("sound.clipped", 50, 90, channel=1, put_in={"gain_db": 15.0}),),
            hour_s=61.0,
        ),
        Take(
            "take08_one_channel.mov",
            "Channel 2 is dead from start to end.",
            130,
            Recipe(PAL, "10:41:59:09"),
            (Fault("sound.dead_channel", 0, 130, channel=2, put_in={"level": 0}),),
            hour_s=71.0,
        ),
        Take(
            "take09_damaged.mov",
            "Some bytes in the middle of the file are lost.",
            130,
            Recipe(PAL, "10:55:20:20", group=12, b_frames=0, crf=29.0),
            hour_s=83.0,
        ),
        Take(
            "take10_dropframe.mov",
            "Drop-frame timecode over a full minute; overexposed from there on.",
            140,
            Recipe(NTSC, "00:00:58;00"),
            (_burnt(60, 120, 1.7),),
            hour_s=97.0,
        ),
        Take(
            "take11_tenbit.mov",
            "10 bits, 4:2:2; the field is overexposed in the middle.",
            125,
            Recipe(PAL, "11:20:45:00", "yuv422p10le", group=12),
            (_burnt(40, 85, 1.7),),
            bit_depth=10,
            chroma="422",
            hour_s=103.0,
        ),
    )


def frame_samples(frame: int, rate: Fraction, sound_rate: int) -> int:
    """Return the first sound sample of a frame."""
    return int(np.ceil(float(frame * sound_rate / rate)))
