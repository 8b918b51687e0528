"""Which track is the craft."""

from dataclasses import replace

import numpy as np
import pytest

from tests.motion.flown import evening, flown, plain_track
from vidspeed.errors import MotionError
from vidspeed.motion.choose import many_passes, one_pass, relabelled
from vidspeed.motion.flight import take
from vidspeed.motion.sift import Seen
from vidspeed.values import Choice, Clip, Craft

COLUMNS = (
    "frame", "time_s", "xy_px", "cov_px2", "row", "time_u_s", "streak_px", "streak_u_px",
    "streak_angle_rad", "peak", "snr",
)  # fmt: skip


def seen_of(scene, lit, extra=(), **clip):
    rows = []
    for index, row in enumerate(lit):
        entry = Clip(file=row.clip, camera=row.stand.camera.name, **clip)
        tracks = (row.track, *extra) if index == 0 else (row.track,)
        rows.append(Seen(clip=entry, stand=row.stand, tracks=tracks))
    return rows


def shifted(track, *, later_s=0.0, down_px=0.0):
    return replace(
        track, time_s=track.time_s + later_s, xy_px=track.xy_px + np.array([0.0, down_px])
    )


def slowed(track, factor):
    middle = track.time_s.mean()
    return replace(track, time_s=middle + (track.time_s - middle) * factor)


def rivalled(found):
    """Tell whether other lights are said to explain the pass about as well."""
    return any(check.name == "candidates" for check in found.result.checks)


def test_the_craft_is_found_beside_a_slow_light():
    scene = evening(30, 2)
    lit, truth = flown(scene, speed_mps=100.0)
    found = one_pass(scene.session, seen_of(scene, lit, [slowed(lit[0].track, 4.0)]), "1")
    assert not rivalled(found)
    assert found.result.speed_mps == pytest.approx(truth, abs=4 * found.result.speed_u_mps)


def test_two_lights_that_both_fly_the_course_are_both_reported():
    scene = evening(31, 1, offset_u_m=3.0, height_u_m=3.0)
    lit, _ = flown(scene, speed_mps=100.0)
    other = shifted(lit[0].track, down_px=60.0)
    found = one_pass(scene.session, seen_of(scene, lit, [other]), "1")
    assert rivalled(found)
    check = found.result.checks[-1]
    assert (check.name, check.status) == ("candidates", "fail")
    assert "choose" in check.detail


def bright(track, level):
    return replace(track, peak=np.full(len(track), level))


@pytest.mark.parametrize(("stated_m", "status"), [(0.0, "warn"), (0.25, "ok")])
def test_two_lamps_of_one_craft_are_one_pass_of_the_brighter_one(stated_m, status):
    scene = evening(31, 1)
    session = replace(scene.session, craft=replace(scene.session.craft, lamp_u_m=stated_m))
    lit, _ = flown(scene, speed_mps=100.0)
    lit = [replace(lit[0], track=bright(lit[0].track, 60.0))]
    other = bright(shifted(lit[0].track, down_px=12.0), 90.0)
    found = one_pass(session, seen_of(scene, lit, [other]), "1")
    assert not rivalled(found)
    assert found.result.sightings[0].track is other
    check = next(row for row in found.result.checks if row.name == "lamps")
    assert check.status == status
    assert "2 lights went along together" in check.detail
    assert ("state lamp_u_m" in check.detail) == (status == "warn")


def test_a_fainter_image_below_the_craft_is_no_rival():
    scene = evening(31, 1, offset_u_m=3.0, height_u_m=3.0)
    lit, _ = flown(scene, speed_mps=100.0)
    lit = [replace(lit[0], track=bright(lit[0].track, 60.0))]
    image = bright(shifted(lit[0].track, down_px=70.0), 25.0)
    found = one_pass(scene.session, seen_of(scene, lit, [image]), "1")
    assert not rivalled(found)
    assert found.result.sightings[0].track is lit[0].track


def parts_of(track, *gaps_s):
    """Return a track's parts beside gaps (from, to) in seconds of its own middle."""
    since = track.time_s - track.time_s.mean()
    edges = [-np.inf, *(edge for gap in gaps_s for edge in gap), np.inf]
    pairs = zip(edges[::2], edges[1::2], strict=True)
    return [take(track, (since > low) & (since < high)) for low, high in pairs]


