"""What the pieces of a background say of the camera: fixed, shaken, stabilised, carried."""

from dataclasses import replace

import numpy as np
import pytest

from vidspeed.geometry.steady import standing, steadiness
from vidspeed.geometry.turned import reached
from vidspeed.values import Sway

LENS = np.array([1000.0, 1000.0, 640.0, 360.0, 0, 0, 0, 0, 0])
TIME = np.arange(200) / 60.0


def sway(moved, noise=0.1, seed=1, time_s=TIME, pieces=36):
    """Return pieces that all move by `moved` (n, 2), or each its own way (n, m, 2)."""
    rng = np.random.default_rng(seed)
    places = rng.uniform([20, 20], [1260, 700], (pieces, 2))
    moved = np.asarray(moved(places) if callable(moved) else moved)
    if moved.ndim == 2:
        moved = moved[:, None, :]
    away = moved + rng.normal(0, noise, (len(time_s), pieces, 2))
    return Sway(time_s=time_s, places_px=places, away_px=away, replaced=np.zeros(len(time_s)))


def wave(hertz, size, time_s=TIME):
    return np.column_stack([size * np.sin(2 * np.pi * hertz * time_s), 0.0 * time_s])


def test_pieces_where_the_lens_has_no_place_take_no_part():
    """k1 alone folds a wide picture back before its corners: nothing lies behind these."""
    folded = LENS.copy()
    folded[4] = -0.6
    assert not reached(sway(np.zeros((200, 2))).places_px, folded).all()
    assert steadiness(sway(np.zeros((200, 2))), folded).verdict == "fixed"
    assert steadiness(sway(np.zeros((200, 2)), pieces=6, seed=2), folded).verdict == "fixed"
    scanned = sway(wave(2.0, 3.0))  # as a clip gives it, with how often each changed its looks
    scanned = replace(scanned, changing=np.linspace(0.0, 0.2, len(scanned.places_px)))
    assert steadiness(scanned, folded).verdict == steadiness(scanned, LENS).verdict == "shaken"


def test_a_fixed_camera_is_fixed():
    found = steadiness(sway(np.zeros((200, 2))), LENS)
    assert (found.verdict, found.refused) == ("fixed", False)
    assert found.rms_px < 0.05


@pytest.mark.parametrize("hertz", [1.0, 2.3, 5.0])
def test_wind_on_the_tripod_is_told_and_not_refused(hertz):
    found = steadiness(sway(wave(hertz, 3.0)), LENS)
    assert (found.verdict, found.refused) == ("shaken", False)
    assert found.rms_px == pytest.approx(3.0 / np.sqrt(2.0), rel=0.1)


@pytest.mark.parametrize("rate_hz", [60.0, 120.0, 240.0])
@pytest.mark.parametrize("hertz", [1.0, 1.3, 4.0])
def test_a_gust_after_calm_that_was_looked_at_less_often_is_no_drift(rate_hz, hertz):
    """Calm pictures are looked at thirty times a second, those that shake at the clip's rate."""
    seldom = np.ceil(rate_hz * 0.03) / rate_hz
    time_s = np.concatenate([np.arange(0.0, 40.0, seldom), np.arange(40.0, 46.0, 1.0 / rate_hz)])
    moved = np.where(time_s[:, None] > 40.0, wave(hertz, 3.0, time_s), 0.0)
    found = steadiness(sway(moved, time_s=time_s), LENS)
    assert (found.verdict, found.refused) == ("shaken", False)


def test_a_jump_in_a_calm_picture_that_is_looked_at_less_often_is_refused():
    time_s = np.concatenate([np.arange(0.0, 4.0, 8 / 240), np.arange(4.0, 9.0, 1 / 240)])
    step = np.where(time_s[:, None] > 2.0, [[1.6, -0.5]], 0.0)
    found = steadiness(sway(step, time_s=time_s), LENS)
    assert (found.verdict, found.at_s) == ("jumps", pytest.approx(2.0, abs=0.1))


