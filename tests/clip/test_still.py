"""A still is the mean of sharp frames around a moment, at the clip's own size."""

from __future__ import annotations

import struct
import zlib

import cv2
import numpy as np
import pytest

from vidspeed.clip.still import read_picture, still, write_still
from vidspeed.clip.write import even_stamps, write_clip
from vidspeed.errors import ClipError, ResultsError

STEP = 20  # frames at which the scene changes


def board(shift=0):
    y, x = np.mgrid[0:96, 0:128]
    return np.where(((x + shift) // 8 + y // 8) % 2, 180.0, 60.0)


def noisy_clip(path, blurred=(), **options):
    rng = np.random.default_rng(9)
    pictures = []
    for k in range(2 * STEP):
        picture = board(0 if k < STEP else 4)
        if k in blurred:
            picture = cv2.GaussianBlur(picture, (0, 0), 4.0)
        pictures.append(np.clip(np.rint(rng.normal(picture, 6.0)), 0, 255).astype(np.uint8))
    write_clip(path, pictures, stamps=even_stamps(len(pictures), 30), codec="ffv1", **options)
    return path


def test_the_mean_of_frames_around_a_moment(tmp_path):
    path = noisy_clip(tmp_path / "a.avi")
    early, late = still(path, at_s=0.25), still(path, at_s=1.0)
    assert (early.dtype, early.shape) == (np.uint8, (96, 128))
    assert np.sqrt(np.mean((early - board()) ** 2)) < 6.0 / 3.0
    assert np.sqrt(np.mean((late - board(4)) ** 2)) < 6.0 / 3.0


def test_blurred_frames_are_left_out(tmp_path):
    path = noisy_clip(tmp_path / "a.avi", blurred=range(3, 10))
    assert np.sqrt(np.mean((still(path, at_s=0.25) - board()) ** 2)) < 3.0


def test_without_a_moment_the_middle_of_the_clip_is_taken(tmp_path):
    picture = still(noisy_clip(tmp_path / "a.avi"), at_s=None)
    assert picture.shape == (96, 128)


def test_a_still_is_turned_as_the_clip_is_shown(tmp_path):
    pictures = [np.tile(np.arange(64, dtype=np.uint8) * 3, (48, 1))] * 8
    write_clip(tmp_path / "a.mp4", pictures, stamps=even_stamps(8, 30), rotation_deg=90)
    picture = still(tmp_path / "a.mp4", at_s=None)
    assert picture.shape == (64, 48)
    assert picture[0].mean() > picture[-1].mean() + 100


@pytest.mark.parametrize("at_s", [-1.0, 5.0])
def test_a_moment_outside_the_clip_is_refused(tmp_path, at_s):
    with pytest.raises(ClipError, match=r"a\.avi: .*outside the clip"):
        still(noisy_clip(tmp_path / "a.avi"), at_s=at_s)


@pytest.mark.parametrize("at_s", [float("nan"), float("inf"), -1e300])
def test_what_is_no_moment_is_refused(tmp_path, at_s):
    with pytest.raises(ClipError, match=r"a\.avi: .* is no moment of a clip"):
        still(noisy_clip(tmp_path / "a.avi"), at_s=at_s)


@pytest.mark.parametrize("name", ["photo.png", "photo.mp4"])
def test_a_photograph_is_no_clip(tmp_path, name):
    write_still(tmp_path / "a.png", np.full((30, 50), 90, np.uint8))
    (tmp_path / "a.png").rename(tmp_path / name)
    with pytest.raises(ClipError, match="this is a picture, not a clip"):
        still(tmp_path / name, at_s=None)


def test_a_still_is_a_png_file(tmp_path):
    with pytest.raises(ResultsError, match=r"ends in \.png"):
        write_still(tmp_path / "a.jpg", np.zeros((4, 4), np.uint8))
    assert list(tmp_path.iterdir()) == []


def test_pictures_go_to_disk_and_back(tmp_path):
    picture = np.random.default_rng(0).integers(0, 256, (30, 50)).astype(np.uint8)
    write_still(tmp_path / "bild ä.png", picture)
    np.testing.assert_array_equal(read_picture(tmp_path / "bild ä.png"), picture)


def test_what_is_no_picture_is_refused(tmp_path):
    (tmp_path / "a.png").write_text("no picture", encoding="utf-8")
    (tmp_path / "b.png").write_bytes(b"")
    for name in ("a.png", "b.png", "missing.png"):
        with pytest.raises(ClipError, match=name):
            read_picture(tmp_path / name)
    with pytest.raises(ResultsError, match="missing"):
        write_still(tmp_path / "missing" / "a.png", np.zeros((4, 4), np.uint8))


def test_a_picture_that_claims_billions_of_pixels_is_refused(tmp_path):
    """A few bytes of PNG that would take gigabytes; OpenCV's own limit is 2^30 pixels."""
    size = struct.pack(">LLBBBBB", 60_000, 60_000, 8, 0, 0, 0, 0)
    head = b"\x00\x00\x00\x0dIHDR" + size + struct.pack(">L", zlib.crc32(b"IHDR" + size))
    (tmp_path / "still.png").write_bytes(b"\x89PNG\r\n\x1a\n" + head)
    with pytest.raises(
        ClipError, match=r"still\.png: this (picture is too large|is not a picture)"
    ):
        read_picture(tmp_path / "still.png")
