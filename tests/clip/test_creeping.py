"""A craft that creeps through slow motion, and lamps that stand still or sway."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.clip.painted import Flyer, Painting, paint_clip
from vidspeed.clip.scan import scan
from vidspeed.clip.spots.moves import limits_of, stride_of
from vidspeed.values import Strip

RATE_HZ, COUNT = 480.0, 220
SHAPE = (96, 176)
OUTLINE = np.array([[0.0, 0.0], [176.0, 0.0], [176.0, 96.0], [0.0, 96.0]])
CREEPS = Strip(polygon_px=OUTLINE, speed_px_s=(0.18 * RATE_HZ, 1.0 * RATE_HZ))


class Swaying(Flyer):
    """A lamp of which the camera sways, by half a pixel."""

    def xy(self, k):
        k = np.asarray(k, dtype=float)
        sway = 0.5 * np.sin(2.0 * np.pi * 4.0 * k / RATE_HZ)
        return np.stack([self.start[0] + sway, self.start[1] + 0.6 * sway], axis=-1)


def scanned(tmp_path, flyers, *, strip=CREEPS):
    painting = Painting(shape=SHAPE, count=COUNT, lamps=2, flyers=flyers)
    return scan(
        paint_clip(tmp_path / "slow.avi", painting, codec="ffv1"), rate_hz=RATE_HZ, strip=strip
    ).tracks


@pytest.mark.parametrize("step", [0.22, 0.35, 0.5])
def test_a_light_that_creeps_is_found(tmp_path, step):
    flyer = Flyer(start=(20.0, 30.0), step=(step, 0.05), bend=0.0, peak=50.0)
    (track,) = scanned(tmp_path, [flyer])
    assert len(track) >= 0.9 * COUNT / stride_of(
        limits_of(SHAPE[::-1], 1 / RATE_HZ, CREEPS), 1 / RATE_HZ
    )
    assert track.frame.max() > 0.95 * COUNT
    off = track.xy_px - flyer.xy(track.frame)
    assert np.abs(off).max() < 0.5
    np.testing.assert_allclose(track.time_s, track.frame / RATE_HZ)


@pytest.mark.parametrize("frames", [None, range(80, 300)])
def test_lamps_that_stand_still_or_sway_are_no_craft(tmp_path, frames):
    still = Flyer(start=(60.0, 50.0), step=(0.0, 0.0), bend=0.0, peak=60.0, frames=frames)
    swaying = Swaying(start=(110.0, 60.0), peak=60.0, frames=frames)
    assert scanned(tmp_path, [still, swaying]) == ()


def test_each_frame_is_looked_at_where_a_craft_moves_far_enough_or_may_move_far():
    def stride(low, high):
        strip = replace(CREEPS, speed_px_s=(low * RATE_HZ, high * RATE_HZ))
        return stride_of(limits_of(SHAPE, 1 / RATE_HZ, strip), 1 / RATE_HZ)

    assert stride(0.75, 3.0) == stride(2.0, 60.0) == stride(0.3, 20.0) == 1
    assert stride(0.35, 1.5) == 4
    assert stride(0.2, 1.6) == 5
    assert stride_of(limits_of(SHAPE, 1 / RATE_HZ, None), 1 / RATE_HZ) == 1
