"""A frame is what a camera would gather: place, streak, rows, brightness, noise, curve."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from vidspeed.geometry.lens import project
from vidspeed.render.clip import light_places, plan_clip, shown_xy
from vidspeed.render.flight import position
from vidspeed.render.picture import Patch, develop, exposed, load_film, luma_of, stored_xy
from vidspeed.render.scene import Look, pose_of

from .small import CLEAN, camera, flight


def gather(filming, flown, open_s=0.0):
    """Return the whole picture's signal (h, w) of one exposure."""
    width, height = filming.stored_size_px
    whole = np.zeros((height, width))
    patch = exposed(filming, pose_of(filming), flown, open_s)
    if patch is not None:
        rows, columns = patch.signal.shape
        whole[patch.top : patch.top + rows, patch.left : patch.left + columns] = patch.signal
    return whole


def centroid(picture):
    y, x = np.indices(picture.shape)
    return np.array([(picture * x).sum(), (picture * y).sum()]) / picture.sum()


def project_cv(filming, place_m):
    """Project with OpenCV, from the camera's rotation vector."""
    pose = pose_of(filming)
    rotation = cv2.Rodrigues(pose.camera_from_course)[0]
    shift = -pose.camera_from_course @ pose.position_m
    fx, fy, cx, cy = filming.lens[:4]
    matrix = np.array([[fx, 0, cx], [0, fy, cy], [0, 0, 1.0]])
    points = np.atleast_2d(place_m).reshape(-1, 1, 3)
    return cv2.projectPoints(points, rotation, shift, matrix, filming.lens[4:9])[0][:, 0]


@pytest.mark.parametrize("roll_deg", [0.0, 4.0, -90.0])
@pytest.mark.parametrize("open_s", [-0.3, -0.011, 0.0, 0.27])
def test_a_short_exposure_lies_where_opencv_projects_it(roll_deg, open_s):
    lens = np.array([240.0, 240.0, 159.5, 159.5, -0.02, 0.01, 0.002, -0.001, 0.003])
    filming = camera(roll_deg=roll_deg, exposure_s=1e-5, image_size_px=(320, 320), lens=lens)
    flown = flight(mean_m=(0.3, 4.5), change_m=(1.0, 0.5))
    seen = centroid(gather(filming, flown, open_s))
    expected = project_cv(filming, position(flown, np.array([open_s + 5e-6])))[0]
    assert np.abs(seen - expected).max() < 0.002


def test_the_centroid_survives_the_eight_bits_of_the_film():
    filming = camera(exposure_s=1e-5, look=replace(CLEAN, lamp_signal=0.8, spot_px=1.5))
    flown = flight()
    film = load_film(filming.look, np.zeros((180, 320)))
    for open_s in (-0.2, 0.003, 0.15):
        patch = exposed(filming, pose_of(filming), flown, open_s)
        luma = develop(film, [patch], np.random.default_rng(1), noisy=False)
        linear = linear_of(luma)
        expected = project_cv(filming, position(flown, np.array([open_s + 5e-6])))[0]
        assert np.abs(centroid(linear) - expected).max() < 0.02


def linear_of(luma):
    """Undo the sRGB curve of luma from 16 to 235."""
    curve = (luma.astype(float) - 16.0) / 219.0
    bent = ((np.maximum(curve, 0.0) + 0.055) / 1.055) ** 2.4
    return np.where(curve <= 0.04045, curve / 12.92, bent)


def test_the_ends_of_a_streak_are_where_the_shutter_opened_and_closed():
    filming = camera(exposure_s=0.02, look=replace(CLEAN, spot_px=0.8))
    flown = flight()
    along = gather(filming, flown, 0.01).sum(axis=0)
    ends = project_cv(filming, position(flown, np.array([0.01, 0.03])))[:, 0]
    assert abs(ends[1] - ends[0]) > 7.0
    total = np.cumsum(along) / along.sum()
    edges = np.arange(320) + 0.5
    middle = 0.5 * along.max()
    lit = np.flatnonzero(along > middle)
    left = lit[0] - 1 + (middle - along[lit[0] - 1]) / (along[lit[0]] - along[lit[0] - 1])
    right = lit[-1] + (along[lit[-1]] - middle) / (along[lit[-1]] - along[lit[-1] + 1])
    np.testing.assert_allclose([left, right], sorted(ends), atol=0.06)
    assert abs(np.interp(0.5, total, edges) - ends.mean()) < 0.02


