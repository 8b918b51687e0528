"""Clips hold the pictures and stamps that were asked for."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest

from vidspeed.clip.write import Stamps, encoder_for, even_stamps, uneven_stamps, write_clip
from vidspeed.errors import ClipError

RNG = np.random.default_rng(7)
UNEVEN = Stamps(pts=np.cumsum(RNG.integers(1000, 2500, 9)), time_base=Fraction(1, 90_000))


def pictures(count: int, size: tuple[int, int] = (48, 64)) -> list[np.ndarray]:
    """Smooth pictures that differ from frame to frame and from corner to corner."""
    y, x = np.mgrid[: size[0], : size[1]]
    return [(30 + x + y // 2 + 3 * i).astype(np.uint8) for i in range(count)]


def read_back(path: Path) -> tuple[list[np.ndarray], np.ndarray, av.VideoFrame]:
    """Return luma pictures, stamps in seconds, and the last frame."""
    lumas, times = [], []
    with av.open(str(path)) as container:
        for frame in container.decode(video=0):
            plane = frame.planes[0]
            rows = np.frombuffer(plane, np.uint8).reshape(frame.height, plane.line_size)
            lumas.append(rows[:, : frame.width].copy())
            times.append(float(frame.pts * frame.time_base))
    return lumas, np.array(times), frame


@pytest.mark.parametrize(
    ("name", "codec", "stamps"),
    [
        ("a.mp4", "h264", even_stamps(9, Fraction(60000, 1001))),
        ("b.mp4", "h264", even_stamps(9, 240)),
        ("c.mp4", "h264", even_stamps(9, 239.981)),
        ("d.mp4", "h264", UNEVEN),
        ("e.mov", "hevc", UNEVEN),
        ("f.mp4", "mjpeg", UNEVEN),
        ("g.avi", "mjpeg", even_stamps(9, Fraction(30000, 1001))),
        ("h.mkv", "h264", uneven_stamps(UNEVEN.time_s, Fraction(1, 1000))),
        ("i.mkv", "ffv1", uneven_stamps(UNEVEN.time_s, Fraction(1, 1000))),
    ],
)
@pytest.mark.parametrize("full_range", [False, True])
def test_stamps_and_luma_come_back(tmp_path, name, codec, stamps, full_range):
    asked = pictures(9)
    write_clip(tmp_path / name, asked, stamps=stamps, codec=codec, crf=5, full_range=full_range)
    lumas, times, frame = read_back(tmp_path / name)
    assert len(lumas) == 9
    np.testing.assert_allclose(times, stamps.time_s, rtol=0, atol=1e-12)
    for got, want in zip(lumas, asked, strict=True):
        assert np.abs(got.astype(float) - want).max() <= (0 if codec == "ffv1" else 4)
    assert (frame.color_range == 2) == full_range


@pytest.mark.parametrize("rotation_deg", [90, 180, 270])
@pytest.mark.parametrize("suffix", [".mp4", ".mov"])
def test_the_rotation_tag_is_counter_clockwise(tmp_path, rotation_deg, suffix):
    path = tmp_path / f"turned{suffix}"
    write_clip(path, pictures(2), stamps=even_stamps(2, 30), rotation_deg=rotation_deg)
    assert read_back(path)[2].rotation % 360 == rotation_deg


def test_the_same_pictures_give_the_same_bytes(tmp_path):
    for name in ("a.mkv", "b.mkv"):
        stamps = even_stamps(5, 50)
        write_clip(
            tmp_path / name,
            pictures(5),
            stamps=Stamps(pts=stamps.pts * 1000 // 10000, time_base=Fraction(1, 1000)),
        )
    assert (tmp_path / "a.mkv").read_bytes() == (tmp_path / "b.mkv").read_bytes()


def test_a_capture_rate_tag_is_kept(tmp_path):
    path = tmp_path / "slow.mp4"
    tag = {"com.android.capture.fps": "240.0"}
    write_clip(path, pictures(3), stamps=even_stamps(3, 30), metadata=tag)
    with av.open(str(path)) as container:
        assert container.metadata["com.android.capture.fps"] == "240.0"


@pytest.mark.parametrize(
    ("name", "codec", "stamps", "words"),
    [
        ("a.webm", "h264", even_stamps(3, 30), "suffix '.webm'"),
        ("a.avi", "h264", even_stamps(3, 30), "no place for the stamps"),
        (
            "a.avi",
            "mjpeg",
            Stamps(pts=np.array([0, 1, 3]), time_base=Fraction(1, 30)),
            "even stamps",
        ),
        ("a.mkv", "h264", even_stamps(3, 30), "milliseconds"),
        (
            "a.mp4",
            "h264",
            Stamps(pts=np.array([0, 2, 1]), time_base=Fraction(1, 30)),
            "do not increase",
        ),
        ("a.mp4", "h264", even_stamps(2, 30), "more pictures"),
        ("a.mp4", "h264", even_stamps(4, 30), "3 pictures for 4"),
        ("a.mp4", "vp9", even_stamps(3, 30), "not known"),
        ("no/a.mp4", "h264", even_stamps(3, 30), "cannot be written"),
    ],
)
def test_what_a_container_cannot_hold_is_refused(tmp_path, name, codec, stamps, words):
    with pytest.raises(ClipError, match=words):
        write_clip(tmp_path / name, pictures(3), stamps=stamps, codec=codec)


def test_odd_sizes_and_changing_sizes_are_refused(tmp_path):
    with pytest.raises(ClipError, match="even"):
        write_clip(tmp_path / "a.mp4", pictures(2, (47, 64)), stamps=even_stamps(2, 30))
    mixed = [*pictures(1), *pictures(1, (32, 64))]
    with pytest.raises(ClipError, match="picture 1 is not 64 x 48"):
        write_clip(tmp_path / "b.mp4", mixed, stamps=even_stamps(2, 30))
    with pytest.raises(ClipError, match="no picture"):
        write_clip(tmp_path / "c.mp4", [], stamps=even_stamps(2, 30))


def test_the_encoder_is_named():
    assert encoder_for("mjpeg") == "mjpeg"
    with pytest.raises(ClipError, match="not known"):
        encoder_for("vp9")
