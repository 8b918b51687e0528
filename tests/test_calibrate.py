"""What calibration calls ready: the verdict on check markers."""

from dataclasses import replace

import numpy as np
import pytest

from tests.motion.flown import evening
from vidspeed.calibrate import CHECK_WITHIN, _checks_off
from vidspeed.motion.calibration import calibrate_camera

HELD_OUT = (2, 5, 8)


def fitted(seed, moved_m=0.0):
    """Fit a camera with three check markers, the last surveyed wrong by so much along x and z."""
    scene = evening(seed, 1)
    markers = list(scene.session.markers)
    for number in HELD_OUT:
        markers[number] = replace(markers[number], use="check")
    aside = moved_m * np.array([1.0, 0.0, 1.0])
    markers[8] = replace(markers[8], xyz_m=markers[8].xyz_m + aside)
    session = replace(scene.session, markers=tuple(markers))
    return calibrate_camera(session, session.cameras[0], 1.0 / 60.0)[1]


def test_sound_check_markers_seldom_raise_an_alarm():
    fits = [fitted(seed) for seed in range(40)]
    squares = [fit.check_rms_of_u**2 for fit in fits]
    assert 0.6 < np.mean(squares) < 1.5  # six coordinates that share the camera, 40 sessions
    assert len(_checks_off(fits)) <= 2  # each coordinate by itself would call a third of them wrong


def test_a_check_marker_out_of_place_is_said_with_each():
    (failing,) = _checks_off([fitted(1, moved_m=0.8)])
    assert "check markers are off by" in failing.item
    assert all(f'"m{number}"' in failing.item for number in HELD_OUT)
    assert "measure and pick them again" in failing.mend


def test_the_verdict_is_on_all_coordinates_of_a_camera_together():
    fit = fitted(1)
    beyond = [replace(row, normalised=2.6) for row in fit.markers]  # one coordinate of each
    assert _checks_off([replace(fit, markers=tuple(beyond), check_rms_of_u=1.7)]) == []
    assert _checks_off([replace(fit, check_rms_of_u=None)]) == []
    assert len(_checks_off([replace(fit, check_rms_of_u=CHECK_WITHIN + 0.1)])) == 1


def test_the_rms_is_over_both_coordinates_of_every_check_marker():
    fit = fitted(3)
    parts = [row.residual_px / row.u_px for row in fit.markers if row.use == "check"]
    assert len(parts) == len(HELD_OUT)
    assert fit.check_rms_of_u == pytest.approx(np.sqrt(np.mean(np.square(parts))))
    for row in fit.markers:
        assert row.normalised == pytest.approx(np.max(np.abs(row.residual_px / row.u_px)))