@pytest.mark.parametrize("cameras", [1, 2])
@pytest.mark.parametrize("gaps_s", [[(-0.1, 0.1)], [(-0.16, -0.08), (0.05, 0.15)]])
def test_parts_of_a_track_on_both_sides_of_a_pole_are_one_flight(cameras, gaps_s):
    scene = evening(33, cameras)
    lit, truth = flown(scene, speed_mps=100.0)
    first, *others = parts_of(lit[0].track, *gaps_s)
    seen = seen_of(scene, [replace(lit[0], track=first), *lit[1:]], others)
    for found in [one_pass(scene.session, seen, "1"), *many_passes(scene.session, seen[0])]:
        assert not rivalled(found)
        assert len(found.result.sightings[0].track) == len(first) + sum(map(len, others))
        assert found.result.speed_mps == pytest.approx(truth, abs=4 * found.result.speed_u_mps)


@pytest.mark.parametrize("second_mps", [140.0, -140.0])
def test_a_second_craft_that_flies_at_the_same_time_is_told(second_mps):
    scene = evening(33, 1)
    slow, _ = flown(scene, speed_mps=70.0, starts=[10.0])
    fast, truth = flown(scene, speed_mps=second_mps, starts=[10.3])
    own, other = (
        replace(row.track, frame=np.round(row.track.time_s * 60.0).astype(int))
        for row in (slow[0], fast[0])
    )
    seen = seen_of(scene, [replace(slow[0], track=own)], [shifted(other, down_px=-15.0)])
    for found in [one_pass(scene.session, seen, "1"), *many_passes(scene.session, seen[0])]:
        assert found.flight.lit[0].track is own
        (check,) = [row for row in found.result.checks if row.name == "candidates"]
        assert check.status == "warn"
        assert f"{3.6 * truth:.0f}"[:2] in check.detail
        assert "choose" in check.detail


@pytest.mark.parametrize(("speed_mps", "gap_s"), [(42.0, 0.34), (60.0, 0.4), (100.0, 0.34)])
def test_halves_on_both_sides_of_a_tree_are_one_pass_from_gate_to_gate(speed_mps, gap_s):
    scene = evening(33, 1)
    lit, truth = flown(scene, speed_mps=speed_mps)
    first, second = parts_of(lit[0].track, (-gap_s / 2.0, gap_s / 2.0))
    seen = seen_of(scene, [replace(lit[0], track=first)], [second])
    for found in [one_pass(scene.session, seen, "1"), *many_passes(scene.session, seen[0])]:
        assert found.result.status == "measured"
        assert not rivalled(found)
        assert len(found.result.sightings[0].track) == len(first) + len(second)
        assert found.result.speed_mps == pytest.approx(truth, abs=4 * found.result.speed_u_mps)


def test_three_parts_beside_two_trees_are_one_pass():
    scene = evening(33, 1)
    lit, truth = flown(scene, speed_mps=42.0)
    first, *others = parts_of(lit[0].track, (-0.6, -0.2), (0.2, 0.6))
    seen = seen_of(scene, [replace(lit[0], track=first)], others)
    found = one_pass(scene.session, seen, "1")
    assert len(found.result.sightings[0].track) == len(first) + sum(map(len, others))
    assert found.result.speed_mps == pytest.approx(truth, abs=4 * found.result.speed_u_mps)


@pytest.mark.parametrize("change", [{"later_s": 0.02}, {"later_s": -0.15}, {"down_px": 20.0}])
def test_halves_of_two_craft_are_never_one_pass(change):
    scene = evening(33, 1)
    lit, _ = flown(scene, speed_mps=80.0)
    first, second = parts_of(lit[0].track, (-0.25, 0.25))
    seen = seen_of(scene, [replace(lit[0], track=first)], [shifted(second, **change)])
    found = one_pass(scene.session, seen, "1")
    assert len(found.result.sightings[0].track) <= max(len(first), len(second))


def test_a_craft_and_its_fainter_image_are_never_one_pass():
    scene = evening(33, 1)
    lit, _ = flown(scene, speed_mps=80.0)
    first, second = parts_of(lit[0].track, (-0.25, 0.25))
    image = bright(shifted(second, down_px=3.0), 20.0)
    seen = seen_of(scene, [replace(lit[0], track=bright(first, 90.0))], [image])
    found = one_pass(scene.session, seen, "1")
    assert len(found.result.sightings[0].track) <= max(len(first), len(second))


