"""Passes of long clips of several cameras: found, matched, solved together, and doubts said."""

from dataclasses import replace

import numpy as np
import pytest

from tests.motion.flown import drawn_clock, evening, flown
from vidspeed.assembly.agree import by_light
from vidspeed.assembly.cameras import Cameras
from vidspeed.assembly.gather import Looked
from vidspeed.assembly.passes import seen_of, solve_passes
from vidspeed.motion.calibration import calibrate_camera
from vidspeed.motion.sift import plausible
from vidspeed.record.columns import track_csv
from vidspeed.session.tables import read_tracks
from vidspeed.values import Clip, ClipView, Sync

CLOCK_S = 1234.5  # what the south camera's clock is ahead
TIMES_S = (100.0, 141.3, 188.2, 226.9, 271.4)
SPEEDS_MPS = (101.0, -96.0, 104.0, -93.0, 98.0)


def world(seed=60, **line):
    """Return a scene and its calibrated cameras."""
    scene = evening(seed, 2, **line)
    stands = {
        entry.name: calibrate_camera(scene.session, entry, 1.0 / 60.0)
        for entry in scene.session.cameras
    }
    return scene, Cameras(stands=stands, problems=())


def fly(scene, passes, south_s=CLOCK_S):
    """Fly passes (time, speed) and return the tracks of both cameras, and the true speeds."""
    tracks, truths = ([], []), []
    clocks = [drawn_clock(entry, scene.rng) for entry in scene.session.cameras]
    north, south = (1.0 - 1e-6 * ppm for _, ppm in clocks)
    for time_s, speed_mps in passes:
        starts = (north * time_s, south * time_s + south_s)
        lit, truth = flown(scene, speed_mps=speed_mps, starts=starts, clocks=clocks)
        truths.append(truth)
        for row, own in zip(lit, tracks, strict=True):
            own.append(row.track)
    return tracks, truths


def looked(name, camera, tracks, **clip):
    entry = Clip(file=name, camera=camera, **clip)
    view = ClipView(
        clip=name, camera=camera, facts=None, brightest=None, still=None, tracks=tuple(tracks)
    )
    return Looked(clip=entry, view=view, interval_s=1.0 / 60.0, input=None, problems=())


def results_of(*session):
    solved, problems = solve_passes(*session)
    return [row.result for row in solved], problems


def without(rows, *places):
    return [row for place, row in enumerate(rows) if place not in places]


def test_two_long_clips_become_passes_of_two_cameras():
    scene, cameras = world(offset_u_m=2.0, height_u_m=1.0)
    (north, south), truths = fly(scene, zip(TIMES_S, SPEEDS_MPS, strict=True))
    clips = [
        looked("n.mp4", "n", without(north, 1)),
        looked("s.mp4", "s", without(south, 3)[::-1]),
    ]
    passes, problems = results_of(scene.session, cameras, clips)
    assert [row.label for row in passes] == ["1", "2", "3", "4", "5"]
    both, north_only, south_only = ("n.mp4", "s.mp4"), ("n.mp4",), ("s.mp4",)
    assert [row.clips for row in passes] == [both, south_only, both, north_only, both]
    assert [row.direction for row in passes] == ["forward", "reverse"] * 2 + ["forward"]
    for row, truth in zip(passes, truths, strict=True):
        assert row.speed_mps == pytest.approx(truth, abs=4.0 * row.speed_u_mps)
    together = [row.speed_u_mps for row in passes if row.clips == both]
    apart = [row.speed_u_mps for row in passes if row.clips != both]
    assert max(together) < 0.2 * min(apart)
    assert problems == []
    owners = {entry.owner for row in passes for entry in row.inputs}
    assert {owner for owner in owners if owner.startswith("pass")} == {
        f"pass {number}" for number in range(1, 6)
    }


def test_without_a_stated_line_only_passes_of_two_cameras_are_measured():
    scene, cameras = world(seed=61, offset_u_m=0.5, height_u_m=0.5)
    session = replace(scene.session, flight_line=replace(scene.line, stated=False))
    (north, south), truths = fly(scene, zip(TIMES_S[:4], SPEEDS_MPS[:4], strict=True))
    clips = [looked("n.mp4", "n", north), looked("s.mp4", "s", without(south, 3))]
    passes, problems = results_of(session, cameras, clips)
    assert [row.status for row in passes] == ["measured"] * 3 + ["none"]
    for row, truth in zip(passes, truths, strict=False):
        if row.speed_mps is not None:
            assert row.speed_mps == pytest.approx(truth, abs=4.0 * row.speed_u_mps)
    assert [problem.level for problem in problems] == ["error"]
    assert "state [flight_line]" in problems[0].message


def test_one_pass_each_is_one_pass():
    scene, cameras = world()
    (north, south), truths = fly(scene, [(10.0, 100.0)])
    clips = [looked("n.mp4", "n", north), looked("s.mp4", "s", south)]
    passes, problems = results_of(scene.session, cameras, clips)
    assert [row.clips for row in passes] == [("n.mp4", "s.mp4")]
    assert passes[0].speed_mps == pytest.approx(truths[0], abs=4.0 * passes[0].speed_u_mps)
    assert problems == []


