"""Was the second faster: winds, what both share, and when nothing may be claimed."""

from __future__ import annotations

import numpy as np
import pytest

from tests.answer.days import camera, entry, flown, session
from vidspeed.answer.comparison import Side, compare
from vidspeed.answer.joint import Flown, joint, same_survey
from vidspeed.errors import VidspeedError
from vidspeed.values import Air

JITTER = (0.3, -0.2, 0.1, -0.4, 0.2, 0.0, -0.1, 0.1)
BOTH = ("forward", "reverse")


def side(name, speed, home, *, wind=0.0, ways=BOTH * 4, shared=(), first=0, u=0.05):
    passes = [
        flown(
            str(first + at),
            speed + JITTER[at % 8] + (wind if way == "forward" else -wind),
            way,
            u=u,
            shared=shared,
        )
        for at, way in enumerate(ways)
    ]
    return Side(name=name, session=home, passes=tuple(passes))


def test_two_days_with_their_own_winds():
    found = compare(
        side("a", 100.0, session("a"), wind=3.0), side("b", 101.0, session("b"), wind=-4.0)
    )
    assert found.difference_mps == pytest.approx(1.0)
    assert found.verdict == "faster"
    assert found.faster_probability > 0.99
    assert found.interval95_mps[0] < 1.0 < found.interval95_mps[1]
    assert found.scatter_dof == 12
    assert found.scatter_mps == pytest.approx(0.22, rel=0.4)
    assert found.more_passes == 0
    back = compare(
        side("b", 101.0, session("b"), wind=-4.0), side("a", 100.0, session("a"), wind=3.0)
    )
    assert back.verdict == "slower"
    assert back.faster_probability == pytest.approx(1.0 - found.faster_probability)


def test_wind_cancels_however_many_passes_each_way():
    ways = ("forward",) * 5 + ("reverse",) * 2
    found = compare(
        side("a", 100.0, session("a"), wind=5.0, ways=ways), side("b", 100.0, session("b"))
    )
    assert found.first.speed_mps == pytest.approx(100.0, abs=0.2)
    assert abs(found.difference_mps) < 0.3


def test_one_way_only_takes_the_wind_that_was_stated():
    ways = ("forward",) * 4
    stated = session("a", air=Air(wind_along_mps=3.0, wind_u_mps=0.5))
    first = side("a", 100.0, stated, wind=3.0, ways=ways)
    found = compare(first, side("b", 100.0, session("b")))
    assert found.difference_mps == pytest.approx(0.0, abs=0.3)
    assert not found.first.balanced
    assert found.measurement_u_mps > 0.5
    assert "one way only" in found.notes[0]
    unstated = compare(side("a", 100.0, session("a"), ways=ways), side("b", 100.0, session("b")))
    assert unstated.measurement_u_mps > 4.0  # 0 +- 4 m/s


def test_one_evening_flown_one_way_needs_no_wind():
    home, ways = session("day"), ("forward",) * 4
    found = compare(
        side("a", 100.0, home, wind=6.0, ways=ways),
        side("b", 101.0, home, wind=6.0, ways=ways, first=10),
    )
    assert found.difference_mps == pytest.approx(1.0)
    assert found.notes == ()
    mixed = compare(
        side("a", 100.0, home, wind=6.0), side("b", 101.0, home, wind=6.0, ways=ways, first=10)
    )
    assert mixed.difference_mps == pytest.approx(1.0, abs=0.3)
    assert "only forward passes" in mixed.notes[0]


def test_too_few_passes_decide_nothing():
    ways = BOTH
    found = compare(
        side("a", 100.0, session("a"), ways=ways), side("b", 200.0, session("b"), ways=ways)
    )
    assert found.verdict == "cannot be decided"
    assert found.found_if is None
    assert found.more_passes is None


def test_more_passes_would_settle_what_is_nearly_shown():
    home = session("day")
    found = compare(side("a", 100.0, home), side("b", 100.15, home, first=10))
    assert found.verdict == "not shown"
    assert 1 <= found.more_passes < 30
    nothing = compare(side("a", 100.0, home), side("b", 100.0001, home, first=10))
    assert nothing.more_passes is None
    assert 0.0 < nothing.found_if <= 1.0


def test_what_cannot_shrink_is_not_promised():
    own = [(entry("camera north", "focal length"), 1.0)]
    found = compare(
        side("a", 100.0, session("a"), shared=own), side("b", 101.0, session("b"), shared=own)
    )
    assert found.verdict == "not shown"
    assert found.shared_u_mps == pytest.approx(np.sqrt(2.0), rel=0.01)
    assert found.more_passes is None


def length(value):
    return [(entry("session", "length", "survey scale"), value)]


