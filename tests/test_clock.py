"""The clock of a camera, end to end: clip, command, clock file, session."""

from __future__ import annotations

from datetime import date
from fractions import Fraction

import numpy as np
import pytest

from tests.clip.flashing import Filmed, Lamp, film
from tests.clip.sounded import Clap, write_sounded
from tests.tiny import invoked
from vidspeed.clock import clock, clock_of, flicker, write_clock
from vidspeed.errors import ClipError, OptionError, SessionError
from vidspeed.session.clock import read_clock

NTSC = Fraction(30000, 1001)
SIZE = {"shape": (96, 48)}


@pytest.fixture(scope="module")
def slow(tmp_path_factory):
    """Film a slow lamp: 24 flashes are enough to try the road."""
    filmed = Filmed(Lamp(big=True), rate=NTSC, ppm=30.0, seconds=36.0, noise=1.0, **SIZE)
    return film(tmp_path_factory.mktemp("slow") / "slow.mp4", filmed)


@pytest.fixture(scope="module")
def fast(tmp_path_factory):
    filmed = Filmed(
        Lamp(hz=211.0, lit_s=0.0025, big=True), rate=NTSC, ppm=30.0, seconds=8.0,
        exposure_s=0.001, **SIZE,
    )  # fmt: skip
    return film(tmp_path_factory.mktemp("fast") / "fast.mp4", filmed)


@pytest.fixture(scope="module")
def mains(tmp_path_factory):
    filmed = Filmed(
        Lamp(hz=100.0, sine=True, depth=0.4, wander=3e-4, big=True), rate=NTSC, seconds=8.0,
        exposure_s=0.003, **SIZE,
    )  # fmt: skip
    return film(tmp_path_factory.mktemp("mains") / "mains.mp4", filmed)


def run(*words):
    done = invoked(["clock", *map(str, words)])
    assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
    return done


def test_the_lamps_own_doubt_goes_into_the_clocks(slow):
    exact, vague = clock(slow, 1.0, hz_u=0.0), clock(slow, 1.0)
    assert exact.clock_ppm == pytest.approx(30.0, abs=3.0 * exact.clock_u_ppm)
    assert exact.lamp_u_ppm == 0.0 and not exact.hz_u_assumed
    assert vague.hz_u_assumed and vague.lamp_u_ppm == pytest.approx(30.0)
    assert vague.clock_u_ppm == pytest.approx(np.hypot(30.0, exact.clock_u_ppm))
    assert exact.true_rate_hz == pytest.approx(29.97003 / 1.00003, rel=3e-6)
    other = clock(slow, 1.0 + 1e-5, hz_u=0.0)
    assert other.clock_ppm - exact.clock_ppm == pytest.approx(-10.0, abs=0.2)


def test_a_clip_stored_for_slow_playback_is_measured_at_its_capture_rate(tmp_path):
    """Filmed at 119.88 a second, stamped at 29.97: the stamps are four times too long."""
    filmed = Filmed(
        Lamp(hz=3.0, lit_s=0.12, big=True), rate=4 * NTSC, ppm=-20.0, seconds=12.0,
        exposure_s=0.003, readout_s=0.006, **SIZE,
    )  # fmt: skip
    from vidspeed.clip.write import even_stamps, write_clip

    path = tmp_path / "a.mp4"
    stamps = even_stamps(len(filmed.stamps().pts), NTSC)
    write_clip(path, filmed.frames(), stamps=stamps, full_range=True)
    rate = float(4 * NTSC)
    found = clock(path, 3.0, hz_u=0.0, rate_hz=rate)
    assert found.clock_ppm == pytest.approx(-20.0, abs=3.0 * found.clock_u_ppm)
    assert found.stamped_rate_hz == pytest.approx(rate)
    with pytest.raises(ClipError, match=r"flashes at about 0\.75 Hz by the clip's stamps"):
        clock(path, 3.0)


def test_flicker_tries_both_mains_frequencies(mains):
    found = flicker(mains)
    assert found.hz == 100.0 and found.clock_ppm is None
    assert found.fit.readout_s == pytest.approx(0.018, rel=0.03)
    assert flicker(mains, 100.0).fit.readout_s == pytest.approx(found.fit.readout_s)
    with pytest.raises(ClipError):
        flicker(mains, 120.0)


