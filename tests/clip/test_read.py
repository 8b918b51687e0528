"""Clips are read as they are: stamps, turn, levels; and refused with words where they are not."""

from __future__ import annotations

import hashlib
import struct
from fractions import Fraction

import av
import numpy as np
import pytest

from vidspeed.clip.read import ClipReader, file_sha256, readout_row
from vidspeed.clip.scan import scan
from vidspeed.clip.write import Stamps, even_stamps, write_clip
from vidspeed.errors import ClipError
from vidspeed.spread.progress import _pulse

from .painted import Painting, paint_clip


def cornered(count=12, shape=(48, 64)):
    """Pictures whose top left corner is bright."""
    picture = np.full(shape, 40, np.uint8)
    picture[:12, :24] = 200
    return [picture] * count


def write_cornered(path, count=12, **options):
    write_clip(path, cornered(count), stamps=even_stamps(count, Fraction(30000, 1001)), **options)
    return path


def all_frames(path):
    with ClipReader(path) as reader:
        return reader.header, list(reader.frames())


def test_stamps_are_those_of_the_file(tmp_path):
    ticks = np.cumsum([0, 3000, 3003, 2997, 6000, 1500])
    stamps = Stamps(pts=ticks, time_base=Fraction(1, 90_000))
    write_clip(tmp_path / "a.mp4", cornered(6), stamps=stamps)
    header, frames = all_frames(tmp_path / "a.mp4")
    np.testing.assert_allclose([f.time_s for f in frames], ticks / 90_000, atol=1e-12)
    assert [f.index for f in frames] == list(range(6))
    assert header.time_base == Fraction(1, 90_000)


def test_a_late_start_in_the_edit_list_is_kept(tmp_path):
    stamps = even_stamps(6, 30, start=9)
    write_clip(tmp_path / "a.mp4", cornered(6), stamps=stamps)
    _, frames = all_frames(tmp_path / "a.mp4")
    assert frames[0].time_s == pytest.approx(0.3, abs=1e-9)


def test_decoding_is_no_silence(tmp_path):
    """A process that gives no sign of life for a while is ended: that of a long clip gives many."""
    frames = [np.full((48, 64), 90, np.uint8)] * 30
    write_clip(tmp_path / "a.mp4", frames, stamps=even_stamps(30, 60), codec="mjpeg")
    beats: list[int] = []
    before = _pulse.set(lambda: beats.append(1))
    try:
        with ClipReader(tmp_path / "a.mp4") as reader:
            beats.clear()
            assert sum(1 for _ in reader.frames()) == 30
    finally:
        _pulse.reset(before)
    assert len(beats) >= 29


def test_the_luma_is_not_touched(tmp_path):
    rng = np.random.default_rng(3)
    pictures = [rng.integers(0, 256, (48, 64)).astype(np.uint8) for _ in range(5)]
    write_clip(tmp_path / "a.avi", pictures, stamps=even_stamps(5, 30), codec="ffv1")
    header, frames = all_frames(tmp_path / "a.avi")
    assert header.bit_depth == 8
    for picture, frame in zip(pictures, frames, strict=True):
        np.testing.assert_array_equal(frame.luma, picture)


@pytest.mark.parametrize(
    ("turn", "corner"),
    [(0, np.s_[:8, :8]), (90, np.s_[-8:, :8]), (180, np.s_[-8:, -8:]), (270, np.s_[:8, -8:])],
)
def test_the_picture_is_turned_as_it_is_shown(tmp_path, turn, corner):
    header, frames = all_frames(write_cornered(tmp_path / "a.mp4", rotation_deg=turn))
    assert header.rotation_deg == turn
    assert header.size_px == ((64, 48) if turn % 180 == 0 else (48, 64))
    assert frames[0].luma.shape == header.size_px[::-1]
    assert frames[0].luma[corner].mean() > 190
    row = readout_row(np.array([[3.0, 3.0]]), header.size_px, turn)[0]
    near_top = turn in (0, 90)  # the stored top row is at the top, then at the left
    assert (row < 0.1) == near_top


