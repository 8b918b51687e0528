"""What is ruled here stands where Matplotlib's own axes would put it."""

from __future__ import annotations

import numpy as np
import pytest
from matplotlib.figure import Figure

from vidspeed.record.canvas import board, painted
from vidspeed.record.ruled import Ruling, rule, ticks

PLAIN = Ruling(tick_pt=10, name_pt=10, long_pt=3.5, grid_wide_pt=0.6, grid_alpha=1.0, order=0.5)


@pytest.mark.parametrize(
    "limits",
    [(0.0, 80.0), (-6.4, 86.2), (431.91, 432.07), (-0.31, 0.14), (700.0, -10.0), (-2e3, 9e4)],
)  # fmt: skip
@pytest.mark.parametrize("across", [True, False])
def test_ticks_are_those_of_an_axis_of_that_length(limits, across):
    figure = Figure(figsize=(4.0, 3.0), dpi=72)
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set_xlim(limits)
    axes.set_ylim(limits)
    axis = axes.xaxis if across else axes.yaxis
    low, high = sorted(limits)
    theirs = [place for place in axis.get_majorticklocs() if low <= place <= high]
    made = ticks(limits, 288.0 if across else 216.0, 10.0, across=across)
    np.testing.assert_allclose(made.places, theirs, atol=1e-9 * (high - low))
    assert [float(text.replace("\N{MINUS SIGN}", "-")) for text in made.texts] == pytest.approx(
        theirs
    )


def test_the_grid_lies_at_the_ticks():
    figure, (axes,) = board(2.0, 2.0)
    axes.set_position((0.25, 0.25, 0.5, 0.5))
    axes.spines[:].set_visible(False)
    axes.set_xlim(0.0, 100.0)
    axes.set_ylim(50.0, 0.0)
    across, up = (
        ticks((0.0, 100.0), 72.0, 10.0, across=True),
        ticks((50.0, 0.0), 72.0, 10.0, across=False),
    )
    assert list(across.places) == [0.0, 50.0, 100.0]
    rule(axes, across, up, PLAIN)
    pixels = painted(figure)[..., 0].astype(int)
    column = pixels[60 + 17, 60:180]  # between two lines of the grid across
    assert column[59:61].min() < 120
    assert column[10:50].min() > 250
    line = pixels[60:180, 60 + 33]
    dark = {round(float(place)) for place in 120.0 * up.places / 50.0}
    found = {at for at in range(1, 119) if line[at] < 200}
    assert all(min(abs(at - place) for place in dark) <= 1 for at in found)
    assert all(any(abs(at - place) <= 1 for at in found) for place in dark if 2 < place < 118)
