"""A fast lamp: read-out and rate from the bands of a rolling shutter."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest

from tests.clip.flashing import Filmed, Lamp, film
from vidspeed.clip.rate.bands import fit_bands
from vidspeed.clip.rate.flashes import flashes
from vidspeed.errors import ClipError

NTSC = Fraction(30000, 1001)
CLOSE = {"shape": (160, 48), "rate": NTSC, "seconds": 10.0, "exposure_s": 0.001}


def square(hz, **more):
    return Lamp(hz=hz, lit_s=0.5 / hz, big=True, **more)


@pytest.mark.parametrize(
    ("hz", "gamma", "codec"), [(211.0, 1.0, "h264"), (211.0, 0.45, "mjpeg"), (397.0, 0.7, "h264")]
)
def test_read_out_and_rate_of_a_fast_lamp(tmp_path, hz, gamma, codec):
    filmed = Filmed(square(hz), ppm=41.0, gamma=gamma, **CLOSE)
    path = film(tmp_path / "a.mov", filmed, codec=codec)
    fit = fit_bands(flashes(path, hz, bands=240), hz)
    assert fit.readout_s == pytest.approx(filmed.readout_s, rel=0.01)
    assert fit.readout_s == pytest.approx(filmed.readout_s, abs=3.0 * fit.readout_u_s)
    assert fit.readout_u_s < 0.01 * filmed.readout_s
    assert fit.clock_ppm == pytest.approx(41.0, abs=4.0 * fit.clock_u_ppm)
    assert fit.clock_u_ppm < 0.5


def test_a_lamp_on_the_mains_tells_the_read_out_though_it_wanders(tmp_path):
    lamp = Lamp(hz=100.0, sine=True, depth=0.3, wander=4e-4, big=True)
    filmed = Filmed(lamp, **{**CLOSE, "exposure_s": 0.004, "seconds": 12.0})
    fit = fit_bands(flashes(film(tmp_path / "a.mp4", filmed), None, bands=240), 100.0, mains=True)
    assert fit.readout_s == pytest.approx(filmed.readout_s, rel=0.02)
    assert fit.readout_s == pytest.approx(filmed.readout_s, abs=3.0 * fit.readout_u_s)
    assert np.isnan(fit.clock_ppm) and fit.drift_ppm_per_min is None


def test_a_picture_that_is_read_upwards_is_said_to_be(tmp_path):
    filmed = Filmed(square(211.0), **CLOSE)
    path = film(tmp_path / "a.mp4", filmed)
    seen = flashes(path, 211.0, bands=240)
    fit = fit_bands(seen, 211.0)
    turned = type(seen)(**{
        name: (1.0 - seen.row if name == "row" else getattr(seen, name)) for name in seen.__slots__
    })  # fmt: skip
    upwards = fit_bands(turned, 211.0)
    assert fit.readout_s is not None and upwards.readout_s is None
    assert any("from its last row to its first" in note for note in upwards.notes)


def test_a_picture_on_its_side_has_its_bands_upright(tmp_path):
    filmed = Filmed(square(211.0), **CLOSE)
    path = film(tmp_path / "a.mp4", filmed, rotation_deg=90)
    fit = fit_bands(flashes(path, 211.0, bands=240), 211.0)
    assert fit.readout_s == pytest.approx(filmed.readout_s, rel=0.01)


@pytest.mark.parametrize(("rate", "hz"), [(Fraction(30), 210.0), (Fraction(50), 100.0)])
def test_bands_that_stand_still_are_refused(tmp_path, rate, hz):
    filmed = Filmed(square(hz), **{**CLOSE, "rate": rate, "seconds": 4.0})
    path = film(tmp_path / "a.mp4", filmed)
    with pytest.raises(ClipError, match=r"locked: .* stand still .* take another rate"):
        fit_bands(flashes(path, hz, bands=240), hz)


def test_no_light_of_that_rate_is_refused(tmp_path):
    filmed = Filmed(square(211.0), **{**CLOSE, "seconds": 6.0})
    path = film(tmp_path / "a.mp4", filmed)
    with pytest.raises(ClipError, match=r"that flashes (steadily )?at 187 Hz is seen"):
        fit_bands(flashes(path, 187.0, bands=240), 187.0)
    even = Filmed(square(250.0), **{**CLOSE, "exposure_s": 0.004, "seconds": 6.0})
    path = film(tmp_path / "b.mp4", even)  # an exposure of one whole flash sees no bands
    with pytest.raises(ClipError, match=r"is seen; check the rate"):
        fit_bands(flashes(path, 250.0, bands=240), 250.0)


def test_a_global_shutter_shows_no_bands_but_the_rate(tmp_path):
    filmed = Filmed(square(211.0), ppm=15.0, **{**CLOSE, "readout_s": 0.0})
    fit = fit_bands(flashes(film(tmp_path / "a.mp4", filmed), 211.0, bands=240), 211.0)
    assert fit.readout_s is None
    assert fit.clock_ppm == pytest.approx(15.0, abs=4.0 * fit.clock_u_ppm)