@pytest.mark.parametrize(
    ("other", "expected"),
    [({}, 0.0), ({"length_m": 80.001}, np.sqrt(0.5)), ({"marker_x": 1.01}, np.sqrt(0.5))],
)
def test_a_survey_is_shared_only_where_it_is_the_same(other, expected):
    one, two = session("a"), session("b", **other)
    assert same_survey(one, two) is (not other)
    found = compare(
        side("a", 100.0, one, shared=length(0.5), u=0.001),
        side("b", 100.0, two, shared=length(0.5), u=0.001),
    )
    assert found.measurement_u_mps == pytest.approx(expected, abs=2e-3)


LENS = entry("camera north", "lens 1", "lens file")
CLOCK = entry("camera north", "read-out", "read-out")
FOCAL = entry("camera north", "focal length", "focal length")
PICK = entry("camera north", "pick A x", "picks")
MARKER = entry("session", "marker A x", "marker survey")
SAME = (("lens.json", "l1"), ("clock.toml", "c1"), ("picks.csv", "p1"))
OTHER = (("lens.json", "l2"), ("clock.toml", "c2"), ("picks.csv", "p2"))


@pytest.mark.parametrize(
    ("item", "signs", "hashes", "variance"),
    [
        (LENS, (1.0, 1.0), SAME, 0.0),
        (LENS, (1.0, 1.0), OTHER, 2.0),
        (LENS, (1.0, -1.0), SAME, 4.0),
        (LENS, (1.0, -1.0), OTHER, 4.0),  # nobody says that it is another lens
        (CLOCK, (1.0, 1.0), SAME, 0.0),
        (CLOCK, (1.0, 1.0), OTHER, 2.0),
        (FOCAL, (1.0, 1.0), SAME, 2.0),  # typed in: perhaps measured anew, perhaps not
        (FOCAL, (1.0, -1.0), SAME, 4.0),
        (PICK, (1.0, 1.0), SAME, 0.0),
        (PICK, (1.0, -1.0), OTHER, 2.0),  # picked again: surely not the same error
        (MARKER, (1.0, 1.0), SAME, 0.0),
    ],
)
def test_what_two_evenings_share(item, signs, hashes, variance):
    own = [camera(lens_file="lens.json", clock_file="clock.toml")]
    homes = (session("a", cameras=own, hashes=SAME), session("b", cameras=own, hashes=hashes))
    passes = [
        Flown(result=flown("1", 100.0, u=0.0, shared=[(item, sign)]), session=home)
        for home, sign in zip(homes, signs, strict=True)
    ]
    (found,) = joint(passes)
    assert found.variance(np.array([-1.0, 1.0])) == pytest.approx(variance)


def test_passes_of_one_label_on_two_evenings_share_nothing():
    passes = [Flown(result=flown("1", 100.0, u=1.0), session=session(name)) for name in "ab"]
    (found,) = joint(passes)
    assert found.covariance.tolist() == [[1.0, 0.0], [0.0, 1.0]]
    assert found.own.tolist() == [1.0, 1.0]


def test_an_open_flight_line_is_read_both_ways():
    line = [(entry("pass 1", "offset", "flight-line offset", split_unknown=True), 1.0)]
    other = [(entry("pass 2", "offset", "flight-line offset", split_unknown=True), 1.0)]
    home = session()
    passes = [
        Flown(result=flown("1", 100.0, u=0.0, shared=line), session=home),
        Flown(result=flown("2", 100.0, u=0.0, shared=other), session=home),
    ]
    common, apart = joint(passes)
    assert common.variance(np.array([-1.0, 1.0])) == pytest.approx(0.0)
    assert apart.variance(np.array([-1.0, 1.0])) == pytest.approx(2.0)


def test_the_same_air():
    thin, thick = (
        session(name, air=Air(temperature_c=t, pressure_hpa=p))
        for name, t, p in (("a", 30.0, 950.0), ("b", 0.0, 1030.0))
    )
    plain = compare(side("a", 100.0, thin), side("b", 100.0, thick))
    found = compare(side("a", 100.0, thin), side("b", 100.0, thick), same_air=True)
    ratio = (1030.0 / 273.15) / (950.0 / 303.15)
    assert found.difference_mps == pytest.approx(100.0 * np.log(ratio) / 3.0, rel=0.05)
    # The exponent may be anything from 0 to 1/2: an RMS of 1/6 about 1/3.
    assert found.measurement_u_mps == pytest.approx(100.0 * np.log(ratio) / 6.0, rel=0.1)
    assert found.measurement_u_mps > 10.0 * plain.measurement_u_mps
    with pytest.raises(VidspeedError, match="temperature_c and pressure_hpa"):
        compare(side("a", 100.0, thin), side("b", 100.0, session("c")), same_air=True)


def test_what_cannot_be_compared_is_refused():
    home = session("day")
    one = side("a", 100.0, home)
    with pytest.raises(VidspeedError, match="no measured pass"):
        compare(one, Side(name="b", session=home, passes=()))
    with pytest.raises(VidspeedError, match="on both sides"):
        compare(one, side("b", 101.0, home))