def test_light_is_that_of_the_exposure_and_falls_with_the_square_of_the_range():
    flown, near, far = flight(), camera(), camera(position_m=np.array([40.0, -120.0, 1.7]))
    bright = CLEAN.lamp_signal * 2.0 * np.pi * CLEAN.spot_px**2
    for filming in (near, far):
        place = position(flown, np.array([0.001]))[0]
        range_m = np.linalg.norm(place - filming.position_m)
        expected = bright * (CLEAN.reference_m / range_m) ** 2
        assert gather(filming, flown).sum() == pytest.approx(expected, rel=2e-4)
    longer = gather(camera(exposure_s=0.008), flown).sum()
    assert longer == pytest.approx(gather(near, flown).sum(), rel=2e-3)


def test_a_long_streak_is_brighter_at_its_near_end():
    filming = camera(position_m=np.array([-20.0, -25.0, 1.7]), exposure_s=0.3)
    along = gather(filming, flight(), -0.15).sum(axis=0)
    lit = np.flatnonzero(along > 0.2 * along.max())
    quarter = len(lit) // 4
    pixels_per_second = np.gradient(
        project_cv(filming, position(flight(), np.linspace(-0.15, 0.15, 301)))[:, 0]
    )
    assert abs(pixels_per_second[0]) > abs(pixels_per_second[-1])
    near, far = along[lit[:quarter]].mean(), along[lit[-quarter:]].mean()
    ranges = [
        np.linalg.norm(position(flight(), np.array([t]))[0] - filming.position_m)
        for t in (-0.15, 0.15)
    ]
    assert ranges[0] < ranges[1]
    rate = abs(pixels_per_second[0] / pixels_per_second[-1])
    assert near / far == pytest.approx((ranges[1] / ranges[0]) ** 2 / rate, rel=0.35)


