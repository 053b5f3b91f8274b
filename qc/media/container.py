"""Opening a recording so that it can do no harm and is not harmed itself."""

from __future__ import annotations

import functools
import hashlib
import io
from collections.abc import Collection
from pathlib import Path
from typing import cast

import av
from av.container import InputContainer

from qc.errors import DecodeError
from qc.records import TakeInfo
from qc.take import Mark

__all__ = [
    "STILL_PICTURES",
    "bears",
    "fingerprint",
    "holds_whole_pictures",
    "marks",
    "open_recording",
]

STILL_PICTURES = (
    b"\xff\xd8\xff", b"\x89PNG", b"GIF8", b"BM", b"II*\x00", b"MM\x00*",
)  # fmt: skip
"""What files of JPEG, PNG, GIF, BMP and TIFF begin with."""

# Demuxers that read other files or addresses than the one they are given, that turn
# text into pictures, or that are not recordings at all. A play list in a folder must
# not make the tool read something else.
_REFUSED = {
    "adf", "alsa", "ansi", "aqtitle", "ass", "bin", "bintext", "concat", "concatf",
    "dash", "dshow", "fbdev", "ffmetadata", "hls", "idf", "iec61883", "imf", "jack",
    "jacosub", "kmsgrab", "lavfi", "libcdio", "lrc", "mcc", "microdvd", "mpl2", "mpsub",
    "oss", "pjs", "pulse", "rcwt", "realtext", "rtp", "rtsp", "sami", "sap", "sbg",
    "scc", "sdp", "srt", "stl", "subviewer", "subviewer1", "sup", "tedcaptions", "tty",
    "txd", "v4l2", "vapoursynth", "video4linux2,v4l2", "vobsub", "vplayer",
    "webm_dash_manifest", "webvtt", "x11grab", "xbin", "xcbgrab",
}  # fmt: skip

_FINGERPRINT_PIECE = 1 << 20
_MARK_BYTES = 1 << 16

# Containers that list their streams in front and hold one whole picture a packet.
_LISTED = ("mov,mp4,m4a,3gp,3g2,mj2", "matroska,webm")
# Atoms that the first of these begins with (ISO/IEC 14496-12, QuickTime).
_FIRST_ATOMS = {b"ftyp", b"moov", b"mdat", b"wide", b"free", b"skip"}
# Decode no picture of the first stream while opening.
_NO_PICTURE = [{"skip_frame": "all"}]


@functools.cache
def _allowed_formats() -> str:
    """Return the demuxers that may open a recording, as FFmpeg's option wants them.

    Still pictures (``image2``, ``png_pipe`` ...) are no recordings.
    """
    names = []
    for name in sorted(av.formats_available):
        if name in _REFUSED or name.startswith("image2") or name.endswith("_pipe"):
            continue
        names.append(name)
    return ",".join(names)


def open_recording(
    path: Path, *, through: io.RawIOBase | None = None, known: TakeInfo | None = None
) -> InputContainer:
    """Open a recording read-only, with no other file or network within reach.

    Parameters
    ----------
    path : Path
    through : file, optional
        What to read instead, a view on the file at `path`.
    known : TakeInfo, optional
        What was found in it before: what is known need not be decoded to open it.

    Raises
    ------
    DecodeError
        One sentence: why the file cannot be opened and what to do.
    """
    _check_is_file(path)
    if known is None and through is None and _holds_an_index(path):
        container = _opened(path, None, _NO_PICTURE)
        if _tells_the_order(container):
            return container
        container.close()
    spared = _without_pictures(known)
    container = _opened(path, through, spared)
    if spared and known is not None and known.video is not None:
        for stream in container.streams.video:
            if stream.index == known.video.stream and known.video.reordering:
                stream.codec_context.reorder_depth = known.video.reordering
    return container


def _opened(
    path: Path, through: io.RawIOBase | None, spared: list[dict[str, str]]
) -> InputContainer:
    try:
        # Colons in names would read as a protocol ("a:b.mov"): an absolute path has
        # none in front.
        return av.open(
            str(path.absolute()) if through is None else through,
            mode="r",
            options={
                "protocol_whitelist": "file",
                "format_whitelist": _allowed_formats(),
            },
            # Options by name, whatever the stub says.
            stream_options=cast("list[str]", spared),
            metadata_errors="replace",
        )
    except (av.FFmpegError, OSError, ValueError) as error:
        raise DecodeError(_why(path)) from error


def holds_whole_pictures(container: InputContainer) -> bool:
    """Tell whether each packet holds a whole picture, and streams are known at once."""
    return container.format.name in _LISTED


def _holds_an_index(path: Path) -> bool:
    """Tell whether a file begins as those do that list every picture and its time."""
    try:
        with path.open("rb") as file:
            return file.read(8)[4:] in _FIRST_ATOMS
    except OSError:
        return False  # what is wrong is told where it is opened