def test_rate_and_read_out_of_two_clips_go_into_one_file(slow, fast, tmp_path):
    path, day = tmp_path / "clock-north.toml", date(2026, 9, 10)
    rate = clock(slow, 1.0, hz_u=0.0)
    write_clock(path, clock_of(rate, date=day, age_u_ppm=3.0))
    reading = flicker_free(clock(fast, 211.0, hz_u=0.0))
    write_clock(path, clock_of(reading, date=date(2026, 9, 11)))
    kept = read_clock(path)
    assert kept.clock_ppm == pytest.approx(rate.clock_ppm) and kept.age_u_ppm == 3.0
    assert kept.date == day
    assert kept.readout_s == pytest.approx(reading.fit.readout_s)
    assert kept.readout_s == pytest.approx(0.018, rel=0.01)


def flicker_free(reading):
    """Return a reading as one that tells the read-out alone, as of a lamp on the mains."""
    from dataclasses import replace

    fit = replace(reading.fit, drift_ppm_per_min=None)
    return replace(reading, clock_ppm=None, clock_u_ppm=0.0, fit=fit)


def test_a_file_of_another_mode_or_of_something_else_is_left_alone(slow, tmp_path):
    found = clock_of(clock(slow, 1.0, hz_u=0.0), date=date(2026, 9, 10))
    path = tmp_path / "clock.toml"
    path.write_text("title = 1\n", encoding="utf-8")
    with pytest.raises(SessionError, match="unknown key"):
        write_clock(path, found)
    assert path.read_text(encoding="utf-8") == "title = 1\n"
    path.unlink()
    write_clock(path, found)
    text = path.read_text(encoding="utf-8").replace("[48, 96]", "[96, 48]")
    path.write_text(text, encoding="utf-8")
    with pytest.raises(SessionError, match=r"picture of \[96, 48\], this clip of \[48, 96\]"):
        write_clock(path, found)


@pytest.mark.parametrize(("hz", "hz_u"), [(0.0, None), (-1.0, None), (1.0, -0.1), (1.0, 2.0)])
def test_an_impossible_rate_is_refused(slow, hz, hz_u):
    with pytest.raises(OptionError, match=r"--hz(-u)? is .* is allowed"):
        clock(slow, hz, hz_u=hz_u)


def test_the_command_prints_and_writes(slow, fast, tmp_path):
    path = tmp_path / "clock-north.toml"
    done = run(slow, "--hz", 1, "--hz-u", 0, "--out", path, "--date", "2026-09-10")
    assert done.exit_code == 0, done.stderr
    for word in ("edges: ", "clock: +", "it runs slow", "rate: 29.96", "drift: ", "read-out: "):
        assert word in done.stdout
    assert done.stdout.splitlines()[-1] == str(path)
    assert read_clock(path).date == date(2026, 9, 10)
    done = run(fast, "--hz", 211, "--out", path)
    assert done.exit_code == 0 and "the lamp 30.000, assumed" in done.stdout


def test_the_command_says_what_is_missing(slow, tmp_path):
    done = run(slow)
    assert done.exit_code == 2 and "--hz" in done.stderr
    done = run(slow, "--hz", 2)
    assert done.exit_code == 1 and "flashes at about 1 Hz by" in done.stderr
    done = run(tmp_path / "none.mp4", "--hz", 1)
    assert done.exit_code == 1 and "there is no such file" in done.stderr
    assert not list(slow.parent.glob("*.toml"))


def test_the_command_measures_a_clap(tmp_path):
    path = write_sounded(tmp_path / "a.mov", Clap(flash_s=1.2, bang_s=1.2 + 0.0294 + 0.05))
    done = run(path, "--clap-distance-m", 10, "--exposure-ms", 12)
    assert done.exit_code == 0, done.stderr
    assert "the sound track is " in done.stdout and " ms late" in done.stdout
    late = float(done.stdout.splitlines()[-1].split(" is ")[1].split(" ms")[0])
    assert late == pytest.approx(50.0, abs=25.0)
    done = run(path, "--clap-distance-m", 10, "--seen-s", 1.2, "--seen-u-s", 0.001)
    late = float(done.stdout.splitlines()[-1].split(" is ")[1].split(" ms")[0])
    assert late == pytest.approx(50.0, abs=2.0)
