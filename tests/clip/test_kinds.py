"""Picture and stamp never slip against each other, in any kind of file.

A counter drawn into the picture is read back beside the stamp of its frame.
"""

from __future__ import annotations

import struct
from dataclasses import replace
from fractions import Fraction

import av
import numpy as np
import pytest

from vidspeed.clip.container import packets_of
from vidspeed.clip.facts import frame_numbers
from vidspeed.clip.read import ClipReader
from vidspeed.clip.scan import scan
from vidspeed.clip.stamps import account
from vidspeed.clip.write import Stamps, write_clip
from vidspeed.errors import ClipError

from .counted import (
    BRIGHT,
    COUNTED,
    DARK,
    H264,
    MILLI,
    STAMPED,
    TICK,
    Kind,
    number_in,
    patched,
    with_edits,
    without_offsets,
    write_counted,
)
from .painted import Painting

COUNT = 30
PLAIN = Kind(".mp4", "libx264", options={"bf": "0", "g": "1", "crf": "16"})
ORDERED = Kind(".mp4", "libx264", options=H264)
OFFSETS = (b"moov", b"trak", b"mdia", b"minf", b"stbl", b"ctts")


def uneven(count=COUNT, seed=4):
    """Stamps as a phone writes them: jitter, two gaps, in ticks of 1/90000 s."""
    steps = np.random.default_rng(seed).integers(2850, 3150, count - 1)
    steps[[6, 17]] *= [2, 4]
    return np.concatenate([[0], np.cumsum(steps)])


def read_back(path, *, whole=True):
    """Return header, stamps in seconds and the numbers in the pictures of a file without damage."""
    with ClipReader(path) as reader:
        rows = [(frame.time_s, number_in(frame.luma), frame.index) for frame in reader.frames()]
        header = reader.header
        assert not whole or (reader.damaged, reader.skipped, reader.cut_short) == (0, 0, False)
    assert [row[2] for row in rows] == list(range(len(rows)))
    return header, np.array([row[0] for row in rows]), [row[1] for row in rows]


@pytest.mark.parametrize("kind", STAMPED, ids=str)
def test_every_frame_has_its_own_stamp(tmp_path, kind):
    pts = np.rint(uneven() * float(TICK / kind.time_base)).astype(int)
    path = write_counted(tmp_path / f"a{kind.suffix}", kind, pts)
    header, time_s, numbers = read_back(path)
    assert numbers == list(range(COUNT))
    np.testing.assert_allclose(time_s, pts * float(kind.time_base), rtol=0, atol=1e-9)
    assert header.bit_depth == (10 if "10" in kind.pix_fmt else 8)
    found = account(packets_of(path).stamps, header.time_base)
    assert (found.dropped, len(found.segments)) == (4, 1)
    assert found.number.tolist() == [*range(7), *range(8, 19), *range(22, 34)]


@pytest.mark.parametrize("kind", COUNTED, ids=str)
def test_an_avi_keeps_its_gaps_in_place(tmp_path, kind):
    slots = [k + 2 * (k > 5) + 3 * (k > 17) for k in range(COUNT)]
    ntsc = Fraction(30000, 1001)
    path = write_counted(tmp_path / "a.avi", kind, slots, time_base=1 / ntsc, rate=ntsc)
    header, time_s, numbers = read_back(path)
    assert numbers == list(range(COUNT))
    np.testing.assert_allclose(time_s, np.array(slots) * 1001 / 30000, rtol=0, atol=1e-9)
    assert not header.reordered  # of an AVI nothing else can be expected