def test_a_little_shaking_is_seen():
    found = steadiness(sway(wave(2.3, 0.15), noise=0.03), LENS)
    assert found.verdict == "shaken"
    assert found.rms_px == pytest.approx(0.15 / np.sqrt(2.0), rel=0.1)


@pytest.mark.parametrize("pieces", [2, 3, 12])
def test_pieces_that_a_coder_moves_a_little_each_by_itself_are_no_shaking(pieces):
    own = np.random.default_rng(3).normal(0.0, 0.2, (20, pieces, 2)).repeat(10, axis=0)
    found = steadiness(sway(own, noise=0.01, pieces=pieces), LENS)
    assert found.verdict == "fixed"
    assert found.rms_px > 0.05 or pieces > 3


def test_a_rolling_shutter_that_shears_a_shaken_picture_is_no_bending():
    def moved(places):
        rate = np.gradient(wave(4.0, 3.0), TIME, axis=0)
        return wave(4.0, 3.0)[:, None] + 0.02 * rate[:, None] * places[None, :, 1:] / 720.0

    assert steadiness(sway(moved), LENS).verdict == "shaken"


def test_a_jump_between_still_spells_is_refused():
    step = np.where(TIME[:, None] > 1.7, [[1.6, -0.5]], 0.0)
    found = steadiness(sway(step), LENS)
    assert (found.verdict, found.refused) == ("jumps", True)
    assert found.size_px == pytest.approx(np.hypot(1.6, 0.5), abs=0.1)
    assert found.at_s == pytest.approx(1.7, abs=0.1)


def test_a_slow_drift_is_refused_where_the_clip_is_long_enough_to_tell_it_from_wind():
    drift = np.column_stack([1.5 * TIME, 0.0 * TIME])
    assert steadiness(sway(drift), LENS).verdict == "drifts"
    short = TIME[:90]
    assert steadiness(sway(drift[:90], time_s=short), LENS).verdict == "shaken"


def test_a_picture_that_wanders_is_refused():
    assert steadiness(sway(wave(0.4, 6.0)), LENS).verdict == "wanders"
    gone = sway(np.zeros((200, 2)))
    gone = Sway(
        time_s=gone.time_s,
        places_px=gone.places_px,
        away_px=np.where(TIME[:, None, None] > 2.0, np.nan, gone.away_px),
        replaced=(TIME > 2.0).astype(float),
    )
    found = steadiness(gone, LENS)
    assert (found.verdict, found.at_s) == ("wanders", pytest.approx(2.0, abs=0.05))


@pytest.mark.parametrize(("changing", "refused"), [(0.3, True), (0.8, False)])
def test_grass_that_is_not_known_at_times_is_no_picture_that_wanders(changing, refused):
    """It changes where it is known, too; a picture that moved away does not."""
    known = sway(0.3 * wave(1.3, 1.0), pieces=5)
    lost = np.sin(2 * np.pi * 1.3 * TIME) < -0.6
    seen = replace(
        known, away_px=np.where(lost[:, None, None], np.nan, known.away_px),
        replaced=lost.astype(float), changing=np.full(5, changing),
    )  # fmt: skip
    assert steadiness(seen, LENS).refused == refused


def leaving(step_px, frames=200, seen=6):
    """Return seven lamps of a picture that is panned, in sight for the first few frames."""
    time_s = np.arange(frames) / 60.0
    moved = np.column_stack([step_px * np.arange(frames), 0.0 * time_s])
    all_the_time = sway(moved, pieces=7, time_s=time_s, noise=0.2)
    away = np.where(np.arange(frames)[:, None, None] < seen, all_the_time.away_px, np.nan)
    return Sway(time_s=time_s, places_px=all_the_time.places_px, away_px=away,
                replaced=np.zeros(frames))  # fmt: skip


@pytest.mark.parametrize(("step_px", "seen"), [(3.4, 6), (9.5, 2)])
def test_lamps_that_leave_the_picture_together_are_a_pan(step_px, seen):
    found = steadiness(leaving(step_px, seen=seen), LENS)
    assert (found.verdict, found.at_s) == ("wanders", pytest.approx((seen - 1) / 60.0))


