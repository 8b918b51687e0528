"""Streaks that the picture's edge cuts: one end is known, and it must not mislead."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from tests.clip.light.lit import spot_in
from tests.clip.painted import streak_picture
from vidspeed.clip.light.lamp import lights_of

SIZE = (290, 60)
STEP_PX, MARGIN, GROUND, PEAK = 26.0, 16, 40.0, 150.0


def spot_of(rng, frame, xy, half, *, width=1.4):
    """Return the spot of a streak as a camera sees it: its pixels end where the picture does."""
    low, high = xy - np.abs(half) - MARGIN, xy + np.abs(half) + MARGIN
    left, top = np.maximum(np.floor(low), 0).astype(int)
    right, bottom = np.minimum(np.ceil(high), SIZE).astype(int)
    shape = (bottom - top, right - left)
    clean = GROUND + streak_picture(shape, xy - (left, top), half, width, PEAK, points=400)
    ends = np.array([xy - half, xy + half])
    cut = bool(np.any(ends < 3.0) or np.any(ends > np.array(SIZE) - 3.0))
    seen = np.clip(ends, 0.0, np.array(SIZE) - 1.0)
    return spot_in(rng, frame, clean, (left, top), seen, width=width, cut=cut)


@cache
def crossing(seed, exposed=0.9, back=False):
    """Return the spots of a craft that crosses the picture, and where it is in mid-exposure."""
    rng = np.random.default_rng(seed)
    begin = np.array([rng.uniform(-0.4, 0.4) * STEP_PX, 30.0 + rng.uniform(-0.5, 0.5)])
    step = np.array([STEP_PX, 0.4])
    half = 0.5 * exposed * step
    places = {k: begin + k * step for k in range(-1, 13)}
    if back:
        places = {k: np.array(SIZE) - 1.0 - xy for k, xy in places.items()}
    inside = {k: xy for k, xy in places.items() if -half[0] + 8 < xy[0] < SIZE[0] - 1 + half[0] - 8}
    return [spot_of(rng, k, xy, half) for k, xy in inside.items()], inside


def found(seed, **more):
    """Return errors along the way over their u, of lights that are cut and of whole ones."""
    spots, places = crossing(seed, **more)
    cut = {spot.frame for spot in spots if spot.cut}
    off = {}
    for light in lights_of(spots, SIZE, full_range=True):
        error = light.xy_px[0] - places[light.spot.frame][0]
        off[light.spot.frame] = error, float(np.sqrt(light.cov_px2[0, 0]))
        assert (light.streak_px is None) == (light.spot.frame in cut)
        assert 0.0 < light.xy_px[0] < SIZE[0] - 1.0  # else most of it lies outside
    return [off[k] for k in off if k in cut], [off[k] for k in off if k not in cut]


def test_cut_streaks_tell_where_they_are_as_well_as_they_say():
    errors = [row for seed in range(10) for row in found(seed, back=bool(seed % 2))[0]]
    error, u = np.array(errors).T
    assert len(error) >= 8
    assert np.median(u) < 0.6
    assert 0.4 < np.sqrt(np.mean((error / u) ** 2)) < 1.5
    assert abs(np.mean(error / u)) < 3.0 / np.sqrt(len(u))


def test_whole_streaks_are_the_same_with_cut_ones_beside_them():
    spots, _ = crossing(3)
    every = lights_of(spots, SIZE, full_range=True)
    bare = lights_of([spot for spot in spots if not spot.cut], SIZE, full_range=True)
    assert len(every) > len(bare) > 7
    for light, same in zip(every, bare, strict=False):
        assert light.xy_px.tolist() == same.xy_px.tolist()


@pytest.mark.parametrize("lit", [(5, 6), (4, 5, 6, 7)])
def test_a_flashing_lamp_has_no_known_end_at_the_picture_s_edge(lit):
    spots, _ = crossing(1)
    kept = [spot for spot in spots if spot.frame not in lit]
    assert not any(light.spot.cut for light in lights_of(kept, SIZE, full_range=True))


def test_a_cut_streak_off_the_way_of_the_others_is_another_s():
    spots, places = crossing(3)
    (last,) = [spot for spot in spots if spot.cut and spot.frame > 6][:1]
    aside = spot_of(
        np.random.default_rng(9), last.frame, places[last.frame] + (0.0, 9.0), last.half_px
    )
    others = [spot for spot in spots if spot.frame != last.frame]
    lights = lights_of([*others, aside], SIZE, full_range=True)
    assert last.frame not in [light.spot.frame for light in lights]
