"""The same pictures under other stamps: what is asked for, and what the speed then is."""

from __future__ import annotations

import shutil
from fractions import Fraction

import av
import pytest

from tests.tiny import CLIP, command, edit, render_tiny
from vidspeed.measure import run

TICK = Fraction(1, 120_000)


@pytest.fixture(scope="module")
def flown(tmp_path_factory):
    """Return the tiny session, rendered and not measured, and its speed in m/s."""
    folder = render_tiny(tmp_path_factory.mktemp("retimed") / "session")
    return folder, run(folder).passes[0].speed_mps


def evenly(step):
    """Return a function that stamps frames `step` ticks apart."""
    return lambda frame: frame * step


def slow_in_the_middle(frame):
    """Stamp frames as the mixed kind has them: at 60 a second, a part eight times slower, at 60."""
    return 2000 * frame + 14_000 * min(max(frame - 18, 0), 18)


def restamped(folder, stamp_of, tags=None):
    """Give the clip other stamps, in ticks, without touching its pictures."""
    path = folder / CLIP
    old = shutil.move(path, path.with_name("old.mp4"))
    options = {"video_track_timescale": "120000", "movflags": "use_metadata_tags"}
    with av.open(str(old)) as given, av.open(str(path), "w", options=options) as container:
        container.metadata.update(tags or {})
        source = given.streams.video[0]
        stream = container.add_stream_from_template(source)
        stream.time_base = TICK
        frame = 1 / (source.average_rate * source.time_base)
        for packet in given.demux(source):
            if packet.dts is None:
                continue
            packet.pts = stamp_of(round(packet.pts / frame))
            packet.dts = stamp_of(round(packet.dts / frame))
            packet.duration, packet.time_base, packet.stream = 2000, TICK, stream
            container.mux(packet)


def session_of(flown, tmp_path, stamp_of, tags=None, rate_hz=None):
    folder = shutil.copytree(flown[0], tmp_path / "session")
    restamped(folder, stamp_of, tags)
    if rate_hz is not None:
        edit(folder / "session.toml", f'file = "{CLIP}"', f'file = "{CLIP}"\nrate_hz = {rate_hz}')
    return folder


def test_slow_playback_is_asked_about_and_not_measured(flown, tmp_path):
    folder = session_of(flown, tmp_path, evenly(8000), {"com.android.capture.fps": "60.0"})
    done = command("run", folder)
    assert done.status == 1
    assert "captured at 60 frames a second, its stamps say 15.00" in done.err
    assert "State in this clip's [[clip]] rate_hz = 60 if that is true" in done.err
    assert "km/h" not in done.out
    assert not (folder / "results").exists()


@pytest.mark.parametrize("tag", [None, "60.0", "120.0"])
def test_with_its_rate_stated_it_gives_the_speed_of_the_flight(flown, tmp_path, tag):
    """Whatever the tag says: `rate_hz` decides, and what contradicts it is told."""
    tags = {"com.android.capture.fps": tag} if tag else None
    found = run(session_of(flown, tmp_path, evenly(8000), tags, rate_hz=60.0))
    assert found.passes[0].speed_mps == pytest.approx(flown[1], rel=1e-9)
    told = [row for row in found.problems if "capture.fps says 120; rate_hz is used" in row.message]
    assert len(told) == (tag == "120.0")


def test_normal_slow_normal_is_asked_about_and_measured_at_its_rate(flown, tmp_path):
    done = command("run", session_of(flown, tmp_path / "asked", slow_in_the_middle))
    assert done.status == 1
    assert "60.00 frames a second in one part and 7.50 in another, 8 times slower" in done.err
    assert "If every frame was captured at one rate, state it" in done.err
    stated = session_of(flown, tmp_path / "stated", slow_in_the_middle, rate_hz=60.0)
    assert run(stated).passes[0].speed_mps == pytest.approx(flown[1], rel=1e-9)


def test_taking_60_for_60000_over_1001_makes_the_speed_wrong_by_1_001(flown, tmp_path):
    """Stamps of 60000/1001 a second at their word, and under the name of that rate."""
    true = run(session_of(flown, tmp_path / "stamps", evenly(2002))).passes[0]
    named = run(session_of(flown, tmp_path / "named", evenly(2002), rate_hz=60.0))
    assert true.speed_mps == pytest.approx(flown[1] * 1000 / 1001, rel=1e-4)
    assert named.passes[0].speed_mps / true.speed_mps == pytest.approx(1.001, rel=1e-5)
    said = [problem.message for problem in named.problems]
    assert any("factor 1.0010" in message and "1001/1000" in message for message in said)
