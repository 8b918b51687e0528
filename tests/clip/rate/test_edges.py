"""A slow lamp: the clock's rate from its edges, with an uncertainty that is true, or a refusal."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest

from tests.clip.flashing import Filmed, Lamp, film
from vidspeed.clip.rate.edges import fit_edges
from vidspeed.clip.rate.flashes import flashes
from vidspeed.clip.write import uneven_stamps, write_clip
from vidspeed.errors import ClipError

NTSC = Fraction(30000, 1001)


def measured(path, filmed, **options):
    return fit_edges(
        flashes(film(path, filmed, **options), filmed.lamp.hz, bands=24), filmed.lamp.hz
    )


def test_a_minute_of_a_large_lamp_tells_the_clock_to_better_than_one_ppm(tmp_path):
    filmed = Filmed(Lamp(big=True), rate=NTSC, ppm=-37.0, gamma=0.7)
    fit = measured(tmp_path / "a.mp4", filmed)
    assert fit.clock_u_ppm < 0.5
    assert fit.clock_ppm == pytest.approx(-37.0, abs=3.0 * fit.clock_u_ppm)
    assert fit.readout_s == pytest.approx(filmed.readout_s, rel=0.01)
    assert fit.ramp_s == pytest.approx(filmed.exposure_s, rel=0.03)
    assert fit.covered > 0.9 and fit.edges > 115 and 60 < fit.used <= fit.edges
    assert fit.drift_ppm_per_min == pytest.approx(0.0, abs=3.0 * fit.drift_u_ppm_per_min)


def test_a_spot_of_a_lamp_tells_less(tmp_path):
    lamp = Lamp(light=0.7, width=4.0)
    filmed = Filmed(lamp, rate=NTSC, ppm=64.0, exposure_s=0.02, seed=3, seconds=40.0)
    fit = measured(tmp_path / "a.mp4", filmed, crf=16)
    assert 0.2 < fit.clock_u_ppm < 2.7
    assert fit.clock_ppm == pytest.approx(64.0, abs=3.0 * fit.clock_u_ppm)


def test_a_flash_shorter_than_the_exposure_is_measured_too(tmp_path):
    lamp = Lamp(big=True, lit_s=0.012)
    filmed = Filmed(lamp, rate=NTSC, ppm=12.0, exposure_s=0.025, readout_s=0.025, seconds=40.0)
    fit = measured(tmp_path / "a.mp4", filmed)
    assert fit.clock_ppm == pytest.approx(12.0, abs=3.0 * fit.clock_u_ppm)
    assert fit.clock_u_ppm < 0.9
    assert fit.ramp_s == pytest.approx(0.012, rel=0.05)


def test_dusk_and_a_fading_lamp_do_no_harm(tmp_path):
    filmed = Filmed(
        Lamp(big=True), rate=NTSC, ppm=-8.0, dark=0.08, dusk=0.8, fade=0.35, shape=(48, 64),
        seconds=40.0,
    )  # fmt: skip
    fit = measured(tmp_path / "a.mp4", filmed)
    assert fit.clock_ppm == pytest.approx(-8.0, abs=3.0 * fit.clock_u_ppm)
    assert fit.clock_u_ppm < 1.1


def test_stamps_in_milliseconds_are_taken_as_they_are(tmp_path):
    filmed = Filmed(Lamp(big=True), rate=NTSC, ppm=17.0, shape=(48, 64), seconds=40.0)
    stamps = uneven_stamps(filmed.stamps().time_s, Fraction(1, 1000))
    path = tmp_path / "a.mkv"
    write_clip(path, filmed.frames(), stamps=stamps, full_range=True)
    fit = fit_edges(flashes(path, 1.0, bands=24), 1.0)
    assert fit.clock_ppm == pytest.approx(17.0, abs=3.0 * fit.clock_u_ppm)
    assert 1.8 < fit.clock_u_ppm < 9.2  # 0.29 ms of each stamp are rounding


def test_a_clock_that_drifts_is_seen_to_drift(tmp_path):
    filmed = Filmed(
        Lamp(big=True), rate=NTSC, ppm=5.0, drift_ppm_per_min=30.0, shape=(48, 48), noise=1.0
    )
    fit = measured(tmp_path / "a.mp4", filmed)
    assert fit.drift_u_ppm_per_min < 5.0
    assert fit.drift_ppm_per_min == pytest.approx(30.0, abs=3.0 * fit.drift_u_ppm_per_min)
    assert fit.clock_ppm == pytest.approx(5.0, abs=3.0 * fit.clock_u_ppm)


@pytest.mark.parametrize("big", [True, False])
@pytest.mark.parametrize("start_s", [0.3217, 0.31])
def test_frames_and_flashes_that_are_locked_are_refused(tmp_path, big, start_s):
    """Thirty frames a second and one flash: every edge at one phase, in an exposure or between."""
    filmed = Filmed(
        Lamp(big=big), rate=Fraction(30), ppm=8.0, start_s=start_s, shape=(48, 64), seconds=30.0
    )
    with pytest.raises(ClipError, match=r"locked: .* take another rate .* longer exposure"):
        measured(tmp_path / "a.mp4", filmed)


def test_another_rate_than_stated_is_named(tmp_path):
    filmed = Filmed(Lamp(hz=2.0, lit_s=0.2), rate=NTSC, seconds=12.0)
    path = film(tmp_path / "a.mp4", filmed)
    with pytest.raises(ClipError, match="flashes at about 2 Hz by the clip's stamps, not at 1"):
        fit_edges(flashes(path, 1.0, bands=24), 1.0)


def test_too_few_flashes_and_no_lamp_are_refused(tmp_path):
    short = film(tmp_path / "a.mp4", Filmed(Lamp(), rate=NTSC, seconds=5.0))
    with pytest.raises(ClipError, match="5 flashes are seen, at least 8 are needed"):
        fit_edges(flashes(short, 1.0, bands=24), 1.0)
    dark = film(tmp_path / "b.mp4", Filmed(Lamp(light=0.0), rate=NTSC, seconds=12.0))
    with pytest.raises(ClipError, match="no lamp that flashes at about 1 Hz is seen"):
        fit_edges(flashes(dark, 1.0, bands=24), 1.0)


def test_a_missing_flash_does_no_harm(tmp_path):
    class Skipping(Lamp):
        def collected(self, start_s, stop_s):
            return np.where(
                (start_s > 20.0) & (start_s < 20.9), 0.0, super().collected(start_s, stop_s)
            )

    filmed = Filmed(Skipping(big=True), rate=NTSC, ppm=20.0, seconds=40.0, shape=(48, 64))
    fit = measured(tmp_path / "a.mp4", filmed)
    assert fit.clock_ppm == pytest.approx(20.0, abs=3.0 * fit.clock_u_ppm)
    assert fit.clock_u_ppm < 1.5


def test_a_burnt_out_lamp_is_measured_by_its_halo_and_one_without_is_refused(tmp_path):
    lamp = Lamp(light=3.0, width=5.0, xy=(32.0, 24.0))
    filmed = Filmed(lamp, rate=NTSC, ppm=-8.0, exposure_s=0.02, shape=(48, 64))
    fit = measured(tmp_path / "a.mp4", filmed)
    assert fit.clock_ppm == pytest.approx(-8.0, abs=3.0 * fit.clock_u_ppm)
    assert any("is white and was left out; film it dimmer" in note for note in fit.notes)
    burnt = Filmed(Lamp(light=3.0, big=True), rate=NTSC, seconds=10.0, shape=(48, 64))
    with pytest.raises(ClipError, match="the lamp saturates"):
        measured(tmp_path / "b.mp4", burnt)
