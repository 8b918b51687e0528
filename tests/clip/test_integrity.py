"""Clips that are not what their camera wrote, and say so nowhere: damage is made, then noticed."""

from __future__ import annotations

import struct
from fractions import Fraction

import numpy as np
import pytest

from vidspeed.clip.boxes import movie_boxes
from vidspeed.clip.integrity import length_notes, picture_notes
from vidspeed.clip.scan import scan
from vidspeed.clip.times import times
from vidspeed.clip.write import even_stamps, uneven_stamps, write_clip
from vidspeed.errors import ClipError

COUNT, RATE = 40, Fraction(60)


@pytest.fixture(scope="module")
def good(tmp_path_factory):
    path = tmp_path_factory.mktemp("good") / "good.mp4"
    rng = np.random.default_rng(3)
    still = rng.integers(60, 200, (90, 160))
    frames = [
        np.clip(still + rng.normal(0.0, 2.0, still.shape), 0, 255).astype(np.uint8)
        for _ in range(COUNT)
    ]
    write_clip(path, frames, stamps=even_stamps(COUNT, RATE), codec="mjpeg")
    return path


def patched(good, tmp_path, box: bytes, place: int, change):
    """Return a copy in which a number of a box's body is another one."""
    data = bytearray(good.read_bytes())
    at = data.index(box) + 4 + place
    (number,) = struct.unpack_from(">I", data, at)
    struct.pack_into(">I", data, at, change(number))
    path = tmp_path / "patched.mp4"
    path.write_bytes(bytes(data))
    return path


def test_a_good_clip_has_nothing_to_tell(good):
    assert scan(good).facts.notes == ()


def test_lengths_are_read(good):
    boxes = movie_boxes(good)
    assert boxes is not None
    assert boxes.media_s == pytest.approx(COUNT / RATE, abs=1e-9)
    assert boxes.shown_s == pytest.approx(COUNT / RATE, abs=1e-3)


