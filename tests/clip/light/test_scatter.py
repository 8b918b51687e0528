"""Places that scatter more than is stated make lights less certain, also where errors stay."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from vidspeed.clip.light import scatter
from vidspeed.clip.light.scatter import carried_on, proving, scatter_of, stretched
from vidspeed.values import Sway

U_PX = (0.08, 0.03)  # along and across
CLIPS = 30


SLANTING = np.array([[0.8, 0.6], [-0.6, 0.8]])  # rows: along, across
LEVEL = np.array([[1.0, 0.005], [-0.005, 1.0]])  # a tenth of a pixel a frame across the rows


def clip(count, size, stays=0.0, seed=0, bend=0.0, turn=SLANTING):
    """A track along a straight way whose errors are `size` times (along, across) those stated."""
    rng = np.random.default_rng(seed)
    frame = np.arange(count)
    fresh = rng.standard_normal((count, 2))
    error = fresh.copy()
    for k in range(1, count):
        error[k] = stays * error[k - 1] + np.sqrt(1.0 - stays**2) * fresh[k]
    place = 20.0 * frame[:, None] * turn[0] + bend * np.sin(frame / 9.0)[:, None] * turn[1]
    error_px = (error * np.array(size) * U_PX) @ turn
    cov = np.tile(turn.T @ np.diag(np.square(U_PX)) @ turn, (count, 1, 1))
    return frame / 60.0, frame, place + error_px, cov


def usual(count, size, *, carried=0.0, **how):
    """The median over clips of what scatter makes of the stated errors."""
    found = [scatter_of(*clip(count, size, seed=k, **how), carried) for k in range(CLIPS)]
    return np.median(found, axis=0)


def test_errors_as_stated_stay_as_they_are():
    assert usual(40, (1.0, 1.0), bend=0.5) == pytest.approx([1.0, 1.0], abs=0.08)


def test_larger_errors_widen_on_their_own_axis():
    along, across = usual(40, (1.0, 3.0))
    assert along == pytest.approx(1.0, abs=0.08)
    assert across == pytest.approx(3.0, rel=0.2)  # the stated errors count for eight degrees


def test_errors_that_stay_are_seen_through_how_much_is_carried():
    unaware = usual(90, (1.0, 3.0), stays=0.8)[1]
    aware = usual(90, (1.0, 3.0), stays=0.8, carried=scatter.CHANCE + 0.8 / scatter.STAYS)[1]
    assert unaware < 2.2
    assert aware == pytest.approx(3.0, rel=0.25)


def in_rows(size, seed):
    """A level track whose errors across belong to the row of the light, as far as a coder's do."""
    share = np.sqrt([1.0 - scatter.IN_ROWS, scatter.IN_ROWS])
    time_s, frame, xy, cov = clip(40, (size, size * share[0]), seed=seed, turn=LEVEL)
    phase = np.random.default_rng(1000 + seed).uniform(0.0, 2.0 * np.pi)
    wave = share[1] * np.sqrt(2.0) * np.sin(2.0 * np.pi * xy[:, 1] / 3.0 + phase)
    return time_s, frame, xy + size * U_PX[1] * wave[:, None] * LEVEL[1], cov


def test_errors_of_a_row_are_taken_to_be_as_large_as_those_along():
    """A way along the rows of a coder's blocks meets the same rows again: a trend takes it away."""
    tracks = [in_rows(3.0, seed) for seed in range(CLIPS)]
    hidden = np.mean([scatter_of(*track, 0.0) for track in tracks], axis=0)
    along, across = np.mean([scatter_of(*track, 0.0, in_blocks=True) for track in tracks], axis=0)
    assert along == hidden[0] > 2.2
    assert hidden[1] < 0.85 * along
    assert across == pytest.approx(along, rel=0.08)


def test_errors_along_say_nothing_of_a_way_that_crosses_the_rows():
    tracks = [clip(40, (3.0, 1.0), seed=k) for k in range(CLIPS)]
    across = [scatter_of(*track, 0.0, in_blocks=True)[1] for track in tracks]
    assert across == pytest.approx([scatter_of(*track, 0.0)[1] for track in tracks], abs=0.02)


def test_what_coarse_stamps_make_of_places_says_nothing_of_those_across():
    time_s, frame, xy, cov = clip(40, (1.0, 1.0), turn=LEVEL)
    u_s = 3.0 * U_PX[0] / (20.0 * 60.0)  # at 20 pixels a frame three times what is stated
    late = xy + 20.0 * 60.0 * u_s * np.random.default_rng(5).standard_normal((40, 1)) * LEVEL[0]
    as_seen = scatter_of(time_s, frame, late, cov, 0.0)
    assert as_seen[0] > 2.0
    assert scatter_of(time_s, frame, late, cov, 0.0, in_blocks=True)[1] > 1.3 * as_seen[1]
    told = scatter_of(time_s, frame, late, cov, 0.0, in_blocks=True, stamp_u_s=u_s)
    assert told == pytest.approx(as_seen, rel=0.05)


def test_errors_as_stated_along_the_rows_hardly_widen():
    tracks = [clip(40, (1.0, 1.0), seed=k, turn=LEVEL) for k in range(200)]
    plain = np.mean([scatter_of(*track, 0.0) for track in tracks], axis=0)
    found = np.mean([scatter_of(*track, 0.0, in_blocks=True) for track in tracks], axis=0)
    assert found == pytest.approx(plain, abs=0.05)


