"""The image of a lamp that is matched along a way, and the way that follows from it."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from tests.clip.painted import streak_picture
from vidspeed.clip.coding import ALONE
from vidspeed.clip.faint import striplight
from vidspeed.clip.faint.stripfit import Faint, faint_light, lamp_image, responses
from vidspeed.clip.faint.striplight import is_light
from vidspeed.clip.faint.strippatches import SIDE, Patches

COUNT, STEP_PX = 16, 24.0


def patches(long_px, peak, *, seed=1):
    """Return patches of noise of unit variance with a streak in the middle of each."""
    rng = np.random.default_rng(seed)
    middle = np.full((COUNT, 2), (SIDE - 1) / 2.0)
    light = streak_picture((SIDE, SIDE), middle[0], (long_px / 2.0, 0.0), 1.3, 1.0)
    seen = rng.normal(size=(COUNT, SIDE, SIDE)) + peak * light / light.max()
    ones, nothing = np.ones(COUNT), np.zeros(COUNT)
    return Patches(
        frame=np.arange(COUNT),
        time_s=np.arange(COUNT) / 60.0,
        middle_px=middle,
        corner_px=np.zeros((COUNT, 2), np.int64),
        along=np.column_stack([ones, nothing]),
        across=np.column_stack([nothing, ones]),
        step_px=STEP_PX * ones,
        noise=ones,
        slow=ones,
        whitened=np.asarray(seen, np.float32),
    )


def waving(wave_px, peak, count=48):
    """Patches along a straight way about which a lamp waves, and where it is in each (n, 2)."""
    rng = np.random.default_rng(2)
    ahead = np.arange(count)
    middle = np.column_stack([100.0 + 24.3 * ahead, 100.0 + 1.7 * ahead])
    truth = middle + wave_px * np.outer(np.sin(np.linspace(-4.0, 4.0, count)), [0.0, 1.0])
    corner = np.rint(middle).astype(np.int64) - SIDE // 2
    light = [streak_picture((SIDE, SIDE), at, (0.1, 0.0), 1.5, peak) for at in truth - corner]
    ones, nothing = np.ones(count), np.zeros(count)
    seen = Patches(
        frame=ahead,
        time_s=ahead / 60.0,
        middle_px=middle,
        corner_px=corner,
        along=np.column_stack([ones, nothing]),
        across=np.column_stack([nothing, ones]),
        step_px=STEP_PX * ones,
        noise=ones,
        slow=ones,
        whitened=np.asarray(rng.normal(size=(count, SIDE, SIDE)) + light, np.float32),
    )
    return seen, truth


def waved(wave_px, peak, codec):
    """Return the track of a lamp that waves about a straight way, and where it was (n, 2)."""
    seen, truth = waving(wave_px, peak)
    nothing = np.zeros(len(truth))
    response = responses(seen, 1.5, nothing)[:, SIDE // 2, SIDE // 2].astype(np.float64)
    faint = Faint(
        off_px=np.zeros_like(truth), score=30.0, against=4.0, response=response, width_px=1.5,
        streak_px=nothing,
    )  # fmt: skip
    facts = SimpleNamespace(codec=codec, size_px=(2000, 500), rotation_deg=0, stamp_u_s=0.0)
    return striplight._track(seen, faint, facts), truth


@pytest.mark.parametrize("codec", ["ffv1", "h264"])
def test_a_way_that_bends_more_than_a_parabola_is_no_scatter_of_its_places(codec):
    """What a parabola across leaves of it made the places four times as uncertain."""
    track, truth = waved(0.8, 6.0, codec)
    off = track.xy_px - truth[track.frame]
    z2 = np.einsum("ni,nij,nj->n", off, np.linalg.inv(track.cov_px2), off) / 2.0
    assert len(track) > 20
    assert 0.8 < np.sqrt(z2.mean()) < 1.25


@pytest.mark.parametrize(("codec", "there"), [("ffv1", True), ("h264", False)])
def test_a_few_large_changes_among_none_are_no_lamp_where_a_coder_predicts(codec, there):
    """Of H.264, as of clouds or a tree where nothing had flown: single blocks change, most do not.

    In a clip that holds each frame by itself a sum like that is a lamp that is hardly seen.
    """
    seen = patches(1.0, 1.0)
    response = np.tile([0.2, 1.8, 9.0, 0.4, 3.0, 2.0], 8)
    assert is_light(seen, a_way(response), coded=codec not in ALONE) is there
    assert is_light(seen, a_way(response + 2.5), coded=codec not in ALONE)


def a_way(response):
    nothing = np.zeros(len(response))
    score = float(np.clip(response, -4.0, 4.0).sum() / np.sqrt(len(response)))
    return Faint(
        off_px=np.zeros((len(response), 2)), score=score, against=4.0, response=response,
        width_px=1.5, streak_px=nothing,
    )  # fmt: skip


@pytest.mark.parametrize(("long_px", "peak"), [(20.0, 1.0), (20.0, 6.0), (1.0, 12.0)])
def test_the_image_is_as_long_as_the_streak_however_strong_it_is(long_px, peak):
    found = faint_light(patches(long_px, peak))
    assert abs(float(found.streak_px[0]) - long_px) < 6.0
    assert np.abs(found.off_px).max() < 4.0


@pytest.mark.parametrize("long_px", [0.0, 12.0, 24.0])
def test_an_image_holds_both_ends_of_its_streak(long_px):
    image = lamp_image(1.5, np.array([long_px, 0.0]))
    assert np.sum(np.square(image)) == pytest.approx(1.0, rel=1e-5)
    assert np.abs(image[:, [0, -1]]).max() < 0.05 * image.max()
