"""Many clips of an evening sorted out: three cameras, a camera that was restarted, events."""

from dataclasses import replace

import numpy as np
import pytest

from tests.motion.test_match import filmed
from vidspeed.motion.links import known_offset, match
from vidspeed.values import Sync

LENGTH_M = 80.0
OFFSETS_S = {"n": 0.0, "s": 812.3, "e": -95.1}


def clips_of(seed, shares, *, flown=12):
    """Return a clip for each of `shares` (name, passes) of one evening, camera by first letter."""
    rng = np.random.default_rng(seed)
    times = 1000.0 + np.cumsum(45.0 + 6.0 * rng.standard_normal(flown))
    ways = np.where(np.arange(flown) % 2 == 0, 1.0, -1.0)
    speeds = 110.0 * (1.0 + 0.06 * rng.standard_normal(flown))
    made = []
    for name, which in shares:
        own = list(which)
        row = filmed(
            times[own], ways[own], speeds[own], rng, offset_s=OFFSETS_S[name[0]], u_s=0.01,
            speed_u=0.02, name=name,
        )  # fmt: skip
        made.append(replace(row, camera=name[0]))
    return made


def linked(shares, matching):
    """Return per link its clips' names and whether every pair is one pass in truth."""
    return {
        (shares[row.first][0], shares[row.second][0]): all(
            list(shares[row.first][1])[i] == list(shares[row.second][1])[j]
            for i, j in row.pairing.pairs
        )
        for row in matching.links
    }


@pytest.mark.parametrize("seed", range(5))
def test_a_camera_that_was_restarted_is_linked_twice(seed):
    shares = [("n", range(12)), ("s1", range(6)), ("s2", range(6, 12))]
    matching = match(clips_of(seed, shares), (), LENGTH_M)
    assert linked(shares, matching) == {("n", "s1"): True, ("n", "s2"): True}
    assert sum(len(row.pairing.pairs) for row in matching.links) == 12
    assert matching.doubts == ()


def test_three_cameras_are_linked_two_by_two():
    shares = [("n", range(8)), ("s", range(1, 9)), ("e", range(2, 10))]
    matching = match(clips_of(3, shares), (), LENGTH_M)
    assert linked(shares, matching) == {("n", "s"): True, ("n", "e"): True, ("s", "e"): True}


def test_clips_of_one_camera_are_never_linked():
    shares = [("n1", range(8)), ("n2", range(8))]
    matching = match(clips_of(3, shares), (), LENGTH_M)
    assert matching.links == () and matching.doubts == ()


def test_one_pass_each_is_sure_only_where_no_other_is_possible():
    alone = match(clips_of(1, [("n1", [0]), ("n2", [1]), ("s1", [0]), ("s2", [1])]), (), LENGTH_M)
    assert {(row.first, row.second) for row in alone.links} == {(0, 2), (1, 3)}
    alike = clips_of(1, [("n1", [0]), ("n2", [0]), ("s1", [0])])
    doubtful = match(alike, (), LENGTH_M)
    assert doubtful.links == ()
    assert [(first, second) for first, second, _ in doubtful.doubts] == [(0, 2), (1, 2)]


def test_the_best_event_of_two_clips_counts():
    def event(kind, u_s, at):
        return Sync(
            clips=("x.mp4", "n.mp4", "s.mp4"),
            time_s=np.array([0.0, at, at + 812.3]),
            time_u_s=np.full(3, u_s),
            kind=kind,
        )

    syncs = (event("sound", 0.001, 3.0), event("flash", 0.002, 4.0))
    known = known_offset(syncs, "n.mp4", "s.mp4", LENGTH_M)
    assert (known.at_s, known.offset_s) == (4.0, pytest.approx(812.3))
    assert known.u_s == pytest.approx(np.sqrt(2 * 0.002**2 + 0.01**2))
    back = known_offset(syncs[:1], "s.mp4", "n.mp4", LENGTH_M)
    assert back.offset_s == pytest.approx(-812.3)
    assert back.u_s > LENGTH_M / 340.0
    assert known_offset(syncs, "n.mp4", "other.mp4", LENGTH_M) is None