def test_each_row_has_its_own_shutter():
    filming = camera(readout_s=0.03, exposure_s=0.001, lens=plain_lens())
    flown = flight()
    plan = plan_clip(filming, -0.1, 0.2, 0.0, np.random.default_rng(1))
    places = light_places(filming, flown, plan)
    for index in (0, len(places.frame) // 2, len(places.frame) - 1):
        open_s = plan.open_s[places.frame[index]]
        seen = centroid(gather(filming, flown, open_s))
        assert np.abs(seen - places.xy_px[index]).max() < 0.02
        expected = open_s + 0.0005 + 0.03 * places.xy_px[index, 1] / 180.0
        assert places.world_s[index] == pytest.approx(expected, abs=1e-9)


def test_a_climbing_streak_is_tilted_by_the_read_out():
    """Rows further down open later, so a vertical line seen moving sideways leans."""
    filming = camera(readout_s=0.02, exposure_s=0.0005, lens=plain_lens())
    leaning = [flight(mean_m=(0.0, height)) for height in (-6.0, 14.0)]
    seen = [centroid(gather(filming, flown, 0.0)) for flown in leaning]
    drop_px = seen[0][1] - seen[1][1]
    assert drop_px > 60.0
    speed_px_s = 100.0 * 240.0 / 60.0
    lean = seen[0][0] - seen[1][0]
    assert lean == pytest.approx(speed_px_s * 0.02 * drop_px / 180.0, rel=0.03)


def plain_lens():
    return np.array([240.0, 240.0, 159.5, 89.5, 0.0, 0.0, 0.0, 0.0, 0.0])


@pytest.mark.parametrize("rotation_deg", [0, 90, 180, 270])
def test_a_turned_picture_shows_the_light_at_the_same_place(rotation_deg):
    filming = camera(rotation_deg=rotation_deg, exposure_s=1e-5)
    flown = flight()
    stored = gather(filming, flown, 0.1)
    shown = np.rot90(stored, rotation_deg // 90)
    assert shown.shape == (180, 320)
    expected = project_cv(filming, position(flown, np.array([0.1])))[0]
    assert np.abs(centroid(shown) - expected).max() < 0.002
    spots = np.array([[3.0, 4.0], [100.5, 60.25]])
    np.testing.assert_allclose(shown_xy(stored_xy(spots, filming), filming), spots)


@pytest.mark.parametrize("signal", [0.05, 0.3])
def test_noise_is_shot_noise_and_read_noise_in_linear_light(signal):
    look = Look(full_well_e=4000.0, read_noise_e=8.0, full_range=True)
    film = load_film(look, np.full((120, 160), signal))
    rng = np.random.default_rng(2)
    luma = np.array([develop(film, [], rng) for _ in range(4)], float)
    slope = np.interp(signal, np.linspace(0, 1, 100_001)[:-1], np.diff(smooth_luma())) * 1e5
    expected = slope * np.sqrt(signal / 4000.0 + (8.0 / 4000.0) ** 2)
    assert luma.std() == pytest.approx(np.hypot(expected, np.sqrt(1.0 / 12.0)), rel=0.03)
    apart = np.corrcoef(luma[0].ravel(), luma[1].ravel())[0, 1]
    assert abs(apart) < 0.03


def smooth_luma():
    """Return the sRGB curve before rounding, full range, at 100 001 signals."""
    signal = np.linspace(0, 1, 100_001)
    low = 12.92 * signal
    return 255.0 * np.where(signal <= 0.0031308, low, 1.055 * signal ** (1 / 2.4) - 0.055)


def test_a_light_brings_its_own_shot_noise_and_saturates():
    look = Look(full_well_e=1000.0, read_noise_e=0.0, full_range=False)
    film = load_film(look, np.zeros((40, 200)))
    rng = np.random.default_rng(4)
    grey = Patch(top=0, left=0, signal=np.full((40, 100), 0.2))
    hot = Patch(top=0, left=100, signal=np.full((40, 100), 3.0))
    luma = develop(film, [grey, hot], rng).astype(float)
    assert luma[:, :100].std() > 2.0
    assert luma[:, 100:].min() == luma[:, 100:].max() == 235.0


def test_two_lights_in_one_place_add():
    film = load_film(CLEAN, np.zeros((8, 8)))
    one = Patch(top=0, left=0, signal=np.full((8, 8), 0.2))
    twice = develop(film, [one, one], np.random.default_rng(1), noisy=False)
    assert twice[4, 4] == luma_of(np.array([0.4]), False)[0]


def test_a_blinking_lamp_leaves_dashes_that_are_lit_when_it_is():
    whole = camera(exposure_s=0.04, look=replace(CLEAN, spot_px=0.8))
    blinking = replace(whole, look=replace(whole.look, blink_hz=50.0, blink_duty=0.25))
    flown = flight(speed_mps=300.0)
    steady, dashed = (gather(filming, flown, -0.02) for filming in (whole, blinking))
    assert dashed.sum() == pytest.approx(0.25 * steady.sum(), rel=3e-3)  # the range changes
    along = dashed.sum(axis=0)
    lit = project_cv(whole, position(flown, np.array([-0.02, 0.0, 0.02])))[:, 0]
    middle = np.indices(along.shape)[0]
    near = np.abs(middle - lit[1]) < 10
    assert (along * middle)[near].sum() / along[near].sum() == pytest.approx(lit[1], abs=0.05)
    between = round((lit[0] + lit[1]) / 2.0)
    assert along[between] < 0.02 * along.max()


def test_a_lamp_that_goes_out_during_the_exposure_leaves_half_a_streak():
    whole = camera(exposure_s=0.02, look=replace(CLEAN, spot_px=0.8))
    short = replace(whole, look=replace(whole.look, blink_hz=5.0, blink_duty=0.1))
    flown = flight()
    seen = centroid(gather(short, flown, 0.0))
    expected = project_cv(whole, position(flown, np.array([0.005])))[0]
    assert np.abs(seen - expected).max() < 0.02


def test_a_light_outside_the_picture_gives_nothing():
    filming = camera()
    assert exposed(filming, pose_of(filming), flight(), 5.0) is None
    behind = camera(aim_m=np.array([40.0, -120.0, 4.0]))
    assert exposed(behind, pose_of(behind), flight(), 0.0) is None


def test_the_transfer_curve_is_srgb():
    """IEC 61966-2-1: 0.5 of linear light is 0.7354 of the signal; from memory."""
    assert luma_of(np.array([0.0, 0.5, 1.0]), True).tolist() == [0, 188, 255]
    assert luma_of(np.array([0.0, 0.5, 1.0]), False).tolist() == [16, 177, 235]


def test_a_lens_model_that_folds_over_shows_no_craft_a_second_time():
    lens = np.array([240.0, 240.0, 159.5, 89.5, -0.25, 0.0, 0.0, 0.0, 0.0])
    filming, flown = camera(lens=lens), flight()
    twice = project(position(flown, np.array([1.14])), pose_of(filming), lens)[0]
    assert np.all((twice > 0.0) & (twice < [320.0, 180.0]))
    assert exposed(filming, pose_of(filming), flown, 1.139) is None
    plan = plan_clip(filming, 0.0, 1.5, 0.0, np.random.default_rng(1))
    assert light_places(filming, flown, plan).world_s.max() < 0.7