@pytest.mark.parametrize("full", [False, True])
@pytest.mark.parametrize(
    "kind",
    [
        Kind(".mp4", "libx264", "yuv420p", H264),
        Kind(".mp4", "libx265", "yuv420p10le", STAMPED[2].options),
        Kind(".mov", "prores_ks", "yuv422p10le"),
    ],
    ids=str,
)
def test_levels_are_those_of_the_file_in_either_range(tmp_path, kind, full):
    """The luma is taken as it is coded; the range is only told."""
    path = tmp_path / f"a{kind.suffix}"
    with av.open(str(path), "w") as container:
        stream = container.add_stream(kind.encoder, rate=30, options=dict(kind.options))
        stream.width, stream.height, stream.pix_fmt = 64, 64, kind.pix_fmt
        stream.codec_context.color_range = 2 if full else 1
        stream.codec_context.colorspace = 1
        for k in range(6):
            frame = av.VideoFrame(64, 64, kind.pix_fmt)
            wide = 2 if "10" in kind.pix_fmt else 1
            for plane, level in zip(frame.planes, (100, 128, 128), strict=True):
                value = np.full(plane.buffer_size // wide, level * (4 if wide == 2 else 1))
                plane.update(value.astype("<u2" if wide == 2 else "u1").tobytes())
            frame.pts, frame.color_range = k, 2 if full else 1
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    with ClipReader(path) as reader:
        first = next(reader.frames())
        assert reader.header.full_range == full or kind.encoder == "prores_ks"
    scale = 4 if "10" in kind.pix_fmt else 1
    assert abs(float(first.luma.mean()) / scale - 100) < 1.0


def test_colours_become_grey_of_full_range(tmp_path):
    kind = Kind(".avi", "ffv1", "bgr0")
    path = write_counted(tmp_path / "a.avi", kind, range(6), time_base=Fraction(1, 30))
    header, _, numbers = read_back(path)
    assert numbers == list(range(6))
    assert header.full_range
    with ClipReader(path) as reader:
        levels = [frame.luma for frame in reader.frames()][5]
    wide = 255.0 / 219.0  # from video range to full, ITU-R BT.601
    assert levels[:10].mean() == pytest.approx((DARK - 16) * wide, abs=1.5)
    assert levels[24:30, 24:30].mean() == pytest.approx((BRIGHT - 16) * wide, abs=1.5)


@pytest.mark.parametrize("kind", [PLAIN, ORDERED], ids=["plain", "reordered"])
def test_a_trimmed_clip_starts_where_its_edit_list_says(tmp_path, kind):
    path = write_counted(tmp_path / "a.mp4", kind, [3000 * k for k in range(COUNT)])
    lag = 2 * 3000 if kind is ORDERED else 0  # of composition
    header, time_s, numbers = read_back(with_edits(path, [(600, 9000 + lag, 1.0)]))
    assert numbers[0] == 3
    np.testing.assert_allclose(time_s, (np.array(numbers) - 3) / 30, rtol=0, atol=1e-9)
    assert not any("edit list" in note for note in header.notes)


def test_a_wait_in_the_edit_list_is_kept(tmp_path):
    path = write_counted(tmp_path / "a.mp4", PLAIN, [3000 * k for k in range(COUNT)])
    _, time_s, numbers = read_back(with_edits(path, [(200, -1, 1.0), (1000, 0, 1.0)]))
    assert numbers == list(range(COUNT))
    np.testing.assert_allclose(time_s, 0.2 + np.arange(COUNT) / 30, rtol=0, atol=1e-9)


@pytest.mark.parametrize("flags", ["frag_keyframe+empty_moov", "faststart"])
def test_the_index_may_lie_anywhere(tmp_path, flags):
    pts = uneven()
    path = write_counted(tmp_path / "a.mp4", ORDERED, pts, muxer={"movflags": flags})
    _, time_s, numbers = read_back(path)
    assert numbers == list(range(COUNT))
    np.testing.assert_allclose(time_s - time_s[0], pts / 90_000, rtol=0, atol=1e-9)


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ([(300, 0, 1.0), (300, 60000, 1.0)], "2 pieces of"),
        ([(300, 60000, 1.0), (300, 0, 1.0)], "2 pieces of"),
        ([(300, 0, 1.0), (900, 27000, 0.25), (200, 57000, 1.0)], "3 pieces, played at 0.25 times"),
        ([(1000, 0, 2.0)], "1 piece, played at 2 times"),
    ],
)
def test_what_was_pieced_together_is_read_as_it_was_recorded(tmp_path, rows, words):
    """Across a cut the steps of the playing are none of the recording."""
    path = write_counted(tmp_path / "a.mp4", PLAIN, [3000 * k for k in range(COUNT)])
    header, time_s, numbers = read_back(with_edits(path, rows))
    assert numbers == list(range(COUNT))
    np.testing.assert_allclose(time_s, np.arange(COUNT) / 30, rtol=0, atol=1e-9)
    assert any(words in note for note in header.notes)


