"""The picture of a whole pass: nothing lies on the craft, the times stand at the gates."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from made_up import HEIGHT, WIDTH, drawing, filmed, measured, sighted

from vidspeed.clip.still import packed, unpacked
from vidspeed.record.canvas import png
from vidspeed.record.wholepass import BESIDE_IN, gate_words, whole_pass

CLIP, CAMERA = "clips/pass-1.mp4", "north"


def drawn(result=None, seen=None, made=None, lines=None):
    result = result or measured("1", 111.7, "forward")
    made = made or filmed("1", CLIP, CAMERA)
    return whole_pass(result, seen or sighted(CLIP, CAMERA), made, lines or drawing())


def texts(figure) -> list[str]:
    return [text.get_text() for axes in figure.axes for text in axes.texts]


def test_times_stand_at_the_gates():
    assert set(texts(drawn())) == {"start 0.6000 s", "finish 1.3000 s"}
    back = measured("1", 111.7, "reverse")
    assert set(texts(drawn(back))) == {"start 1.3000 s", "finish 0.6000 s"}


def test_a_pass_that_did_not_show_both_gates_has_no_times():
    partial = replace(measured("1", 111.7, "forward"), status="partial")
    assert gate_words(partial, CLIP, CAMERA) == ("", "")
    assert gate_words(measured("1", 111.7, "forward"), "another.mp4", CAMERA) == ("", "")


def test_no_mark_lies_on_a_light():
    """Every mark is moved down by the same length on the page, and none of its ink is nearer."""
    figure = drawn()
    axes = figure.axes[0]
    marks = [line for line in axes.lines if str(line.get_label()).startswith("light")]
    assert [line.get_label() for line in marks] == ["light used (22)", "light not used (2)"]
    for line in marks:
        xy = np.column_stack(line.get_data())
        moved = line.get_transform().transform(xy) - axes.transData.transform(xy)
        np.testing.assert_allclose(moved, [[0.0, -BESIDE_IN * figure.dpi]] * len(xy), atol=1e-6)
        assert line.get_markersize() / 72.0 / 2.0 < BESIDE_IN / 1.2


def test_what_is_shown_lies_within_the_picture():
    far = replace(
        drawing(), course_line_px=np.array([[-1e6, 0.0], [1e6, 9.0]]),
        gates_px=(np.full((4, 2), np.nan), np.array([[1e5, 1e5], [1e5, -1e5]])),
    )  # fmt: skip
    for lines in (drawing(), far):
        axes = drawn(lines=lines).axes[0]
        assert -0.5 <= axes.get_xlim()[0] < axes.get_xlim()[1] <= WIDTH - 0.5
        assert -0.5 <= axes.get_ylim()[1] < axes.get_ylim()[0] <= HEIGHT - 0.5


def test_a_cut_and_joined_picture_lies_where_it_was():
    made = filmed("1", CLIP, CAMERA)
    part = unpacked(made.packed)[100:200:2, ::2]
    half = replace(made, packed=packed(part), corner_px=(0, 100), step=2)
    image = drawn(made=half).axes[0].images[0]
    assert tuple(image.get_extent()) == (-0.5, WIDTH - 0.5, 199.5, 99.5)


@pytest.mark.parametrize("lines", [None, drawing()])
def test_it_is_a_picture(lines):
    figure = whole_pass(
        measured("1", 111.7, "forward"), sighted(CLIP, CAMERA), filmed("1", CLIP, CAMERA), lines
    )
    assert png(figure).startswith(b"\x89PNG")
