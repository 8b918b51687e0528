"""Lamps that saturate widely: found by their rims, as well as is stated, however they glare."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.clip.light.test_grain import spots as usual_spots
from tests.clip.wide_lamps import GROUND, WHITE, WideLamp, errors_of, wide_spots
from vidspeed.clip.light.core import Patch, core_px
from vidspeed.clip.light.lamp import lights_of
from vidspeed.clip.light.rim import rim_of
from vidspeed.clip.light.wide import lights_of_any, wide_lights_of, wide_of

SIZE = (3840, 2160)
FULL = WHITE - 6.0
SURE_PX = 0.05  # of a place, at most, where nothing about the rim is uneven


def ratios(lamps, *, speed, open_share, seed):
    """Return errors over their stated standard deviations (n, 2), and the errors, of all lamps."""
    rng = np.random.default_rng(seed)
    over, errors = [], []
    for number, lamp in enumerate(lamps):
        noise = 1.0 + number % 3
        made = wide_spots(rng, lamp, speed, open_share, noise=noise)
        lights = lights_of_any(made[0], SIZE, full_range=False)
        assert len(lights) == len(made[0])
        off, u = errors_of(lights, *made)
        over.append(off / u)
        errors.append(off)
    return np.concatenate(over), np.concatenate(errors)


def rms(values):
    return np.sqrt(np.mean(values**2, axis=0))


@pytest.mark.parametrize(
    "lamps",
    [
        [WideLamp(radius=r, soft=s, over=o) for r, s, o in ((8, 1, 3), (14, 5, 2), (32, 2, 6))],
        [WideLamp(radius=r, over=o, core=True) for r, o in ((9, 8), (16, 60), (24, 20))],
        [
            WideLamp(radius=r, soft=s, veil=v, veil_px=12.0)
            for r, s, v in ((9, 2, 0.05), (14, 1, 0.02), (20, 4, 0.04))
        ],
    ],
    ids=["discs", "cores", "veils"],
)
def test_the_place_of_a_wide_lamp_is_as_good_as_is_said(lamps):
    over, errors = ratios(lamps, speed=30.0, open_share=0.1, seed=3)
    assert rms(over).max() < 1.4
    assert rms(errors).max() < 0.05
    assert np.median(errors / over) < SURE_PX


def test_so_is_that_of_a_wide_streak():
    lamps = [WideLamp(radius=r, soft=2.0, over=6.0) for r in (9.0, 14.0, 18.0)]
    over, errors = ratios(lamps, speed=70.0, open_share=0.9, seed=4)
    assert rms(over).max() < 1.5
    assert rms(errors).max() < 0.05
    assert np.median(errors / over) < SURE_PX


@pytest.mark.parametrize("bloom", [(0.1, 0, 0, 0), (0, 0, 0, 0.1), (0.02, 0.08, 0.07, 0.0)])
def test_a_lamp_that_blooms_to_one_side_is_as_unsure_as_that_moves_it(bloom):
    lamps = [WideLamp(radius=r, soft=3.0, bloom=bloom) for r in (12.0, 25.0)]
    over, errors = ratios(lamps, speed=25.0, open_share=0.1, seed=5)
    assert rms(errors).max() > 0.4  # nothing shows where its middle is
    assert rms(over).max() < 1.5
    assert rms(over).max() > 0.5


def test_what_blooms_to_both_sides_alike_is_no_less_sure():
    lamps = [WideLamp(radius=r, soft=2.0, bloom=(0, 0, 0.1, 0.1)) for r in (12.0, 25.0)]
    over, errors = ratios(lamps, speed=25.0, open_share=0.1, seed=6)
    assert rms(errors).max() < 0.05
    assert np.median(errors / over) < SURE_PX


def test_how_bright_a_wide_lamp_is_is_what_was_seen():
    rng = np.random.default_rng(7)
    made, _, _ = wide_spots(rng, WideLamp(radius=15.0, over=200.0, core=True), 20.0, 0.1)
    peaks = [light.peak for light in lights_of_any(made, SIZE, full_range=False)]
    assert peaks and max(peaks) <= WHITE - GROUND
    assert min(peaks) > 0.9 * (WHITE - GROUND)


def test_a_lamp_that_grows_wide_is_one_track_and_was_not_switched():
    """Its lights are first of the usual kind, then wide: no frame between them was dark."""
    rng = np.random.default_rng(8)
    made = wide_spots(
        rng, lambda k: WideLamp(radius=2.0 + 0.3 * k, soft=1.5), 24.0, 0.2, frames=range(18)
    )
    wide = wide_of(made[0], FULL)
    assert 3 < wide.sum() < len(wide) - 3
    lights = lights_of_any(made[0], SIZE, full_range=False)
    off, u = errors_of(lights, *made)
    assert len(lights) >= 17
    assert [light.spot.frame for light in lights] == sorted(light.spot.frame for light in lights)
    assert np.abs(off).max() < 0.2
    assert u.max() < 0.3  # half a streak, 2.4 px, if it may have been dark


def test_beside_dark_frames_a_wide_lamp_lies_anywhere_in_its_exposure():
    rng = np.random.default_rng(9)
    frames = [k for k in range(24) if k % 6 < 3]
    made = wide_spots(rng, WideLamp(radius=10.0), 30.0, 0.9, frames=frames)
    lights = lights_of_any(made[0], SIZE, full_range=False)
    _, u = errors_of(lights, *made)
    inner = np.array([light.spot.frame % 6 == 1 for light in lights])
    assert inner.sum() == 4
    assert u[~inner, 0].min() > 5.0
    assert u[inner, 0].max() < 0.5
    assert u[:, 1].max() < 0.5


def test_a_wide_lamp_at_the_edge_is_as_long_as_its_neighbours():
    rng = np.random.default_rng(10)
    lamp = WideLamp(radius=15.0)
    inside = wide_spots(rng, lamp, 20.0, 0.3, frames=range(5), turn=0.0)
    cut = wide_spots(rng, lamp, 20.0, 0.3, frames=[5, 6], turn=0.0, cut=0.4)
    found = wide_lights_of([*inside[0], *cut[0]], FULL, 16.0)
    assert [one.rim.cut for one in found] == [False] * 5 + [True] * 2
    off = np.array([one.xy_px for one in found[5:]]) - cut[1]
    u = np.array([np.sqrt(np.diag(one.cov_px2)) for one in found[5:]])
    assert np.all(np.abs(off) < 4.0 * u)
    assert np.abs(off).max() < 0.5


def test_of_a_lamp_of_which_hardly_any_rim_is_seen_nothing_is_said():
    rng = np.random.default_rng(11)
    made, _, _ = wide_spots(rng, WideLamp(radius=15.0), 20.0, 0.1, turn=0.0, cut=0.62)
    assert wide_lights_of(made, FULL, 16.0) == []


def test_the_white_of_a_coded_lamp_is_where_its_core_is_flat():
    """A coder lets the edge swing beyond white."""
    rng = np.random.default_rng(12)
    made, true, ahead = wide_spots(rng, WideLamp(radius=14.0, soft=1.0), 20.0, 0.1)
    swung = []
    for spot in made:
        luma = spot.luma.copy()
        luma[luma == WHITE] = np.clip(
            np.rint(rng.normal(WHITE - 1.0, 1.5, np.sum(luma == WHITE))), 0, 255
        )
        luma.flat[np.argmax(luma)] = 247
        swung.append(replace(spot, luma=luma))
    lights = lights_of_any(swung, SIZE, full_range=False)
    assert len(lights) == len(made)
    assert np.abs(errors_of(lights, made, true, ahead)[0]).max() < 0.05


def test_usual_lamps_and_dark_craft_are_fitted_as_ever():
    made, _ = usual_spots(0.0)
    assert not wide_of(made, 252.0).any()
    plain = lights_of(made, (1920, 1080), full_range=True)
    told = lights_of_any(made, (1920, 1080), full_range=True)
    for one, other in zip(plain, told, strict=True):
        assert np.array_equal(one.xy_px, other.xy_px)
        assert np.array_equal(one.cov_px2, other.cov_px2)
    dark, _, _ = wide_spots(np.random.default_rng(1), WideLamp(radius=14.0), 20.0, 0.1)
    assert core_px(dark[0], FULL) > 10.0
    assert core_px(replace(dark[0], darker=True), FULL) == 0.0


@pytest.mark.parametrize("lamp", [WideLamp(radius=12, soft=5, over=4), WideLamp(radius=40, over=5)])
def test_the_usual_fit_ends_in_no_error_where_nothing_is_determined(lamp):
    """Pixels of which nearly all are full: the normal matrix is as good as singular."""
    made, _, _ = wide_spots(np.random.default_rng(13), lamp, 20.0, 0.1)
    for light in lights_of(made, SIZE, full_range=False):
        assert np.all(np.isfinite(light.cov_px2))


def test_a_bright_ground_below_a_dark_sky_does_not_move_a_lamp():
    rng = np.random.default_rng(9)
    y, x = np.mgrid[0:140.0, 0:140.0]
    behind = np.where(y > 70.0, 0.06, 0.001)  # light, white being 1

    def levels(light):  # IEC 61966-2-1
        bent = 1.055 * np.maximum(light, 1e-9) ** (1.0 / 2.4) - 0.055
        return 16.0 + 219.0 * np.where(light <= 0.0031308, 12.92 * light, bent)

    lamp = 30.0 * np.exp(-0.5 * ((x - 70.3) ** 2 + (y - 68.8) ** 2) / 10.0**2)
    seen = np.minimum(levels(behind + lamp) + rng.normal(0.0, 1.0, x.shape), WHITE)
    own = np.ones(x.shape, dtype=bool)
    rim = rim_of(Patch(x, y, np.rint(seen), levels(behind), own, FULL, 16.0))
    assert rim is not None
    assert np.abs(rim.places[:2] - [70.3, 68.8]).max() < 0.06


def test_a_rim_that_fades_beyond_its_patch_is_fitted_by_what_is_seen_all_around():
    rng = np.random.default_rng(10)
    y, x = np.mgrid[0:120.0, 0:120.0]
    far = np.hypot(x - 60.4, y - 59.2)
    bright = 20.0 + 215.0 * np.exp(-np.maximum(far - 46.0, 0.0) / 40.0)
    seen = np.rint(np.minimum(bright + rng.normal(0.0, 1.0, x.shape), WHITE))
    own = np.ones(x.shape, dtype=bool)
    rim = rim_of(Patch(x, y, seen, np.full(x.shape, 20.0), own, FULL, 16.0))
    assert rim is not None and not rim.cut
    assert np.abs(rim.places[:2] - [60.4, 59.2]).max() < 0.1
