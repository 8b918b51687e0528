"""Matching passes of two clips: fifty evenings with a known truth, and the ways to be unsure."""

from dataclasses import replace

import numpy as np
import pytest

from vidspeed.motion.match import Known, Once, Reel, pairings, rivals, settled

HOUR_S = 3600.0


def filmed(times_s, ways, speeds_mps, rng, *, offset_s, u_s, speed_u, name, ppm=50.0):
    """Return the clip of a camera whose clock is off, with every figure disturbed by its u."""
    scale = 1.0 + 1e-6 * ppm * rng.standard_normal()
    passes = []
    for time_s, way, speed in zip(times_s, ways, speeds_mps, strict=True):
        time_u, speed_u_mps = u_s * rng.uniform(0.5, 2.0), speed_u * speed
        passes.append(
            Once(
                direction=way,
                middle_s=time_s * scale + offset_s + time_u * rng.standard_normal(),
                middle_u_s=time_u,
                speed_mps=speed + speed_u_mps * rng.standard_normal(),
                speed_u_mps=speed_u_mps,
            )
        )
    ends = [row.middle_s for row in passes]
    return Reel(
        clip=f"{name}.mp4",
        camera=name,
        clock_u_ppm=ppm,
        passes=tuple(passes),
        span_s=(min(ends) - 20.0, max(ends) + 20.0),
    )


def evening(
    seed, *, flown=12, missed=3, lap_s=45.0, scatter_s=6.0, u_s=0.01, ppm=50.0, both_ways=True,
    kept=None,
):  # fmt: skip
    """Return two clips of one evening, and which passes each of them has."""
    rng = np.random.default_rng(seed)
    times = 1000.0 + np.cumsum(lap_s + scatter_s * rng.standard_normal(flown))
    ways = np.where(np.arange(flown) % 2 == 0, 1.0, -1.0) if both_ways else np.ones(flown)
    speeds = 110.0 * (1.0 + 0.06 * rng.standard_normal(flown))
    offset_s = rng.uniform(-HOUR_S, HOUR_S)
    kept = kept or [np.sort(rng.permutation(flown)[: flown - missed]) for _ in "ns"]
    clips = [
        filmed(
            times[which], ways[which], speeds[which], rng, offset_s=shift, u_s=u_s, speed_u=0.02,
            name=name, ppm=ppm,
        )
        for which, shift, name in zip(kept, (0.0, offset_s), "ns", strict=True)
    ]  # fmt: skip
    return clips, kept, offset_s


def judged(seeds, **how):
    """Return how many pairs are sure and wrong, sure and right, and how many there were."""
    wrong = right = there = 0
    for seed in seeds:
        clips, kept, _ = evening(seed, **how)
        there += len(set(kept[0]) & set(kept[1]))
        best = settled(pairings(*clips))
        for i, j in best.pairs if best else ():
            right += kept[0][i] == kept[1][j]
            wrong += kept[0][i] != kept[1][j]
    return wrong, right, there


@pytest.mark.parametrize(
    ("how", "least"),
    [
        ({}, 0.95),
        ({"ppm": 100.0}, 0.95),
        ({"scatter_s": 0.5}, 0.9),  # laps nearly alike
        ({"both_ways": False, "scatter_s": 1.0}, 0.9),
        ({"u_s": 0.05, "scatter_s": 1.0}, 0.2),  # a flight line hardly known
        ({"scatter_s": 0.03}, 0.0),  # by a metronome: cannot be told
    ],
)
def test_fifty_evenings_have_no_wrong_pairing_that_is_sure(how, least):
    # 12 passes, 3 missing in either camera, offset unknown to an hour.
    wrong, right, there = judged(range(50), **how)
    assert wrong == 0
    assert right >= least * there


def test_clips_with_nothing_in_common_are_not_paired():
    halves = [np.arange(9), np.arange(9, 18)]
    assert judged(range(50), flown=18, kept=halves, scatter_s=2.0) == (0, 0, 0)


def test_the_offset_is_found():
    for seed in range(10):
        clips, _, offset_s = evening(seed)
        best = settled(pairings(*clips))
        middle_s = float(np.mean([row.middle_s for row in clips[0].passes]))
        # Both clocks may be off by three times 50 ppm from the evening's beginning on.
        assert best.offset_s == pytest.approx(offset_s, abs=0.02 + 4e-4 * middle_s)


def test_laps_by_a_metronome_leave_several_pairings_that_all_fit():
    clips, _, _ = evening(2, scatter_s=0.01, missed=2)
    found = pairings(*clips)
    assert len(list(rivals(found))) > 1
    assert max(found[0].sure) < 0.99


def test_an_event_decides_between_them():
    clips, kept, offset_s = evening(2, scatter_s=0.01, missed=2)
    event = Known(at_s=1000.0, offset_s=offset_s + 0.01, u_s=0.05)
    best = settled(pairings(*clips, event))
    assert [kept[0][i] for i, _ in best.pairs] == [kept[1][j] for _, j in best.pairs]
    assert len(best.pairs) == len(set(kept[0]) & set(kept[1]))


def test_an_event_that_brings_no_passes_together_pairs_none():
    clips, _, offset_s = evening(0)
    assert pairings(*clips, Known(at_s=0.0, offset_s=offset_s + 7.0, u_s=0.01)) == []


def test_passes_at_other_speeds_or_the_other_way_are_not_one():
    clips, _, _ = evening(0)
    fast = tuple(replace(row, speed_mps=2.0 * row.speed_mps) for row in clips[1].passes)
    turned = tuple(replace(row, direction=-row.direction) for row in clips[1].passes)
    assert pairings(clips[0], replace(clips[1], passes=fast)) == []
    assert settled(pairings(clips[0], replace(clips[1], passes=turned))) is None


def test_order_of_the_clips_does_not_matter():
    clips, _, _ = evening(5)
    ahead, back = settled(pairings(*clips)), settled(pairings(*clips[::-1]))
    assert ahead.pairs == tuple((i, j) for j, i in back.pairs)
    assert ahead.offset_s == pytest.approx(-back.offset_s, abs=0.2)


def test_a_clip_without_passes_pairs_none():
    clips, _, _ = evening(0)
    assert pairings(clips[0], replace(clips[1], passes=())) == []
