"""What the code values of a picture mean: its tags, and what is assumed without."""

from __future__ import annotations

import re
from dataclasses import dataclass

from av.video.codeccontext import VideoCodecContext
from av.video.frame import VideoFrame

from qc.media.planes import is_rgb, target_format
from qc.signal import Matrix, Primaries, Signal, Transfer, curve_name

__all__ = ["Tags", "signal_of"]

# ITU-T H.273 code points of matrix, transfer and primaries.
_MATRIX: dict[int, Matrix] = {
    1: "bt709", 5: "bt601", 6: "bt601", 9: "bt2020", 10: "bt2020",
}  # fmt: skip
_TRANSFER: dict[int, Transfer] = {
    1: "bt709", 4: "gamma22", 5: "gamma28", 6: "bt709", 8: "linear", 13: "srgb",
    14: "bt709", 15: "bt709", 16: "pq", 18: "hlg",
}  # fmt: skip
_PRIMARIES: dict[int, Primaries] = {
    1: "bt709", 5: "bt601-625", 6: "bt601-525", 7: "bt601-525", 9: "bt2020",
    12: "p3-d65",
}  # fmt: skip
_UNSPECIFIED = (0, 2, 3)


@dataclass(frozen=True, slots=True)
class Tags:
    """Colour tags as code points of ITU-T H.273.

    Range: 1 limited, 2 full, 0 not marked; matrix and transfer: 2 not marked.
    """

    range: int = 0
    matrix: int = 2
    transfer: int = 2

    @classmethod
    def of(cls, source: VideoCodecContext | VideoFrame) -> Tags:
        """Return the tags that a stream or a frame carries."""
        return cls(
            int(source.color_range or 0), int(source.colorspace), int(source.color_trc)
        )


def signal_of(first: VideoFrame, container: Tags, assumed: list[str]) -> Signal:
    """Return what the codes of a take's pictures mean.

    Parameters
    ----------
    first : VideoFrame
        The first frame; its own tags are believed.
    container : Tags
        What the container says.
    assumed : list of str
        Gets sentences about what is not marked, or marked twice.
    """
    bits = min(16, max(8, first.format.components[0].bits))
    target = target_format(first)
    if is_rgb(first):
        assumed.append(
            "The picture is coded in R'G'B': it is turned into full-range BT.709 "
            "luma and colour difference before measuring."
        )
        return Signal(
            bit_depth=_target_depth(target, bits),
            full_range=True,
            matrix="bt709",
            transfer=_TRANSFER.get(int(first.color_trc), "srgb"),
            primaries=_PRIMARIES.get(int(first.color_primaries), "bt709"),
        )
    height = first.height
    _tell_conflicts(container, Tags.of(first), assumed)
    return Signal(
        bit_depth=_target_depth(target, bits),
        full_range=_full_range(first, container.range, assumed),
        matrix=_matrix(int(first.colorspace), height, assumed),
        transfer=_transfer(int(first.color_trc), assumed),
        primaries=_primaries(int(first.color_primaries), height, first),
    )


def _tell_conflicts(container: Tags, picture: Tags, assumed: list[str]) -> None:
    """Say where the container's colour tags mean something else than the picture's."""
    said, shown = _MATRIX.get(container.matrix), _MATRIX.get(picture.matrix)
    if said and shown and said != shown:
        assumed.append(
            f"The container says the colour matrix is {_spoken(said)}, the picture "
            f"itself {_spoken(shown)}: the picture is believed."
        )
    curve, own = _TRANSFER.get(container.transfer), _TRANSFER.get(picture.transfer)
    if curve and own and curve != own:
        assumed.append(
            f"The container says the transfer curve is {curve_name(curve)}, the "
            f"picture itself {curve_name(own)}: the picture is believed."
        )


def _spoken(matrix: Matrix) -> str:
    return matrix.upper().replace("BT", "BT.")


def _target_depth(target: str | None, bits: int) -> int:
    if target is None:
        return bits
    match = re.search(r"p(\d+)le$|gray(\d+)le$", target)
    return int(next(g for g in match.groups() if g)) if match else 8


def _full_range(first: VideoFrame, container_tag: int, assumed: list[str]) -> bool:
    frame_tag = int(first.color_range)
    name = first.format.name
    if name.startswith("yuvj") or frame_tag == 2:
        if container_tag == 1:
            assumed.append(
                "The container says limited range, the picture itself full range: "
                "the picture is believed."
            )
        return True
    if frame_tag == 1:
        if container_tag == 2:
            assumed.append(
                "The container says full range, the picture itself limited range: "
                "the picture is believed."
            )
        return False
    full = name.startswith("gray")
    assumed.append(
        "The range of the levels is not marked: "
        f"{'full' if full else 'limited (video)'} range is assumed."
    )
    return full


def _why_assumed(tag: int) -> str:
    if tag in _UNSPECIFIED:
        return "is not marked"
    return "is marked in a way not known here"


def _matrix(tag: int, height: int, assumed: list[str]) -> Matrix:
    if tag in _MATRIX:
        return _MATRIX[tag]
    guess: Matrix = "bt709" if height >= 720 else "bt601"
    what = _why_assumed(tag)
    assumed.append(
        f"The colour matrix {what}: {_spoken(guess)} is assumed "
        f"for a picture of {height} lines."
    )
    return guess


def _transfer(tag: int, assumed: list[str]) -> Transfer:
    if tag in _TRANSFER:
        return _TRANSFER[tag]
    what = _why_assumed(tag)
    assumed.append(f"The transfer curve {what}: BT.709 is assumed.")
    return "bt709"


def _primaries(tag: int, height: int, first: VideoFrame) -> Primaries:
    if tag in _PRIMARIES:
        return _PRIMARIES[tag]
    if int(first.colorspace) in (9, 10):
        return "bt2020"
    if height >= 720:
        return "bt709"
    return "bt601-525" if height in (480, 486, 240) else "bt601-625"
