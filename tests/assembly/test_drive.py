"""Drives along the course: measured as a pass is, and held against their log."""

import json
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import cumulative_trapezoid

from tests.motion.flown import LENGTH_M, SIZE_PX, evening, plain_track
from tests.tiny import CLIP, edit, scene_text
from vidspeed.assembly.cameras import Cameras
from vidspeed.assembly.drive import driven
from vidspeed.assembly.gather import Looked
from vidspeed.assembly.proof import prove
from vidspeed.geometry.lens import project
from vidspeed.measure import run
from vidspeed.motion.calibration import calibrate_camera
from vidspeed.record.files import write_results
from vidspeed.record.proofview import proof_row, proof_view
from vidspeed.record.units import unit_named
from vidspeed.render.session import render_scene_file
from vidspeed.values import Clip, ClipView, Log, Proof

LINE_M = np.array([-0.6, 1.1])  # y and z of the lamp
U_M, U_PX, RATE_HZ = 0.03, 0.2, 60.0
SPEED_MPS = 9.0


def path(rng, *, forward=True, speed_mps=SPEED_MPS):
    """Ride past the course: speed rises and falls by a tenth, with the strokes of the pedals."""
    time = np.arange(0.0, 1.6 * LENGTH_M / speed_mps, 1e-3)
    slow = 0.1 * np.sin(2.0 * np.pi * (time / 7.0 + rng.random()))
    strokes = 0.02 * np.sin(2.0 * np.pi * (1.9 * time + rng.random()))
    speed = speed_mps * (1.0 + slow + strokes)
    x_m = -0.2 * LENGTH_M + cumulative_trapezoid(speed, time, initial=0.0)
    off = U_M * rng.standard_normal(2)
    places = np.column_stack([x_m, np.full((len(time), 2), LINE_M + off)])
    if not forward:
        places[:, 0] = LENGTH_M - places[:, 0]
    return time, places


def filmed(scene, log=None, *, factor=1.0, forward=True, until=np.inf):
    """Return session, cameras and clips of a drive, and its true speed between the gates."""
    rng = scene.rng
    time, places = path(rng, forward=forward)
    fits, clips, proofs = [], [], []
    s = rng.standard_normal() * scene.session.course.length_u_m / LENGTH_M
    for entry, pose, lens in zip(scene.session.cameras, scene.poses, scene.lenses, strict=True):
        stand, fit = calibrate_camera(scene.session, entry, 1.0 / RATE_HZ)
        at = np.arange(rng.uniform(0.0, 1.0 / RATE_HZ), time[-1], 1.0 / RATE_HZ)
        there = np.column_stack([np.interp(at, time, axis) for axis in places.T])
        seen = project(there, pose, lens)
        row = seen[:, 1] / SIZE_PX[1]
        readout_s = entry.readout_s + entry.readout_u_s * rng.standard_normal()
        stamps = (at - readout_s * row) * (1.0 - 1e-6 * entry.clock_u_ppm * rng.standard_normal())
        inside = np.all((seen > 0.0) & (seen < np.array(SIZE_PX) - 1.0), axis=1) & (at < until)
        noisy = seen + U_PX * rng.standard_normal(seen.shape)
        track = plain_track(
            np.flatnonzero(inside), stamps[inside] / factor, noisy[inside], U_PX, row[inside]
        )
        clip = Clip(file=f"{entry.name}.mp4", camera=entry.name, expect_none=True)
        view = ClipView(
            clip=clip.name, camera=entry.name, facts=None, brightest=None, still=None,
            tracks=(track,),
        )  # fmt: skip
        fits.append((stand, fit))
        clips.append(
            Looked(clip=clip, view=view, interval_s=1.0 / RATE_HZ, input=None, problems=())
        )
        log = places_log(rng, time, places, s) if log is None else log
        place = np.array([np.nan, *LINE_M])
        proofs.append(Proof(clip=clip.name, place_m=place, u_m=U_M, log=log))
    cameras = Cameras(stands={stand.camera.name: (stand, fit) for stand, fit in fits}, problems=())
    return replace(scene.session, proofs=tuple(proofs)), cameras, clips


def places_log(rng, time, places, s, u_m=0.05, common_u=1e-3):
    """A wheel counts metres ten times a second, a little wrong as a whole and in every row."""
    at = np.arange(time[0], time[-1], 0.1)
    true_m = np.interp(at, time, places[:, 0])
    x_m = LENGTH_M / 2 + (1.0 + s) * (1.0 + common_u * rng.standard_normal()) * (
        true_m - LENGTH_M / 2
    )
    return Log(
        file="cart.csv", time_s=at + 700.0, time_u_s=np.zeros(len(at)), speed_mps=None,
        x_m=x_m + u_m * rng.standard_normal(len(at)), x_u_m=np.full(len(at), u_m),
        speed_u_mps=np.zeros(len(at)), common_u=common_u,
    )  # fmt: skip


