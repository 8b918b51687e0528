"""Lights named by geometry: right, or not at all."""

from __future__ import annotations

import numpy as np
import pytest

from vidspeed.geometry.aim import aimed, inside
from vidspeed.geometry.constellation import SURE, Course3d, Lights, name_lights, rivals
from vidspeed.geometry.lens import project

SIZE = (1920, 1080)
LENS = np.array([1100.0, 1100.0, 959.5, 539.5, 0.0, 0.0, 0.0, 0.0, 0.0])
LIKE_FROM_BOTH_SIDES = np.array(  # half a turn about (40, 0) changes nothing
    [[0, -5, 0], [0, 5, 2], [80, 5, 0], [80, -5, 2], [40, -5, 1], [40.0, 5, 1]]
)


def scene(seed, *, markers=7, others=2, lost=1, places=None, taped=False):
    """Return lights, what is known, and the light of each marker (-1 where it has none)."""
    rng = np.random.default_rng(seed)
    if places is None:
        places = np.column_stack([
            rng.uniform(0, 80, markers), rng.uniform(-8, 8, markers),
            rng.choice([0.0, 0.0, 1.0, 2.0, 3.0], markers)])  # fmt: skip
    stand = np.array([rng.uniform(25, 55), rng.choice([-1, 1]) * rng.uniform(45, 70), 1.7])
    pose = aimed(stand, np.array([40.0, 0.0, 2.0]))
    lens = LENS.copy()
    lens[0:2] *= np.exp(rng.normal(0.0, 0.02))
    seen = project(places + rng.normal(0, 0.02, places.shape), pose, lens)
    shown = rng.permutation(np.flatnonzero(inside(seen, SIZE)))[lost:]
    strewn = rng.uniform([0, 300], [1920, 700], (others, 2))
    xy = np.vstack([seen[shown] + rng.normal(0, 0.2, (len(shown), 2)), strewn])
    order = rng.permutation(len(xy))
    truth = np.full(len(places), -1)
    truth[shown] = np.argsort(order)[: len(shown)]
    known = Course3d(
        xyz_m=places, u_m=np.full(len(places), 0.02), lens=LENS, focal_u=0.02, size_px=SIZE,
        position_m=stand + rng.normal(0, 1.0, 3) if taped else None, position_u_m=1.0,
    )  # fmt: skip
    return Lights(xy_px=xy[order], u_px=np.full(len(xy), 0.2)), known, truth, pose


@pytest.mark.parametrize("seed", [1, 2])
def test_lights_are_named_among_others_that_are_none(seed):
    lights, known, truth, pose = scene(seed, markers=6, others=1, lost=0)
    namings = name_lights(lights, known)
    best = namings[0]
    assert best.odds > SURE and len(rivals(namings)) == 1
    assert np.all((best.light == truth) | (best.light < 0))
    assert np.count_nonzero(best.light >= 0) >= np.count_nonzero(truth >= 0) - 1
    assert np.linalg.norm(best.pose.position_m - pose.position_m) < 3.0


def test_a_layout_that_is_alike_from_both_sides_is_ambiguous_until_a_place_is_stated():
    lights, known, _, _ = scene(4, places=LIKE_FROM_BOTH_SIDES, others=0, lost=0)
    namings = name_lights(lights, known)
    assert len(rivals(namings)) >= 2
    lights, known, truth, _ = scene(4, places=LIKE_FROM_BOTH_SIDES, others=0, lost=0, taped=True)
    namings = name_lights(lights, known)
    assert len(rivals(namings)) == 1 and namings[0].light.tolist() == truth.tolist()


def test_strewn_lights_are_not_believed():
    _, known, _, _ = scene(6, markers=5)
    rng = np.random.default_rng(7)
    for _ in range(2):
        strewn = Lights(xy_px=rng.uniform([0, 300], [1920, 700], (5, 2)), u_px=np.full(5, 0.2))
        namings = name_lights(strewn, known)
        assert not namings or namings[0].odds < SURE


def test_a_known_pose_names_lights_at_once():
    lights, known, truth, pose = scene(8, others=10)
    namings = name_lights(lights, known, [pose])
    assert len(rivals(namings)) == 1 and namings[0].odds > SURE
    assert np.all((namings[0].light == truth) | (namings[0].light < 0))
