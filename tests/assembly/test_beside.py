"""A clip with sound goes the whole way: what is heard stands beside what is seen."""

from __future__ import annotations

import re
import shutil

import numpy as np
import pytest

from tests.agreement.small import a_camera, edited, filmed
from tests.bench.bench_sound import Fly, add_sound, sound_of
from vidspeed.measure import run
from vidspeed.record.columns import track_csv
from vidspeed.record.contents import heard_by_clip
from vidspeed.record.pictures import sightings_by_clip
from vidspeed.record.table import last_line
from vidspeed.session.heardfile import heard_bytes

MIDDLE_S, CLIP_S, SOUND_S = 0.5, 1.0, 1.8
AIR = "[air]\ntemperature_c = 15.0\ntemperature_u_c = 1.0\nwind_u_mps = 1.0\n\n[craft]"


def sounding(folder, speed_mps):
    """Put the sound of a craft of that speed into the session's clip."""
    fly = Fly(speed_mps, 30.0, MIDDLE_S, [1500.0, 3000.0], [22.0, 19.0], sound_mps=340.6)
    (clip,) = (folder / "clips").rglob("*.mp4")
    add_sound(clip, sound_of([fly], SOUND_S, np.random.default_rng(1)))


@pytest.fixture(scope="module")
def agreeing(tmp_path_factory):
    folder = tmp_path_factory.mktemp("sound") / "session"
    true_mps = filmed(folder, a_camera(), clip_s=CLIP_S)
    sounding(folder, true_mps)
    edited(folder, "[craft]", AIR)
    return true_mps, run(folder), folder


def test_the_sound_of_a_pass_is_a_cross_check(agreeing):
    true_mps, outcome, _ = agreeing
    (result,) = outcome.passes
    (sound,) = [row for row in result.cross_checks if row.name == "sound"]
    assert sound.speed_mps == pytest.approx(true_mps, rel=0.03)
    assert sound.speed_u_mps < 0.02 * true_mps
    assert abs(sound.e_n) < 1.0
    said = {row.name: row for row in result.checks}
    assert "closest at" in said["sound"].detail
    assert said["agreement"].status == "ok"


def test_a_sound_that_disagrees_is_loud(agreeing, tmp_path):
    true_mps, _, folder = agreeing
    other = tmp_path / "session"
    shutil.copytree(folder, other)
    sounding(other, 1.15 * true_mps)
    outcome = run(other)
    (result,) = outcome.passes
    assert result.speed_mps == pytest.approx(true_mps, rel=0.02)
    assert next(row for row in result.checks if row.name == "agreement").status == "fail"
    told = [row.message for row in outcome.problems if "likeliest" in row.message]
    assert len(told) == 1
    assert "sound says" in told[0]
    line = last_line(outcome)
    assert line.startswith("Warning: pass 1")
    assert "likeliest:" in line


def test_a_sound_takes_part_where_the_session_says_so(agreeing, tmp_path):
    """A flight line known to 2 m in 30 leaves a U95 of 4 %: its height tells something too."""
    true_mps, _, folder = agreeing
    other = tmp_path / "session"
    shutil.copytree(folder, other)
    edited(other, "[course]", "use_sound = true\n\n[course]")
    edited(other, "offset_u_m = 0.03", "offset_u_m = 2.0")
    outcome = run(other)
    (result,) = outcome.passes
    assert_the_same_without_the_clip(other, outcome)
    assert result.speed_U95_mps < 0.02 * true_mps
    assert abs(result.speed_mps - true_mps) < result.speed_U95_mps
    assert {"sound", "air"} <= {row.source for row in result.budget}
    said = {row.name: row for row in result.checks}
    assert "take part" in said["use_sound"].detail
    (sound,) = [row for row in result.cross_checks if row.name == "sound"]
    stood = re.search(r": ([0-9.]+) km/h with U95 ([0-9.]+) % before", said["use_sound"].detail)
    before_mps = float(stood[1]) / 3.6
    before_u_mps = before_mps * float(stood[2]) / 196.0
    own = 1.96 * sound.e_n * np.hypot(before_u_mps, sound.speed_u_mps)
    assert sound.speed_mps - before_mps == pytest.approx(own, rel=0.1)


def assert_the_same_without_the_clip(folder, outcome):
    """Solve again from the track and from what was heard, as results keep them."""
    (kept,) = heard_by_clip(outcome).values()
    (lights,) = sightings_by_clip(outcome).values()
    (folder / "heard.json").write_bytes(heard_bytes(kept))
    (folder / "track.csv").write_bytes(track_csv(lights))
    shutil.rmtree(folder / "clips")
    edited(folder, "[[clip]]", '[[clip]]\ntrack = "track.csv"\nheard = "heard.json"')
    again = run(folder)
    assert again.passes[0].speed_mps == pytest.approx(outcome.passes[0].speed_mps, rel=1e-9)
    assert again.passes[0].speed_u_mps == pytest.approx(outcome.passes[0].speed_u_mps, rel=1e-6)
    assert "heard.json" in {row.file for row in again.inputs}


def test_a_sound_that_contradicts_takes_no_part(agreeing, tmp_path):
    true_mps, plain, folder = agreeing
    other = tmp_path / "session"
    shutil.copytree(folder, other)
    sounding(other, 1.2 * true_mps)
    edited(other, "[course]", "use_sound = true\n\n[course]")
    (result,) = run(other).passes
    assert result.speed_mps == plain.passes[0].speed_mps
    said = {row.name: row for row in result.checks}
    assert said["use_sound"].status == "warn" and "contradicts" in said["use_sound"].detail
    assert said["agreement"].status == "fail"