@pytest.mark.parametrize("cameras", [1, 2])
def test_a_drive_differs_from_its_log_by_what_is_stated(cameras):
    """Survey, lens, line, read-out, clock and log are drawn from what is stated: z has RMS 1."""
    z, sizes = [], []
    for seed in range(24):
        found = prove(*filmed(evening(seed, cameras=cameras), forward=seed % 2 == 0))
        assert [row.message for row in found.problems if row.level == "error"] == []
        (drive,) = found.proven.drives
        z.append(drive.normalised)
        sizes.append(drive.error_u_percent)
    assert 0.64 < np.sqrt(np.mean(np.square(z))) < 1.37  # 24 draws: 99 %
    assert np.median(sizes) < 0.35


def test_a_clip_whose_time_is_false_is_found_out():
    found = prove(*filmed(evening(1), factor=1.02))
    (drive,) = found.proven.drives
    assert drive.error_percent == pytest.approx(2.0, abs=0.6)
    assert "compare the survey, the picks, rate_hz, and the log" in found.problems[-1].message
    shown = proof_view(found.proven, unit_named("kmh"))
    assert "Proved on the ground by a drive with a log: measured +" in shown["sentence"]
    assert proof_row(found.proven)["drives"][0]["log"] == "cart.csv"
    assert shown["drives"][0]["cameras"] == "n, s"


def test_a_drive_not_seen_past_both_gates_proves_nothing():
    found = prove(*filmed(evening(2), until=9.0))
    assert found.proven is None
    assert "not seen past both gates" in found.problems[0].message


def test_a_drive_is_looked_for_at_its_own_speed_and_place():
    session, _, clips = filmed(evening(3, cameras=1))
    seen = driven(session, clips[0].clip)
    assert seen.craft.speed_mps[0] < SPEED_MPS < seen.craft.speed_mps[1] < 25.0
    assert (seen.flight_line.offset_m, seen.flight_line.height_m) == tuple(LINE_M)
    other = Clip(file="pass.mp4", camera="n")
    assert driven(session, other) is session


def test_a_filmed_drive_goes_the_whole_way(tmp_path):
    """A car at 90 km/h in a rendered clip: no pass of the craft, and it agrees with its log."""
    scene = (
        scene_text()
        .replace("clip_s = 0.9", "clip_s = 2.4")
        .replace("speed_kmh = 300.0", "speed_kmh = 90.0")
        .replace("height_m = 3.0", "height_m = 3.0\naccel_u_mps2 = [1.0, 0.2, 0.2]")
    )
    (tmp_path / "scene.toml").write_text(scene, encoding="utf-8")
    folder = tmp_path / "s"
    render_scene_file(tmp_path / "scene.toml", folder, workers=1)
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))["passes"][0]
    edit(folder / "session.toml", 'pass = "1"\n', "")
    with (folder / "session.toml").open("a", encoding="utf-8") as file:
        file.write(
            f'\n[[proof]]\nkind = "drive"\nclip = "{CLIP}"\ny_m = {truth["offset_m"]}\n'
            f'z_m = {truth["height_m"]}\nu_m = 0.05\nlog = "car.csv"\nlog_u_percent = 0.1\n'
        )
    rows = f"time_s,x_m\n50.0,0.0\n{50.0 + truth['gate_time_s']!r},40.0\n"
    (folder / "car.csv").write_text(rows, encoding="utf-8")
    found = run(folder)
    assert found.passes == () and found.proof is not None
    (drive,) = found.proof.drives
    assert drive.clips == (CLIP,) and drive.cameras == ("north",)
    assert abs(drive.normalised) < 3.0 and drive.error_u_percent < 1.0
    write_results(found)
    assert "Proved on the ground by a drive" in (folder / "results/report.html").read_text("utf-8")
    edit(folder / "session.toml", f'file = "{CLIP}"', 'track = "results/north-pass-1/track.csv"')
    edit(folder / "session.toml", f'clip = "{CLIP}"', 'clip = "results/north-pass-1/track.csv"')
    (again,) = run(folder).proof.drives
    assert again.speed_mps == pytest.approx(drive.speed_mps, rel=1e-6)
    assert [problem for problem in found.problems if problem.level == "error"] == []
