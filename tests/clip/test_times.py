"""The account of a file's time names each fault, and no fault where there is none."""

from __future__ import annotations

import json
import struct
from fractions import Fraction

import av
import numpy as np
import pytest

from tests.tiny import command
from vidspeed.clip.slow import refuse_slow_playback, slowed_by_sound
from vidspeed.clip.times import times
from vidspeed.errors import ClipError

from .counted import (
    COUNTED,
    H264,
    MILLI,
    STAMPED,
    Kind,
    box,
    patched,
    with_edits,
    without_offsets,
    write_counted,
)

H264_MP4 = Kind(".mp4", "libx264", options=H264)
PLAIN = Kind(".mp4", "libx264", options={"bf": "0", "crf": "16"})
TAGGED = {"movflags": "use_metadata_tags"}
CAPTURE = "com.android.capture.fps"


def even(count=60, step=3000):
    return [step * k for k in range(count)]


def said(found, words):
    return any(words in reason for reason in found.reasons)


def test_a_steady_clip_has_a_plain_account(tmp_path):
    path = write_counted(tmp_path / "a.mp4", H264_MP4, even(), sound_s=2.0)
    found = times(path)
    assert (found.codec, found.container, found.size_px) == ("h264", "mov", (160, 96))
    assert (found.frames, found.frames_announced, found.damaged) == (60, 60, 0)
    assert (found.time_base, found.first_stamp_s) == ("1/90000", 0.0)
    assert found.interval_s == pytest.approx(1 / 30, rel=1e-12)
    assert found.duration_s == pytest.approx(2.0, rel=1e-12)
    assert (found.spread_s, found.stamp_u_s) == (0.0, 0.0)
    assert (found.dropped, found.repeated, found.backward) == (0, 0, 0)
    assert found.real_hz == pytest.approx(30.0, rel=1e-12)
    assert (found.capture_tags, found.reordered, found.interlaced) == ((), False, False)
    assert len(found.segments) == 1
    assert found.sound is not None
    assert (found.sound.codec, found.sound.rate_hz, found.sound.channels) == ("aac", 48000, 1)
    assert found.sound.duration_s == pytest.approx(2.0, abs=0.05)
    assert (found.verdict, found.reasons) == ("steady", ())


@pytest.mark.parametrize("kind", [STAMPED[9], STAMPED[13]], ids=str)
def test_milliseconds_are_steady_and_uncertain(tmp_path, kind):
    pts = [round(1000 * k * 1001 / 30000) for k in range(60)]
    found = times(write_counted(tmp_path / f"a{kind.suffix}", kind, pts))
    assert found.verdict == "steady"
    assert found.stamp_u_s == pytest.approx(0.001 / np.sqrt(12.0))
    assert found.real_hz == pytest.approx(30000 / 1001, rel=1e-3)


def test_stamps_in_coarser_units_than_the_time_base_are_found_out(tmp_path):
    """A recorder may count milliseconds and write them in a base of microseconds."""
    pts = [1000 * round(1000 * k * 1001 / 30000) for k in range(60)]
    micro = Fraction(1, 1_000_000)
    path = write_counted(
        tmp_path / "b.mp4", H264_MP4, pts, time_base=micro,
        muxer={"video_track_timescale": "1000000"},
    )  # fmt: skip
    found = times(path)
    assert found.time_base == "1/1000000"
    assert found.stamp_u_s == pytest.approx(0.001 / np.sqrt(12.0))
    assert said(found, "ticks of 1 ms")


def test_uneven_dropped_and_late_are_named(tmp_path):
    rng = np.random.default_rng(3)
    steps = rng.integers(2700, 3300, 59)
    steps[[9, 30]] *= [3, 2]
    pts = 9000 + np.concatenate([[0], np.cumsum(steps)])
    found = times(write_counted(tmp_path / "a.mp4", H264_MP4, pts))
    assert (found.verdict, found.dropped) == ("uneven", 3)
    assert found.first_stamp_s == pytest.approx(0.1, abs=1e-9)
    assert found.spread_s == pytest.approx(600 / np.sqrt(12) / 90_000, rel=0.2)
    assert found.shortest_s == pytest.approx(steps.min() / 90_000, abs=1e-9)
    assert found.longest_s == pytest.approx(steps.max() / 90_000, abs=1e-9)
    assert found.real_hz == pytest.approx(62 / ((pts[-1] - pts[0]) / 90_000), rel=1e-9)
    assert said(found, "3 frames are missing")
    assert said(found, "uneven")
    assert said(found, "edit list begins with a wait of 0.100 s")


def test_a_little_jitter_is_told_too(tmp_path):
    jitter = np.random.default_rng(5).integers(-30, 31, 60)
    found = times(write_counted(tmp_path / "a.mp4", H264_MP4, np.array(even()) + 60 + jitter))
    assert found.verdict == "uneven"
    assert said(found, "scatter")


