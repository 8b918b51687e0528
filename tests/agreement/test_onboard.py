"""Records made on board, with a known truth: which run is which pass, how fast, and what lags."""

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from vidspeed.agreement.lag import lag_of
from vidspeed.agreement.onboard import beside_record, matched, runs
from vidspeed.assembly.logged import logs_beside
from vidspeed.values import Crossing, Input, Onboard, PassResult, Profile

SPEEDS = (105.0, 98.0, 107.0)
BEGIN_S = datetime(2026, 9, 12, 20, 0, tzinfo=UTC).timestamp()


def flown(moment_s, top_mps):
    """Return the speed (n,) at moments of an evening: three dashes of 2.5 s with a peak each."""
    speed = np.full(len(moment_s), 20.0)
    for number, top in enumerate(top_mps):
        away = moment_s - (20.0 + 30.0 * number)
        speed = np.maximum(speed, top - 6.0 * away**2)
    return speed


def record(*, lag_s=0.0, filter_s=0.0, rate_hz=10.0, seed=1, places=True, tops=SPEEDS, speeds=True):
    fine = np.arange(0.0, 110.0, 0.001)
    true = flown(fine, tops)
    east = np.concatenate([[0.0], np.cumsum(true[:-1] * 0.001)])
    written = true.copy()
    if filter_s:
        for at in range(1, len(fine)):
            written[at] = written[at - 1] + (true[at] - written[at - 1]) * 0.001 / filter_s
    time_s = np.arange(2.0, 105.0, 1.0 / rate_hz)
    rng = np.random.default_rng(seed)
    noise = rng.normal(0.0, 0.1, len(time_s))
    return Onboard(
        file="flight.csv",
        time_s=time_s,
        speed_mps=np.interp(time_s - lag_s, fine, written) + noise if speeds else None,
        east_m=np.interp(time_s, fine, east) + rng.normal(0.0, 0.02, len(time_s))
        if places
        else None,
        north_m=np.zeros(len(time_s)) if places else None,
        speed_u_mps=0.1,
        clock=False,
    )


def a_pass(label, top, begin=None, forward=True):
    """Return a pass of 80 m about the fastest place of a dash."""
    x_m = np.linspace(0.0, 80.0, 41)
    along = (x_m - 40.0) / top
    speed = top - 6.0 * along**2
    mean = 80.0 / np.trapezoid(1.0 / speed, x_m)
    entry = Input(
        owner=f"pass {label}", name="offset", source="flight-line offset", kind="B",
        assumed=False, input_u=0.3, unit="m",
    )  # fmt: skip
    return PassResult(
        label=label, flight=None, setup=None, clips=(f"{label}.mp4",), status="measured",
        direction="forward" if forward else "reverse", speed_mps=mean, speed_u_mps=0.5,
        speed_U95_mps=1.0, coverage_factor=1.96, profile=Profile(
            x_m=x_m, speed_mps=speed, speed_u_mps=np.full(41, 0.5)),
        path_m=np.column_stack([x_m, np.zeros(41), np.full(41, 4.0)]),
        inputs=(entry,), sensitivities_mps=np.array([0.5]), recorded=begin,
        crossings=(Crossing(clip="a", camera="n", time_in_s=1.0, time_out_s=1.8),),
    )  # fmt: skip


PASSES = [a_pass(str(number + 1), top) for number, top in enumerate(SPEEDS)]
NEVER = [None, None, None]


def test_runs_are_the_fast_stretches():
    assert len(runs(record())) == 3
    assert [run.middle_s for run in runs(record())] == pytest.approx([20.0, 50.0, 80.0], abs=0.3)


@pytest.mark.parametrize("speed_mps", [0.0, 1e-300])
def test_a_record_of_something_that_never_moved_has_no_runs(speed_mps):
    still = replace(record(places=False), speed_mps=np.full(len(record().time_s), speed_mps))
    assert runs(still) == []
    assert beside_record(still, PASSES, NEVER)[0] == {}


@pytest.mark.parametrize("speeds", [True, False])
def test_a_good_record_agrees_with_every_pass(speeds):
    found, lag = beside_record(record(speeds=speeds), PASSES, NEVER)
    assert sorted(found) == ["1", "2", "3"]
    for row in PASSES:
        beside = found[row.label]
        assert abs(beside.away_mps) < 2.5 * beside.own_u_mps
        assert beside.own_u_mps < 0.02 * row.speed_mps
    assert lag is None or not lag.told


def test_passes_may_be_named_or_known_by_the_clock():
    evening = record()
    assert matched(evening, PASSES[1:], NEVER[1:]) == {}
    named = replace(evening, passes=("1", "2", "3"))
    assert sorted(matched(named, PASSES[::-1], NEVER)) == ["1", "2", "3"]
    assert matched(named, PASSES[::-1], NEVER)["3"].middle_s == pytest.approx(80.0, abs=0.3)
    begins = [BEGIN_S + 51.0, BEGIN_S + 80.0]
    assert matched(evening, PASSES[1:], begins) == {}  # the first two would do as well
    dated = replace(evening, time_s=evening.time_s + BEGIN_S, clock=True)
    by_clock = matched(dated, PASSES[1:], begins)
    assert by_clock["2"].middle_s - BEGIN_S == pytest.approx(50.0, abs=0.3)
    assert by_clock["3"].middle_s - BEGIN_S == pytest.approx(80.0, abs=0.3)


def test_speeds_that_lag_behind_their_own_places_are_noticed():
    late = lag_of(record(lag_s=0.5))
    assert late.lag_s == pytest.approx(0.5, abs=0.05)
    assert late.told
    smooth = lag_of(record(filter_s=0.5))
    assert smooth.told
    assert not lag_of(record()).told
    assert lag_of(record(places=False)) is None


def test_a_record_that_lags_is_told_of_and_named(monkeypatch):
    from vidspeed.agreement.causes import causes

    found, _ = beside_record(record(filter_s=0.5), PASSES, NEVER)
    first = causes(PASSES[0], [found["1"]], "1.mp4")[0]
    assert first.kind == "log"
    assert "later than its own places" in first.words


def test_the_session_says_what_its_records_say():
    class Asked:
        onboard = (record(filter_s=0.5), replace(record(), file="good.csv", passes=("1", "2", "3")))

    rows, checks, told = logs_beside(Asked(), PASSES)
    assert {label: len(beside) for label, beside in rows.items()} == {"1": 2, "2": 2, "3": 2}
    assert "over 3 passes" in checks["1"].detail
    assert [row.where for row in told] == ["flight.csv"]
    lost, _, why = logs_beside(Asked(), PASSES[:2])
    assert "1" in lost or why
