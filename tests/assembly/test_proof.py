"""Lamps held still at surveyed places: found, compared, and honest about what is known."""

from dataclasses import replace

import numpy as np
import pytest

from tests.motion.flown import SIZE_PX, evening
from vidspeed.assembly.cameras import Cameras
from vidspeed.assembly.gather import Looked
from vidspeed.assembly.ground import Sighting, located
from vidspeed.assembly.proof import prove
from vidspeed.geometry.lens import project
from vidspeed.motion.calibration import calibrate_camera
from vidspeed.record.proofview import NOT_PROVED, proof_row, proof_view
from vidspeed.record.units import unit_named
from vidspeed.values import Clip, ClipView, Proof

PLACES_M = np.array([[8.0, 0.1, 4.0], [40.0, 0.0, 4.2], [72.0, -0.2, 3.9]])
U_M, U_PX = 0.02, 0.3


def stands(scene):
    session = scene.session
    return [calibrate_camera(session, entry, 1.0 / 60.0) for entry in session.cameras]


def held(scene, places_m=PLACES_M):
    """Return where each camera truly sees lamps held nearly at the places: a list a camera."""
    lamps = places_m + U_M * scene.rng.standard_normal(places_m.shape)
    return [
        project(lamps, pose, lens) for pose, lens in zip(scene.poses, scene.lenses, strict=True)
    ]


def seen(scene, fits):
    """Return the sightings of every place, disturbed by what they state."""
    truth = held(scene)
    return [
        [
            Sighting(
                clip=f"{stand.camera.name}-{number}.mp4", stand=stand, u_px=U_PX,
                xy_px=truth[order][number] + U_PX * scene.rng.standard_normal(2),
            )
            for order, (stand, _) in enumerate(fits)
        ]
        for number in range(len(PLACES_M))
    ]  # fmt: skip


@pytest.mark.parametrize("cameras", [1, 2])
def test_errors_are_as_large_as_is_stated(cameras):
    """All of survey, picks, lens and lamps is drawn from what is stated: z has RMS 1."""
    z, distance_z = [], []
    for seed in range(40):
        scene = evening(seed, cameras=cameras)
        found = located(scene.session, PLACES_M, np.full(3, U_M), seen(scene, stands(scene)))
        spread = np.sqrt(np.diag(found.covariance_m2)).reshape(3, 3)
        z.append((found.error_m / np.where(spread > 0.0, spread, np.inf))[:, [0, 2]])
        along = np.zeros(9)
        along[0], along[6] = -1.0, 1.0
        u_m = np.sqrt(along @ found.covariance_m2 @ along)
        distance_z.append((found.error_m[2, 0] - found.error_m[0, 0]) / u_m)
    assert 0.75 < np.sqrt(np.mean(np.square(z))) < 1.25
    assert 0.7 < np.sqrt(np.mean(np.square(distance_z))) < 1.35  # 40 draws: 0.71 to 1.29, 99 %


def test_without_any_error_the_place_is_found():
    scene = evening(1, pick_u_px=1e-6, marker_u_m=1e-6, focal_u_px=1e-6)
    scene.session = replace(scene.session, markers=scene.session.markers)
    fits = stands(scene)
    rows = [
        [
            Sighting(clip=f"{order}", stand=stand, u_px=0.1, xy_px=truth[number])
            for order, ((stand, _), truth) in enumerate(zip(fits, exact(scene), strict=True))
        ]
        for number in range(3)
    ]
    found = located(scene.session, PLACES_M + np.array([0.5, -0.4, 0.3]), np.full(3, U_M), rows)
    assert found.error_m == pytest.approx(np.tile([-0.5, 0.4, -0.3], (3, 1)), abs=2e-3)


def exact(scene):
    return [
        project(PLACES_M, pose, lens) for pose, lens in zip(scene.poses, scene.lenses, strict=True)
    ]


def test_one_camera_says_nothing_of_y():
    scene = evening(2, cameras=1)
    found = located(scene.session, PLACES_M, np.full(3, U_M), seen(scene, stands(scene)))
    assert np.all(found.error_m[:, 1] == 0.0)
    assert np.all(np.diag(found.covariance_m2)[1::3] == pytest.approx(0.0, abs=1e-15))


