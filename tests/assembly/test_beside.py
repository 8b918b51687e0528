"""A clip with sound goes the whole way: what is heard stands beside what is seen."""

from __future__ import annotations

import shutil

import numpy as np
import pytest

from tests.agreement.small import a_camera, edited, filmed
from tests.bench.bench_sound import Fly, add_sound, sound_of
from vidspeed.measure import run
from vidspeed.record.table import last_line

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