def noisy(path, frames, stamps, rate=30):
    """Write noise pictures, so that a repeated one can be told; each of `frames` seeds its own."""
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=rate, options={"crf": "12", "bf": "0"})
        stream.width, stream.height, stream.pix_fmt = 64, 64, "yuv420p"
        stream.time_base = stream.codec_context.time_base = Fraction(1, 90_000)
        for seed, stamp in zip(frames, stamps, strict=True):
            picture = np.full((96, 64), 128, np.uint8)
            noise = np.random.default_rng(seed).normal(90, 12, (64, 64))
            picture[:64] = np.clip(noise, 0, 255)
            frame = av.VideoFrame.from_ndarray(picture, "yuv420p")
            frame.pts, frame.time_base = int(stamp), Fraction(1, 90_000)
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    return path


def test_a_few_repeats_fill_gaps(tmp_path):
    shown = [0, 1, 2, 3, 4, 4, *range(5, 50), 49]
    found = times(noisy(tmp_path / "a.mp4", shown, even(len(shown))))
    assert (found.verdict, found.repeated) == ("repaired", 2)
    assert said(found, "2 frames repeat the one before (first at frame 5)")


def test_another_rate_made_of_it_is_not_to_be_trusted(tmp_path):
    """24 frames a second made 30, as programs do: every fifth repeats, and all stamps are even."""
    shown = [k * 24 // 30 for k in range(60)]
    found = times(noisy(tmp_path / "a.mp4", shown, even(60)))
    assert (found.verdict, found.repeated) == ("not to be trusted", 12)
    assert said(found, "12 of 60 frames repeat the one before, about every 5 frames")
    assert found.origin == "re-encoded"


def test_stamps_in_storing_order_are_repaired_and_told(tmp_path):
    found = times(without_offsets(write_counted(tmp_path / "a.mp4", H264_MP4, even())))
    assert (found.verdict, found.reordered, found.backward) == ("repaired", True, 0)
    assert found.origin == "re-encoded"
    assert said(found, "order of storing")


def test_stamps_that_go_back_for_good_are_not_to_be_trusted(tmp_path):
    """Two neighbours of a file without reordered frames have their times swapped, in the index."""

    def swapped(body):
        return struct.pack(">II", 1 << 24, 3) + b"".join(
            struct.pack(">Ii", count, offset) for count, offset in ((20, 0), (1, 6000), (39, 0))
        )

    path = write_counted(tmp_path / "a.mp4", PLAIN, even())
    back = patched(path, (b"moov", b"trak", b"mdia", b"minf", b"stbl", b"ctts"), swapped)
    found = times(back)
    assert (found.verdict, found.backward) == ("not to be trusted", 2)
    assert said(found, "2 stamps do not go forward (first at frame 21)")


def test_an_edit_list_is_listed(tmp_path):
    path = write_counted(tmp_path / "a.mp4", PLAIN, even())
    found = times(with_edits(path, [(500, 0, 1.0), (1000, 90_000, 0.5)]))
    assert [(row.duration_s, row.media_s, row.rate) for row in found.edits] == [
        (0.5, 0.0, 1.0), (1.0, 1.0, 0.5),
    ]  # fmt: skip
    assert said(found, "2 pieces, played at 0.5 times the speed")
    assert found.frames == 60


def test_interlaced_clips_are_accounted_for_but_not_measured(tmp_path):
    kind = Kind(".mp4", "libx264", options={"x264-params": "tff=1"})
    found = times(write_counted(tmp_path / "a.mp4", kind, even(20, 3600), rate=Fraction(25)))
    assert (found.interlaced, found.frames) == (True, 20)
    assert found.real_hz == pytest.approx(25.0)
    assert said(found, "interlaced")


def test_an_avi_says_that_it_counts(tmp_path):
    slots = [k + 3 * (k > 20) for k in range(60)]
    rate = Fraction(30000, 1001)
    found = times(
        write_counted(tmp_path / "a.avi", COUNTED[0], slots, time_base=1 / rate, rate=rate)
    )
    assert said(found, "AVI holds no stamps")
    assert (found.dropped, found.verdict) == (3, "steady")


def test_a_file_that_names_30_but_keeps_30000_over_1001(tmp_path):
    """Taking 30 for 30000/1001 makes every speed wrong by 1001/1000 (ITU-R BT.601 practice)."""
    kind = Kind(".mkv", "mjpeg", "yuvj420p", time_base=MILLI)  # its header names a rate
    pts = [round(1000 * k * 1001 / 30000) for k in range(900)]
    path = write_counted(tmp_path / "a.mkv", kind, pts)
    found = times(path)
    assert found.nominal_hz == pytest.approx(30.0)
    assert found.rate_factor == pytest.approx(1.001, abs=5e-5)
    assert said(found, "taking the name would make speeds wrong by the factor 1.0010")


SLOW = [
    (120, 30, 4), (240, 30, 8), (960, 30, 32), (240, Fraction(30000, 1001), 8),
]  # fmt: skip


@pytest.mark.parametrize(("captured", "stored", "times_slower"), SLOW)
def test_slow_playback_with_a_tag(tmp_path, captured, stored, times_slower):
    tag = {CAPTURE: f"{captured:.6f}"}
    path = write_counted(
        tmp_path / "a.mp4", PLAIN, even(60, int(90_000 / Fraction(stored))), metadata=tag,
        muxer=TAGGED,
    )  # fmt: skip
    found = times(path)
    assert found.verdict == "stored for slow playback"
    (row,) = found.capture_tags
    assert (row.key, row.rate_hz, row.agrees) == (CAPTURE, captured, False)
    assert row.rate_hz / found.real_hz == pytest.approx(times_slower, rel=0.002)
    assert said(found, f"captured at {captured} frames a second, its stamps say")
    with pytest.raises(ClipError, match=rf"a\.mp4: its tag .*rate_hz = {captured} if that is"):
        refuse_slow_playback(path)


def test_a_capture_tag_of_a_camcorders_xml(tmp_path):
    xml = b'<VideoFrame videoCodec="AVC" captureFps="119.88p" formatFps="29.97p"/>'
    path = write_counted(tmp_path / "a.mp4", PLAIN, even(60, 3003))
    path.write_bytes(path.read_bytes() + box(b"meta", bytes(4), box(b"xml ", bytes(4), xml)))
    found = times(path)
    assert found.verdict == "stored for slow playback"
    assert [(row.key, row.rate_hz) for row in found.capture_tags] == [("captureFps", 119.88)]


@pytest.mark.parametrize(("tag", "step"), [("30.000000", 3003), ("60.0", 1500), ("240", 375)])
def test_a_tag_that_agrees_is_no_alarm(tmp_path, tag, step):
    path = write_counted(
        tmp_path / "a.mp4", PLAIN, even(60, step), metadata={CAPTURE: tag}, muxer=TAGGED
    )
    found = times(path)
    assert (found.verdict, found.capture_tags[0].agrees) == ("steady", True)
    refuse_slow_playback(path)


def test_a_time_lapse_is_not_to_be_trusted(tmp_path):
    path = write_counted(tmp_path / "a.mp4", PLAIN, even(), metadata={CAPTURE: "1.0"}, muxer=TAGGED)
    assert times(path).verdict == "not to be trusted"
    with pytest.raises(ClipError, match="captured at 1 frames a second"):
        refuse_slow_playback(path)


def test_slow_playback_without_a_tag_told_by_the_sound(tmp_path):
    path = write_counted(tmp_path / "a.mp4", PLAIN, even(240), sound_s=1.0)
    found = times(path)
    assert found.verdict == "stored for slow playback"
    assert said(found, "8 times as long")
    with pytest.raises(ClipError, match="rate at which it was captured as rate_hz"):
        refuse_slow_playback(path)


def test_slow_playback_without_any_trace_cannot_be_told_from_the_file(tmp_path):
    """Then only light can say so; the file itself gives no false alarm."""
    path = write_counted(tmp_path / "a.mp4", PLAIN, even(120))
    assert times(path).verdict == "steady"
    refuse_slow_playback(path)


def test_sound_that_merely_ends_early_is_noted(tmp_path):
    found = times(write_counted(tmp_path / "a.mp4", PLAIN, even(120), sound_s=2.95))
    assert (found.verdict, slowed_by_sound(2.95, 4.0)) == ("steady", None)
    assert any(reason.startswith("sound lasts 2.9") for reason in found.reasons)


MIXED = [375 * k for k in range(48)] + [375 * 47 + 3000 * (k + 1) for k in range(60)]
MIXED += [MIXED[-1] + 375 * (k + 1) for k in range(48)]


@pytest.mark.parametrize("tag", [None, "240.0"])
def test_normal_then_slow_then_normal(tmp_path, tag):
    """The mixed kind: 240 a second, then the same stored at 30, then 240 again."""
    metadata = {CAPTURE: tag} if tag else {}
    path = write_counted(tmp_path / "a.mp4", PLAIN, MIXED, metadata=metadata, muxer=TAGGED)
    found = times(path)
    assert found.verdict == "not to be trusted"
    rates = [1.0 / row.interval_s for row in found.segments]
    assert rates == pytest.approx([240.0, 30.0, 240.0])
    assert [row.first for row in found.segments] == pytest.approx([0, 48, 108], abs=2)
    assert sum(row.frames for row in found.segments) == len(MIXED)
    assert found.dropped == 0
    assert said(found, "240.00 frames a second in one part and 30.00 in another, 8 times slower")
    with pytest.raises(ClipError, match=r"8 times slower.*rate_hz"):
        refuse_slow_playback(path)


def test_a_rate_that_halves_in_the_dark_is_told_but_measured(tmp_path):
    stamps = np.cumsum([0, *[1500] * 60, *[3000] * 60])
    path = write_counted(tmp_path / "a.mp4", PLAIN, stamps)
    found = times(path)
    assert (found.verdict, found.dropped) == ("uneven", 0)
    assert said(found, "the rate changes on the way, frames a second: 60.000 from frame 0, 30.000")
    refuse_slow_playback(path)


def test_who_wrote_it(tmp_path):
    named = {"com.android.manufacturer": "Northfield", "com.android.model": "N 7"}
    quiet = {"fflags": "+bitexact", **TAGGED}
    path = write_counted(tmp_path / "a.mp4", PLAIN, even(), metadata=named, muxer=TAGGED)
    found = times(path)
    assert found.origin == "re-encoded"
    assert any("encoder = Lavf" in reason for reason in found.origin_reasons)
    clean = Kind(".mp4", "libvpx-vp9", options={"cpu-used": "8", "lag-in-frames": "0"})
    own = write_counted(tmp_path / "b.mp4", clean, even(), metadata=named, muxer=quiet)
    bare = patched_names(own)
    assert times(bare).origin == "original"
    assert any("Northfield" in reason for reason in times(bare).origin_reasons)
    path = write_counted(tmp_path / "c.mp4", clean, even(), muxer={"fflags": "+bitexact"})
    found = times(patched_names(path))
    assert found.origin == "cannot tell"
    assert "no make and model" in found.origin_reasons[0]
    found = times(write_counted(tmp_path / "d.mp4", H264_MP4, even(), muxer=quiet))
    assert any("x264 - core" in reason for reason in found.origin_reasons)


def patched_names(path):
    """Take the library's name out of the file, as a camera's recorder would not write it."""
    out = path.with_name(f"own-{path.name}")
    out.write_bytes(path.read_bytes().replace(b"Lavc", b"Cam1").replace(b"Lavf", b"Cam1"))
    return out


def test_movie_and_track_made_at_other_times(tmp_path):
    def later(body):
        return body[:4] + struct.pack(">I", struct.unpack(">I", body[4:8])[0] + 616) + body[8:]

    def born(body):
        return body[:4] + struct.pack(">I", 3_800_000_000) + body[8:]

    path = write_counted(tmp_path / "a.mp4", PLAIN, even())
    path = patched(
        patched(path, (b"moov", b"mvhd"), born), (b"moov", b"trak", b"mdia", b"mdhd"), born
    )
    assert not any("apart" in reason for reason in times(path).origin_reasons)
    path = patched(path, (b"moov", b"trak", b"mdia", b"mdhd"), later)
    assert any("616 s apart" in reason for reason in times(path).origin_reasons)


def test_the_command_prints_a_table_and_json(tmp_path):
    good = write_counted(tmp_path / "a.mp4", PLAIN, even(), metadata={CAPTURE: "240"}, muxer=TAGGED)
    done = command("times", good)
    assert done.status == 0
    assert "com.android.capture.fps = 240 (contradicts the stamps)" in done.out
    assert done.out.splitlines()[-1] == "a.mp4: stored for slow playback; re-encoded"
    done = command("times", "--json", good, tmp_path / "none.mp4")
    assert done.status == 3
    assert "no such file" in done.err
    told = json.loads(done.out)
    assert told["schema"] == "vidspeed.times/1"
    assert [row["verdict"] for row in told["files"]] == ["stored for slow playback"]
    assert told["files"][0]["capture_tags"][0]["rate_hz"] == 240.0
    assert len(told["problems"]) == 1
    assert command("times", tmp_path / "none.mp4").status == 1


def test_a_track_that_says_another_length_than_its_frames_have(tmp_path):
    """A flipped bit in how long a frame lasts changes every speed and no picture."""

    def shorter(body):
        rows = list(struct.iter_unpack(">II", body[8:]))
        assert len(rows) == 1  # every frame lasts as long
        return body[:8] + struct.pack(">II", rows[0][0], rows[0][1] ^ 2048)

    way = (b"moov", b"trak", b"mdia", b"minf", b"stbl", b"stts")
    found = times(patched(write_counted(tmp_path / "a.mp4", PLAIN, even()), way, shorter))
    assert said(found, "the file says that it lasts 2.00 s, its frames last 0.63 s")
