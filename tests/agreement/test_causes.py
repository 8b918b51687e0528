"""What disagrees, whether chance may do it, and what is named first."""

import re
from dataclasses import replace

import numpy as np
import pytest

from tests.motion.flown import evening, solved
from vidspeed.agreement.alone import alone, apart
from vidspeed.agreement.causes import Beside, by_range, causes, independent
from vidspeed.agreement.verdict import compared, fail_limit, judged
from vidspeed.motion.account import account
from vidspeed.motion.budget import covariance
from vidspeed.values import Clip


def passed(seed, cameras=1, **line):
    scene = evening(seed, cameras=cameras, **line)
    flown = solved(scene)
    clips = {
        row.clip: Clip(file=row.clip, camera=row.stand.camera.name) for row in flown.flight.lit
    }
    result = account(scene.session, flown.flight, list(clips.values()), "1")
    return scene, flown, clips, result


@pytest.fixture(scope="module")
def one():
    return passed(3, offset_u_m=0.3, height_u_m=0.3)[3]


def moved(result, share):
    """Return a pass whose speed is wrong by a share."""
    return replace(result, speed_mps=result.speed_mps * (1.0 + share))


def streak(result, true_mps, u=0.01):
    """Return what the streaks say: they go with the pass, but for the clip's clock."""
    return Beside(
        name="streak", speed_mps=true_mps, speed_u_mps=u * true_mps,
        away_mps=true_mps - result.speed_mps, own_u_mps=u * true_mps,
        by_rate_mps=result.speed_mps, own_words="exposure_ms",
    )  # fmt: skip


def test_a_difference_to_an_independent_figure_has_both_uncertainties(one):
    row = independent(one, "sound", one.speed_mps + 1.0, 0.8)
    assert row.u_mps == pytest.approx(np.hypot(one.speed_u_mps, 0.8), rel=1e-6)
    check = compared(one, row)
    assert check.e_n == pytest.approx(1.0 / (1.96 * row.u_mps), rel=0.1)


def test_a_wrong_capture_rate_is_named_first_and_how_wrong(one):
    wrong = moved(one, 0.10)
    rows = [
        independent(wrong, "sound", one.speed_mps, 0.01 * one.speed_mps),
        streak(wrong, one.speed_mps, 0.02),
    ]
    first = causes(wrong, rows, "a.mp4")[0]
    assert first.kind == "rate"
    assert "a.mp4" in first.words
    assert "9.1 % fewer" in first.words


def test_a_wrong_flight_line_is_named_first_and_how_wrong(one):
    offset = sum(
        value**2
        for entry, value in zip(one.inputs, one.sensitivities_mps, strict=True)
        if entry.source == "flight-line offset"
    )
    wrong = replace(one, speed_mps=one.speed_mps + 4.0 * float(np.sqrt(offset)))
    rows = [
        independent(wrong, "sound", one.speed_mps, 0.005 * one.speed_mps),
        streak(wrong, wrong.speed_mps, 0.01),
    ]
    first = causes(wrong, rows, "a.mp4")[0]
    assert first.kind == "flight-line offset"
    assert "1.2 m (4.0 of its u)" in first.words


def test_the_distance_by_the_sound_tells_a_flight_line_from_a_capture_rate(one):
    """Without streaks either would do; only a flight line is also too near or too far."""
    wrong = moved(one, 0.04)
    sound = independent(wrong, "sound", one.speed_mps, 0.01 * one.speed_mps)
    for ratio, kind in ((1.0 / 1.04, "flight-line offset"), (1.0, "rate")):
        rows = by_range(wrong, sound, ratio, 0.01, 0.6)
        assert causes(wrong, rows, "a.mp4")[0].kind == kind


def test_a_distance_that_disagrees_warns_where_the_speed_alone_would_not(one):
    sound = independent(one, "sound", one.speed_mps, 0.02 * one.speed_mps)
    rows = by_range(one, sound, 1.1, 0.01, 0.0)
    checked = replace(one, cross_checks=(compared(one, rows[0]),))
    said, told = judged(checked, rows, 2)
    assert said.checks[-1].status == "fail"
    assert "the distance by the sound says +10 %" in told[0].message
    assert judged(checked, by_range(one, sound, 1.005, 0.01, 0.0), 2)[1] == []


def test_what_would_have_to_be_wrong_beyond_belief_is_not_named(one):
    """Chance alone does it once in twenty: whatever hardly moves the speed is no cause of that."""
    u = float(np.hypot(one.speed_u_mps, 0.01 * one.speed_mps))
    sound = independent(one, "sound", one.speed_mps + 2.2 * u, 0.01 * one.speed_mps)
    found = causes(one, [sound], "a.mp4")
    times = [re.search(r"([\d.]+) (?:of its u|times what)", row.words) for row in found]
    assert [row.kind for row in found] == ["flight-line offset", "acceleration"]
    assert all(said and 1.0 < float(said[1]) < 10.0 for said in times)
    little = independent(one, "sound", one.speed_mps + 0.5 * u, 0.01 * one.speed_mps)
    assert causes(one, [little], "a.mp4") == []


def test_a_log_that_lags_is_named_first(one):
    sound = independent(one, "sound", one.speed_mps, 0.01 * one.speed_mps)
    log = independent(one, "log", 0.95 * one.speed_mps, 0.003 * one.speed_mps)
    log = replace(log, own_words="the log lags by 0.5 s", lag_s=0.5)
    assert causes(one, [sound, log], "a.mp4")[0].kind == "log"


def test_more_comparisons_allow_more(one):
    assert fail_limit(1) < fail_limit(10) < fail_limit(1000) < 3.0
    row = independent(one, "sound", one.speed_mps + 1.5 * 1.96 * one.speed_u_mps, 1e-3)
    checked = replace(one, cross_checks=(compared(one, row),))
    alone_, told = judged(checked, [row], 1)
    many, _ = judged(checked, [row], 400)
    assert alone_.checks[-1].name == many.checks[-1].name == "agreement"
    assert (alone_.checks[-1].status, many.checks[-1].status) == ("fail", "warn")
    assert "likeliest first" in told[0].message
    fine, silent = judged(
        replace(one, cross_checks=(compared(one, independent(one, "sound", one.speed_mps, 1.0)),)),
        [],
        1,
    )
    assert fine.checks[-1].status == "ok"
    assert silent == []


def test_each_camera_alone_shares_all_that_it_rests_on():
    scene, flown, clips, both = passed(5, cameras=2)
    rows = alone(scene.session, flown.flight, both, clips)
    assert [row.name for row in rows] == ["camera n", "camera s"]
    for row in rows:
        assert row.u_mps**2 == pytest.approx(row.speed_u_mps**2 - both.speed_u_mps**2, rel=0.02)
        assert abs(row.away_mps) < 4.0 * row.u_mps
    assert covariance([both])[1][0, 0] == pytest.approx(both.speed_u_mps**2)


def test_one_camera_has_no_other(one):
    scene, flown, clips, result = passed(5, cameras=1)
    assert alone(scene.session, flown.flight, result, clips) == []


def test_the_inputs_of_a_difference_keep_their_order():
    """Sums over them are the same to the last bit in every process; over a set they were not."""
    one = {("pass 1", f"light {n}"): 1.0 / (n + 1) for n in range(40)}
    other = {("camera north", f"pick {n}"): 0.5 for n in range(40)} | {("pass 1", "light 3"): 0.25}
    found = apart(one, other)
    assert list(found) == [*one, *(key for key in other if key not in one)]
    assert found["pass 1", "light 3"] == 0.0
    assert found["camera north", "pick 0"] == -0.5
