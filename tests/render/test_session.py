"""A rendered session is one that the reader takes, and its truth is the same every time."""

from __future__ import annotations

import json
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest

from vidspeed.errors import SceneError
from vidspeed.render.flight import true_speed_mps
from vidspeed.render.picture import seen_at
from vidspeed.render.scene import pose_of
from vidspeed.render.session import render_scene_file, render_session
from vidspeed.session.read import read_session
from vidspeed.session.tables import read_tracks

from .small import camera, flight, scene

TOML = """
title = "Trial"
seed = 4
clip_s = 0.2
[course]
length_m = 80.0
length_u_m = 0.02
[flight_line]
offset_u_m = 0.3
height_m = 4.0
height_u_m = 0.3
[[camera]]
name = "north"
position_m = [40.0, -60.0, 1.7]
aim_m = [40.0, 0.0, 4.0]
image_size_px = [160, 90]
focal_px = 120.0
focal_u_px = 1.0
rate_hz = 30
exposure_ms = 2.0
[[pass]]
direction = "forward"
speed_kmh = 300.0
"""
MARKERS = "".join(
    f'[[marker]]\nname = "m{i}"\nxyz_m = [{x}, {y}, {z}]\nu_m = 0.02\n'
    for i, (x, y, z) in enumerate([(0, 0, 0), (80, 0, 0), (0, 8, 2), (80, 8, 2), (40, 5, 1)])
)


def test_the_reader_takes_a_rendered_session(tmp_path):
    made = scene(cameras=(camera(readout_s=0.012, readout_u_s=0.002, position_u_m=0.1),))
    truth = render_session(made, tmp_path)
    session = read_session(tmp_path)
    assert [clip.pass_label for clip in session.clips] == ["1", "2"]
    assert all((tmp_path / clip.file).stat().st_size > 1000 for clip in session.clips)
    assert session.course.length_m == 80.0
    assert session.flight_line.offset_m == 0.5
    assert session.flight_line.drift_u_m == 0.2
    assert session.cameras[0].position_u_m == 0.1
    assert session.clips[0].exposure_s == pytest.approx(0.002)
    assert {marker.name for marker in session.markers} == {f"m{i}" for i in range(6)}
    assert len(session.cameras[0].picks) >= 5
    assert [item.direction for item in truth.passes] == ["forward", "reverse"]


def test_stated_figures_differ_from_the_truth_by_what_was_drawn(tmp_path):
    render_session(scene(), tmp_path / "drawn", bare_u_px=0.1)
    render_session(scene(disturb=frozenset()), tmp_path / "exact", bare_u_px=0.1)
    drawn, exact = (read_session(tmp_path / name) for name in ("drawn", "exact"))
    assert exact.cameras[0].lens.parameters[0] == 240.0
    assert drawn.cameras[0].lens.parameters[0] != 240.0
    np.testing.assert_allclose(exact.markers[3].xyz_m, [80.0, 8.0, 2.0])
    assert not np.allclose(drawn.markers[3].xyz_m, [80.0, 8.0, 2.0], atol=1e-4)


def test_a_lens_with_more_than_k1_gets_a_lens_file(tmp_path):
    lens = np.array([240.0, 241.0, 159.5, 89.5, -0.02, 0.01, 0.001, 0.0, 0.0])
    made = scene(cameras=(camera(lens=lens),), disturb=frozenset())
    render_session(made, tmp_path, bare_u_px=0.1)
    read = read_session(tmp_path).cameras[0].lens
    np.testing.assert_allclose(read.parameters, lens)
    assert read.file == "lens-north.json"


def test_what_is_unstated_is_left_out(tmp_path):
    keys = frozenset({"focal", "centre", "k1", "readout", "exposure", "clock"})
    render_session(scene(cameras=(camera(unstated=keys),)), tmp_path, bare_u_px=0.1)
    session = read_session(tmp_path)
    assert session.cameras[0].lens.focal_free
    assert session.cameras[0].readout_s is None
    assert session.clips[0].exposure_s is None


