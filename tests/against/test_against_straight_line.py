"""The solver in its simplest case against the textbook.

The speed of a straight line fitted to N places dt apart, each known to sigma, has the standard
uncertainty sigma/dt * sqrt(12/(N (N^2 - 1))) (ordinary least squares; the roots for N = 5, 10,
25, 61 are computed figures). And a fact of the trade: a craft at 360 km/h takes one second for
100 m, 30 frame intervals at 30 frames a second (common practice, no source).
"""

from dataclasses import replace

import numpy as np
import pytest

from tests.motion.flown import evening, looking, plain_track, true_stand
from vidspeed.geometry.lens import project
from vidspeed.motion.account import account
from vidspeed.motion.flight import Lit, solve
from vidspeed.values import Clip, Course

ROOTS = {5: 0.316228, 10: 0.110096, 25: 0.0277350, 61: 0.00727201}
RANGE_M, FOCAL_PX, INTERVAL_S = 200.0, 1480.0, 1.0 / 30.0


def certain(length_m):
    """Return a session in which nothing but the lights is uncertain, seen square on."""
    scene = evening(
        seed=1, cameras=1, stands=([length_m / 2, -RANGE_M, 4.0],), marker_u_m=0.0,
        pick_u_px=1e-6, offset_u_m=0.0, height_u_m=0.0, drift_u_m=0.0, climb_u_m=0.0,
        weave_u_m=0.0, accel_u_mps2=np.zeros(3),
    )  # fmt: skip
    lens = scene.session.cameras[0].lens
    parameters = np.array([FOCAL_PX, FOCAL_PX, 959.5, 539.5, 0, 0, 0, 0, 0])
    pose = looking(np.array([length_m / 2, -RANGE_M, 4.0]), [length_m / 2, 0.0, 4.0])
    markers = np.array([marker.xyz_m for marker in scene.session.markers])
    camera = replace(
        scene.session.cameras[0],
        lens=replace(lens, parameters=parameters, factor=np.zeros((9, 4))),
        picks=tuple(
            replace(pick, xy_px=xy)
            for pick, xy in zip(
                scene.session.cameras[0].picks, project(markers, pose, parameters), strict=True
            )
        ),
        readout_s=0.0,
        readout_u_s=0.0,
        clock_u_ppm=0.0,
    )
    scene.poses[0], scene.lenses[0] = pose, parameters
    scene.session = replace(
        scene.session, cameras=(camera,), course=Course(length_m=length_m, length_u_m=0.0)
    )
    return scene


def square_on(scene, count, speed_mps, first_m, u_px):
    time = np.arange(count) * INTERVAL_S
    path = np.column_stack([first_m + speed_mps * time, np.zeros(count), np.full(count, 4.0)])
    seen = project(path, scene.poses[0], scene.lenses[0])
    track = plain_track(np.arange(count), time, seen, u_px, np.zeros(count))
    lit = Lit(clip="n.mp4", stand=true_stand(scene, 0, INTERVAL_S), track=track)
    flight = solve(scene.session, [lit], "1")
    return account(scene.session, flight, [Clip(file="n.mp4", camera="n")], "1")


@pytest.mark.parametrize(("count", "root"), ROOTS.items())
def test_straight_line_uncertainty(count, root):
    u_px = 0.01
    speed = 80.0 / ((count - 2.0) * INTERVAL_S)
    result = square_on(certain(80.0), count, speed, -0.5 * speed * INTERVAL_S, u_px)
    sigma_m = u_px * RANGE_M / FOCAL_PX
    assert result.status == "measured"
    assert result.speed_u_mps == pytest.approx(sigma_m / INTERVAL_S * root, rel=2e-3)


def test_a_hundred_metres_at_360_kmh_take_one_second_and_thirty_frames():
    result = square_on(certain(100.0), 41, 100.0, -100.0 * 5.25 * INTERVAL_S, 0.01)
    crossing = result.crossings[0]
    taken = crossing.time_out_s - crossing.time_in_s
    assert result.speed_mps == pytest.approx(100.0, abs=1e-6)
    assert taken == pytest.approx(1.000, abs=1e-6)
    assert taken / INTERVAL_S == pytest.approx(30.0, abs=1e-4)
