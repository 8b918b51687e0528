"""A camera that moved since its reference still, and clips that no fixed camera filmed."""

import json
import shutil
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from tests.tiny import CLIP, command, edit, scene_text
from vidspeed.assembly import fixed as room
from vidspeed.assembly.cameras import calibrate_all
from vidspeed.assembly.reading import read_session
from vidspeed.clip.still import still, write_still
from vidspeed.errors import ClipError
from vidspeed.geometry.course import drawing
from vidspeed.geometry.steady import Steadiness
from vidspeed.geometry.turned import carried
from vidspeed.measure import run
from vidspeed.record.pictures import course_of
from vidspeed.render.session import render_scene_file
from vidspeed.values import Camera, ClipView, Lens, Movement, Pick, Sway

LENS = np.array([280.0, 280.0, 239.5, 134.5, 0, 0, 0, 0, 0])
PLACES = np.array([[40.0, 40.0], [440.0, 50.0], [60.0, 230.0], [420.0, 220.0]])


def camera(**more):
    lens = Lens(image_size_px=(480, 270), parameters=LENS, factor=np.zeros((9, 0)), names=())
    picks = tuple(Pick(name=f"M{k}", xy_px=place, u_px=0.5) for k, place in enumerate(PLACES))
    return Camera(
        name="north", image_size_px=(480, 270), lens=lens, picks=picks, readout_s=0.0,
        readout_u_s=0.0, clock_u_ppm=50.0, reference="still.png", **more,
    )  # fmt: skip


def movement(shift=(0.0, 0.0), zoom=1.0, u=0.05):
    spread = np.diag([u, u, u / 200.0, u / 200.0]) ** 2
    return Movement(
        shift_px=np.array(shift), turn_rad=0.0, zoom=zoom, covariance=spread, method="lamps",
        matches=7, rms_px=0.1,
    )  # fmt: skip


def test_less_than_half_a_pixel_is_carried_and_not_corrected():
    moved, said = room._carried("a.mp4", camera(), movement((0.3, 0.2)), LENS)
    assert (moved.shift_px, moved.turn_rad, moved.zoom, said) == ((0.0, 0.0), 0.0, 1.0, [])
    assert 0.36 < moved.u_px < 0.6  # a wide lens: more away from the middle


def test_more_than_half_a_pixel_is_corrected_and_said():
    moved, said = room._carried("a.mp4", camera(), movement((4.0, -1.0)), LENS)
    assert moved.shift_px == (4.0, -1.0)
    assert moved.u_px < 0.12
    assert "4.00 px right and 1.00 px up" in said[0].message
    assert "zoomed" not in said[0].message


def test_a_small_change_of_focus_is_corrected_and_named():
    moved, said = room._carried("a.mp4", camera(), movement(zoom=1.006), LENS)
    assert moved.zoom == 1.006
    assert "zoomed or focused anew by +0.60 %" in said[0].message


@pytest.mark.parametrize(
    ("found", "words"),
    [
        (movement((9.0, 0.0), u=1.5), "9"),
        (movement((40.0, 0.0)), "4"),
        (movement(zoom=1.03), "the lens was zoomed or focused anew"),
    ],
)
def test_what_cannot_be_corrected_is_refused_with_the_shift(found, words):
    with pytest.raises(ClipError, match="px off") as refused:
        room._carried("a.mp4", camera(), found, LENS)
    assert words in str(refused.value)
    assert "new [[camera]] entry" in str(refused.value)


def test_a_rough_match_is_carried_and_said():
    moved, said = room._carried("a.mp4", camera(), movement((1.0, 0.0), u=1.2), LENS)
    assert moved.shift_px == (0.0, 0.0)
    assert moved.u_px > 1.2
    assert "leave more fixed lamps" in said[0].message


@pytest.mark.parametrize(
    ("verdict", "at_s", "words"),
    [
        ("jumps", 1.25, "jumps by 3.2 px at 1.25 s"),
        ("drifts", None, "drifts by 3.2 px"),
        ("bent", None, "differently in the corners"),
        ("wanders", None, "wanders 3.2 px"),
        ("wanders", 0.5, "out of sight at 0.50 s"),
    ],
)
def test_a_clip_of_no_fixed_camera_is_refused_with_what_to_do(verdict, at_s, words):
    judged = Steadiness(verdict=verdict, size_px=3.2, at_s=at_s, rms_px=1.0)
    assert words in room._refusal(judged)
    assert "turn video stabilisation off" in room._refusal(judged)


def test_shaking_of_a_few_lamps_names_stabilisation_too():
    judged = Steadiness(verdict="shaken", size_px=1.2, at_s=None, rms_px=1.2)
    assert room.STABILISATION in room._shaken("a.mp4", judged, few=True).message
    assert room.STABILISATION not in room._shaken("a.mp4", judged, few=False).message


def test_a_clip_that_shows_no_background_says_so():
    nothing = Sway(
        time_s=np.arange(90) / 60.0, places_px=np.empty((0, 2)), away_px=np.empty((90, 0, 2)),
        replaced=np.zeros(90),
    )  # fmt: skip
    stand, fit = SimpleNamespace(camera=camera()), SimpleNamespace(lens=LENS)
    stand.camera = replace(stand.camera, reference=None)
    found = room.fixed(None, "a.mp4", stand, fit, SimpleNamespace(sway=nothing))
    (said,) = found.problems
    assert (said.level, said.where, found.shake_px) == ("warn", "a.mp4", 0.0)
    assert "to tell whether the camera stood still" in said.message