def test_lamps_that_go_out_where_they_stand_are_no_pan():
    assert steadiness(leaving(0.0, seen=100), LENS).verdict == "fixed"
    assert steadiness(leaving(0.0), LENS).verdict == "unknown"


def test_a_pan_that_begins_without_a_lamp_is_found_by_those_that_come():
    later = leaving(3.4, frames=16)
    close = replace(later, places_px=640.0 + 0.05 * later.places_px)  # the lights of a craft
    for found, verdict in ((later, "wanders"), (close, "unknown")):
        nothing = Sway(
            time_s=np.array([]), places_px=np.empty((0, 2)), away_px=np.empty((0, 0, 2)),
            replaced=np.array([]), later=(found,),
        )  # fmt: skip
        assert steadiness(nothing, LENS).verdict == verdict


THREE = np.array([[728.0, 306.0], [436.0, 450.0], [670.0, 502.0]])
LENS_OF_THREE = np.array([900.0, 900.0, 480.0, 270.0, 0, 0, 0, 0, 0])


def judged_lamps(away, places, changing=None):
    """Return the verdict on lamps at places (m, 2) that lay off them by (n, m, 2)."""
    noise = np.random.default_rng(3).normal(0.0, 0.03, away.shape)
    seen = Sway(time_s=TIME, places_px=places, away_px=away + noise, replaced=np.zeros(len(TIME)),
                changing=changing)  # fmt: skip
    return steadiness(seen, LENS_OF_THREE).verdict


def test_three_lamps_that_move_in_step_unlike_a_turn_tell_a_bent_picture():
    share = np.array([[1.0, -0.3], [1.5, -0.45], [3.1, -0.8]])
    assert judged_lamps(np.sin(6.0 * TIME)[:, None, None] * share, THREE) == "bent"
    assert judged_lamps(np.sin(6.0 * TIME)[:, None, None] * share[1:], THREE[1:]) == "bent"


def test_a_bending_that_keeps_step_with_the_picture_is_told_from_a_tripod_that_sways():
    """A near lamp moves farther than a turn says, in step with it, but by little of it."""
    turn = 1.6 * np.sin(6.0 * TIME)[:, None, None] * np.array([1.0, -0.4])
    places = np.array([[300.0, 240.0], [260.0, 350.0], [700.0, 300.0], [480.0, 420.0]])
    corner = np.array([0.3, 2.0, 2.8, 1.5])[:, None]
    assert judged_lamps(turn * corner, places) == "bent"
    near = np.array([1.0, 1.1, 1.0, 1.05])[:, None]
    assert judged_lamps(turn * near, places) == "shaken"


def test_one_of_three_lamps_that_swings_is_no_bent_picture():
    share = np.array([[0.0, 0.0], [1.5, -0.4], [0.0, 0.0]])
    turn = np.array([1.0, 0.5]) * np.sin(17.0 * TIME)[:, None, None]
    swing = np.sin(6.0 * TIME)[:, None, None] * share
    assert judged_lamps(swing, THREE) in ("fixed", "shaken")
    assert judged_lamps(swing + turn, THREE) == "shaken"
    assert judged_lamps((swing + turn)[:, :2], THREE[:2]) == "shaken"


def test_three_tufts_of_which_one_waves_far_are_no_bent_picture():
    """The others move too, but in their own time."""
    phase = 8.2 * TIME[:, None] + np.array([0.0, 1.6, 1.2])
    away = (np.array([1.6, 0.55, 0.12]) * np.sin(phase))[:, :, None] * np.array([1.0, -0.3])
    assert judged_lamps(away, THREE) == "fixed"


@pytest.mark.parametrize(("changing", "bent"), [([0, 0.05, 0.0], True), ([0.3, 0.05, 0.3], False)])
def test_tufts_that_wave_are_known_by_their_looks(changing, bent):
    """They may all follow one gust, as a bent picture follows what bends it."""
    share = np.array([[1.0, -0.3], [1.5, -0.45], [3.1, -0.8]])
    away = np.sin(6.0 * TIME)[:, None, None] * share
    assert (judged_lamps(away, THREE, changing=np.array(changing)) == "bent") == bent


