"""Finding recordings: by content, whatever they are called; nothing is passed over."""

from __future__ import annotations

import os
import threading
import time
from pathlib import Path

import pytest

from qc.day.find import find_recordings, looks_like_recording, settle
from qc.daybook import Found

MEDIA = Path(__file__).parents[2] / "sample_media"
TAKE = MEDIA / "take08_one_channel.mov"


def _names(folder: Path, **keywords: Path) -> list[str]:
    return [f.name for f in find_recordings(folder, **keywords)[0]]


def test_recordings_are_known_by_content_in_any_folder_and_script(
    tmp_path: Path,
) -> None:
    data = TAKE.read_bytes()
    deep = tmp_path / "card 1" / "日本" / "clips"
    deep.mkdir(parents=True)
    wanted = [
        "card 1/日本/clips/A.mov",
        "no ending",
        "wrong.jpg",
        "Ünïcode – “x”.MOV",
        "a" * 200 + ".mov",
    ]
    for name in wanted:
        (tmp_path / name).write_bytes(data)
    assert sorted(_names(tmp_path)) == sorted(wanted)


def test_what_is_no_recording_is_listed_with_a_reason(tmp_path: Path) -> None:
    (tmp_path / "A.mov").write_bytes(TAKE.read_bytes())
    (tmp_path / "A.thm").write_bytes(b"\xff\xd8\xff\xe0" + bytes(100))
    (tmp_path / "A.xml").write_text("<clip/>")
    (tmp_path / "._A.mov").write_bytes(b"\x00\x05\x16\x07" + bytes(100))
    (tmp_path / ".hidden").write_bytes(b"x")
    (tmp_path / "table.bin").write_bytes(bytes(50))
    (tmp_path / "link.mov").symlink_to(tmp_path / "A.mov")
    found, skipped = find_recordings(tmp_path)
    assert [f.name for f in found] == ["A.mov"]
    reasons = {s.name: s.reason for s in skipped}
    assert reasons == {
        "A.thm": "a still picture",
        "A.xml": "a text or sidecar file",
        "._A.mov": "a hidden companion that a computer put beside a file",
        ".hidden": "a hidden file",
        "table.bin": "not a recording",
        "link.mov": "a link: not followed",
    }


def test_a_broken_take_is_not_passed_over(tmp_path: Path) -> None:
    (tmp_path / "empty.mxf").write_bytes(b"")
    (tmp_path / "letter.mov").write_text("not a recording at all")
    assert _names(tmp_path) == ["empty.mxf", "letter.mov"]


def test_links_out_of_the_folder_are_not_followed(tmp_path: Path) -> None:
    outside, inside = tmp_path / "outside", tmp_path / "inside"
    outside.mkdir()
    inside.mkdir()
    (outside / "A.mov").write_bytes(TAKE.read_bytes())
    (inside / "way out").symlink_to(outside, target_is_directory=True)
    (inside / "round").symlink_to(inside, target_is_directory=True)
    (inside / "nowhere").symlink_to(tmp_path / "gone")
    found, skipped = find_recordings(inside)
    assert found == []
    assert [s.name for s in skipped if s.leads_out] == ["way out"]
    assert {s.reason for s in skipped if not s.leads_out} == {"a link: not followed"}


def test_a_recording_in_the_folder_that_reports_go_to_is_found(tmp_path: Path) -> None:
    """Whoever names a card's folder with --out must not lose what lies there."""
    out = tmp_path / "card A"
    for name in ("A.mov", "day/B.mov", "day/C/C.mov", "day/C/report.html"):
        (out / name).parent.mkdir(parents=True, exist_ok=True)
        (out / name).write_bytes(TAKE.read_bytes())
    wanted = ["card A/A.mov", "card A/day/B.mov", "card A/day/C/C.mov"]
    found, skipped = find_recordings(tmp_path, reports=out / "day")
    assert [f.name for f in found] == wanted
    assert skipped == []  # a file of a report's name under our reports is one


def test_special_files_do_not_hang_the_search(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.mov")
    found, skipped = find_recordings(tmp_path)
    assert found == []
    assert [s.reason for s in skipped] == ["not a regular file"]


@pytest.mark.parametrize("path", sorted(MEDIA.glob("take*")), ids=lambda p: p.name)
def test_sample_takes_look_like_recordings(path: Path) -> None:
    assert looks_like_recording(path.read_bytes()[:4096])


def test_still_picture_formats_in_the_same_box_are_not_taken() -> None:
    assert not looks_like_recording(b"\x00\x00\x00\x18ftypheic" + bytes(100))


def _found(path: Path) -> Found:
    facts = path.stat()
    return Found(path, path.name, facts.st_size, facts.st_mtime_ns)


def test_a_file_at_rest_is_not_waited_for(tmp_path: Path) -> None:
    path = tmp_path / "a.mov"
    path.write_bytes(b"x")
    os.utime(path, (time.time() - 3600,) * 2)
    began = time.monotonic()
    assert settle([_found(path)], patience=30) == ([_found(path)], [])
    assert time.monotonic() - began < 0.5


def test_a_growing_file_is_waited_for_and_seen_as_it_ends(tmp_path: Path) -> None:
    path = tmp_path / "a.mov"
    path.write_bytes(b"x")
    early = _found(path)

    def write() -> None:
        for _ in range(4):
            time.sleep(0.3)
            with path.open("ab") as file:
                file.write(b"y" * 100)

    writer = threading.Thread(target=write)
    writer.start()
    resting, growing = settle([early], patience=20)
    writer.join()
    assert growing == []
    assert [f.size for f in resting] == [401]


def test_a_file_that_never_rests_is_reported(tmp_path: Path) -> None:
    path = tmp_path / "a.mov"
    path.write_bytes(b"x")
    # A moment later: as a float the time may be rounded to before the file.
    clock = [path.stat().st_mtime + 0.001]

    def sleep(seconds: float) -> None:
        clock[0] += seconds
        with path.open("ab") as file:
            file.write(b"y")

    resting, growing = settle(
        [_found(path)], patience=5, now=lambda: clock[0], sleep=sleep
    )
    assert resting == []
    assert [f.name for f in growing] == ["a.mov"]
