"""What moves beside the craft in a rendered clip, and the lights that are not the craft's."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.render.small import camera, flight
from tests.tiny import scene_text
from vidspeed.errors import SceneError
from vidspeed.render.clip import light_places, plan_clip, render_frames
from vidspeed.render.flight import Wander, position
from vidspeed.render.kinds import rows, series
from vidspeed.render.read import read_scene
from vidspeed.render.scene import OtherLight
from vidspeed.render.shaken import shake


def filmed(others=(), flights=None, seconds=0.3, **look):
    """Return the frames (n, h, w) of a short clip about mid-course, and the truth of its lights."""
    base = camera()
    filming = replace(base, look=replace(base.look, **look))
    plan = plan_clip(filming, -seconds / 2, seconds, 0.0, np.random.default_rng(1))
    flown = [flight()] if flights is None else flights
    frames = render_frames(filming, flown, plan, others=others, seed=3, view_seed=4)
    return np.array(list(frames), float), light_places(filming, flight(), plan)


def test_the_picture_and_its_lights_shake_together():
    calm, still = filmed(background="day")
    shaken, moved = filmed(background="day", shake_px=3.0, shake_hz=4.0)
    both = np.intersect1d(still.frame, moved.frame, return_indices=True)
    away = moved.xy_px[both[2]] - still.xy_px[both[1]]
    assert 1.0 < np.abs(away).max() <= 3.0
    dx, dy = np.rint(away[0]).astype(int)
    before = calm[both[0][0], 20:-20, 20:-20]
    at = shaken[
        both[0][0], 20 + dy : shaken.shape[1] - 20 + dy, 20 + dx : shaken.shape[2] - 20 + dx
    ]
    there = shaken[both[0][0], 20:-20, 20:-20]
    assert np.mean((before - at) ** 2) < np.mean((before - there) ** 2)


def test_shake_keeps_its_limit():
    look = replace(camera().look, shake_px=2.0, shake_hz=5.0)
    away = shake(look, np.linspace(-3.0, 3.0, 4001))
    assert 1.7 < np.abs(away).max() <= 2.0


def test_the_gain_steps_once():
    frames, _ = filmed(background="dusk", gain=2.0, gain_s=0.05)
    level = frames.mean(axis=(1, 2))
    steps = np.flatnonzero(np.diff(level) > 3.0)
    assert len(steps) == 1
    assert level[-1] > level[0] + 5.0


def test_a_pole_hides_the_lamp():
    _, places = filmed()
    middle = places.xy_px[len(places.xy_px) // 2]
    frames, _ = filmed(pole_px=(float(middle[0]), 30.0))
    plain, _ = filmed()
    frame = places.frame[len(places.xy_px) // 2]
    x, y = np.rint(middle).astype(int)
    assert plain[frame, y, x] > frames[frame, y, x] + 50.0


def test_a_body_is_darker_than_the_sky():
    frames, places = filmed(background="day", lamp_signal=0.0, body_m=0.8)
    bare, _ = filmed(background="day", lamp_signal=0.0)
    middle = len(places.frame) // 2
    x, y = np.rint(places.xy_px[middle]).astype(int)
    frame = places.frame[middle]
    here = np.s_[frame, y - 1 : y + 2, x - 1 : x + 2]
    assert frames[here].mean() < bare[here].mean() - 5.0


@pytest.mark.parametrize("share", ["flare_share", "wet_share"])
def test_an_image_of_the_lamp_lies_mirrored(share):
    frames, places = filmed(**{share: 0.3, "lamp_signal": 30.0})
    plain, _ = filmed(lamp_signal=30.0)
    middle = len(places.frame) // 3
    extra = frames[places.frame[middle]] - plain[places.frame[middle]]
    y, x = np.unravel_index(int(extra.argmax()), extra.shape)
    if share == "flare_share":
        assert np.allclose([x, y], 2.0 * camera().lens[2:4] - places.xy_px[middle], atol=3.0)
    else:
        assert y > places.xy_px[middle, 1] + 5.0
    assert extra.max() > 20.0


def test_glare_lies_over_the_whole_picture_most_of_all_about_the_lamp_near_the_axis():
    frames, places = filmed(glare=0.01)
    plain, _ = filmed()
    extra = (frames - plain).mean(axis=(1, 2))
    assert extra.max() > 3.0
    assert extra.max() > 1.3 * extra.min() > 0.0
    middle = places.frame[len(places.frame) // 2]
    more = frames[middle] - plain[middle]
    assert more.mean() > 2.0
    assert more[:, :20].mean() > 0.5
    assert len(set(np.round(extra, 1))) > 3


def test_clouds_and_grass_move_and_hot_pixels_do_not():
    def change(**look):
        frames, _ = filmed(background="day", flights=[], **look)
        return float(np.abs(frames[-1] - frames[0]).mean())

    calm = change()
    assert change(clouds=0.3) > 1.5 * calm
    assert change(wind=0.4) > 1.2 * calm
    frames, _ = filmed(background="dark", flights=[], hot_pixels=12)
    plain, _ = filmed(background="dark", flights=[])
    hot = np.argwhere((frames - plain).min(axis=0) > 5.0)
    assert 3 <= len(hot) <= 12


def test_other_lights_are_where_their_points_put_them():
    way = Wander(at_s=np.array([0.0, 1.0]), xyz_m=np.array([[0.0, 0.0, 1.0], [4.0, 2.0, 1.0]]))
    place = position(way, np.array([-0.1, 0.25, 1.1]))
    assert np.allclose(place[1], [1.0, 0.5, 1.0])
    assert np.isnan(place[[0, 2]]).all()
    other = OtherLight(
        at_s=np.array([-1.0, 1.0]),
        xyz_m=np.array([[20.0, 6.0, 3.0], [20.0, 6.0, 3.0]]),
        signal=4.0,
        flicker=0.9,
        flicker_hz=7.0,
    )
    frames, _ = filmed(others=[other], flights=[])
    brightest = frames.reshape(len(frames), -1).max(axis=1)
    assert np.ptp(brightest) > 20.0


def test_scene_files_state_other_lights(tmp_path):
    with pytest.raises(ValueError, match="increase"):
        series([0.0, 0.0])
    with pytest.raises(ValueError, match="list of lists"):
        rows(3)([])
    text = scene_text() + (
        "\n[[other]]\nxyz_m = [[0.0, 8.0, 1.0], [9.0, 8.0, 1.0]]\nat_s = [-2.0, 2.0]\n"
        "signal = 2.0\n"
    )
    path = tmp_path / "scene.toml"
    path.write_text(text, encoding="utf-8")
    scene = read_scene(path)
    assert len(scene.others) == 1
    assert scene.others[0].xyz_m.shape == (2, 3)
    path.write_text(text.replace("[-2.0, 2.0]", "[-2.0, 0.0, 2.0]"), encoding="utf-8")
    with pytest.raises(SceneError, match="one time for each place"):
        read_scene(path)
