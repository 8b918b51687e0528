"""The space-time picture is to scale: what a ruler reads on it is the speed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from made_up import filmed, measured, outcome

from vidspeed.record.canvas import png, svg
from vidspeed.record.spacetime import (
    INCH_CM,
    PER_CM,
    laid_out,
    round_scale,
    sheet_of,
    space_time,
)

SPEED_MPS = 111.7


def drawn_pass(*, reverse: bool = False):
    result = measured("1", SPEED_MPS, "reverse" if reverse else "forward")
    return result, filmed("1", "clips/pass-1.mp4", "north", reverse=reverse)


def words(figure) -> str:
    texts = [text.get_text() for axes in figure.axes for text in axes.texts]
    return "\n".join([*texts, *(text.get_text() for text in figure.texts)])


@pytest.mark.parametrize("reverse", [False, True])
def test_what_moves_draws_the_slope_that_a_ruler_reads(reverse):
    """Fit a line to the black of the picture, in centimetres of the print."""
    _, made = drawn_pass(reverse=reverse)
    sheet, picture = sheet_of(made), laid_out(made)
    line, column = np.nonzero(picture < 0.5)
    across_cm = (column + 0.5) / picture.shape[1] * sheet.wide_cm
    down_cm = (line + 0.5) / picture.shape[0] * sheet.tall_cm
    per_line = np.array([across_cm[line == at].mean() for at in np.unique(line)])
    slope = np.polyfit(np.unique(line) * sheet.tall_cm / picture.shape[0], per_line, 1)[0]
    speed = slope * sheet.m_per_cm / sheet.s_per_cm
    assert speed == pytest.approx(-SPEED_MPS if reverse else SPEED_MPS, rel=0.01)
    assert down_cm.max() < sheet.tall_cm


def test_the_read_out_is_laid_flat():
    """A camera that reads from left to right in time: without its delay the slope is wrong."""
    _, made = drawn_pass()
    delay = np.linspace(0.0, 0.016, len(made.lane.x_m))
    rows = np.full_like(made.rows, 40)
    for row, at in zip(rows, made.time_s, strict=True):
        row[np.abs(made.lane.passed_s - delay - at) * SPEED_MPS < 0.6] = 220
    slanted = replace(made, lane=replace(made.lane, delay_s=delay), rows=rows)

    def slope(one) -> float:
        picture = laid_out(one)
        tall_s = sheet_of(one).tall_cm * sheet_of(one).s_per_cm
        line, column = np.nonzero(picture < 0.5)
        return np.polyfit(line * tall_s / picture.shape[0], made.lane.x_m[column], 1)[0]

    assert slope(slanted) == pytest.approx(SPEED_MPS, rel=0.01)
    flat = replace(slanted, lane=replace(slanted.lane, delay_s=np.zeros_like(delay)))
    assert slope(flat) > 1.015 * SPEED_MPS


def test_the_print_has_its_size_and_round_scales():
    result, made = drawn_pass()
    sheet, figure = sheet_of(made), space_time(result, made)
    box = figure.axes[0].get_position()
    wide_m = float(np.ptp(made.lane.x_m))
    assert figure.get_figwidth() * INCH_CM * box.width * sheet.m_per_cm == pytest.approx(wide_m)
    low_ms, high_ms = sorted(figure.axes[0].get_ylim())
    tall_cm = figure.get_figheight() * INCH_CM * box.height
    assert tall_cm * sheet.s_per_cm == pytest.approx((high_ms - low_ms) / 1e3)
    assert sheet.whole_cm[0] < 18.2 and sheet.whole_cm[1] < 26.0  # between the margins of an A4
    for scale in (sheet.m_per_cm, sheet.s_per_cm):
        mantissa = scale / 10.0 ** np.floor(np.log10(scale))
        assert any(mantissa == pytest.approx(step) for step in PER_CM)
    assert f"1 cm is {sheet.m_per_cm:g} m across" in words(figure)


@pytest.mark.parametrize("least", [0.0123, 0.9999, 1.0, 1.01, 6.4, 8.2, 77.0])
def test_a_round_scale_is_large_enough_and_not_much_larger(least):
    assert least <= round_scale(least) * (1 + 1e-6) <= 2.01 * least


@pytest.mark.parametrize("reverse", [False, True])
def test_the_triangle_is_length_over_time(reverse):
    result, made = drawn_pass(reverse=reverse)
    figure = space_time(result, made)
    legs = next(line for line in figure.axes[0].lines if len(line.get_xdata()) == 3)
    rise_m = abs(legs.get_xdata()[2] - legs.get_xdata()[0])
    spent_ms = legs.get_ydata()[1] - legs.get_ydata()[0]
    assert rise_m / spent_ms * 1e3 == pytest.approx(SPEED_MPS)
    assert "80.00 m / 0.7162 s" in words(figure)
    assert "402.1 ± 6.8 km/h" in words(figure)


def test_a_partial_pass_has_the_triangle_of_its_stretch():
    result, made = drawn_pass()
    partial = replace(result, status="partial", stretch_m=(12.0, 66.0), crossings=())
    assert "54.00 m / 0.4834 s" in words(space_time(partial, made))


def test_a_pass_without_a_speed_has_no_triangle():
    _, made = drawn_pass()
    figure = space_time(outcome("unused").passes[3], made)
    assert "km/h" not in words(figure)
    png(figure)


def test_frames_that_are_missing_leave_white_and_what_is_not_seen_is_grey():
    _, made = drawn_pass()
    kept = np.ones(len(made.time_s), dtype=bool)
    kept[20:24] = False
    rows = made.rows[kept].copy()
    rows[:, :30] = 0
    gap = replace(made, time_s=made.time_s[kept], rows=rows)
    picture = laid_out(gap)
    assert (picture[:, :30] < 1.0).all() and (picture[:, :30] > 0.5).all()
    blank = (picture[:, 30:] == 1.0).all(axis=1)
    assert blank.mean() > 3 / 44


def test_a_craft_that_is_darker_than_the_sky_is_black_too():
    _, made = drawn_pass()
    day = replace(made, rows=255 - made.rows, darker=True)
    np.testing.assert_allclose(laid_out(day), laid_out(made), atol=1e-9)


def test_hostile_names_are_words():
    result, made = drawn_pass()
    name = '<script>alert(1)</script>$x_1$\u202e"'
    lane = replace(made.lane, camera=name, clip=name * 400)
    text = svg(space_time(replace(result, label=name), replace(made, lane=lane)), name)
    assert b"<script" not in text
    assert "\u202e".encode() not in text


def test_one_frame_is_enough_for_a_picture():
    result, made = drawn_pass()
    one = replace(made, time_s=made.time_s[:1], rows=made.rows[:1])
    assert png(space_time(result, one)) != png(space_time(result, made))
