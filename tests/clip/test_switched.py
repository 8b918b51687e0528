"""Lights of frames in which the lamp went on or off, or the craft went behind something."""

from __future__ import annotations

import numpy as np
import pytest

from vidspeed.clip.fit import PARAMETERS, Fit
from vidspeed.clip.profile import PEAK, WIDTH
from vidspeed.clip.switched import corrections, edges_of, lit_parts

INTERVAL_S = 1.0 / 60.0
EXPOSURE_S = 0.010
SPEED = 1200.0


def fit_of(part):
    parameters = np.zeros(PARAMETERS)
    parameters[PEAK], parameters[WIDTH] = part, 1.3
    none = np.zeros((1, 1))
    return Fit(
        parameters=parameters, inverse=none, slopes=none, residual=none, modelled=none, settled=True
    )


def flashed(hz, duty, count=60):
    """Return frames that see a flashing lamp, the lit part of each and where its middle is."""
    frames, parts, off_s = [], [], []
    for k in range(count):
        fine = k * INTERVAL_S + (np.arange(2000) + 0.5) / 2000 * EXPOSURE_S
        lit = fine[(fine * hz + 0.13) % 1.0 < duty]
        if len(lit) > 100:
            frames.append(k)
            parts.append(len(lit) / 2000)
            off_s.append(lit.mean() - (k * INTERVAL_S + 0.5 * EXPOSURE_S))
    return np.array(frames), np.array(parts), np.array(off_s)


def corrected(hz, duty):
    """Return errors along the way (n,) in px, before and after, and the added u (n,)."""
    frames, parts, off_s = flashed(hz, duty)
    snr = np.full(len(frames), 40.0)
    velocity = np.tile([SPEED, 0.0], (len(frames), 1))
    found, u = lit_parts([fit_of(part) for part in parts], frames, snr)
    shift, extra = corrections(frames, frames * INTERVAL_S, velocity, EXPOSURE_S, found, u)
    before = off_s * SPEED
    return before, before + shift[:, 0], np.sqrt(extra[:, 0, 0])


@pytest.mark.parametrize(("hz", "duty"), [(6.3, 0.5), (9.1, 0.45), (4.7, 0.3)])
def test_ends_of_flashes_are_put_where_the_whole_exposure_has_its_middle(hz, duty):
    before, after, u = corrected(hz, duty)
    assert np.abs(before).max() > 2.0
    assert np.sqrt(np.mean(after**2)) < 0.4 * np.sqrt(np.mean(before**2))
    assert np.all(np.abs(after) < 3.0 * u + 0.8)


def test_single_frames_of_short_flashes_give_no_place_along_the_way():
    _, after, u = corrected(19.0, 0.12)
    alone = u > 0.0
    assert alone.mean() > 0.7
    assert np.all(np.abs(after[alone]) < 3.0 * u[alone])
    assert u[alone].min() > 2.0


def test_a_lamp_that_is_always_on_is_left_alone():
    frames = np.arange(30)
    part, u = lit_parts([fit_of(1.0 - 0.01 * k) for k in frames], frames, np.full(30, 40.0))
    velocity = np.tile([SPEED, 0.0], (30, 1))
    shift, extra = corrections(frames, frames * INTERVAL_S, velocity, EXPOSURE_S, part, u)
    assert not shift.any()
    assert not extra.any()


def test_runs_of_lit_frames_are_counted():
    before, after, run = edges_of(np.array([3, 4, 5, 9, 12, 13]))
    assert before.tolist() == [1, 0, 0, 1, 1, 0]
    assert after.tolist() == [0, 0, 1, 1, 0, 1]
    assert run.tolist() == [3, 3, 3, 1, 2, 2]
