"""Words that are kept look as Matplotlib sets them, and nothing hangs on what was set before."""

from __future__ import annotations

import io

import numpy as np
import pytest
from matplotlib.figure import Figure

from vidspeed.record import lettering
from vidspeed.record.canvas import painted, svg


def spoken(text: str = "Speed, km/h", **how) -> Figure:
    figure = Figure(figsize=(2.0, 2.0), dpi=100)
    figure.text(0.5, 0.5, text, **how)
    return figure


def ink(pixels) -> np.ndarray:
    """Return first and last line and column (4,) that are not white."""
    lines, columns = np.nonzero(pixels[..., :3].min(axis=2) < 200)
    return np.array([lines.min(), lines.max(), columns.min(), columns.max()])


@pytest.mark.parametrize("angle", [0, 90, 180, 270, 33])
@pytest.mark.parametrize("colour", ["black", "#a34700", (0.0, 0.3, 0.0, 0.7)])
def test_words_lie_where_they_are_put(angle, colour):
    how = {"rotation": angle, "color": colour, "ha": "right", "va": "bottom"}
    raw = io.BytesIO()
    spoken(**how).savefig(raw, format="rgba", dpi=100)
    theirs = np.frombuffer(raw.getvalue(), np.uint8).reshape(200, 200, 4)
    ours = painted(spoken(**how), dpi=100)
    assert np.abs(ink(ours) - ink(theirs)).max() <= 1
    assert np.abs(ours[..., :3].mean(axis=(0, 1)) - theirs[..., :3].mean(axis=(0, 1))).max() < 0.5


def test_the_same_words_are_the_same_whatever_was_drawn_before():
    def both() -> tuple[bytes, bytes]:
        return painted(spoken(), dpi=100).tobytes(), svg(spoken(), "a")

    for kept in (lettering._written, lettering._painted_size, lettering.drawn_size):
        kept.cache_clear()
    first = both()
    painted(spoken(fontsize=20), dpi=100)
    painted(spoken(color="red"), dpi=150)
    svg(spoken(fontweight="bold"), "b")
    assert both() == first
    assert painted(spoken(color="red"), dpi=100).tobytes() != first[0]
    assert painted(spoken(fontsize=20), dpi=100).tobytes() != first[0]
