"""What is too faint for single frames is found by adding up along the flight line; nothing else."""

from __future__ import annotations

from functools import partial

import cv2
import numpy as np
import pytest

from tests.clip.painted import Flyer, Painting, paint_clip
from vidspeed.clip.faint.slowly import take_out
from vidspeed.clip.faint.strip import CUT, UNIT, normalised
from vidspeed.clip.faint.striplight import faint_tracks
from vidspeed.clip.scan import scan
from vidspeed.values import Corridor

SHAPE, COUNT, PX_PER_M = (120, 320), 44, 8.0
faint = partial(Flyer, start=(-20.0, 62.0), step=(9.0, 0.15), bend=0.0, peak=2.0, width=1.3)
empty = partial(Painting, shape=SHAPE, count=COUNT, noise=2.0, lamps=4, flyers=[])


def along() -> Corridor:
    """Return the corridor of a line across the picture: 36 to 120 m/s are 4.8 to 16 px a frame."""
    x_px = np.arange(0.0, 320.0, 2.0)
    return Corridor(
        x_m=x_px / PX_PER_M,
        middle_px=np.column_stack([x_px, np.full(len(x_px), 60.0)]),
        reach_px=np.full(len(x_px), 12.0),
        speed_mps=(36.0, 120.0),
    )


def found(folder, painting):
    """Return what is found in a lossless clip, and the clip's own scan."""
    path = paint_clip(folder / "clip.avi", painting, codec="ffv1")
    seen = scan(path)
    return faint_tracks(path, along(), seen.facts), seen


@pytest.mark.parametrize("step", [(9.0, 0.15), (-6.5, -0.1)])
def test_a_lamp_as_strong_as_the_noise_is_found_where_it_flew(tmp_path, step):
    flyer = faint(start=(-20.0 if step[0] > 0 else 300.0, 62.0), step=step)
    tracks, seen = found(tmp_path, empty(flyers=[flyer], seed=3))
    assert not seen.tracks, "single frames show it: it is not faint"
    (track,) = tracks
    error = track.xy_px - flyer.xy(track.frame)
    z2 = np.einsum("ni,nij,nj->n", error, np.linalg.inv(track.cov_px2), error)
    assert len(track) >= 6
    assert z2.sum() < 2.0 * len(track) + 4.0 * np.sqrt(4.0 * len(track))
    assert np.abs(error).max() < 1.5
    assert np.allclose(track.time_s, track.frame / 60.0)
    assert track.snr == pytest.approx(1.0, abs=0.5)


class Meadow(Painting):
    """A picture whose pixels brighten and darken in the wind, each in its own time."""

    def frames(self):
        rng = np.random.default_rng(self.seed + 100)
        each = rng.normal(0.0, 48.0, (2, *self.shape))
        tufts = [cv2.GaussianBlur(one, (0, 0), 1.5) for one in each]
        for k, picture in enumerate(super().frames()):
            turn = 2.0 * np.pi * 1.3 * k / 60.0
            waving = tufts[0] * np.cos(turn) + tufts[1] * np.sin(turn)
            yield np.clip(np.rint(picture + waving), 0, 255).astype(np.uint8)


def test_a_lamp_over_grass_that_waves_is_found_where_it_flew(tmp_path):
    flyer = faint(peak=8.0)
    meadow = partial(Meadow, shape=SHAPE, count=COUNT, level=100.0, lamps=0)
    tracks, seen = found(tmp_path, meadow(flyers=[flyer], seed=3))
    assert not seen.tracks
    (track,) = tracks
    error = track.xy_px - flyer.xy(track.frame)
    assert np.sqrt(np.mean(error**2)) < 0.5
    path = paint_clip(tmp_path / "bare.avi", meadow(flyers=[], seed=3), codec="ffv1")
    assert faint_tracks(path, along(), seen.facts) == ()


def test_what_is_foretold_is_taken_out_and_noise_stays_as_it_is():
    rng = np.random.default_rng(2)
    noise = rng.normal(0.0, 1.0, (60, 20, 40)).astype(np.float16)
    same = noise.copy()
    take_out(same, 2)
    assert np.array_equal(same, noise)
    wave = 6.0 * np.cos(2.0 * np.pi * 1.3 * np.arange(60) / 60.0)[:, None, None]
    levels = noise + (wave * rng.normal(0.0, 1.0, (20, 40))).astype(np.float16)
    levels[30, 10, 20] += 8.0
    take_out(levels, 2)
    assert levels[30, 10, 20] > 4.0
    assert levels[10:50, :5].std() < 1.5


def test_nothing_is_found_where_nothing_flies_along(tmp_path):
    noise = empty(seed=5)
    crossing = empty(seed=6, flyers=[faint(start=(150.0, -20.0), step=(1.0, 4.0), peak=60.0)])
    slow = empty(seed=7, flyers=[faint(start=(40.0, 60.0), step=(2.0, 0.0), peak=40.0)])
    dark = empty(seed=8, flyers=[faint(peak=-2.0)])
    short = empty(seed=9, flyers=[faint(peak=30.0, frames=range(12, 16))])
    tracks, seen = found(tmp_path, noise)
    assert tracks == ()
    for number, painting in enumerate((crossing, slow, dark, short)):
        path = paint_clip(tmp_path / f"{number}.avi", painting, codec="ffv1")
        assert faint_tracks(path, along(), seen.facts) == ()


def test_no_frame_and_no_place_weighs_more_than_its_own_scatter_allows():
    rng = np.random.default_rng(1)
    levels = rng.normal(0.0, 0.3, (60, 15, 90)).astype(np.float16)
    levels[:, 4, 20] += np.where(np.arange(60) % 2, 20.0, 0.0)  # a lamp that flickers
    levels[30] += 5.0  # a flash that lights everything
    levels[40] *= 8.0  # a frame in pieces
    samples = normalised(levels) / UNIT
    assert np.abs(samples).max() <= CUT
    assert samples[:, 4, 20].std() < 1.1
    assert abs(np.median(samples[30])) < 0.1
    assert samples[40].std() < 1.3
    assert samples[10].std() == pytest.approx(1.0, abs=0.15)