@pytest.mark.parametrize("cameras_used", [1, 2])
def test_a_second_craft_at_the_same_time_is_a_warning_of_the_pass(cameras_used):
    scene, cameras = world()
    tracks, truths = fly(scene, [(10.0, 70.0), (10.3, -140.0)])
    clips = [
        looked(
            f"{name}.mp4",
            name,
            [replace(row, frame=np.round(60.0 * row.time_s).astype(int)) for row in own],
        )
        for name, own in zip("ns", tracks, strict=True)
    ]
    passes, problems = results_of(scene.session, cameras, clips[:cameras_used])
    assert [row.status for row in passes] == ["measured"]
    assert passes[0].speed_mps == pytest.approx(truths[0], abs=4.0 * passes[0].speed_u_mps)
    assert [row.level for row in problems] == ["warn"]
    assert "another light flew from gate to gate, too" in problems[0].message


def test_a_clip_of_a_label_that_shows_nothing_of_its_pass_is_told():
    scene, cameras = world()
    (north, _), truths = fly(scene, [(10.0, 100.0)])
    clips = [
        looked("n.mp4", "n", north, pass_label="1"),
        looked("s.mp4", "s", [], pass_label="1"),
    ]
    passes, problems = results_of(scene.session, cameras, clips)
    assert [(row.status, row.clips) for row in passes] == [("measured", ("n.mp4",))]
    assert passes[0].speed_mps == pytest.approx(truths[0], abs=4.0 * passes[0].speed_u_mps)
    assert [(row.level, row.where) for row in problems] == [("error", "s.mp4, pass 1")]
    assert "measured without this clip: no light moves along the course" in problems[0].message


