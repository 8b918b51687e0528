"""What is drawn is drawn with the stated uncertainties, and each from its own numbers."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from vidspeed.geometry.lens import project
from vidspeed.render.draw import draw_world
from vidspeed.render.flight import position
from vidspeed.render.scene import DISTURBANCES, pose_of
from vidspeed.values import Craft

from .small import camera, scene


def figures(made):
    """Return errors over their stated standard uncertainties, by what they are."""
    world, filming = draw_world(made), made.cameras[0]
    stated = world.stated["north"]
    picks = {pick.name: pick.xy_px for pick in stated.picks}
    seen = project(np.array([m.xyz_m for m in made.markers]), pose_of(filming), filming.lens)
    line, flown = made.flight_line, world.flights[0]
    ends = position(flown, flown.gates_s)
    return {
        "scale": world.scale_error / (made.course.length_u_m / made.course.length_m),
        "markers": (world.markers[0].xyz_m - made.markers[0].xyz_m)[1] / 0.02,
        "picks": (picks["m0"] - seen[0])[0] / filming.pick_u_px,
        "focal": (stated.lens[0] - 240.0) / 2.0,
        "k1": (stated.lens[4] + 0.02) / 0.01,
        "readout": (stated.readout_s - 0.02) / 0.002,
        "exposure": (stated.exposure_s - 0.002) / 0.0001,
        "clock": stated.clock_ppm / 50.0,
        "drift": (ends[1, 1] - ends[0, 1]) / line.drift_u_m,
        "accel": flown.cubic[2, 0] / 10.0,
        "jerk": flown.cubic[3, 2] / (3.0 * 110.0 / 80.0),
        "lamp": world.takes[0].flight.shift_m[2] / 0.03,
    }


def known(seed, **changes):
    filming = camera(readout_s=0.02, readout_u_s=0.002, exposure_u_s=0.0001)
    craft = Craft(lamp_u_m=0.03)
    still = replace(scene().flight_line, weave_u_m=0.0)
    return scene(seed=seed, cameras=(filming,), craft=craft, flight_line=still, **changes)


def test_errors_have_the_stated_spread_and_are_independent():
    rows = [figures(known(seed)) for seed in range(400)]
    table = np.array([list(row.values()) for row in rows])
    # 400 draws: a standard deviation is known to 3.5 %, a mean to 0.05, a correlation to 0.05.
    np.testing.assert_allclose(table.std(axis=0), 1.0, atol=0.15)
    np.testing.assert_allclose(table.mean(axis=0), 0.0, atol=0.2)
    apart = np.corrcoef(table.T) - np.eye(table.shape[1])
    assert np.abs(apart).max() < 0.22


def test_switching_one_off_leaves_the_others_as_they_were():
    whole = figures(known(9))
    without = figures(known(9, disturb=DISTURBANCES - {"lens"}))
    assert without["focal"] == without["k1"] == 0.0
    for name in set(whole) - {"focal", "k1"}:
        assert without[name] == pytest.approx(whole[name], abs=1e-9)


def test_nothing_drawn_is_the_scene_itself():
    made = known(9, disturb=frozenset())
    assert all(abs(value) < 1e-9 for value in figures(made).values())
    assert draw_world(made).flights[1].cubic[0, 1] == pytest.approx(0.5)


def test_offset_and_height_have_a_common_and_an_own_part():
    line = replace(scene().flight_line, offset_shared_u_m=0.3, accel_u_mps2=np.zeros(3))
    line = replace(line, drift_u_m=0.0, weave_u_m=0.0)
    pairs = np.array(
        [
            [
                flown.cubic[0, 1] - 0.5
                for flown in draw_world(scene(seed=s, flight_line=line)).flights
            ]
            for s in range(500)
        ]
    )
    covariance = np.cov(pairs.T)
    assert covariance[0, 0] == pytest.approx(0.16, rel=0.2)
    assert covariance[0, 1] == pytest.approx(0.09, rel=0.3)


def test_given_figures_are_not_drawn():
    passes = tuple(
        replace(item, offset_m=0.1, height_m=5.0, drift_m=0.0, climb_m=0.0, accel_mps2=np.zeros(3))
        for item in scene().passes
    )
    still = replace(scene().flight_line, weave_u_m=0.0)
    flown = draw_world(scene(passes=passes, flight_line=still)).flights[0]
    np.testing.assert_allclose(flown.cubic[0], [40.0, 0.1, 5.0], atol=1e-12)
    np.testing.assert_allclose(flown.cubic[1], [110.0, 0.0, 0.0], atol=1e-12)


def test_each_camera_sees_the_lamp_at_its_own_place_and_starts_on_its_own():
    two = (camera(), camera(name="south", position_m=np.array([40.0, 60.0, 1.7])))
    world = draw_world(scene(cameras=two, craft=Craft(lamp_u_m=0.05)))
    north, south = (take for take in world.takes if take.item.label == "1")
    assert not np.allclose(north.flight.shift_m, south.flight.shift_m)
    assert north.flight.shift_m[0] == 0.0
    assert north.plan.start_s != south.plan.start_s
    assert north.plan.clock_ppm != south.plan.clock_ppm
