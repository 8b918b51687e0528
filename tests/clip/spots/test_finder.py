"""What stands out is grouped, and what has changed and stays is no spot."""

from __future__ import annotations

import numpy as np
import pytest

from tests.clip.painted import streak_picture
from vidspeed.clip.background import Backdrop, halved
from vidspeed.clip.spots.finder import MOST_DOUBTFUL, Finder, Look, without_halo
from vidspeed.clip.spots.lights import emptied
from vidspeed.clip.window import Pane

SHAPE = (240, 480)


def start(rng, level=40.0):
    lumas = [np.rint(rng.normal(level, 2.0, SHAPE)).astype(np.uint8) for _ in range(9)]
    backdrop = Backdrop(1 / 60)
    backdrop.begin([(luma, halved(luma)) for luma in lumas])
    return backdrop, Finder(backdrop)


def seen(rng, backdrop, *lights, frame=0, level=40.0):
    picture = rng.normal(level, 2.0, SHAPE)
    for xy, half, peak in lights:
        picture = picture + streak_picture(SHAPE, xy, half, 1.4, peak)
    luma = np.clip(np.rint(picture), 0, 255).astype(np.uint8)
    pane = Pane(frame=frame, time_s=frame / 60, luma=luma, half=halved(luma), corner_px=(100, 50))
    return Look(pane, backdrop.apart(pane.half), backdrop.ring)


def look(rng, backdrop, finder, *lights, level=40.0):
    """Return the spots of a frame after which none comes, and how it differs."""
    last = seen(rng, backdrop, *lights, level=level)
    assert finder.spots([last]) == []
    [(_, spots)] = finder.rest()
    return spots, last.apart


def test_spots_lie_where_the_lights_are():
    rng = np.random.default_rng(1)
    backdrop, finder = start(rng)
    lights = [((60.0, 40.0), (8.0, 3.0), 90.0), ((180.0, 80.0), (0.0, 0.0), -30.0)]
    spots, _ = look(rng, backdrop, finder, *lights)
    assert [spot.darker for spot in spots] == [False, True]
    for spot, (xy, half, _) in zip(spots, lights, strict=True):
        assert np.abs(spot.xy_px - xy - (100, 50)).max() < 1.0
        assert np.linalg.norm(spot.half_px) < np.linalg.norm(half) + 2.0
    assert np.linalg.norm(spots[0].half_px) > 5.0
    assert abs(spots[0].half_px[1] / spots[0].half_px[0] - 3.0 / 8.0) < 0.1
    assert np.all(spots[0].luma.shape == spots[0].past.shape[1:])


def test_two_bright_lights_whose_skirts_touch_are_two_spots():
    rng = np.random.default_rng(2)
    backdrop, finder = start(rng)
    spots, _ = look(
        rng, backdrop, finder, ((60, 40), (0, 0), 150.0), ((77, 40), (0, 0), 150.0)
    )  # fmt: skip
    assert len(spots) == 2
    assert not spots[0].own.all()


def test_of_many_that_are_hardly_plain_the_strongest_are_kept_and_all_that_are_clear():
    rng = np.random.default_rng(8)
    backdrop, finder = start(rng)
    places = [(30.0 + 40.0 * k, 30.0 + 40.0 * row) for row in range(5) for k in range(11)]
    faint = [(xy, (0.0, 0.0), 6.0) for xy in places[12:]]
    bright = [(xy, (0.0, 0.0), 60.0) for xy in places[:12]]
    spots, _ = look(rng, backdrop, finder, *faint)
    assert len(spots) == MOST_DOUBTFUL
    spots, _ = look(rng, backdrop, finder, *bright, *faint)
    assert len(spots) == len(bright)


def test_what_changed_and_stays_is_no_spot_and_what_moves_is():
    rng = np.random.default_rng(3)
    backdrop, finder = start(rng)
    for k in range(4):
        moving = (60.0 + 3.0 * k, 40.0), (0.0, 0.0), 60.0
        spots, _ = look(rng, backdrop, finder, moving, ((180.0, 80.0), (0.0, 0.0), 60.0))
        assert any(np.abs(spot.xy_px - moving[0] - (100, 50)).max() < 1.0 for spot in spots)
        stays = [spot for spot in spots if np.abs(spot.xy_px - (280, 130)).max() < 1.0]
        assert len(stays) == (1 if k == 0 else 0)


@pytest.mark.parametrize(
    ("before", "now", "spots"), [(60.0, 110.0, 1), (60.0, 62.0, 0), (90.0, 50.0, 0)]
)
def test_a_light_where_a_coder_foretold_it_is_a_spot(before, now, spots):
    rng = np.random.default_rng(6)
    backdrop, finder = start(rng)
    assert len(look(rng, backdrop, finder, ((60.0, 40.0), (0.0, 0.0), before))[0]) == 1
    assert len(look(rng, backdrop, finder, ((60.0, 40.0), (0.0, 0.0), now))[0]) == spots