def insect(track, end=140):
    """Return a track that is laid on the course like a craft's and is no flight."""
    frames = np.arange(end // 10)
    places = np.column_stack([300.0 + 90.0 * frames, 500.0 + 60.0 * np.sin(0.5 * frames)])
    some = slice(0, len(frames))
    fields = ("cov_px2", "time_u_s", "streak_px", "streak_u_px", "streak_angle_rad", "peak", "snr")
    cut = {name: getattr(track, name)[some] for name in fields}
    return replace(
        track,
        frame=frames,
        time_s=9.6 + frames / 15.0,
        xy_px=places,
        row=places[:, 1] / 1080.0,
        **cut,
    )


def test_a_camera_that_saw_an_insect_does_not_take_the_pass_from_another():
    scene, cameras = world()
    (north, south), truths = fly(scene, [(10.0, 100.0)])
    clips = [
        looked("n.mp4", "n", north, pass_label="1"),
        looked("s.mp4", "s", [insect(south[0])], pass_label="1"),
    ]
    assert plausible(scene.session, seen_of(cameras, clips[1]))
    passes, problems = results_of(scene.session, cameras, clips)
    assert [(row.status, row.clips) for row in passes] == [("measured", ("n.mp4",))]
    assert passes[0].speed_mps == pytest.approx(truths[0], abs=4.0 * passes[0].speed_u_mps)
    assert [(row.level, row.where) for row in problems] == [("error", "s.mp4, pass 1")]
    assert "measured without this clip" in problems[0].message


def test_two_passes_under_one_label_are_told_and_not_taken_for_slow_playback():
    scene, cameras = world()
    (north, south), _ = fly(scene, [(10.0, 100.0), (80.0, -90.0)])
    clips = [
        looked("n.mp4", "n", north[:1], pass_label="1"),
        looked("s.mp4", "s", south[1:], pass_label="1"),
    ]
    solved, problems = solve_passes(scene.session, cameras, clips)
    assert [row.result.status for row in solved] == ["none"]
    assert [(row.level, row.where) for row in problems] == [("error", "n.mp4, s.mp4, pass 1")]
    assert "n.mp4 a forward flight at about 3" in problems[0].message
    assert "s.mp4 a reverse flight at about 3" in problems[0].message
    assert "`pass` labels" in problems[0].message
    assert by_light(scene.session, cameras, clips, solved)[1] == []


def test_a_label_seen_by_one_camera_only_has_no_speed_where_no_line_is_stated():
    scene, cameras = world()
    session = replace(scene.session, flight_line=replace(scene.line, stated=False))
    (north, _), _ = fly(scene, [(10.0, 100.0)])
    clips = [
        looked("n.mp4", "n", north, pass_label="1"),
        looked("s.mp4", "s", [], pass_label="1"),
    ]
    passes, problems = results_of(session, cameras, clips)
    assert [(row.status, row.speed_mps) for row in passes] == [("none", None)]
    assert [(row.level, row.where) for row in problems] == [("error", "n.mp4, s.mp4, pass 1")]
    assert 'only camera "n"' in problems[0].message
    assert "state [flight_line]" in problems[0].message


def two_each(scene):
    """Return two clips a camera, each with one pass the same way, as both cameras saw them."""
    (north, south), _ = fly(scene, [(10.0, 100.0), (80.0, 101.0)])
    return [
        looked(f"{name}{number}.mp4", name, [track])
        for name, tracks in (("n", north), ("s", south))
        for number, track in enumerate(tracks, start=1)
    ]


def test_two_pairings_that_both_fit_are_reported_and_measured_alone():
    scene, cameras = world()
    passes, problems = results_of(scene.session, cameras, two_each(scene))
    assert [row.clips for row in passes] == [("n1.mp4",), ("n2.mp4",), ("s1.mp4",), ("s2.mp4",)]
    assert [problem.level for problem in problems] == ["warn"]
    assert problems[0].where == "n1.mp4, n2.mp4, s1.mp4, s2.mp4"
    assert "n1.mp4 and s1.mp4: " in problems[0].message
    assert "n1.mp4 and s2.mp4: " in problems[0].message
    assert "`pass` label" in problems[0].message


def test_labels_decide_and_leave_the_others_one_way():
    scene, cameras = world()
    clips = [
        replace(row, clip=replace(row.clip, pass_label="2"))
        if row.clip.name in ("n2.mp4", "s2.mp4")
        else row
        for row in two_each(scene)
    ]
    passes, problems = results_of(scene.session, cameras, clips)
    assert [(row.label, row.clips) for row in passes] == [
        ("1", ("n1.mp4", "s1.mp4")),
        ("2", ("n2.mp4", "s2.mp4")),
    ]
    assert problems == []


def test_an_event_decides():
    scene, cameras = world()
    flash = Sync(
        clips=("n1.mp4", "s1.mp4"),
        time_s=np.array([5.0, 5.0 + CLOCK_S]),
        time_u_s=np.array([0.005, 0.005]),
    )
    clips = two_each(scene)
    session = replace(scene.session, syncs=(flash,), clips=tuple(row.clip for row in clips))
    passes, problems = results_of(session, cameras, clips)
    assert [row.clips for row in passes] == [("n1.mp4", "s1.mp4"), ("n2.mp4", "s2.mp4")]
    assert problems == []


def test_what_no_one_flight_explains_is_not_forced_together():
    # The cameras saw flights of one speed, 12 m apart in height; the line is known to 0.3 m.
    scene, cameras = world(offset_u_m=0.3, height_u_m=0.3, climb_u_m=0.1)
    (north, _), _ = fly(scene, [(10.0, 100.0)])
    (_, south), _ = fly(scene, [(10.0, 100.0)])
    lifted = replace(south[0], xy_px=south[0].xy_px - np.array([0.0, 60.0]))
    clips = [looked("n.mp4", "n", north), looked("s.mp4", "s", [lifted])]
    passes, problems = results_of(scene.session, cameras, clips)
    assert sorted(row.clips for row in passes) == [("n.mp4",), ("s.mp4",)]
    assert [problem.level for problem in problems] == ["warn"]
    assert "no one flight explains both" in problems[0].message


def test_flights_opposite_ways_are_measured_alone_and_it_is_said():
    scene, cameras = world()
    (north, _), _ = fly(scene, [(10.0, 100.0)])
    (_, south), _ = fly(scene, [(10.0, -100.0)])
    clips = [looked("n.mp4", "n", north), looked("s.mp4", "s", south)]
    passes, problems = results_of(scene.session, cameras, clips)
    assert len(passes) == 2
    assert "no pass of one camera fits one of another" in problems[0].message


def test_clips_that_should_hold_no_pass():
    scene, cameras = world()
    (north, _), _ = fly(scene, [(10.0, 100.0)])
    empty = looked("n.mp4", "n", [], expect_none=True)
    assert solve_passes(scene.session, cameras, [empty]) == ([], [])
    passes, problems = results_of(
        scene.session, cameras, [looked("n.mp4", "n", north, expect_none=True)]
    )
    assert len(passes) == 1
    assert 'expect = "none"' in problems[0].message
    passes, problems = results_of(scene.session, cameras, [looked("n.mp4", "n", [])])
    assert [row.status for row in passes] == ["none"]
    assert [problem.level for problem in problems] == ["error"]


def test_long_clips_solve_again_from_their_track_files(tmp_path):
    scene, cameras = world(offset_u_m=2.0, height_u_m=1.0)
    (north, south), _ = fly(scene, zip(TIMES_S, SPEEDS_MPS, strict=True))
    clips = [looked("n.mp4", "n", north), looked("s.mp4", "s", south)]
    before, _ = results_of(scene.session, cameras, clips)
    archived = []
    for row, order in zip(clips, (0, 1), strict=True):
        path = tmp_path / f"{row.clip.camera}.csv"
        path.write_bytes(track_csv([(each.label, each.sightings[order]) for each in before]))
        tracks = read_tracks(path, height_px=1080)
        archived.append(looked(row.clip.name, row.clip.camera, tracks))
    after, problems = results_of(scene.session, cameras, archived)
    assert problems == []
    for one, other in zip(before, after, strict=True):
        assert other.speed_mps == pytest.approx(one.speed_mps, abs=1e-9)
        assert other.speed_u_mps == pytest.approx(one.speed_u_mps, abs=1e-9)