def test_errors_as_stated_are_so_on_the_mean_of_many_clips():
    """A factor that chance can only make larger would make them too wide."""
    squares = []
    for seed in range(200):
        count, turn = 30, SLANTING
        time_s, frame, xy, cov = clip(count, (1.0, 1.0), seed=seed)
        error = (xy - 20.0 * frame[:, None] * turn[0]) @ turn.T / U_PX
        squares.append(
            np.mean(np.square(error / scatter_of(time_s, frame, xy, cov, 0.0, proves=1.0)))
        )
    assert np.mean(squares) == pytest.approx(1.0, abs=0.03)  # 12 000 values scatter by 0.013


def test_places_that_agree_prove_what_they_can():
    agreeing = clip(40, (0.2, 0.2))
    assert scatter_of(*agreeing, 0.0) == (1.0, 1.0)
    assert max(scatter_of(*agreeing, 0.0, proves=1.0)) < 0.6
    carried = scatter.CHANCE + 0.9 / scatter.STAYS
    assert min(scatter_of(*agreeing, carried, proves=1.0)) > 0.9
    assert 0.6 < max(scatter_of(*agreeing, 0.0, proves=0.5)) < 0.9


def test_faint_lights_of_a_coder_that_predicts_prove_little():
    snr = np.full(20, 8.0)
    assert proving(snr, alone=True) == 1.0
    assert proving(snr, alone=False) < 0.1
    assert proving(20.0 * snr, alone=False) > 0.9


def test_one_light_far_off_tells_nothing_of_the_others():
    """That of the frame in which the exposure jumped."""
    time_s, frame, xy, cov = clip(40, (1.0, 1.0))
    usual = scatter_of(time_s, frame, xy, cov, 0.0)
    xy[25] += [3.0, 1.4]
    assert scatter_of(time_s, frame, xy, cov, 0.0) == pytest.approx(usual, abs=0.05)


def test_few_lights_say_nothing_unless_they_scatter_wildly():
    assert scatter_of(*clip(5, (9.0, 9.0)), 0.0) == (1.0, 1.0)
    assert np.all(usual(7, (12.0, 12.0)) > 2.0)


def test_long_tracks_are_looked_at_in_pieces():
    assert usual(300, (1.0, 2.0))[1] == pytest.approx(2.0, rel=0.1)


def test_the_sway_of_the_picture_is_no_scatter():
    time_s, frame, xy, cov = clip(30, (1.0, 1.0))
    sway_s = np.arange(60) / 60.0 - 0.2
    moved = np.column_stack([np.sin(31.0 * sway_s), np.cos(25.0 * sway_s)])
    shaken = xy + np.column_stack(
        [np.interp(time_s + 0.002, sway_s, one) for one in (2.0 * moved).T]
    )
    sway = Sway(
        time_s=sway_s,
        places_px=np.zeros((3, 2)),
        away_px=np.repeat(2.0 * moved[:, None], 3, axis=1),
        replaced=np.zeros(60),
    )
    assert max(scatter_of(time_s, frame, shaken, cov, 0.0)) > 1.5
    assert max(scatter_of(time_s, frame, shaken, cov, 0.0, sway)) < 1.2


def test_covariances_are_stretched_along_the_way():
    _, _, xy, cov = clip(20, (0.0, 0.0))
    wide = stretched(xy, cov, (1.0, 2.0))
    across = np.array([-0.6, 0.8])
    along = np.array([0.8, 0.6])
    assert along @ wide[7] @ along == pytest.approx(U_PX[0] ** 2)
    assert across @ wide[7] @ across == pytest.approx(4.0 * U_PX[1] ** 2)


@pytest.mark.parametrize(("share", "least", "most"), [(0.0, 0.0, 0.05), (0.6, 0.45, 0.75)])
def test_what_is_left_of_a_light_is_held_against_the_frame_before(monkeypatch, share, least, most):
    rng = np.random.default_rng(3)
    rows, columns = np.mgrid[0:21, 0:31].astype(float)
    old, left, odd = rng.standard_normal((21, 31)), [], {}
    for k in range(40):
        grain = share * old + np.sqrt(1.0 - share**2) * rng.standard_normal((21, 31))
        old = grain
        place = np.array([100.0 + 17.0 * k, 50.0 + k])
        part = SimpleNamespace(x=columns.ravel() + place[0] - 15, y=rows.ravel() + place[1] - 10)
        level = np.exp(-0.5 * ((columns - 15) ** 2 + (rows - 10) ** 2) / 4.0).ravel()
        fit = SimpleNamespace(parameters=place + rng.uniform(-0.3, 0.3, 2), modelled=50.0 * level)
        left.append(SimpleNamespace(pixels=part, fit=fit))
        odd[id(fit)] = grain.ravel()
    monkeypatch.setattr(scatter, "odd_part", lambda one, noise: odd[id(one.fit)])
    frame = np.arange(40)
    assert least <= carried_on(frame, left, None) <= most
    assert carried_on(2 * frame, left, None) == 0.0  # no two frames in a row
