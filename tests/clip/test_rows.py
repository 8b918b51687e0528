"""The frames of a pass decoded again: the right frames, the right places, nothing lost."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest

from vidspeed.clip.rows import film, wanted_frames
from vidspeed.clip.still import unpacked
from vidspeed.clip.write import even_stamps, write_clip
from vidspeed.errors import ClipError
from vidspeed.values.pictured import Lane

SIZE = (320, 180)
COUNT = 40
RATE = Fraction(50)


def place(index: int) -> tuple[float, float]:
    """Return where the dot is in a frame: 6 px a frame to the right, a little downwards."""
    return 20.0 + 6.0 * index, 60.0 + 0.5 * index


def frames(ground: int, light: int):
    for index in range(COUNT):
        picture = np.full(SIZE[::-1], ground, np.uint8)
        x, y = place(index)
        picture[round(y) - 2 : round(y) + 3, round(x) - 2 : round(x) + 3] = light
        yield picture


def lane(from_s: float, to_s: float) -> Lane:
    x_m = np.linspace(0.0, 45.0, 200)
    line = np.column_stack([20.0 + 6.0 * x_m, 60.0 + 0.5 * x_m])
    return Lane(
        label="1", clip="dot.mp4", camera="north", length_m=40.0, x_m=x_m, passed_s=x_m / 50.0,
        line_px=line, delay_s=np.zeros(200), from_s=from_s, to_s=to_s, gates_s=(0.0, 0.8),
        so_far_mps=np.full(200, 50.0), so_far_u_mps=np.ones(200),
    )  # fmt: skip


@pytest.fixture(scope="module")
def dot(tmp_path_factory):
    path = tmp_path_factory.mktemp("dot") / "dot.mp4"
    write_clip(path, frames(40, 230), stamps=even_stamps(COUNT, RATE))
    return path


def test_a_row_shows_the_dot_where_it_is(dot):
    made = film(dot, lane(0.2, 0.6))
    np.testing.assert_allclose(made.time_s, np.arange(10, 31) / 50.0)
    for time_s, row in zip(made.time_s, made.rows, strict=True):
        bright = made.lane.x_m[row > 150]
        assert abs(bright.mean() - time_s * 50.0) < 0.2


def test_all_frames_are_in_one_picture(dot):
    made = film(dot, lane(0.2, 0.6))
    left, top = made.corner_px
    for index in (10, 20, 30):
        x, y = place(index)
        assert unpacked(made.packed)[round(y) - top, round(x) - left] > 150
    x, y = place(35)  # later than what was wanted
    assert unpacked(made.packed)[round(y) - top, round(x) - left] < 100


def test_a_large_picture_is_joined_and_keeps_its_lights(dot):
    made = film(dot, lane(0.2, 0.6), most_pixels=6000)
    assert made.step > 1
    assert unpacked(made.packed).size <= 6000
    x, y = place(20)
    column, line = int(x / made.step), int((y - made.corner_px[1]) / made.step)
    assert unpacked(made.packed)[line, column] > 150


def test_a_dark_craft_by_day(tmp_path):
    path = tmp_path / "dot.mp4"
    write_clip(path, frames(200, 30), stamps=even_stamps(COUNT, RATE))
    made = film(path, lane(0.2, 0.6), darker=True)
    assert made.rows.min(axis=1).max() < 90
    x, y = place(20)
    assert unpacked(made.packed)[round(y) - made.corner_px[1], round(x)] < 90


def test_a_clip_stored_for_slow_playback_has_the_times_of_its_true_rate(dot):
    times = [time_s for time_s, _ in wanted_frames(dot, 0.05, 0.1, rate_hz=200.0)]
    np.testing.assert_allclose(times, np.arange(10, 21) / 200.0)


def test_what_lies_outside_the_picture_is_black(dot):
    outside = lane(0.2, 0.6)
    line = outside.line_px.copy()
    line[:50] = np.nan
    line[-20:, 0] += 400.0
    made = film(dot, replace(outside, line_px=line))
    assert made.rows[:, :49].max() == 0
    assert made.rows[:, -20:].max() == 0


def test_no_frame_is_an_error(dot):
    with pytest.raises(ClipError, match="no frame of pass 1"):
        film(dot, lane(5.0, 6.0))