def _tells_the_order(container: InputContainer) -> bool:
    """Tell whether the index of an H.264 recording says by how much it is reordered.

    FFmpeg reads this off the times of all pictures. Where they are shown as they are
    stored the index may lack that table, so only decoding tells.
    """
    video = container.streams.video
    if container.format.name != _LISTED[0] or not video or video[0].index:
        return False
    context = video[0].codec_context
    return context is not None and context.name == "h264" and context.reorder_depth > 0


def _without_pictures(known: TakeInfo | None) -> list[dict[str, str]]:
    """Return options, stream by stream, that spare decoding a picture at opening.

    FFmpeg decodes H.264 while it opens a file, to learn by how much pictures are
    reordered. These options do not reach the decoder that is used later.
    """
    if known is None or known.video is None or known.container not in _LISTED:
        return []
    if known.video.codec != "h264" or known.video.reordering is None:
        return []
    return [*({} for _ in range(known.video.stream)), *_NO_PICTURE]


def _check_is_file(path: Path) -> None:
    try:
        exists, is_folder, is_file = path.exists(), path.is_dir(), path.is_file()
    except OSError as error:
        raise DecodeError(
            f"{path}: cannot look at this file: {error.strerror}"
        ) from error
    if not exists:
        raise DecodeError(f"{path}: no such file; check the name and the folder")
    if is_folder:
        raise DecodeError(
            f"{path}: this is a folder; name the recordings in it, "
            "or check a whole folder with 'qc day'"
        )
    if not is_file:
        raise DecodeError(f"{path}: not a regular file; name a recording")
    try:
        size = path.stat().st_size
        with path.open("rb"):
            pass
    except PermissionError as error:
        raise DecodeError(
            f"{path}: no permission to read this file; ask its owner or copy it"
        ) from error
    except OSError as error:
        raise DecodeError(f"{path}: cannot be read: {error.strerror}") from error
    if size == 0:
        raise DecodeError(
            f"{path}: the file is empty (0 bytes); copy it again from the card"
        )


def _why(path: Path) -> str:
    if _looks_cut_short(path):
        return _no_index(path)
    if _is_still(path):
        return f"{path}: this is a still picture; name a recording"
    return (
        f"{path}: this is not a recording that can be opened; "
        "if it should be one, copy it again from the card"
    )


def _is_still(path: Path) -> bool:
    try:
        with path.open("rb") as file:
            return file.read(4).startswith(STILL_PICTURES)
    except OSError:
        return False


def _no_index(path: Path) -> str:
    return (
        f"{path}: the recording has no index: it was cut short before the recorder "
        "could finish it; copy it again from the card, or let the recorder repair it. "
        "If it is still being copied, wait until that is done"
    )


def _looks_cut_short(path: Path) -> bool:
    """Tell whether a MOV or MP4 lacks its index (``moov``), by walking its boxes."""
    try:
        size = path.stat().st_size
        with path.open("rb") as file:
            at, seen = 0, set[bytes]()
            while at + 8 <= size and len(seen) < 1000:
                file.seek(at)
                head = file.read(16)
                length, kind = int.from_bytes(head[:4], "big"), head[4:8]
                if length == 1:
                    length = int.from_bytes(head[8:16], "big")
                elif length == 0:
                    length = size - at
                if length < 8 or not kind.isalnum():
                    break
                seen.add(kind)
                at += length
    except OSError:
        return False
    return bool(seen & {b"ftyp", b"mdat"}) and b"moov" not in seen


def fingerprint(path: Path) -> str:
    """Return a mark of a file's content: its size and three samples of its bytes.

    Reading all of a long take would cost as much as measuring it; size, head, middle
    and tail tell recordings apart, since every container writes sizes and an index.
    """
    digest = hashlib.blake2b(digest_size=16)
    size = path.stat().st_size
    digest.update(size.to_bytes(8, "big"))
    with path.open("rb") as file:
        for at in sorted({0, max(0, size // 2), max(0, size - _FINGERPRINT_PIECE)}):
            file.seek(at)
            digest.update(file.read(_FINGERPRINT_PIECE))
    return digest.hexdigest()


def marks(path: Path) -> tuple[Mark, ...]:
    """Return marks by which a file that is being written is known again later.

    A recorder that goes on writing comes back to the head, where the length stands, and
    to the last piece, but not to what lies between: marks are of the middle and of
    three quarters. Where all bytes are alike, nothing was written yet.
    """
    size = path.stat().st_size
    out = []
    with path.open("rb") as file:
        for at in (size // 2, size * 3 // 4):
            file.seek(at)
            piece = file.read(min(_MARK_BYTES, size // 8))
            if len(set(piece)) > 1:
                out.append((at, len(piece), _digest(piece)))
    return tuple(out)


def bears(path: Path, marks: Collection[Mark]) -> bool:
    """Tell whether a file has all of some marks, and there are any.

    Marks come from a report's file, so that they may hold anything.
    """
    if not marks or any(a < 0 or not 0 < n <= _MARK_BYTES for a, n, _ in marks):
        return False
    with path.open("rb") as file:
        for at, length, digest in marks:
            file.seek(at)
            if _digest(file.read(length)) != digest:
                return False
    return True


def _digest(piece: bytes) -> str:
    return hashlib.blake2b(piece, digest_size=16).hexdigest()