def test_the_row_of_the_read_out_runs_along_the_stored_picture():
    assert readout_row(np.array([[5.0, 47.0]]), (64, 48), 180)[0] == 0.0
    assert readout_row(np.array([[47.0, 5.0]]), (48, 64), 270)[0] == 0.0
    assert readout_row(np.array([[12.0, 5.0]]), (48, 64), 90)[0] == pytest.approx(0.25)


def with_matrix(path, *abcd):
    """Write the four turning and mirroring numbers of a file's display matrix; return a copy."""
    data = bytearray(path.read_bytes())
    place = data.find(b"tkhd") + 4 + 4 + 20 + 8 + 8  # ISO/IEC 14496-12, 8.3.2
    assert struct.unpack(">i", data[place : place + 4]) == (65536,)
    a, b, c, d = (struct.pack(">i", 65536 * value) for value in abcd)
    data[place : place + 20] = a + b + bytes(4) + c + d
    out = path.with_name("matrix.mp4")
    out.write_bytes(bytes(data))
    return out


EIGHT = [  # every turn, and every turn of a mirrored picture
    (sx, 0, 0, sy) for sx in (1, -1) for sy in (1, -1)
] + [(0, sx, sy, 0) for sx in (1, -1) for sy in (1, -1)]  # fmt: skip


@pytest.mark.parametrize("abcd", EIGHT)
def test_the_display_matrix_is_followed_point_by_point(tmp_path, abcd):
    """Where a stored point is shown, by the standard's own formula; and its row of the read-out."""
    header, frames = all_frames(with_matrix(write_cornered(tmp_path / "a.mp4"), *abcd))
    a, b, c, d = abcd
    assert header.mirrored == (a * d - b * c < 0)
    assert any("mirrored" in note for note in header.notes) == header.mirrored
    width, height = header.size_px
    assert (width, height) == ((64, 48) if a else (48, 64))
    for x, y, bright in ((4, 4, True), (58, 4, False), (4, 42, False), (58, 42, False)):
        p, q = a * x + c * y, b * x + d * y  # ISO/IEC 14496-12, 6.2.2; moved into the picture
        p, q = p % (width - 1 if p < 0 else width), q % (height - 1 if q < 0 else height)
        assert (frames[0].luma[q, p] > 150) == bright
        row = readout_row(np.array([[p, q]], float), header.size_px, header.rotation_deg)[0]
        assert row == pytest.approx(y / 48, abs=1e-9)