def test_of_many_pieces_those_that_stand_firm_tell_whether_the_picture_is_bent():
    def moved(places):
        corner = np.sum((places / [640.0, 360.0] - 1.0) ** 2, axis=1)
        return 2.0 * np.sin(TIME)[:, None, None] * np.stack([corner, 0 * corner], axis=1)

    seen = sway(moved)
    for share, verdict in ((0.4, "bent"), (0.8, "shaken")):
        waves = np.arange(36) < share * 36
        assert steadiness(replace(seen, changing=0.5 * waves), LENS).verdict == verdict


def test_a_row_of_tufts_shows_no_corners():
    """What grows as the square along one row may be chance."""
    x_px = np.array([100.0, 250.0, 270.0, 460.0, 545.0, 670.0, 712.0, 858.0])
    share = 2.0 * ((x_px / 480.0 - 1.0) ** 2)[:, None] * np.array([1.0, -0.4])
    away = np.sin(8.2 * TIME)[:, None, None] * share
    away += 0.3 * np.sin(7.0 * TIME[:, None, None] + np.arange(16.0).reshape(8, 2) ** 2)
    assert judged_lamps(away, np.column_stack([x_px, np.full(8, 290.0)])) == "unknown"


def test_lamps_of_which_none_stands_still_are_told_though_they_do_not_keep_step():
    """A picture whose rows run to and fro at different times."""
    rng = np.random.default_rng(5)
    places = rng.uniform([20, 20], [940, 520], (5, 2))
    waves = np.sin(3.0 * np.pi * places[:, 1] / 540.0 + 9.0 * TIME[:, None])
    away = 3.5 * (np.sin(5.6 * TIME)[:, None] * waves)[:, :, None] * np.array([1.0, 0.0])
    assert judged_lamps(away, places) == "bent"
    assert judged_lamps(away * (np.arange(5) < 2)[:, None], places) in ("fixed", "shaken")


def test_corners_that_move_unlike_a_turn_are_refused():
    def moved(places):
        corner = np.sum((places / [640.0, 360.0] - 1.0) ** 2, axis=1)
        return 2.0 * np.sin(TIME)[:, None, None] * np.stack([corner, 0 * corner], axis=1)

    assert steadiness(sway(moved), LENS).verdict == "bent"


def test_clouds_above_ground_that_stands_are_no_bending():
    def moved(places):
        clouds = places[None, :, 1:] < 250.0
        return np.where(clouds, 1.5 * TIME[:, None, None] * np.array([2.0, 0.3]), 0.0)

    assert steadiness(sway(moved), LENS).verdict == "fixed"


def test_a_turn_about_the_axis_is_no_bending():
    def moved(places):
        turned = np.column_stack([-(places[:, 1] - 360.0), places[:, 0] - 640.0])
        return 0.003 * np.sin(9.0 * TIME)[:, None, None] * turned

    assert not steadiness(sway(moved), LENS).refused


def test_grass_that_bends_each_its_own_way_is_no_bending():
    rng = np.random.default_rng(8)
    phase = rng.uniform(0, 2 * np.pi, (36, 2))

    def moved(places):
        below = (places[:, 1] > 430.0)[None, :, None]
        return below * 1.5 * np.sin(9.0 * TIME[:, None, None] + phase)

    assert not steadiness(sway(moved), LENS).refused


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_few_tufts_that_wave_each_in_its_own_way_do_not_shake_the_picture(seed):
    rng = np.random.default_rng(seed)
    phase, hertz = rng.uniform(0, 2 * np.pi, (5, 2)), rng.uniform(0.8, 1.8, (5, 1))
    away = 0.65 * np.sin(2 * np.pi * hertz * TIME[:, None, None] + phase)
    assert steadiness(sway(away, pieces=5), LENS).verdict == "unknown"


@pytest.mark.parametrize("pieces", [2, 5])
def test_a_few_lamps_tell_that_the_picture_shakes(pieces):
    assert steadiness(sway(wave(1.3, 0.9), pieces=pieces, noise=0.2), LENS).verdict == "shaken"