def test_first_stamps_below_zero_are_kept(tmp_path):
    def earlier(body):
        rows = struct.iter_unpack(">Ii", body[8:])
        return struct.pack(">I", 1 << 24) + body[4:8] + b"".join(
            struct.pack(">Ii", count, offset - 15_000) for count, offset in rows
        )  # fmt: skip

    path = write_counted(tmp_path / "a.mp4", ORDERED, [3000 * k for k in range(COUNT)])
    early = patched(patched(path, OFFSETS, earlier), (b"moov", b"trak", b"edts"), lambda _: None)
    _, time_s, numbers = read_back(early)
    assert numbers == list(range(COUNT))
    assert time_s[0] < 0.0
    np.testing.assert_allclose(time_s, time_s[0] + np.arange(COUNT) / 30, rtol=0, atol=1e-9)


def test_matroska_has_no_stamps_below_zero(tmp_path):
    kind = replace(STAMPED[9], options={"bf": "0"})
    path = write_counted(
        tmp_path / "a.mkv", kind, [40 * (k - 3) for k in range(COUNT)], time_base=MILLI,
        muxer={"avoid_negative_ts": "disabled"},
    )  # fmt: skip
    _, time_s, numbers = read_back(path)
    assert numbers == list(range(3, COUNT))
    np.testing.assert_allclose(time_s, 0.04 * np.arange(COUNT - 3), atol=1e-9)


def test_stamps_in_the_order_of_storing_are_put_right(tmp_path):
    """As a program that knows nothing of reordered frames leaves them."""
    path = write_counted(tmp_path / "a.mp4", ORDERED, [3000 * k for k in range(COUNT)])
    header, time_s, numbers = read_back(without_offsets(path))
    assert header.reordered
    assert any("order of storing" in note for note in header.notes)
    assert numbers == list(range(COUNT))
    np.testing.assert_allclose(time_s, np.arange(COUNT) / 30, rtol=0, atol=1e-9)


def spoiled(path, places, share=0.9):
    """Overwrite the packets that are stored at some places, but for their beginnings."""
    with av.open(str(path)) as container:
        packets = [packet for packet in container.demux(video=0) if packet.size]
        rows = [(packets[k].pos, packets[k].size, int(packets[k].pts)) for k in places]
        every = [int(packet.pts) for packet in packets]
    data = bytearray(path.read_bytes())
    rng = np.random.default_rng(9)
    for start, size, _ in rows:
        begin = start + min(size, max(4, int(size * (1 - share))))
        data[begin : start + size] = rng.integers(0, 256, start + size - begin, np.uint8).tobytes()
    out = path.with_name(f"spoiled-{path.name}")
    out.write_bytes(bytes(data))
    return out, every


@pytest.mark.parametrize(
    "kind", [ORDERED, PLAIN, STAMPED[5], STAMPED[7], STAMPED[10], STAMPED[3]], ids=str
)
def test_after_damage_stamps_and_pictures_still_belong_together(tmp_path, kind):
    """What is lost is counted, and the next good frame has its own stamp."""
    base = kind.time_base
    pts = [round(k / 30 / base) for k in range(48)]
    path, _ = spoiled(write_counted(tmp_path / f"a{kind.suffix}", kind, pts), (14, 15, 16))
    with ClipReader(path) as reader:
        rows = [(frame.stamp, number_in(frame.luma)) for frame in reader.frames()]
        lost = reader.damaged + reader.skipped
    own = {stamp: k for k, stamp in enumerate(pts)}
    wrong = [stamp for stamp, number in rows if own[stamp] != number]
    assert len(wrong) <= 3  # pictures that the codec cannot know to be wrong
    assert len(rows) + lost >= 44
    if kind.encoder in ("mjpeg", "prores_ks"):  # every frame stands alone
        assert lost <= 3
    assert rows[-1] == (pts[-1], 47)
    assert rows[0] == (pts[0], 0)
    numbers = frame_numbers(path, reader.header.time_base)
    assert [numbers[stamp] for stamp, _ in rows] == [own[stamp] for stamp, _ in rows]