@pytest.mark.parametrize(("size_px", "words"), [(0.1, 0), (1.0, 1)])
def test_a_little_shaking_is_taken_out_without_a_word(size_px, words):
    time_s = np.arange(120) / 60.0
    places = np.random.default_rng(1).uniform([50.0, 50.0], [1200.0, 650.0], (9, 2))
    wave = size_px * np.column_stack([np.sin(12.0 * time_s), np.cos(9.0 * time_s)])
    sway = Sway(
        time_s=time_s, places_px=places, away_px=wave[:, None].repeat(9, axis=1),
        replaced=np.zeros(120),
    )  # fmt: skip
    stand, fit = (
        SimpleNamespace(camera=replace(camera(), reference=None)),
        SimpleNamespace(lens=LENS),
    )
    found = room.fixed(None, "a.mp4", stand, fit, SimpleNamespace(sway=sway))
    assert (found.shake_px > 0.0, len(found.problems)) == (True, words)


@pytest.fixture(scope="module")
def bumped(tmp_path_factory):
    """Render two clips of one evening, a bump of the camera between them; no one may write."""
    base = tmp_path_factory.mktemp("bumped")
    text = scene_text().replace("lamp_signal = 6.0", "lamp_signal = 6.0, marker_signal = 0.9")
    after = text.replace("aim_m = [20.0, 0.0, 3.0]", "aim_m = [20.6, 0.0, 3.4]").replace(
        "position_m", "roll_deg = 0.8\nposition_m"
    )
    for name, scene in (("before", text), ("after", after)):
        (base / f"{name}.toml").write_text(scene, encoding="utf-8")
        render_scene_file(base / f"{name}.toml", base / name, workers=1)
    return base


def speed(folder):
    said = command("run", folder)
    assert said.status == 0, said.err
    return json.loads((folder / "results" / "summary.json").read_text(encoding="utf-8"))


@pytest.mark.usefixtures("undrawn")
def test_a_bumped_camera_measures_as_before_and_its_archive_too(bumped, tmp_path):
    session = shutil.copytree(bumped / "before", tmp_path / "session")
    write_still(session / "still.png", still(session / CLIP, at_s=None))
    edit(session / "session.toml", "picks = ", 'reference = "still.png"\npicks = ')
    straight = speed(session)["passes"][0]
    shutil.copy(bumped / "after" / CLIP, session / CLIP)
    summary = speed(session)
    turned = summary["passes"][0]
    assert any("the camera moved since still.png" in row["message"] for row in summary["problems"])
    assert turned["speed_mps"] == pytest.approx(straight["speed_mps"], rel=1e-3)
    assert turned["speed_u_mps"] == pytest.approx(straight["speed_u_mps"], rel=0.05)
    track = next((session / "results").glob("*/track.csv"))
    shutil.copy(track, session / "kept.csv")
    edit(session / "session.toml", f'file = "{CLIP}"', 'track = "kept.csv"')
    again = speed(session)["passes"][0]
    assert again["speed_mps"] == pytest.approx(turned["speed_mps"], rel=1e-9)
    assert again["speed_u_mps"] == pytest.approx(turned["speed_u_mps"], rel=1e-6)


def test_the_course_is_drawn_where_the_moved_camera_saw_it(bumped, tmp_path):
    """Beside the markers' lamps of that clip, as a camera calibrated after the bump draws it."""
    session = shutil.copytree(bumped / "before", tmp_path / "session")
    write_still(session / "still.png", still(session / CLIP, at_s=None))
    edit(session / "session.toml", "picks = ", 'reference = "still.png"\npicks = ')
    shutil.copy(bumped / "after" / CLIP, session / CLIP)
    outcome = run(session)
    own = course_of(outcome, outcome.filmed[0].lane)
    afresh = read_session(bumped / "after")
    _, fit = calibrate_all(afresh).stands["north"]
    truth = drawing(afresh.course, afresh.flight_line, fit.pose, fit.lens)
    for line, there in zip((own.course_line_px, *own.gates_px),
                           (truth.course_line_px, *truth.gates_px), strict=True):  # fmt: skip
        assert np.abs(line - there).max() < 1.5
    before = outcome.drawing["north"]
    assert np.abs(before.course_line_px - truth.course_line_px).min(axis=0).max() > 4.0


def test_clips_of_one_camera_are_held_against_each_other(bumped):
    session = read_session(bumped / "before")
    fits = [fit for _, fit in calibrate_all(session).stands.values()]
    views = [
        ClipView(
            clip=f"{name}.mp4", camera="north", facts=None, brightest=None, tracks=(),
            still=still(bumped / name / CLIP, at_s=None),
        )
        for name in ("before", "after")
    ]  # fmt: skip
    said = room.between_clips(session, fits, views)
    assert [row.where for row in said] == ["after.mp4"]
    assert "moved between before.mp4 and this clip" in said[0].message
    assert room.between_clips(session, fits, [views[0], replace(views[0], clip="b.mp4")]) == []


def test_the_picks_follow_the_picture(bumped):
    session = read_session(bumped / "before")
    stand, fit = calibrate_all(session).stands["north"]
    before, after = (still(bumped / name / CLIP, at_s=None) for name in ("before", "after"))
    found = room.movement(before, after, fit.lens)
    moved, _ = room._carried("a.mp4", replace(stand.camera, reference="s.png"), found, fit.lens)
    own, own_fit = room.moved_stand(session, stand, fit, moved)
    place = np.array([pick.xy_px for pick in stand.camera.picks])
    there = np.array([pick.xy_px for pick in own.camera.picks])
    assert there == pytest.approx(carried(place, moved.unknowns(), fit.lens))
    ahead = own.pose.camera_from_course @ stand.pose.camera_from_course.T
    assert np.degrees(np.arccos(ahead[2, 2])) == pytest.approx(1.37, abs=0.1)
    assert own_fit.rms_px == pytest.approx(fit.rms_px, abs=0.2)
