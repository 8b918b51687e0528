"""Pieces of the background are looked up while a clip runs."""

import cv2
import numpy as np
import pytest
from scipy.interpolate import CubicSpline

from vidspeed.clip.ground.sway import SwayMeter

SHAPE = (180, 320)


def ground(seed=1, grain=2.5):
    """Return a smooth texture (h, w) float, to be shifted by any amount without a codec."""
    rng = np.random.default_rng(seed)
    picture = cv2.GaussianBlur(rng.standard_normal(SHAPE).astype(np.float32), (0, 0), grain)
    return 110.0 + 25.0 * picture / picture.std()


def shifted(picture, away):
    move = np.array([[1.0, 0.0, away[0]], [0.0, 1.0, away[1]]])
    return cv2.warpAffine(picture, move, SHAPE[::-1], flags=cv2.INTER_LANCZOS4,
                          borderMode=cv2.BORDER_REFLECT)  # fmt: skip


def frame(rng, picture, noise=1.5):
    return np.clip(np.rint(picture + rng.normal(0, noise, SHAPE)), 0, 255).astype(np.uint8)


def meter(rng, picture):
    frames = [frame(rng, picture) for _ in range(9)]
    return SwayMeter(np.median(frames, axis=0).astype(np.uint8), frames)


@pytest.mark.parametrize("away", [(0.0, 0.0), (0.2, -0.4), (1.6, 0.7), (-4.3, 3.2)])
def test_a_shift_is_measured_whatever_the_brightness(away):
    """Two frames of it: a piece may need the second one where it moved far."""
    rng = np.random.default_rng(3)
    picture = ground()
    found = meter(rng, picture)
    for k, share in enumerate((0.5, 1.0, 1.0)):
        moved = shifted(picture, np.multiply(away, share))
        found.take(k / 60, frame(rng, (0.7 + 0.1 * k) * moved))
    sway = found.sway()
    assert sway.away_px.shape == (3, len(sway.places_px), 2)
    assert len(sway.places_px) > 25
    assert np.mean(np.isfinite(sway.away_px[2])) > 0.9
    assert np.nanmedian(sway.away_px[2], axis=0) == pytest.approx(2.0 * np.array(away), abs=0.08)


@pytest.mark.parametrize("away", [(0.25, -0.15), (0.45, 0.35), (-0.3, 0.4)])
def test_small_shifts_of_lamps_are_not_overstated(away):
    """A lamp is narrow: its slopes and their change must be those of its image, not of a grid."""
    places = np.random.default_rng(5).uniform([30, 30], [290, 150], (24, 2))
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]

    def lamps(shift):
        spots = [np.exp(-((x - px) ** 2 + (y - py) ** 2) / 1.28) for px, py in places + shift]
        return 20.0 + 120.0 * np.sum(spots, axis=0)

    rng = np.random.default_rng(6)
    found = meter(rng, lamps(np.zeros(2)))
    for k in range(4):
        found.take(k / 60, frame(rng, lamps(np.array(away))))
    away_px = found.sway().away_px[1:].reshape(-1, 2)
    assert np.nanmedian(away_px, axis=0) == pytest.approx(2.0 * np.array(away), abs=0.03)


def test_what_is_hidden_or_dark_is_not_elsewhere():
    rng = np.random.default_rng(4)
    picture = ground()
    found = meter(rng, picture)
    found.take(0.0, frame(rng, np.full(SHAPE, 20.0)))
    found.take(0.1, frame(rng, ground(seed=9)))
    sway = found.sway()
    assert np.isnan(sway.away_px[0]).mean() > 0.95
    assert sway.replaced[0] < 0.2
    assert np.isnan(sway.away_px[1]).mean() > 0.8
    assert sway.replaced[1] > 0.8


def test_a_flat_picture_has_no_pieces():
    rng = np.random.default_rng(5)
    found = meter(rng, np.full(SHAPE, 60.0))
    found.take(0.0, frame(rng, np.full(SHAPE, 60.0)))
    assert found.sway().places_px.shape == (0, 2)
    assert found.sway().away_px.shape == (0, 0, 2)


def test_lamps_in_the_dark_are_pieces():
    rng = np.random.default_rng(6)
    picture = np.full(SHAPE, 8.0)
    for x, y in ((60, 60), (200, 100), (120, 130)):
        picture[y - 1 : y + 2, x - 1 : x + 2] += 90.0
    picture = cv2.GaussianBlur(picture.astype(np.float32), (0, 0), 0.8)
    found = meter(rng, picture)
    found.take(0.0, frame(rng, shifted(picture, (0.6, 0.3))))
    sway = found.sway()
    assert 3 <= len(sway.places_px) <= 8
    assert np.nanmedian(sway.away_px[0], axis=0) == pytest.approx([1.2, 0.6], abs=0.25)


@pytest.mark.parametrize("waves", [False, True])
def test_what_waves_does_not_keep_its_looks(waves):
    rng = np.random.default_rng(7)
    picture, other = ground(), ground(seed=2)
    found = meter(rng, picture)
    for k in range(16):
        moved = shifted(picture, (0.8 * np.sin(0.5 * k), 0.3))
        turn = 0.35 * np.sin(0.5 * k)
        look = np.cos(turn) * moved + np.sin(turn) * (other - 110.0) if waves else moved
        found.take(k / 60, frame(rng, look))
    changing = found.sway().changing
    assert (np.median(changing) > 0.3) == waves
    assert waves or np.quantile(changing, 0.9) < 0.1


def test_a_picture_that_stands_still_is_looked_at_less_often_until_it_shakes():
    """Sixty frames a second: at rest every second one, which tells how a shaking begins."""
    rng = np.random.default_rng(8)
    picture = ground()
    found = meter(rng, picture)
    time_s = np.arange(150) / 60
    away = np.where(time_s < 1.0, 0.0, 1.0 * np.sin(2 * np.pi * 3.0 * (time_s - 1.0)))
    for moment, there in zip(time_s, away, strict=True):
        half = frame(rng, shifted(picture, (there, 0.0)))
        found.take_whole(moment, half.repeat(2, axis=0).repeat(2, axis=1))
    sway = found.sway()
    steps = np.rint(60 * np.diff(sway.time_s)).astype(int)
    assert set(steps[:15]) == {1}
    assert set(steps[16:30]) == {2}
    assert set(steps[-40:]) == {1}
    middle = np.nanmedian(sway.away_px[:, :, 0], axis=1)
    off = CubicSpline(sway.time_s, middle)(time_s[2:-2]) - 2.0 * away[2:-2]
    assert np.sqrt(np.mean(off**2)) < 0.06


@pytest.mark.parametrize("rate_hz", [30, 60, 240])
def test_how_far_the_picture_goes_lately_is_told_at_any_rate(rate_hz):
    """A fast camera looks often, and within few frames a picture goes hardly anywhere."""
    rng = np.random.default_rng(8)
    picture = ground()
    found, reach = meter(rng, picture), []
    for k in range(2 * rate_hz):
        there = 1.5 * np.sin(2.0 * np.pi * 2.0 * k / rate_hz)
        found.take(k / rate_hz, frame(rng, shifted(picture, (there, 0.0))))
        reach.append(found.reach)
    assert np.median(reach[rate_hz:]) > 2.0
