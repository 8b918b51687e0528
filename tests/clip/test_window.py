"""Only the part of the picture in which a craft can be is searched."""

from __future__ import annotations

import numpy as np
import pytest

from vidspeed.clip.read import Frame
from vidspeed.clip.window import MARGIN_PX, window_of
from vidspeed.values import Strip

SIZE = (640, 360)


def strip(*corners):
    return Strip(polygon_px=np.array(corners, dtype=float), speed_px_s=(100.0, 1000.0))


def test_without_a_strip_it_is_the_whole_picture():
    window = window_of(SIZE, None)
    assert (window.left, window.top, window.right, window.bottom) == (0, 0, 320, 180)
    assert window.inside is None


@pytest.mark.parametrize("turn", [1, -1])
def test_it_holds_the_strip_and_a_margin_and_little_more(turn):
    corners = np.array([[-5000.0, 100.0], [9000.0, 140.0], [9000.0, 180.0], [-5000.0, 140.0]])
    window = window_of(SIZE, strip(*corners[::turn]))
    assert (window.left, window.right) == (0, 320)
    line = 114.3 + 40.0 * np.arange(SIZE[0]) / 14000.0  # its upper edge in the picture
    assert window.inside.any(axis=0).all()
    first = 2 * (window.top + np.argmax(window.inside, axis=0))
    off = line[::2] - first
    assert np.all((off > MARGIN_PX - 20) & (off < MARGIN_PX + 20))
    assert 2 * window.top > 40
    assert 2 * window.bottom < 240


def test_a_strip_beside_the_picture_leaves_nothing_to_search():
    window = window_of(SIZE, strip((900, 0), (1000, 0), (1000, 90)))
    assert not window.inside.any()


def test_a_pane_lies_where_it_says():
    luma = np.arange(SIZE[0] * SIZE[1], dtype=np.uint32).astype(np.uint8).reshape(SIZE[::-1])
    frame = Frame(index=3, stamp=9, time_s=0.3, luma=luma)
    window = window_of(SIZE, strip((100, 200), (300, 200), (300, 220), (100, 220)))
    pane = window.cut(frame)
    left, top = pane.corner_px
    height, width = pane.luma.shape
    np.testing.assert_array_equal(pane.luma, luma[top : top + height, left : left + width])
    assert pane.half.shape == (height // 2, width // 2)
    assert np.shares_memory(pane.luma, luma)
    assert not np.shares_memory(window.cut(frame, copied=True).luma, luma)
