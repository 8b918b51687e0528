"""When streaks tell that a clip must be stored for slow playback, and when it need not be."""

from __future__ import annotations

import numpy as np
import pytest

from vidspeed.agreement.exposure import Exposure
from vidspeed.agreement.playback import denied_by_speed, slow_by_exposure
from vidspeed.values import Clip, Craft


def seen(exposure_ms, streak_px, *, u_ms=0.1, interval_ms=1000.0 / 60.0):
    return Exposure(
        clip="a.mp4", camera="north", exposure_s=1e-3 * exposure_ms, exposure_u_s=1e-3 * u_ms,
        drift_s=0.0, drift_u_s=1e-3, course_s=np.zeros(8), streak_px=streak_px,
        interval_s=1e-3 * interval_ms,
    )  # fmt: skip


def stated(exposure_ms, u_ms=0.1, **more):
    return Clip(
        file="a.mp4", camera="north", exposure_s=1e-3 * exposure_ms, exposure_u_s=1e-3 * u_ms,
        **more,
    )  # fmt: skip


@pytest.mark.parametrize(("factor", "streak_px"), [(4.0, 4.0), (8.0, 3.5), (2.0, 12.0)])
def test_streaks_many_times_too_long_tell_slow_playback(factor, streak_px):
    told = slow_by_exposure(seen(2.0 * factor, streak_px), stated(2.0))
    assert told is not None and told.low < factor < told.high
    assert slow_by_exposure(seen(2.0 * factor, streak_px), stated(2.0, rate_hz=240.0)) is None


def test_short_streaks_that_are_a_pixel_too_long_may_be_a_wide_lamp():
    """A light counts as a streak from about the width of its blur on, however short it truly is."""
    assert slow_by_exposure(seen(2.0, 2.2, u_ms=0.05), stated(0.9, u_ms=0.02)) is None
    assert slow_by_exposure(seen(2.0, 9.0, u_ms=0.05), stated(0.9, u_ms=0.02)) is not None


def test_an_exposure_that_is_only_a_little_too_long_is_a_wrong_figure():
    assert slow_by_exposure(seen(2.8, 12.0), stated(2.0)) is None


def test_a_craft_that_would_be_too_fast_for_itself_was_not_filmed_faster():
    """Lamps that run together, or a wrong exposure, made its streaks long."""
    told = slow_by_exposure(seen(8.0, 12.0), stated(2.0))
    craft = Craft(speed_mps=(40.0, 170.0))
    assert not denied_by_speed(craft, 40.0, told)
    assert denied_by_speed(craft, 60.0, told)