def test_a_craft_that_comes_back_after_a_gap_is_not_joined():
    scene = evening(33, 1)
    there, _ = flown(scene, speed_mps=100.0)
    back, _ = flown(scene, speed_mps=-100.0)
    again = shifted(back[0].track, later_s=2.0)
    again = replace(again, frame=again.frame + 120)
    found = many_passes(scene.session, seen_of(scene, there, [again])[0])
    assert {row.result.direction for row in found} == {"forward", "reverse"}
    assert not any(rivalled(row) for row in found)


def test_a_scrap_of_the_track_in_one_of_two_clips_is_no_rival():
    """A codec breaks a long, faint streak in two: a second, shorter track beside the first."""
    scene = evening(31, 2, offset_u_m=3.0, height_u_m=3.0)
    lit, _ = flown(scene, speed_mps=100.0)
    whole = lit[0].track
    kept = np.arange(len(whole)) % 9 < 4
    columns = {name: getattr(whole, name)[kept] for name in COLUMNS}
    scrap = shifted(replace(whole, **columns), down_px=1.0)
    found = one_pass(scene.session, seen_of(scene, lit, [scrap]), "1")
    assert len(scrap) + len(lit[1].track) > 0.7 * (len(whole) + len(lit[1].track))
    assert not rivalled(found)
    assert found.result.sightings[0].track is whole


@pytest.mark.parametrize(
    ("lights", "by_hand", "is_craft"), [(6, False, False), (6, True, True), (30, False, True)]
)
def test_few_lights_that_scatter_far_more_than_they_should_are_no_flight(lights, by_hand, is_craft):
    """Chance makes a way of few lights; those that the user names are believed."""
    scene = evening(39, 1)
    lit, _ = flown(scene, speed_mps=90.0)
    whole = lit[0].track
    some = np.zeros(len(whole), dtype=bool)
    some[np.linspace(0, len(whole) - 1, lights).astype(int)] = True
    track = take(whole, some)
    off = 6.0 * np.sqrt(track.cov_px2[:, [0, 1], [0, 1]])
    ways = np.array([[1.0, -1.0], [-1.0, 1.0], [-1.0, -1.0], [1.0, 1.0]])
    track = replace(track, xy_px=track.xy_px + off * np.resize(ways, (lights, 2)))
    seen = Seen(
        clip=Clip(file=lit[0].clip, camera=lit[0].stand.camera.name,
                  track="hand/one.csv" if by_hand else None),
        stand=lit[0].stand, tracks=(track,),
    )  # fmt: skip
    if is_craft:
        assert one_pass(scene.session, [seen], "1").result.sightings[0].noise_scale > 4.0
    else:
        with pytest.raises(MotionError, match="scatter"):
            one_pass(scene.session, [seen], "1")


def test_choose_decides_between_them():
    scene = evening(31, 1, offset_u_m=3.0, height_u_m=3.0)
    lit, _ = flown(scene, speed_mps=100.0)
    other = shifted(lit[0].track, down_px=40.0)
    choice = Choice(time_s=float(other.time_s[20]), xy_px=other.xy_px[20] + 2.0)
    rows = seen_of(scene, lit, [other], choose=(choice,))
    found = one_pass(scene.session, rows, "1")
    assert not rivalled(found)
    assert found.result.sightings[0].track is other


def test_a_craft_outside_its_speed_range_is_no_pass_and_the_speed_is_said():
    scene = evening(32, 1)
    lit, _ = flown(scene, speed_mps=100.0)
    session = replace(scene.session, craft=Craft(speed_mps=(150.0, 250.0)))
    with pytest.raises(MotionError, match=r"3[56]\d km/h .* not taken for the craft"):
        one_pass(session, seen_of(scene, lit), "1")


def test_a_craft_far_outside_its_speed_range_is_no_pass_and_the_speed_is_said():
    scene = evening(32, 1)
    lit, _ = flown(scene, speed_mps=100.0)
    session = replace(scene.session, craft=Craft(speed_mps=(10.0, 20.0)))
    with pytest.raises(MotionError, match=r"longest track \(\d+ lights.*about 3[56]\d km/h along"):
        one_pass(session, seen_of(scene, lit), "1")


def test_nothing_that_moves_along_the_course_is_no_pass():
    scene = evening(33, 1)
    lit, _ = flown(scene, speed_mps=100.0)
    up = replace(lit[0].track, xy_px=lit[0].track.xy_px[:, ::-1] * np.array([0.1, 0.3]))
    row = replace(seen_of(scene, lit)[0], tracks=(up,))
    with pytest.raises(MotionError, match="no light moves along the course"):
        one_pass(scene.session, [row], "1")