def test_too_little_to_see_is_said():
    nothing = Sway(
        time_s=TIME, places_px=np.empty((0, 2)), away_px=np.empty((200, 0, 2)),
        replaced=np.zeros(200),
    )  # fmt: skip
    assert steadiness(nothing, LENS).verdict == "unknown"


@pytest.mark.parametrize(("size", "verdict"), [(0.0, "fixed"), (5.0, "bent")])
def test_a_few_lamps_tell_strong_bending_too(size, verdict):
    def moved(places):
        corner = np.sum((places / [640.0, 360.0] - 1.0) ** 2, axis=1)
        return size * np.sin(6.0 * TIME)[:, None, None] * np.stack([corner, -corner], axis=1)

    assert steadiness(sway(moved, pieces=11, seed=7), LENS).verdict == verdict


def test_lamps_that_swing_on_their_poles_are_no_bending():
    def moved(places):
        swing = np.zeros((len(TIME), len(places), 2))
        swing[:, :2, 0] = 1.5 * np.sin(9.0 * TIME[:, None] + [0.3, 2.1])
        return swing

    assert not steadiness(sway(moved, pieces=7), LENS).refused


@pytest.mark.parametrize("hertz", [1.0, 5.0])
def test_a_few_lamps_in_the_wind_are_not_refused(hertz):
    def moved(places):
        rate = np.gradient(wave(hertz, 3.0), TIME, axis=0)
        return wave(hertz, 3.0)[:, None] + 0.03 * rate[:, None] * places[None, :, 1:] / 720.0

    assert steadiness(sway(moved, pieces=6), LENS).verdict == "shaken"


def test_a_few_pieces_that_move_on_their_own_are_no_background():
    def moved(places):
        away = np.zeros((len(TIME), len(places), 2))
        away[:, 3, 0] = 6.0 * TIME  # an aircraft far away
        return away

    seen = sway(moved, pieces=16)
    assert standing(seen).away_px.shape[1] == 15
    assert steadiness(seen, LENS).verdict == "fixed"


@pytest.mark.parametrize(("in_step", "size"), [(True, 2.4), (False, 0.9)])
def test_a_few_lamps_that_move_in_step_unlike_a_turn_are_no_lamps_in_the_wind(in_step, size):
    """A bending that is too small to be told in one frame is told by all frames together."""
    places = np.array([[90, 426], [50, 112], [992, 608], [1196, 94], [1194, 236], [398, 312.0]])
    rng = np.random.default_rng(3)
    phase = np.zeros(6) if in_step else rng.uniform(0, 2 * np.pi, 6)
    corner = np.sum((places / [640.0, 360.0] - 1.0) ** 2, axis=1)
    moved = np.sin(6.0 * TIME[:, None] + phase)[:, :, None] * np.array([1.0, -0.3])
    away = size * corner[:, None] * moved + rng.normal(0, 0.03, (200, 6, 2))
    seen = Sway(time_s=TIME, places_px=places, away_px=away, replaced=np.zeros(200))
    assert steadiness(seen, LENS).refused == in_step


@pytest.mark.parametrize("bent", [True, False])
def test_what_grows_towards_the_corners_is_told_from_one_lamp_that_swings_there(bent):
    """Also where a codec lets the lamps follow in jerks, not in step."""
    places = np.array([[90, 426], [50, 112], [992, 608], [1196, 94], [1194, 236], [398, 312.0]])
    rng = np.random.default_rng(5)
    corner = np.sum((places / [640.0, 360.0] - 1.0) ** 2, axis=1)
    share = 3.0 * corner if bent else np.array([0.0, 1.5, 0.0, 0.0, 0.0, 0.0])
    moved = np.sin(6.0 * TIME)[:, None, None] * share[:, None] * np.array([1.0, -0.3])
    away = moved + rng.normal(0, 0.2, (200, 6, 2))
    seen = Sway(time_s=TIME, places_px=places, away_px=away, replaced=np.zeros(200))
    assert steadiness(seen, LENS).refused == bent
