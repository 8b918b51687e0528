"""Clips of lamps that saturate widely: found in nearly all frames, as one track."""

from __future__ import annotations

import numpy as np
import pytest

from tests.clip.wide_lamps import Night, WideLamp, wide_clip
from vidspeed.clip.scan import scan

OFTEN = 0.95  # of the frames that show it
AGREES = 2.0  # RMS of errors over what is stated: a coder leaves single lights far off


def found(path, night, **options):
    """Return the one track of a clip, and its errors over what is stated of them (n, 2)."""
    tracks = scan(wide_clip(path, night, **options)).tracks
    assert len(tracks) == 1
    (track,) = tracks
    lit = np.arange(night.first, night.first + night.lit)
    assert np.isin(lit, track.frame).mean() >= OFTEN
    off = track.xy_px - night.xy(track.frame)
    return track, off, off / np.sqrt(np.diagonal(track.cov_px2, axis1=1, axis2=2))


@pytest.mark.parametrize(
    "night",
    [
        Night(lamp=WideLamp(radius=20.0, soft=4.0), noise=3.0),
        Night(lamp=WideLamp(radius=12.0, soft=5.0, over=4.0), step=(8.0, 0.4), start=(60.0, 170.0)),
        Night(lamp=WideLamp(radius=14.0), step=(22.0, 1.0), open_share=0.9),
    ],
    ids=["fast", "slow", "streaks"],
)
@pytest.mark.parametrize("how", [{"codec": "ffv1"}, {"codec": "h264", "crf": 20}], ids=str)
def test_a_wide_lamp_is_followed(tmp_path, night, how):
    track, off, over = found(tmp_path / "clip.mp4", night, **how)
    assert np.abs(off).max() < 0.5
    assert np.sqrt(np.mean(over**2, axis=0)).max() < AGREES
    assert np.median(track.peak) <= 235.0


@pytest.mark.parametrize(
    "lamp",
    [
        WideLamp(radius=60.0, soft=2.0),
        WideLamp(radius=20.0, soft=2.0, veil=0.06, veil_px=50.0),
    ],
    ids=["core", "veil"],
)
def test_a_lamp_that_floods_a_small_picture_is_followed(tmp_path, lamp):
    night = Night(lamp=lamp, start=(80.0, 150.0), step=(22.0, 3.0), noise=1.0)
    _, off, over = found(tmp_path / "clip.mp4", night, codec="ffv1")
    assert np.abs(off).max() < 0.1
    assert np.sqrt(np.mean(over**2, axis=0)).max() < AGREES