def picture(lamps_px, rng, more=()):
    """Draw a still after dark: lamps as spots, and noise."""
    still = rng.normal(9.0, 0.6, SIZE_PX[::-1])
    for x, y in [*lamps_px, *more]:
        if 10 < x < SIZE_PX[0] - 10 and 10 < y < SIZE_PX[1] - 10:
            rows, columns = np.mgrid[int(y) - 9 : int(y) + 10, int(x) - 9 : int(x) + 10]
            still[rows, columns] += 120.0 * np.exp(
                -0.5 * ((rows - y) ** 2 + (columns - x) ** 2) / 1.5**2
            )
    return np.clip(np.rint(still), 0, 255).astype(np.uint8)


def filmed(scene, more=(), places_m=PLACES_M[[0, 2]], **stated):
    """Return session, cameras and clips of an evening with lamps held at two places."""
    fits = stands(scene)
    clips, proofs = [], []
    for order, (stand, _) in enumerate(fits):
        for number, place in enumerate(held(scene, places_m)[order]):
            name = f"{stand.camera.name}-{number}.mp4"
            clip = Clip(file=name, camera=stand.camera.name, expect_none=True)
            still = picture([place], scene.rng, more)
            view = ClipView(
                clip=name, camera=stand.camera.name, facts=None, brightest=None, still=still,
                tracks=(),
            )  # fmt: skip
            clips.append(Looked(clip=clip, view=view, interval_s=0.02, input=None, problems=()))
            proofs.append(Proof(clip=name, place_m=places_m[number], u_m=U_M, **stated))
    cameras = Cameras(stands={stand.camera.name: (stand, fit) for stand, fit in fits}, problems=())
    return replace(scene.session, proofs=tuple(proofs)), cameras, clips


def test_two_cameras_prove_a_distance():
    found = prove(*filmed(evening(3)))
    assert found.problems == ()
    assert [row.cameras for row in found.proven.places] == [("n", "s"), ("n", "s")]
    assert all(np.linalg.norm(row.error_m) < 0.15 for row in found.proven.places)
    assert len(found.proven.distances) == 1
    distance = found.proven.distances[0]
    assert distance.distance_m == pytest.approx(64.0, abs=0.01)
    assert abs(distance.error_percent) < 0.2
    assert 0.005 < distance.error_u_percent < 0.1
    row = proof_row(found.proven)
    assert row["distances"][0]["error_percent"] == distance.error_percent
    assert (
        "surveyed places; over 64.00 m the cameras are wrong by"
        in proof_view(found.proven, unit_named("kmh"))["sentence"]
    )


def test_a_wrong_place_is_named():
    session, cameras, clips = filmed(evening(3))
    wrong = tuple(
        replace(row, place_m=row.place_m + np.array([0.8, 0.0, 0.0]))
        if row.clip.endswith("-1.mp4")
        else row
        for row in session.proofs
    )
    found = prove(replace(session, proofs=wrong), cameras, clips)
    assert found.proven.places[1].normalised > 3.0
    assert any("m from there" in row.message for row in found.problems)
    assert any("so would a speed be" in row.message for row in found.problems)


def test_a_lamp_that_is_not_there_and_two_that_may_be_it_are_said():
    scene = evening(4, cameras=1)
    session, cameras, clips = filmed(scene)
    dark = replace(clips[0], view=replace(clips[0].view, still=picture([], scene.rng)))
    found = prove(session, cameras, [dark, clips[1]])
    assert "0 lights near" in found.problems[0].message
    assert len(found.proven.places) == 1
    assert (
        "a second one would prove a distance"
        in proof_view(found.proven, unit_named("kmh"))["sentence"]
    )
    x, y = project(PLACES_M[:1], scene.poses[0], scene.lenses[0])[0]
    second = filmed(evening(4, cameras=1), more=[(x + 40.0, y)])
    found = prove(*second)
    assert "2 lights near" in found.problems[0].message
    assert "x_px and y_px" in found.problems[0].message


def test_which_light_it_is_may_be_said():
    scene = evening(4, cameras=1)
    x, y = project(PLACES_M[:1], scene.poses[0], scene.lenses[0])[0]
    session, cameras, clips = filmed(evening(4, cameras=1), more=[(x + 40.0, y)])
    proof = replace(session.proofs[0], xy_px=np.array([x + 2.0, y - 1.0]))
    found = prove(replace(session, proofs=(proof,)), cameras, clips)
    assert found.problems == ()
    assert abs(found.proven.places[0].error_m[0]) < 0.3


def test_nothing_proved_is_said():
    assert proof_row(None) is None
    assert proof_view(None, unit_named("kmh"))["sentence"] == NOT_PROVED
    session, cameras, clips = filmed(evening(4, cameras=1))
    found = prove(replace(session, proofs=()), cameras, clips)
    assert (found.proven, found.problems) == (None, ())
