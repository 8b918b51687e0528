"""One flight recorded in many ways gives one speed; a clip that plays slowly gives none.

The whole road through files. Full counts: tests/bench/recorded_kinds.py.
"""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest

from vidspeed.clip.write import even_stamps, write_clip
from vidspeed.measure import run
from vidspeed.render.clip import render_frames
from vidspeed.render.draw import draw_world
from vidspeed.values import Craft

from .small import a_camera, a_scene, edited, filmed

SAME = 1.2e-3  # of the speed: lights of different frames, encoded

WAYS = {
    "uneven": {"stamps": "uneven"},
    "dropped": {"dropped": 0.1},
    "repeated": {"repeated": 0.1},
    "slow": {"rate_hz": Fraction(120), "stored_rate_hz": Fraction(30), "exposure_s": 0.003},
    "long": {"exposure_s": 0.014},
}


@pytest.mark.parametrize("way", WAYS)
def test_one_flight_recorded_in_many_ways_has_one_speed(tmp_path, way):
    truth = filmed(tmp_path / "day", a_camera(**WAYS[way]))
    outcome = run(tmp_path / "day")
    (result,) = outcome.passes
    assert result.status == "measured"
    assert result.speed_mps == pytest.approx(truth, rel=SAME)
    assert abs(result.speed_mps - truth) < 2.0 * result.speed_u_mps
    told = {check.name: check.status for check in result.checks}
    assert told["exposure"] == told["frames"] == "ok"
    assert [row.name for row in result.cross_checks] == ["streak"]
    assert abs(result.cross_checks[0].e_n) < 1.0


def test_an_exposure_that_changes_is_seen_and_carried(tmp_path):
    filming = a_camera(exposure_s=0.003, exposure_to_s=0.015, unstated=frozenset({"exposure"}))
    truth = filmed(tmp_path / "day", filming)
    (result,) = run(tmp_path / "day").passes
    check = {check.name: check for check in result.checks}["exposure"]
    assert check.status == "warn" and "changes during the pass" in check.detail
    (row,) = [row for row in result.budget if row.source == "exposure"]
    off = abs(result.speed_mps - truth)
    assert 0.6 < off / row.contribution_mps < 1.8  # stamps name the start: 1/2 over root 1/6
    low, high = result.interval95_mps
    assert low < truth < high


def test_the_nominal_rate_for_the_true_one_is_a_thousandth_too_fast(tmp_path):
    """30 for 30000/1001 (ITU-R BT.601 practice): a speed wrong by exactly 1001/1000."""
    filmed(tmp_path / "day", a_camera(rate_hz=Fraction(30000, 1001), exposure_s=0.004))
    (right,) = run(tmp_path / "day").passes
    edited(tmp_path / "day", "[[clip]]\n", "[[clip]]\nrate_hz = 30.0\n")
    (wrong,) = run(tmp_path / "day").passes
    assert wrong.speed_mps / right.speed_mps == pytest.approx(1001.0 / 1000.0, abs=2e-5)


SLOW = {"rate_hz": Fraction(120), "stored_rate_hz": Fraction(30), "exposure_s": 0.004}


def untold(folder, rate_hz="120.0"):
    edited(folder, f"rate_hz = {rate_hz}\n", "")
    outcome = run(folder)
    assert [row.speed_mps for row in outcome.passes] == [None]
    return [row.message for row in outcome.problems if row.level == "error"]


def test_slow_playback_whose_speed_no_craft_has_is_asked_for_its_rate(tmp_path):
    filmed(tmp_path / "day", a_camera(**SLOW, unstated=frozenset({"exposure"})))
    (message,) = [row for row in untold(tmp_path / "day") if "at the clip's stamps" in row]
    assert "give it rate_hz, its capture rate (" in message and " 120 " in message
    assert "times too slow" in message
    edited(tmp_path / "day", 'pass = "1"', 'expect = "none"')
    outcome = run(tmp_path / "day")
    assert not any("times too slow" in row.message for row in outcome.problems)


def test_slow_playback_whose_speed_a_craft_could_have_is_told_by_its_exposure(tmp_path):
    twice = {"rate_hz": Fraction(60), "stored_rate_hz": Fraction(30), "exposure_s": 0.006}
    truth = filmed(tmp_path / "day", a_camera(**twice), speed_kmh=420.0)
    (message,) = untold(tmp_path / "day", "60.0")
    assert "exposure_ms says 6 ms" in message and "give the clip rate_hz" in message
    assert "60 would fit" in message and "or 30 if its stamps are right" in message
    edited(tmp_path / "day", "[[clip]]\n", "[[clip]]\nrate_hz = 30.0\n")
    (result,) = run(tmp_path / "day").passes  # rate_hz decides, and the exposure is then at odds
    assert result.speed_mps == pytest.approx(truth / 2.0, rel=SAME)
    check = {check.name: check for check in result.checks}["exposure"]
    assert check.status == "warn" and "not as stated (6.00 ms)" in check.detail


def test_something_slow_is_no_craft_where_the_exposure_confirms_the_stamps(tmp_path):
    fast = Craft(name="Skein 2", speed_mps=(350 / 3.6, 700 / 3.6))
    filmed(tmp_path / "day", a_camera(exposure_s=0.015), speed_kmh=130.0, clip_s=1.7, craft=fast)
    outcome = run(tmp_path / "day")
    assert [row.speed_mps for row in outcome.passes] == [None]
    assert not any("times too slow" in row.message for row in outcome.problems)


def test_streaks_with_a_gap_are_merged_exposures_and_no_slow_playback(tmp_path):
    truth = filmed(tmp_path / "day", a_camera(exposure_s=0.0015, merged=2, merge_s=0.012))
    (result,) = run(tmp_path / "day").passes
    check = {check.name: check for check in result.checks}["frames"]
    assert check.status == "warn" and "the streaks have gaps" in check.detail
    assert result.cross_checks == ()  # such streaks are no measure of the speed
    assert result.speed_mps == pytest.approx(truth, rel=SAME)


def test_a_clip_whose_middle_plays_slowly_gives_no_speed(tmp_path):
    """Filmed at 120 and stored at 30: all frames of the middle, every fourth before and after."""
    filming = a_camera(rate_hz=Fraction(120), exposure_s=0.004, unstated=frozenset({"exposure"}))
    filmed(tmp_path / "day", filming)
    take = draw_world(a_scene(filming)).takes[0]
    frames = np.arange(len(take.plan.captured_s))
    kept = frames[(frames % 4 == 0) | (abs(frames - len(frames) / 2) < 12)]
    pictures = list(render_frames(filming, [take.flight], take.plan, seed=3))
    path = tmp_path / "day" / take.file()
    write_clip(path, [pictures[k] for k in kept], stamps=even_stamps(len(kept), 30), crf=18)
    outcome = run(tmp_path / "day")
    assert [row.speed_mps for row in outcome.passes] == [None]
    assert any("at once, which no craft can" in row.message for row in outcome.problems)
