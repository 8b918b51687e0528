"""The charts that stand in the page: the page's ink, no outside names, odd names as words."""

from __future__ import annotations

from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pytest
from made_up import camera_fit, measured, outcome
from matplotlib.backends.backend_agg import FigureCanvasAgg

from vidspeed.record.canvas import svg
from vidspeed.record.charts import residual_chart, speed_chart
from vidspeed.record.courseview import plan_view, plan_words
from vidspeed.record.slim import inline

NAME = '<script>alert(1)</script>$\\frac{1}$\u202e"&'


def test_a_chart_in_the_page_has_its_ink_and_words():
    text = str(inline(svg(speed_chart(measured("1", 111.0, "forward")), "a"), f"Words {NAME}"))
    root = ElementTree.fromstring(text)
    assert root.tag.endswith("svg")
    assert root.get("role") == "img"
    assert root.get("aria-label") == f"Words {NAME}"
    assert root.get("width") is None
    assert "currentColor" in text
    assert "#1a1a1a" not in text
    assert "fill: #ffffff" not in text
    assert "<style" not in text
    assert not any(part.tag.endswith("}g") and part.get("id") for part in root.iter())


@pytest.mark.parametrize(("unit", "label"), [("kmh", "km/h"), ("mph", "mph"), ("mps", "m/s")])
def test_the_speed_chart_shows_profile_mean_and_unit(unit, label):
    result = measured("1", 111.0, "forward")
    (axes,) = speed_chart(result, unit).axes
    assert label in axes.get_ylabel()
    factor = {"kmh": 3.6, "mph": 3600 / 1609.344, "mps": 1.0}[unit]
    profile = next(line for line in axes.lines if line.get_label() == "speed at this place")
    np.testing.assert_allclose(profile.get_ydata(), result.profile.speed_mps * factor)


def test_the_residuals_are_those_of_the_lights_that_were_used():
    result = measured("1", 111.0, "forward")
    across, down = residual_chart(result).axes
    seen = result.sightings[0]
    for axes, axis in ((across, 0), (down, 1)):
        np.testing.assert_array_equal(axes.lines[0].get_ydata(), seen.residual_px[seen.used, axis])
        np.testing.assert_array_equal(axes.lines[0].get_xdata(), seen.x_m[seen.used])


def test_the_plan_has_cameras_paths_and_gates_where_they_are():
    made = outcome("unused")
    path = np.column_stack([np.linspace(-5, 85, 17), np.full(17, 0.4), np.full(17, 4.0)])
    made = replace(made, passes=(replace(made.passes[0], path_m=path), made.passes[3]))
    above, below = plan_view(made).axes
    for axes in (above, below):
        flown = next(line for line in axes.lines if line.get_label() == "pass 1")
        np.testing.assert_array_equal(flown.get_ydata(), path[:, 1])
    squares = [line.get_xydata()[0] for line in above.lines if line.get_marker() == "s"]
    np.testing.assert_array_equal(squares, [camera_fit("north").pose.position_m[:2]] * 2)
    assert above.get_aspect() == 1.0
    assert "camera north at x 40.0 m, y -60.0 m" in plan_words(made)
    assert "pass 1 at y 0.40 to 0.40 m" in plan_words(made)


def test_charts_of_odd_names_and_of_nothing():
    made = outcome("unused")
    seen = replace(made.passes[0].sightings[0], camera=NAME)
    path = np.column_stack([np.linspace(-5, 85, 17), np.zeros((17, 2))])
    odd = replace(made.passes[0], label=NAME, sightings=(seen,), path_m=path)
    fit = replace(camera_fit("north"), camera="north")
    for figure in (
        speed_chart(odd), residual_chart(odd), speed_chart(made.passes[3]),
        plan_view(replace(made, passes=(odd,), cameras=(fit,))),
        plan_view(replace(made, passes=(), cameras=())),
    ):  # fmt: skip
        text = svg(figure, NAME).decode("utf-8")
        assert "<script" not in text
        assert "\u202e" not in text
        ElementTree.fromstring(text)


def test_charts_are_the_same_every_time():
    result = measured("1", 111.0, "forward")
    assert svg(speed_chart(result), "a") == svg(speed_chart(result), "a")


@pytest.mark.parametrize("long", [False, True])
def test_what_is_written_beside_a_chart_lies_within_it_and_on_nothing_else(long):
    row = measured("a label of a pass that is too long to be shown", 1234.5, "forward")
    first = row.sightings[0]
    names = [f"camera number {k} beside the runway's end" if long else f"c{k}" for k in range(3)]
    seen = tuple(
        replace(first, camera=name, residual_px=first.residual_px * 30.0**k)
        for k, name in enumerate(names)
    )
    path = np.column_stack([np.linspace(-5, 85, 17), np.full(17, 0.4), np.full(17, 4.0)])
    row = replace(row, sightings=seen, path_m=path)
    labels = [f"pass with a long label {k}" if long else f"{k}" for k in range(6)]
    flown = replace(outcome("unused"), passes=tuple(replace(row, label=name) for name in labels))
    for figure in (speed_chart(row), residual_chart(row), plan_view(flown)):
        canvas, feet = FigureCanvasAgg(figure), []
        canvas.draw()
        whole = figure.bbox
        legend = figure.legends[0].get_window_extent()
        assert whole.x0 <= legend.x0
        assert legend.x1 <= whole.x1
        assert legend.y1 <= whole.y1
        for axes in figure.axes:
            assert axes.get_position().height * figure.get_figheight() > 0.4
            inside = axes.get_window_extent()
            assert inside.y1 <= legend.y0
            boxes = {
                name: [text.get_window_extent() for text in axes.texts if text.get_text() == name]
                for name in {text.get_text() for text in axes.texts} - {""}
            }
            (name,) = boxes.pop(axes.get_ylabel())
            assert whole.x0 <= name.x0
            below = boxes.pop(axes.get_xlabel(), [])
            written = [box for every in boxes.values() for box in every]
            beside = [box for box in written if box.x1 < inside.x0]
            assert len(beside) >= 2
            assert all(name.x1 <= box.x0 for box in beside)
            below += [box for box in written if box.y1 < inside.y0]
            for box in below:
                assert whole.y0 <= box.y0
                assert box.y1 <= inside.y0
            feet.append(min((box.y0 for box in below), default=inside.y0))
        for foot, under in zip(feet, figure.axes[1:], strict=False):
            assert under.get_window_extent().y1 <= foot