def test_passes_of_a_long_clip_come_in_order_of_time():
    scene = evening(34, 1)
    lit, _ = flown(scene, speed_mps=100.0)
    later = shifted(lit[0].track, later_s=20.0)
    row = replace(seen_of(scene, lit)[0], tracks=(later, lit[0].track))
    found = many_passes(scene.session, row)
    times = [item.result.crossings[0].time_in_s for item in found]
    assert len(found) == 2
    assert times[1] - times[0] == pytest.approx(20.0, abs=1e-6)
    named = relabelled(found[0].result, "7")
    assert {entry.owner for entry in named.inputs if entry.owner.startswith("pass")} == {"pass 7"}


@pytest.mark.parametrize(("seed", "speed_mps"), [(36, 90.0), (41, -90.0), (42, 90.0), (43, -90.0)])
def test_a_camera_that_looks_along_the_course_sees_the_craft_far_beyond_it(seed, speed_mps):
    """A little wrong in height, the lights far away are laid anywhere; those around it count."""
    behind = ((-30.0, 6.0, 2.0),)
    scene = evening(seed, 1, stands=behind, height_u_m=0.3)
    lit, truth = flown(scene, speed_mps=speed_mps, around=1.4)
    found = one_pass(scene.session, seen_of(scene, lit), "1")
    assert len(lit[0].track) > 90
    assert found.result.status == "measured"
    assert found.result.speed_mps == pytest.approx(truth, abs=4 * found.result.speed_u_mps)


def weaving(track, later_s):
    """Return a light that flies the same way with twice the lights and half the speed, weaving."""
    count = 2 * len(track)
    at = np.linspace(0.0, len(track) - 1.0, count)
    across, down, row = (
        np.interp(at, np.arange(len(track)), column)
        for column in (track.xy_px[:, 0], track.xy_px[:, 1], track.row)
    )
    down = down + 20.0 * np.sin(np.arange(count) / 3.0)
    time_s = track.time_s[0] + later_s + np.arange(count) / 60.0
    return plain_track(np.arange(count), time_s, np.column_stack([across, down]), 0.3, row)


@pytest.mark.parametrize("cameras", [1, 2])
def test_the_craft_is_found_beside_many_longer_lights_that_weave(cameras):
    scene = evening(35, cameras, offset_u_m=3.0, height_u_m=3.0)
    lit, truth = flown(scene, speed_mps=140.0)
    insects = [weaving(lit[0].track, 3.0 * number) for number in range(1, 7)]
    found = one_pass(scene.session, seen_of(scene, lit, insects), "1")
    assert found.result.status == "measured"
    assert found.flight.lit[0].track is lit[0].track
    assert found.result.speed_mps == pytest.approx(truth, abs=4 * found.result.speed_u_mps)


@pytest.mark.parametrize("lights", [3, 4])
def test_a_craft_of_too_few_lights_says_how_many_are_needed_and_how_to_get_them(lights):
    scene = evening(35, 1)
    lit, _ = flown(scene, speed_mps=140.0)
    whole = lit[0].track
    some = np.linspace(8, len(whole) - 9, lights).astype(int)
    track = take(whole, np.isin(np.arange(len(whole)), some))
    row = replace(seen_of(scene, lit)[0], tracks=(track,))
    with pytest.raises(MotionError) as raised:
        one_pass(scene.session, [row], "1")
    message = str(raised.value)
    assert f"{lights} lights" in message
    assert "5 are needed; film from farther away or with more frames a second" in message
    assert "flight_line" not in message


def test_a_camera_that_the_fastest_craft_crosses_in_few_frames_says_so():
    """Three frames make no track: what is wrong can be told from the picture's width alone."""
    scene = evening(35, 1)
    lit, _ = flown(scene, speed_mps=140.0)
    stand = replace(lit[0].stand, interval_s=1.0 / 5.0)
    row = replace(seen_of(scene, lit)[0], tracks=(), stand=stand)
    with pytest.raises(MotionError, match=r"600 km/h is in the picture for \d frames, 5 are need"):
        one_pass(scene.session, [row], "1")
    with pytest.raises(MotionError, match="see flight_line"):
        one_pass(scene.session, [replace(row, stand=lit[0].stand)], "1")
