"""Shift, turn and zoom between two pictures of one scene, by day, after dark, and across."""

import cv2
import numpy as np
import pytest

from tests.bench.bench_views import Eye, by_day, by_night, exposed, landscape, middle
from vidspeed.geometry.beacons import beacons
from vidspeed.geometry.moved import common_u_px, movement, rezoomed, size_px
from vidspeed.geometry.turned import carried, reached, slopes

SMALL = {"size": (640, 360), "focal": 520.0, "centre": (322.0, 176.0)}


def eye(**moved):
    return Eye(**SMALL, **moved)


def scene(seed, lamps=6):
    rng = np.random.default_rng(seed)
    return rng, landscape(rng, eye(), lamps)


def errors(found, truth):
    known = np.array([*truth.shift, truth.roll_rad, np.log(truth.zoom)])
    return np.array([*found.shift_px, found.turn_rad, np.log(found.zoom)]) - known


def test_the_movement_is_that_of_opencv():
    moved = eye(shift=(31.0, -12.0), roll_rad=0.02, zoom=1.01)
    plane = np.random.default_rng(1).uniform(-0.5, 0.5, (40, 2)) * [1.1, 0.6]
    before, after = eye().project(plane), moved.project(plane)
    unknowns = np.array([31.0, -12.0, 0.02, np.log(1.01)])
    assert carried(before, unknowns, eye().lens) == pytest.approx(after, abs=1e-6)


def test_slopes_are_those_of_the_movement():
    places = np.array([[20.0, 30.0], [600.0, 300.0]])
    unknowns, step = np.array([4.0, -2.0, 0.01, 0.002]), np.array([0.01, -0.02, 1e-5, 2e-5])
    lens = eye().lens
    change = carried(places, unknowns + step, lens) - carried(places, unknowns, lens)
    assert slopes(places, unknowns, lens) @ step == pytest.approx(change, abs=1e-5)


@pytest.mark.parametrize("shift", [(0.3, 0.0), (-3.1, 2.2), (24.0, -11.0), (5.0, 39.0)])
def test_a_shift_by_day_is_found(shift):
    rng, land = scene(11)
    truth = eye(shift=shift, roll_rad=0.002)
    found = movement(
        middle(rng, by_day(land, eye()), 2.0, 3),
        middle(rng, by_day(land, truth, gain=0.8), 2.0, 3),
        eye().lens,
    )
    assert found.method == "features"
    assert np.abs(errors(found, truth)[:2]).max() < 0.2
    assert np.abs(errors(found, truth) / np.sqrt(np.diag(found.covariance))).max() < 4.0


@pytest.mark.parametrize("shift", [(0.3, 0.2), (-9.0, 4.0), (30.0, 20.0)])
def test_a_shift_after_dark_is_found_by_lamps(shift):
    rng, land = scene(5)
    truth = eye(shift=shift, roll_rad=-0.003)
    lit = np.array([1, 1, 0, 1, 1, 1])  # one has gone out
    found = movement(
        middle(rng, by_night(land, eye()), 2.0, 3),
        middle(rng, by_night(land, truth, lit=lit), 2.0, 3),
        eye().lens,
    )
    assert found.method == "lamps"
    assert np.abs(errors(found, truth)[:2]).max() < 0.5


def test_a_still_by_day_and_a_clip_after_dark_meet_in_the_lamps_of_both():
    rng, land = scene(5, lamps=8)
    truth = eye(shift=(6.0, -3.0))
    found = movement(
        middle(rng, by_day(land, eye()), 1.5, 3),
        middle(rng, by_night(land, truth), 1.5, 3),
        eye().lens,
    )
    assert found.method == "lamps"
    assert np.abs(errors(found, truth)[:2]).max() < 0.5


@pytest.mark.parametrize("look", [by_day, by_night])
def test_a_lens_that_has_no_place_for_the_corners_is_held_to_the_rest(look):
    rng, land = scene(5, lamps=12)
    truth = eye(shift=(6.0, -3.0))
    folded = eye().lens
    folded[4] = -0.55
    corners = np.array([[2.0, 2.0], [637.0, 2.0], [320.0, 180.0], [200.0, 100.0]])
    assert reached(corners, folded).tolist() == [False, False, True, True]
    seen = [middle(rng, look(land, each), 2.0, 3) for each in (eye(), truth)]
    found = movement(*seen, folded)
    assert np.abs(found.shift_px - [6.0, -3.0]).max() < 1.0  # by a lens that it is not
    some = common_u_px(found, corners[2:], folded, corrected=True)
    assert common_u_px(found, corners, folded, corrected=True) == some


def test_a_zoom_is_told_from_a_bump():
    rng, land = scene(3)
    first = middle(rng, by_day(land, eye()), 2.0, 3)
    zoomed = movement(first, middle(rng, by_day(land, eye(zoom=1.01)), 2.0, 3), eye().lens)
    bumped = movement(first, middle(rng, by_day(land, eye(shift=(4.0, 1.0))), 2.0, 3), eye().lens)
    assert zoomed.zoom == pytest.approx(1.01, abs=3e-4)
    assert np.abs(zoomed.shift_px).max() < 0.2
    assert bumped.zoom == pytest.approx(1.0, abs=3e-4)


