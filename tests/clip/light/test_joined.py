"""Lamps of a craft that run together in some frames and not in others: one kind of light counts."""

from __future__ import annotations

import numpy as np
import pytest

from tests.clip.light.lit import spot_in
from tests.clip.painted import streak_picture
from vidspeed.clip.light.lamp import lights_of

GROUND, WIDTH, APART_PX, STEP_PX = 40.0, 1.4, 14.0, 20.0
HALF = np.array([1.5, 0.0])
ACROSS_PX = 90.0


def spot(rng, frame, lamps, peak):
    """Return the spot of the lamps that are seen in a frame, at places ahead of the craft's."""
    craft = np.array([100.3 + STEP_PX * frame, ACROSS_PX])
    at = np.array([craft + np.array([ahead, 0.0]) for ahead in lamps])
    ends = at.min(axis=0) - HALF, at.max(axis=0) + HALF
    corner = np.floor(ends[0] - 16.0).astype(int)
    shape = tuple((np.ceil(ends[1] + 16.0).astype(int) - corner)[::-1])
    clean = GROUND + sum(streak_picture(shape, xy - corner, HALF, WIDTH, peak) for xy in at)
    return spot_in(rng, frame, clean, corner, ends, width=WIDTH)


def measured(seen, peak):
    """Return the frames in which the craft has a light, and how far ahead of it that is."""
    rng = np.random.default_rng(4)
    spots = [spot(rng, frame, lamps, peak) for frame, lamps in enumerate(seen)]
    lights = lights_of(spots, (1920, 1080), full_range=True)
    frame = [light.spot.frame for light in lights]
    ahead = [light.xy_px[0] - 100.3 - STEP_PX * light.spot.frame for light in lights]
    return frame, np.array(ahead)


BOTH, FIRST = (0.0, APART_PX), (APART_PX,)


@pytest.mark.parametrize("peak", [20.0, 120.0])
@pytest.mark.parametrize(
    ("seen", "kept", "ahead_px"),
    [
        ([FIRST] * 6 + [BOTH] * 12, range(6, 18), APART_PX / 2),
        ([BOTH] * 5 + [FIRST] * 11, range(5, 16), APART_PX),
        ([FIRST, BOTH] * 4 + [BOTH] * 6, (1, 3, 5, 7, *range(8, 14)), APART_PX / 2),
    ],
)
def test_a_track_does_not_jump_from_two_lamps_to_one(seen, kept, ahead_px, peak):
    frame, ahead = measured(seen, peak)
    assert frame == list(kept)
    assert ahead == pytest.approx(np.full(len(ahead), ahead_px), abs=1.5)


@pytest.mark.parametrize("seen", [[BOTH] * 14, [FIRST] * 14, [FIRST] * 2 + [BOTH] * 12])
def test_lights_of_one_kind_all_count(seen):
    """Two that differ from all others are for who holds the places against each other."""
    frame, _ = measured(seen, 120.0)
    assert frame == list(range(len(seen)))
