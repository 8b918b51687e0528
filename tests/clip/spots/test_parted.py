"""A craft's light is parted from what a coder left of the frames beside it."""

from __future__ import annotations

import numpy as np
import pytest

from vidspeed.clip.spots.follow import Follower
from vidspeed.clip.spots.lights import Spot
from vidspeed.clip.spots.moves import limits_of
from vidspeed.clip.spots.parted import parted

RATE, STEP = 60.0, 16.0
SIZE = (640, 360)
BACK, SIGMA = 20, 1.6
COUNT = 24


def place(frame):
    return np.array([40.0 + STEP * frame, 180.25])


def painted(frame, lumps, half=0.0):
    """Return a spot of lumps, (place, level) each, measured as one by its moments."""
    corner = np.array([int(place(frame)[0]) - 30, 165])
    y, x = np.mgrid[0:32, 0:62].astype(float)
    above = np.zeros(x.shape)
    for (px, py), level in lumps:
        along = np.maximum(np.abs(x + corner[0] - px) - half, 0.0)
        above += level * np.exp(-0.5 * (along**2 + (y + corner[1] - py) ** 2) / SIGMA**2)
    rng = np.random.default_rng(frame)
    past = (BACK + rng.integers(0, 3, (9, *x.shape))).astype(np.uint8)
    luma = np.rint(BACK + 1 + above).astype(np.uint8)
    weight = np.where(above > 0.2 * above.max(), above, 0.0)
    weight /= weight.sum()
    middle = np.array([np.sum(weight * x), np.sum(weight * y)])
    long = np.sum(weight * (x - middle[0]) ** 2) - np.sum(weight * (y - middle[1]) ** 2)
    return Spot(
        frame=frame,
        time_s=frame / RATE,
        xy_px=middle + corner,
        half_px=np.array([np.sqrt(3.0 * max(long, 0.0)), 0.0]),
        sigma_px=SIGMA,
        peak=float(above.max()),
        snr=float(above.max()) / 2.0,
        corner_px=(int(corner[0]), int(corner[1])),
        luma=luma,
        past=past,
        own=np.ones(x.shape, dtype=bool),
        cut=False,
    )


def coded(frame):
    """Return a light, in every second frame as one with remains of the frames beside it."""
    lumps = [(place(frame), 60.0)]
    if frame % 2:
        rest = (35.0, 12.0) if frame % 4 == 1 else (10.0, 38.0)
        lumps += [(place(frame - 1), rest[0]), (place(frame + 1), rest[1])]
    return painted(frame, lumps)


def far(spots):
    return np.array([np.linalg.norm(spot.xy_px - place(spot.frame)) for spot in spots])


def test_a_light_is_parted_from_what_is_left_of_the_frames_beside_it():
    spots = [coded(frame) for frame in range(COUNT)]
    assert np.median(far(spots)[1::2]) > 2.5
    found = parted(spots)
    assert len(found) == COUNT
    assert far(found).max() < 0.5
    assert max(np.linalg.norm(spot.half_px) for spot in found) < 2.5
    assert all(spot.peak == pytest.approx(60.0, abs=3.0) for spot in found)
    assert all(one is other for one, other in zip(found[::2], spots[::2], strict=True))


def test_such_lights_are_followed_as_a_craft():
    follower = Follower(limits_of(SIZE, 1 / RATE, None))
    for frame in range(COUNT):
        assert not follower.offer(frame / RATE, [coded(frame)])
    (chain,) = follower.finish()
    assert set(range(2, COUNT)) <= {spot.frame for spot in chain}
    assert far(chain).max() < 0.5


def test_where_nothing_lies_in_its_place_there_is_no_light():
    spots = [coded(frame) for frame in range(COUNT)]
    spots[11] = painted(11, [(place(10), 50.0), (place(12), 55.0)])
    assert [spot.frame for spot in parted(spots)] == [k for k in range(COUNT) if k != 11]


@pytest.mark.parametrize("half", [0.0, 3.0, 0.5 * STEP, 1.0 * STEP])
def test_lights_that_are_all_alike_are_left_alone(half):
    spots = [painted(frame, [(place(frame), 60.0)], half) for frame in range(COUNT)]
    assert all(one is other for one, other in zip(parted(spots), spots, strict=True))


def test_a_chain_without_a_way_is_left_alone():
    rng = np.random.default_rng(4)
    spots = [coded(frame) for frame in range(COUNT)]
    for spot in spots:
        spot.xy_px.flags.writeable = True
        spot.xy_px[:] += rng.uniform(-30.0, 30.0, 2)
    assert all(one is other for one, other in zip(parted(spots), spots, strict=True))