DOUBLED = {
    "time scale halved": (b"mdhd", 12, lambda number: number // 2),
    "steps doubled": (b"stts", 12, lambda number: 2 * number),
}


@pytest.mark.parametrize("case", DOUBLED)
def test_a_clip_whose_time_was_stretched_is_noticed(good, tmp_path, case):
    """Here the edit list, in other units, cuts off what no longer fits."""
    facts = scan(patched(good, tmp_path, *DOUBLED[case])).facts
    assert facts.interval_s == pytest.approx(2.0 / 60.0, rel=1e-3)
    assert any("frames that the file stores are shown" in note for note in facts.notes)


def test_a_clip_whose_time_was_stretched_is_noticed_without_an_edit_list(good, tmp_path):
    halved = patched(good, tmp_path, b"mdhd", 12, lambda number: number // 2)
    data = halved.read_bytes().replace(b"edts", b"free")
    halved.write_bytes(data)
    facts = scan(halved).facts
    assert facts.interval_s == pytest.approx(2.0 / 60.0, rel=1e-3)
    assert any("says that it lasts 0.67 s, its frames last 1.33 s" in note for note in facts.notes)


def test_a_clip_whose_time_was_squeezed_is_noticed(good, tmp_path):
    facts = scan(patched(good, tmp_path, b"mdhd", 12, lambda number: 2 * number)).facts
    assert any("says that it lasts 0.67 s, its frames last 0.33 s" in note for note in facts.notes)


def test_a_clip_whose_time_runs_a_little_too_fast_is_noticed(good, tmp_path):
    facts = scan(patched(good, tmp_path, b"mdhd", 12, lambda number: number * 16 // 15)).facts
    assert any("says that it lasts 0.67 s, its frames last 0.62 s" in note for note in facts.notes)


def test_lengths_of_other_files_are_not_asked():
    assert length_notes(None, 1.0, 0.02) == []


def test_a_matroska_copy_that_was_broken_off_is_noticed(tmp_path):
    """Its decoder ends where the file ends and complains of nothing."""
    rng = np.random.default_rng(4)
    frames = [rng.integers(60, 200, (90, 160)).astype(np.uint8) for _ in range(40)]
    whole, part = tmp_path / "whole.mkv", tmp_path / "part.mkv"
    stamps = uneven_stamps(np.arange(40) / 40.0, Fraction(1, 1000))
    write_clip(whole, frames, stamps=stamps, codec="mjpeg")
    part.write_bytes(whole.read_bytes()[: whole.stat().st_size // 2])
    said = "cut short: it says that its pictures last 1.00 s, and they end at 0."
    assert not any("cut short" in note for note in scan(whole).facts.notes)
    assert any(said in note for note in scan(part).facts.notes)
    assert any(said in reason for reason in times(part).reasons)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ([0.0, 1.0, 1.1, 0.9, 8.0, 1.0, 1.0], "once at frame 4"),
        ([0.0, 9.0, 1.1, 0.9, 8.0, 1.0, 1.0, 1.0], "2 times, first at frame 1"),
        ([0.0, 0.1, 0.1, 0.1, 1.9, 0.1, 0.1], ""),  # a key frame of a quiet picture
        ([0.0, 9.0, 11.0, 9.0, 10.0, 9.0, 11.0], ""),  # a noisy picture
        ([0.0, 9.0], ""),
    ],
)
def test_a_picture_that_changes_at_once(changes, words):
    notes = picture_notes(np.array(changes), "h264")
    assert len(notes) == bool(words)
    assert all(words in note for note in notes)


def test_a_codec_that_notices_no_damage_is_believed_less():
    changes = np.array([0.0, 0.5, 0.5, 0.5, 1.7, 0.5, 0.5])
    assert picture_notes(changes, "h264") == []
    assert "once at frame 4" in picture_notes(changes, "vp9")[0]


def test_pictures_too_small_to_hold_a_light_are_refused(tmp_path):
    path = tmp_path / "small.mp4"
    write_clip(path, [np.zeros((8, 64), np.uint8)] * 9, stamps=even_stamps(9, RATE), codec="mjpeg")
    with pytest.raises(ClipError, match="64 x 8, at least 16 each way"):
        scan(path)


def test_pictures_that_a_header_makes_huge_are_refused_before_they_are_decoded(good, tmp_path):
    """In the container and in every frame."""
    data = good.read_bytes()
    for right, wrong in (((160, 90), (16_000, 9_000)), ((90, 160), (9_000, 16_000))):
        data = data.replace(struct.pack(">HH", *right), struct.pack(">HH", *wrong))
    path = tmp_path / "huge.mp4"
    path.write_bytes(data)
    with pytest.raises(ClipError, match="16000 x 9000, more than 36 million pixels"):
        scan(path)


def test_a_code_without_a_decoder_is_named(good, tmp_path):
    path = tmp_path / "odd.mp4"
    path.write_bytes(good.read_bytes().replace(b"mp4v", b"qqqq").replace(b"esds", b"free"))
    with pytest.raises(ClipError, match="no decoder here knows"):
        scan(path)


def test_a_file_that_counts_its_frames_and_lost_one_is_noticed(tmp_path):
    """The decoder steps over the lost frame without a word, and all later ones come too early."""
    path = tmp_path / "counted.avi"
    rng = np.random.default_rng(4)
    frames = [rng.integers(60, 200, (90, 160)).astype(np.uint8) for _ in range(COUNT)]
    write_clip(path, frames, stamps=even_stamps(COUNT, RATE), codec="mjpeg")
    assert scan(path).facts.notes == ()
    data = bytearray(path.read_bytes())
    data[len(data) // 2 : len(data) // 2 + 4096] = bytes(4096)
    path.write_bytes(bytes(data))
    facts = scan(path).facts
    assert facts.frames == COUNT - 1
    assert any("39 of the 40 frames of the file are there" in note for note in facts.notes)
    told = times(path)
    assert told.verdict == "not to be trusted"
    assert any("39 of the 40 frames" in reason for reason in told.reasons)


@pytest.mark.parametrize("places", [(8,), (4, 8)], ids=["a size each", "one size for all"])
def test_a_table_of_two_thousand_million_frames_is_refused(good, tmp_path, places):
    path = good
    for place in places:
        path = patched(path, tmp_path, b"stsz", place, lambda number: 0x7FFFFFFF)
    with pytest.raises(ClipError):
        scan(path)