def test_ten_bits_keep_their_precision(tmp_path):
    levels = np.tile(np.linspace(64, 940, 64).astype(np.uint16), (48, 1))
    with av.open(str(tmp_path / "a.mkv"), "w") as container:
        stream = container.add_stream("ffv1", rate=30)
        stream.width, stream.height, stream.pix_fmt = 64, 48, "yuv420p10le"
        for k in range(4):
            frame = av.VideoFrame(64, 48, "yuv420p10le")
            plane = np.zeros((48, frame.planes[0].line_size // 2), "<u2")
            plane[:, :64] = levels
            frame.planes[0].update(plane.tobytes())
            for chroma in frame.planes[1:]:
                chroma.update(np.full(chroma.buffer_size // 2, 512, "<u2").tobytes())
            frame.pts = k
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    header, frames = all_frames(tmp_path / "a.mkv")
    assert header.bit_depth == 10
    assert frames[0].luma.dtype == np.uint16
    np.testing.assert_array_equal(frames[0].luma, levels)


def test_the_hash_is_that_of_the_bytes(tmp_path):
    path = write_cornered(tmp_path / "a.mp4")
    assert file_sha256(path) == hashlib.sha256(path.read_bytes()).hexdigest()


def test_frames_from_a_moment_on(tmp_path):
    path = write_cornered(tmp_path / "a.mp4", count=40)
    with ClipReader(path, from_s=1.0) as reader:
        assert next(reader.frames()).time_s <= 1.0


def half_with_index(tmp_path):
    data = paint_clip(tmp_path / "whole.mp4", Painting(), codec="h264").read_bytes()
    (tmp_path / "half.mp4").write_bytes(data[: len(data) * 6 // 10])
    return tmp_path / "half.mp4"


def test_half_a_file_with_its_index_is_measured_with_a_note(tmp_path):
    seen = scan(half_with_index(tmp_path))
    assert 8 <= seen.facts.frames < 30
    assert any("cut short" in note and "30" in note for note in seen.facts.notes)
    assert len(seen.tracks) == 1


def test_a_damaged_frame_is_left_out_and_counted(tmp_path):
    data = bytearray(paint_clip(tmp_path / "a.mp4", Painting(), codec="h264").read_bytes())
    middle = len(data) // 2
    for k in range(middle, middle + 300):
        data[k] = (data[k] * 7 + 13) % 256
    (tmp_path / "b.mp4").write_bytes(bytes(data))
    seen = scan(tmp_path / "b.mp4")
    assert seen.facts.frames < 30
    assert any("damaged" in note for note in seen.facts.notes)


def write_sound(path):
    with av.open(str(path), "w") as container:
        stream = container.add_stream("aac", rate=48000, layout="mono")
        frame = av.AudioFrame.from_ndarray(np.zeros((1, 1024), np.float32), "fltp", "mono")
        frame.sample_rate = 48000
        for k in range(20):
            frame.pts = 1024 * k
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda path: None, "no such file"),
        (lambda path: path.mkdir(), "folder"),
        (lambda path: path.write_bytes(b""), "empty"),
        (lambda path: path.write_text("x_px,y_px\n1,2\n" * 60, encoding="utf-8"), "text"),
        (lambda path: path.write_bytes(bytes(range(256)) * 40), "not a clip"),
        (write_sound, "only sound"),
        (lambda path: write_cornered(path, count=1), "1 frame "),
    ],
)
def test_what_is_no_clip_is_refused_by_name(tmp_path, make, words):
    path = tmp_path / "pass-1.mp4"
    make(path)
    with pytest.raises(ClipError, match=words) as caught:
        scan(path)
    assert str(caught.value).startswith("pass-1.mp4: ")
    assert len(caught.value.messages) == 1


def test_a_list_of_clips_is_no_clip(tmp_path):
    write_cornered(tmp_path / "other.mp4", count=4)
    path = tmp_path / "pass-1.mp4"
    path.write_text("ffconcat version 1.0\nfile 'other.mp4'\n", encoding="utf-8")
    with pytest.raises(ClipError, match="a list of other files, not a clip"):
        scan(path)


def test_half_a_file_without_its_index_is_refused(tmp_path):
    data = write_cornered(tmp_path / "a.mp4").read_bytes()
    start, size = data.find(b"moov") - 4, int.from_bytes(data[data.find(b"moov") - 4 :][:4], "big")
    (tmp_path / "b.mp4").write_bytes(data[:start] + data[start + size :])
    with pytest.raises(ClipError, match=r"b\.mp4: .*index \(moov\) is missing"):
        scan(tmp_path / "b.mp4")


def test_interlaced_frames_are_refused(tmp_path):
    with av.open(str(tmp_path / "a.mp4"), "w") as container:
        stream = container.add_stream("libx264", rate=25, options={"x264-params": "tff=1"})
        stream.width, stream.height, stream.pix_fmt = 64, 64, "yuv420p"
        for k in range(8):
            frame = av.VideoFrame.from_ndarray(np.full((96, 64), 90, np.uint8), "yuv420p")
            frame.pts = k
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    with pytest.raises(ClipError, match=r"a\.mp4: .*interlaced"):
        scan(tmp_path / "a.mp4")