def test_bare_tracks_are_the_true_places_with_the_stated_noise(tmp_path):
    filming = camera(rate_hz=Fraction(240), readout_s=0.01)
    made = scene(cameras=(filming,), clip_s=0.6, disturb=frozenset())
    render_session(made, tmp_path, bare_u_px=0.2)
    session = read_session(tmp_path)
    (track,) = read_tracks(tmp_path / session.clips[0].track, height_px=180)
    assert 100 < len(track) <= 144
    np.testing.assert_allclose(track.row, track.xy_px[:, 1] / 180.0, atol=0.02)
    bend = np.diff(track.xy_px, n=2, axis=0)
    assert bend.std(axis=0) == pytest.approx(0.2 * np.sqrt(6.0), rel=0.25)


def test_the_same_scene_gives_the_same_truth_and_files(tmp_path):
    for name in ("a", "b"):
        render_session(scene(), tmp_path / name)
    files = sorted(path.relative_to(tmp_path / "a") for path in (tmp_path / "a").rglob("*.*"))
    assert len(files) == 6
    for file in files:
        assert (tmp_path / "a" / file).read_bytes() == (tmp_path / "b" / file).read_bytes()
    other = render_session(scene(seed=6), tmp_path / "c", bare_u_px=0.1)
    known = json.loads((tmp_path / "a" / "truth.json").read_text(encoding="utf-8"))
    assert other.passes[0].speed_mps != known["passes"][0]["speed_mps"]


def test_two_processes_film_what_one_does(tmp_path):
    seen = []
    render_session(scene(), tmp_path / "one")
    render_session(scene(), tmp_path / "two", workers=2, progress=lambda *step: seen.append(step))
    assert seen == [("rendering", done, 2) for done in (0, 1, 2)]
    for name in ("clips/north/pass-1.mp4", "clips/north/pass-2.mp4", "truth.json"):
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes()


def test_the_truth_is_that_of_the_path(tmp_path):
    filming = camera(readout_s=0.012, clock_ppm=40.0)
    truth = render_session(scene(cameras=(filming,)), tmp_path, bare_u_px=0.1)
    rows = json.loads((tmp_path / "truth.json").read_text(encoding="utf-8"))
    for item, row in zip(truth.passes, rows["passes"], strict=True):
        assert row["speed_mps"] == item.speed_mps
        expected = (1.0 + truth.scale_error) * 80.0 / item.gate_time_s
        assert item.speed_mps == pytest.approx(expected, rel=1e-14)
        clip = item.clips[0]
        between = (clip.time_out_s - clip.time_in_s) * (1.0 + 40e-6)
        assert between == pytest.approx(item.gate_time_s, abs=2e-4)  # rows of the two gates
    assert abs(truth.scale_error) > 1e-6


def test_crossing_stamps_put_the_light_on_the_gate(tmp_path):
    filming = camera(
        position_m=np.array([40.0, -80.0, 1.7]), readout_s=0.02, exposure_s=0.004, clock_ppm=0.0
    )
    still = replace(scene().flight_line, weave_u_m=0.0)
    one = scene(cameras=(filming,), disturb=frozenset(), flight_line=still, clip_s=1.2)
    truth = render_session(one, tmp_path, bare_u_px=0.001)
    (track,) = read_tracks(tmp_path / "tracks" / "north" / "pass-1.csv", height_px=180)
    flown = flight(speed_mps=110.0, mean_m=(0.5, 4.0))
    assert true_speed_mps(flown, 0.0) == pytest.approx(truth.passes[0].speed_mps)
    gates_px = seen_at(filming, pose_of(filming), flown, flown.gates_s)[:, 0]
    clip = truth.passes[0].clips[0]
    for stamp, gate_px in zip((clip.time_in_s, clip.time_out_s), gates_px, strict=True):
        assert track.time_s[0] < stamp < track.time_s[-1]
        assert np.interp(stamp, track.time_s, track.xy_px[:, 0]) == pytest.approx(gate_px, abs=0.02)


def test_a_session_that_somebody_wrote_is_not_overwritten(tmp_path):
    path = tmp_path / "scene.toml"
    path.write_text(TOML + MARKERS, encoding="utf-8")
    (tmp_path / "session.toml").write_text("title = 'mine'", encoding="utf-8")
    with pytest.raises(SceneError, match="not rendered"):
        render_scene_file(path)
    assert "mine" in (tmp_path / "session.toml").read_text(encoding="utf-8")
    truth = render_scene_file(path, tmp_path / "out")
    assert render_scene_file(path, tmp_path / "out").passes[0].speed_mps == (
        truth.passes[0].speed_mps
    )
    assert (tmp_path / "out" / "clips" / "north" / "pass-1.mp4").exists()