def test_a_bare_stream_is_refused(tmp_path):
    path = write_counted(tmp_path / "a.h264", replace(PLAIN, suffix=".h264"), range(20))
    with pytest.raises(ClipError, match=r"a\.h264: .*stamp"), ClipReader(path) as reader:
        list(reader.frames())


def test_missing_frames_do_not_shift_the_times_of_a_stated_rate(tmp_path):
    """Captured at 240 and stored at 30, three frames lost: frame over rate counts them too."""
    painting = Painting(count=40)
    lost = {9, 10, 22}
    kept = [k for k in range(40) if k not in lost]
    stamps = Stamps(pts=np.array(kept) * 3000, time_base=TICK)
    pictures = (picture for k, picture in enumerate(painting.frames()) if k not in lost)
    write_clip(tmp_path / "a.mp4", pictures, stamps=stamps)
    seen = scan(tmp_path / "a.mp4", rate_hz=240.0)
    (track,) = seen.tracks
    assert len(track) > 25
    own = np.rint((track.xy_px[:, 0] - painting.flyers[0].start[0]) / 9.3)  # about where it is
    number = track.time_s * 240.0
    np.testing.assert_allclose(number, np.array(kept)[track.frame], atol=1e-9)
    assert np.abs(own - number).max() < 4.0
    assert seen.facts.duration_s == pytest.approx(40 / 240.0)


def test_a_clip_cut_in_the_middle_of_a_group_begins_at_its_first_whole_frame(tmp_path):
    """A stream caught on its way: nothing behind the first frames is doubted for their sake."""
    kind = Kind(".ts", "libx264", options={**H264, "x264-params": "open-gop=1:keyint=12"})
    path = write_counted(tmp_path / "a.ts", kind, [3000 * k for k in range(60)])
    data = path.read_bytes()
    (tmp_path / "b.ts").write_bytes(data[len(data) // 4 // 188 * 188 :])
    whole, late = read_back(path), read_back(tmp_path / "b.ts", whole=False)
    assert whole[2] == list(range(60))
    assert late[2] == list(range(late[2][0], 60))
    assert 8 <= late[2][0] <= 26
    step = late[1] - late[2] / np.float64(30)
    np.testing.assert_allclose(step, step[0], atol=1e-6)


def test_a_stream_refreshed_bit_by_bit_is_read(tmp_path):
    """Without key frames behind the first, as some cameras write."""
    refresh = {"bf": "0", "x264-params": "intra-refresh=1:keyint=10", "crf": "16"}
    path = write_counted(
        tmp_path / "a.mp4", Kind(".mp4", "libx264", options=refresh), [3000 * k for k in range(40)]
    )
    assert read_back(path)[2] == list(range(40))


@pytest.mark.parametrize("turn_deg", [90, 180, 270])
@pytest.mark.parametrize("kind", [STAMPED[0], STAMPED[6], STAMPED[7], STAMPED[9]], ids=str)
def test_a_turned_picture_keeps_its_stamps(tmp_path, kind, turn_deg):
    pts = np.rint(uneven() * float(TICK / kind.time_base)).astype(int)
    path = write_counted(tmp_path / f"a{kind.suffix}", kind, pts, turn_deg=turn_deg)
    with ClipReader(path) as reader:
        assert (reader.header.rotation_deg, reader.header.mirrored) == (turn_deg, False)
        rows = [
            (frame.stamp, number_in(np.rot90(frame.luma, -turn_deg // 90)))
            for frame in reader.frames()
        ]
    assert rows == list(zip(pts.tolist(), range(COUNT), strict=True))
