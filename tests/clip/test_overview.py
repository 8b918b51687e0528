"""What is kept of the whole picture."""

from __future__ import annotations

import numpy as np
import pytest

from vidspeed.clip.overview import MOST_BYTES, Overview


@pytest.mark.parametrize("kind", [np.uint8, np.uint16])
@pytest.mark.parametrize("announced", [0, 100, 40, 1000])
def test_a_light_that_passes_is_in_the_brightest_and_not_in_the_still(kind, announced):
    overview, scale = Overview(announced), 1 if kind == np.uint8 else 4
    for k in range(100):
        luma = np.full((40, 400), 30 * scale, kind)
        luma[20, 4 * k : 4 * k + 4] = 200 * scale
        overview.take([luma])
    assert overview.still().dtype == overview.brightest.dtype == np.uint8
    assert np.all(overview.still() == 30)
    assert np.all(overview.brightest[20] == 200)
    assert np.all(overview.brightest[:20] == 30)
    assert overview.changes[0] == 0.0
    assert np.all(overview.changes[1:] > 0.0)


@pytest.mark.parametrize("announced", [0, 20, 24, 400])
def test_stills_of_large_pictures_take_little_memory(announced):
    overview = Overview(announced)
    for k in range(24):
        luma = np.full((1200, 4096), 30, np.uint8)
        luma[:, 170 * k : 170 * k + 170] = 200
        overview.take([luma])
        assert len(overview._stills) * luma.nbytes <= MOST_BYTES + luma.nbytes
    assert np.all(overview.still()[:, : 170 * 24] == 30)


def test_every_frame_is_looked_at_where_a_craft_can_be_and_some_elsewhere():
    overview = Overview(40, searched=(200, 210))
    whole = Overview(40)
    for k in range(40):
        luma = np.full((500, 100), 30, np.uint8)
        luma[205, k], luma[20, k] = 200, 200
        overview.take([luma])
        whole.take([luma])
        if k == 19:
            assert overview.begin_shot() == whole.begin_shot()
    assert np.array_equal(overview.brightest[60:], whole.brightest[60:])
    seen = np.flatnonzero(overview.brightest[20] == 200)
    assert seen.tolist() == list(range(0, 40, 4))


def test_what_was_brightest_since_a_moment_is_kept_apart():
    overview = Overview(80, searched=(200, 210))
    for k in range(80):
        luma = np.full((500, 100), 30, np.uint8)
        luma[205, k] = 200
        overview.take([luma])
        if k == 50:
            back = overview.begin_shot()
    shot = overview.shot()
    assert shot is not None
    assert np.flatnonzero(shot[205] == 200).tolist() == list(range(51 - back, 80))
    for rows in (slice(0, 300), slice(150, 260), slice(203, 208), slice(400, 500)):
        assert np.array_equal(overview.shot(rows), shot[rows])
    overview.end_shot()
    assert overview.shot() is None


def test_still_of_a_large_picture_is_the_median_of_three_spread_over_the_clip():
    rng = np.random.default_rng(3)
    frames = 36
    overview = Overview(frames)
    noise = rng.integers(0, 255, (2160, 2304), np.uint8)
    clip = [noise ^ np.uint8(k) for k in range(frames)]
    for luma in clip:
        overview.take([luma])
        assert len(overview._stills) <= 2
    expected = np.sort([clip[6], clip[18], clip[30]], axis=0)[1]
    np.testing.assert_array_equal(overview.still(), expected)