def test_what_grows_in_many_places_at_once_is_the_ground_that_shakes():
    rng = np.random.default_rng(7)
    backdrop, finder = start(rng)
    for peak in (30.0, 45.0, 65.0):
        edges = [((60.0 + 50.0 * k, 160.0), (0.0, 0.0), peak) for k in range(8)]
        spots, _ = look(rng, backdrop, finder, *edges, ((60.0 + peak, 40.0), (0.0, 0.0), 60.0))
        assert len(spots) == (9 if peak == 30.0 else 1)
    assert np.abs(spots[0].xy_px - (225.0, 90.0)).max() < 1.0


def test_a_long_streak_is_one_spot_however_many_pixels_it_has():
    rng = np.random.default_rng(4)
    backdrop, finder = start(rng)
    spots, apart = look(rng, backdrop, finder, ((120.0, 60.0), (100.0, 20.0), 2000.0))
    assert apart.count > 240
    assert not apart.flooded
    assert len(spots) == 1
    assert np.linalg.norm(spots[0].half_px) > 80.0


def test_a_picture_that_changes_as_a_whole_has_no_spots():
    rng = np.random.default_rng(5)
    backdrop, finder = start(rng)
    rough = 40.0 + 60.0 * rng.standard_normal(SHAPE)
    spots, apart = look(rng, backdrop, finder, level=rough)
    assert apart.flooded
    assert spots == []


def test_a_spot_that_was_fitted_lets_its_pixels_go_and_says_the_same():
    rng = np.random.default_rng(6)
    spot = look(rng, *start(rng), ((60.0, 40.0), (8.0, 3.0), 90.0))[0][0]
    left = emptied(spot)
    assert spot.past.size > 1000 and left.luma.size == left.past.size == left.own.size == 0
    for name in ("frame", "time_s", "peak", "snr", "corner_px", "cut", "darker"):
        assert getattr(left, name) == getattr(spot, name)
    assert np.array_equal(left.xy_px, spot.xy_px) and np.array_equal(left.half_px, spot.half_px)


FAINT, PLACE = 8.5, (180.0, 80.0)  # over the ceiling, and no plain light


def spots_of_frames(frames, together, peak=FAINT):
    """Return the number of spots by frame: of lights at places (n, 2) in noise that stays."""
    backdrop, finder = start(np.random.default_rng(9))
    looks = []
    for number, places in enumerate(frames):
        lights = [(place, (0.0, 0.0), peak) for place in places]
        looks.append(seen(np.random.default_rng(10), backdrop, *lights, frame=number))
    done = []
    for first in range(0, len(looks), together):
        done += finder.spots(looks[first : first + together])
    done += finder.rest()
    assert [round(60 * time_s) for time_s, _ in done] == list(range(len(frames)))
    return [len(spots) for _, spots in done]


@pytest.mark.parametrize("together", [1, 2, 3, 5])
def test_what_changed_is_no_spot_where_the_frame_after_shows_that_it_stays(together):
    moving = [(60.0 + 20.0 * k, 40.0) for k in range(5)]
    frames = [[place] for place in moving]
    assert spots_of_frames(frames, together) == [1, 1, 1, 1, 1]
    for k in (2, 3, 4):
        frames[k].append(PLACE)
    assert spots_of_frames(frames, together) == [1, 1, 1, 1, 1]


def test_a_plain_light_is_a_spot_although_a_coder_leaves_its_image():
    frames = [[(60.0, 40.0)], [(80.0, 40.0), PLACE], [(100.0, 40.0), PLACE], [(120.0, 40.0)]]
    assert spots_of_frames(frames, 2, peak=60.0) == [1, 2, 1, 1]


def test_a_frame_that_comes_twice_hides_no_light():
    here, there, beyond = [(60.0, 40.0), PLACE], [(80.0, 40.0), PLACE], [(100.0, 40.0), PLACE]
    assert spots_of_frames([here, here, there, there, beyond], 2) == [2, 0, 1, 0, 1]


def test_a_lamp_that_floods_the_picture_is_told_from_other_floods():
    rng = np.random.default_rng(6)
    backdrop, _ = start(rng)
    y, x = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]]
    far = np.hypot(x - 200.0, y - 120.0)
    veil = 30.0 * np.exp(-far / 200.0)

    def found(bright):
        luma = np.clip(np.rint(rng.normal(40.0, 2.0, SHAPE) + bright), 0, 235).astype(np.uint8)
        apart = backdrop.apart(halved(luma))
        return without_halo(apart) if apart.flooded else apart

    lamp = found(veil + 300.0 * (far < 30.0))
    assert 0.9 < lamp.count / (np.pi * 15.0**2) < 1.3
    assert found(veil).count == 0  # a lamp beside the picture
    assert found(np.full(SHAPE, 60.0)).count == 0  # the exposure jumped
    assert found(300.0 * (x < 300)).count == 0  # the sun came out
    assert found(veil + 300.0 * (far < 4.0)).count == 0  # a usual lamp, and a flash of light
    assert 5 < found(0.3 * veil + 300.0 * (far < 4.0)).count < 200  # a usual lamp under its glare