def test_other_surroundings_are_not_matched():
    rng, land = scene(1)
    _, other = scene(2)
    pictures = [middle(rng, by_day(each, eye()), 2.0, 3) for each in (land, other)]
    assert movement(*pictures, eye().lens) is None
    dark = [exposed(rng, np.full((360, 640), 9.0), 2.0) for _ in range(2)]
    assert movement(*dark, eye().lens) is None
    nights = [middle(rng, by_night(each, eye()), 2.0, 3) for each in (land, other)]
    assert movement(*nights, eye().lens) is None


def test_hot_pixels_are_no_lamps():
    """They stay where they are when the camera moves, and would say that it did not."""
    rng = np.random.default_rng(4)
    picture = exposed(rng, np.full((360, 640), 9.0), 1.0)
    picture[rng.integers(20, 340, 12), rng.integers(20, 620, 12)] = 200
    assert len(beacons(picture).u_px) == 0


def test_what_is_common_to_all_points_is_counted_once():
    rng, land = scene(11)
    still = middle(rng, by_day(land, eye()), 2.0, 3)
    found = movement(still, middle(rng, by_day(land, eye(shift=(0.4, 0.0))), 2.0, 3), eye().lens)
    places = np.array([[100.0, 200.0], [500.0, 200.0], [320.0, 100.0], [320.0, 300.0]])
    assert size_px(found, places, eye().lens)[:, 0] == pytest.approx(0.4, abs=0.15)
    assert 0.35 < common_u_px(found, places, eye().lens, corrected=False) < 0.55
    assert common_u_px(found, places, eye().lens, corrected=True) < 0.1


def sensor(rng, strength=0.8):
    """Return a pattern (360, 640) of a sensor: it stays where it is when the camera moves."""
    return strength * cv2.GaussianBlur(rng.standard_normal((360, 640)), (0, 0), 1.5) / 0.19


def test_what_the_sensor_adds_after_dark_is_not_what_it_sees():
    """It lies still, and there is more of it than there are lamps."""
    rng, land = scene(5)
    truth = eye(shift=(-9.0, 4.0))
    own = sensor(rng)
    pictures = [
        np.clip(np.rint(by_night(land, each, level=12.0) + own), 0, 255).astype(np.uint8)
        for each in (eye(), truth)
    ]
    found = movement(*pictures, eye().lens)
    assert found.method == "lamps"
    assert np.abs(errors(found, truth)[:2]).max() < 0.1
    assert np.abs(errors(found, truth) / np.sqrt(np.diag(found.covariance))).max() < 4.0


def test_noise_that_lies_still_is_no_background():
    own = 60.0 + sensor(np.random.default_rng(2), 0.4)
    pictures = [np.clip(np.rint(own), 0, 255).astype(np.uint8) for _ in range(2)]
    assert movement(*pictures, eye().lens) is None


@pytest.mark.parametrize("seed", range(4))
def test_bright_patches_of_dark_ground_under_a_flat_sky_are_no_lamps(seed):
    """A coder shows each a little elsewhere in another clip."""
    rng = np.random.default_rng(seed)
    ground = cv2.resize(rng.random((23, 40)), (640, 360), interpolation=cv2.INTER_CUBIC)
    ground[:180] = 0.0
    shown = [13.0 + 14.0 * ground + rng.normal(0.0, 0.6, ground.shape) for _ in range(2)]
    coded = [cv2.imencode(".jpg", each, [cv2.IMWRITE_JPEG_QUALITY, 70])[1] for each in shown]
    found = movement(*(cv2.imdecode(each, cv2.IMREAD_GRAYSCALE) for each in coded), eye().lens)
    assert found is not None
    assert found.method == "features"
    assert np.abs(found.shift_px).max() < 0.1


def spot(x, y, peak, second=0.0):
    """Return a picture (120, 160) of a lamp, and of a weaker one close beside it."""
    rows, columns = np.mgrid[0:120, 0:160]
    light = peak * np.exp(-((columns - x) ** 2 + (rows - y) ** 2) / 3.4)
    light += second * np.exp(-((columns - x - 3.0) ** 2 + (rows - y - 1.0) ** 2) / 3.4)
    return np.clip(np.rint(light + 10.0), 0, 255).astype(np.uint8)


def test_a_lamp_is_as_well_known_as_it_is_round():
    round_one, crooked = (beacons(spot(80.3, 60.4, 180.0, second)) for second in (0.0, 60.0))
    assert np.abs(round_one.xy_px[0] - [80.3, 60.4]).max() < 0.01
    assert round_one.u_px[0] < 0.015
    assert crooked.u_px[0] > 4.0 * round_one.u_px[0]


def test_a_flat_dark_picture_is_searched_without_a_warning():
    """Running sums of squares may end a little below zero."""
    rng = np.random.default_rng(13)
    picture = np.full((180, 320), 5, np.uint8)
    for _ in range(6):
        y, x = rng.integers(2, 40) * 4, rng.integers(2, 72) * 4
        picture[y : y + 4, x : x + 4] += rng.integers(1, 60, dtype=np.uint8)
    assert np.all(np.isfinite(beacons(picture).xy_px))


def test_a_zoom_is_said_to_be_one_and_a_bump_is_not():
    rng, land = scene(3)
    first = middle(rng, by_day(land, eye()), 2.0, 3)
    for moved, zoomed in ((eye(zoom=0.99), True), (eye(shift=(12.0, 5.0), roll_rad=0.01), False)):
        found = movement(first, middle(rng, by_day(land, moved), 2.0, 3), eye().lens)
        assert rezoomed(found, 640) == zoomed
