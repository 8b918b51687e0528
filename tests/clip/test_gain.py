"""An exposure that jumps in the middle of a clip."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from tests.clip.painted import Flyer, Painting, paint_clip
from vidspeed.clip.gain import jump_curve, steepness, through
from vidspeed.clip.scan import scan
from vidspeed.clip.write import even_stamps, write_clip


def picture(seed=0, top=120.0, size=(300, 200)):
    rng = np.random.default_rng(seed)
    slope = np.linspace(20.0, top, size[0])[None, :] + np.zeros((size[1], 1))
    return np.rint(slope + rng.normal(0.0, 1.0, slope.shape)).astype(np.uint8)


@pytest.mark.parametrize("factor", [0.6, 1.5])
def test_the_curve_of_a_jump_is_found_and_followed(factor):
    before = picture()
    after = np.clip(np.rint(before * factor), 0, 255).astype(np.uint8)
    curve = jump_curve(before, after)
    assert np.abs(curve[30:110] - factor * np.arange(30, 110)).max() < 1.0
    assert np.abs(through(curve, before).astype(float) - after).max() <= 1.0
    tenfold = through(curve, before.astype(np.uint16) * 4)
    assert np.abs(tenfold / 4.0 - after).max() <= 1.0


@pytest.mark.parametrize("factor", [0.6, 1.0, 1.5, 2.0])
def test_a_curve_is_as_steep_as_the_gain_and_flat_where_it_is_cut_off(factor):
    curve = np.clip(np.rint(factor * np.arange(256.0)), 0.0, 255.0)
    steep = steepness(curve)
    assert np.abs(steep[8:100] - factor).max() < 0.1
    assert steep.shape == (256,)
    if factor > 1.0:
        assert np.all(steep[-40:] == 0.0)


@pytest.mark.parametrize("size", [(160, 90), (480, 30), (320, 180), (960, 540)])
def test_a_small_picture_shows_what_became_of_its_levels(size):
    """Of one with few pixels all are looked at, or hardly any level has enough of them."""
    before = picture(size=size)
    after = np.clip(np.rint(before * 1.6), 0, 255).astype(np.uint8)
    curve = jump_curve(before, after)
    assert np.abs(curve[30:110] - 1.6 * np.arange(30, 110)).max() < 1.0


def test_no_jump_has_no_curve():
    assert jump_curve(picture(1), picture(2)) is None


def test_a_lamp_is_followed_across_a_jump(tmp_path):
    painting = Painting(count=40, flyers=[Flyer(step=(6.5, 0.8), peak=60.0)])
    frames = [
        np.clip(16.0 + (frame - 16.0) * (1.7 if k >= 20 else 1.0), 0, 255).astype(np.uint8)
        for k, frame in enumerate(painting.frames())
    ]
    path = tmp_path / "jump.avi"
    write_clip(path, frames, stamps=even_stamps(40, 60), codec="ffv1")
    plain = scan(paint_clip(tmp_path / "plain.avi", painting, codec="ffv1")).tracks[0]
    (track,) = scan(path).tracks
    assert len(track) >= len(plain) - 2
    wanted = painting.flyers[0].xy(track.frame)
    assert np.abs(track.xy_px - wanted).max() < 0.5


@pytest.mark.parametrize("lit", [1, 2])
def test_a_lamp_is_followed_on_after_a_flash(tmp_path, lit):
    """As of a camera: what was bright is white in it, and black after it if reckoned back."""
    painting = Painting(count=60, flyers=[Flyer(step=(4.0, 0.8), peak=40.0)])
    bright = np.random.default_rng(7).uniform(30.0, 150.0, (30, 54))
    bright = cv2.resize(bright, painting.shape[::-1], interpolation=cv2.INTER_CUBIC)
    frames = [
        np.clip((frame + bright) * (4.0 if 30 <= k < 30 + lit else 1.0), 0, 255).astype(np.uint8)
        for k, frame in enumerate(painting.frames())
    ]
    path = tmp_path / "flash.avi"
    write_clip(path, frames, stamps=even_stamps(60, 120), codec="ffv1")
    (track,) = scan(path).tracks
    assert np.sum(track.frame >= 30 + lit) >= 24
    assert np.abs(track.xy_px - painting.flyers[0].xy(track.frame)).max() < 0.5
