"""What stands on annotated frames: the course alone in the picture, the words below it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from made_up import HEIGHT, WIDTH, drawing, filmed, measured, outcome

from vidspeed.record.onframes import Annotator, course_lines, said_at
from vidspeed.record.units import UNITS, bare_speed_text

CLIP, CAMERA = "clips/pass-1.mp4", "north"


def lane_of(*, reverse: bool = False):
    made = filmed("1", CLIP, CAMERA).lane
    flown = np.clip(made.x_m, 0.0, 80.0)
    speed = np.where(flown < 1.6, np.nan, 105.0 + flown / 80.0 * 6.7)
    u = np.where(flown < 1.6, np.nan, 3.0 - flown * 0.02)
    if reverse:
        back = filmed("1", CLIP, CAMERA, reverse=True).lane
        return replace(back, so_far_mps=speed[::-1], so_far_u_mps=u[::-1])
    return replace(made, so_far_mps=speed, so_far_u_mps=u)


def stamp_at(lane, x_m: float) -> float:
    return float(np.interp(x_m, lane.x_m, lane.passed_s - lane.delay_s))


@pytest.mark.parametrize("reverse", [False, True])
def test_the_speed_so_far_is_that_to_where_the_craft_is_and_ends_as_the_pass(reverse):
    lane = lane_of(reverse=reverse)
    result = measured("1", 111.7, "reverse" if reverse else "forward")

    def at(flown: float) -> str:
        return said_at(result, lane, stamp_at(lane, 80.0 - flown if reverse else flown)).speed

    assert at(-3.0) == "–"
    assert at(0.5) == "–"
    widening = result.speed_U95_mps / 1.4
    half = bare_speed_text(108.35, 2.2 * widening, UNITS["kmh"])
    assert at(40.0) == f"speed so far {half} km/h"
    whole = bare_speed_text(result.speed_mps, result.speed_U95_mps, UNITS["kmh"])
    assert at(79.99) == f"speed so far {whole} km/h"
    assert at(80.5) == at(84.0) == f"speed {whole} km/h"


def test_the_clock_and_the_time_since_the_gate():
    lane, result = lane_of(), measured("1", 111.7, "forward")
    before = said_at(result, lane, stamp_at(lane, -3.0))
    assert before.since == "–"
    moment = stamp_at(lane, 40.0)
    after = said_at(result, lane, moment)
    assert after.clock == f"{moment:.4f} s"
    assert float(after.since.split()[0]) == pytest.approx(40.0 / 111.7, abs=1e-4)
    assert after.since.endswith("after the start gate")
    back = lane_of(reverse=True)
    since = said_at(replace(result, direction="reverse"), back, stamp_at(back, 30.0)).since
    assert since.endswith("after the finish gate")


def test_a_partial_pass_tells_its_stretch_when_it_is_over():
    lane = lane_of()
    part = replace(measured("1", 111.7, "forward"), status="partial", stretch_m=(12.0, 66.0))
    assert said_at(part, lane, stamp_at(lane, 60.0)).speed == "–"
    assert "from x = 12.0 to 66.0 m" in said_at(part, lane, stamp_at(lane, 67.0)).speed
    nothing = outcome("unused").passes[3]
    assert said_at(nothing, lane, stamp_at(lane, 67.0)).speed == "–"


def test_only_the_course_is_drawn_and_the_band_is_below():
    pen = Annotator(measured("1", 111.7, "forward"), lane_of(), drawing())
    frame = np.full((HEIGHT, WIDTH, 3), 60, np.uint8)
    made = pen.draw(0.9, frame)
    assert made.shape[0] > HEIGHT and made.shape[1:] == (WIDTH, 3)
    changed = np.argwhere((made[:HEIGHT] != frame).any(axis=2))
    near_course = np.abs(changed[:, 0] - 240) <= 3
    near_gates = (np.abs(changed[:, 1] - 70) <= 3) | (np.abs(changed[:, 1] - 560) <= 3)
    assert len(changed) > 500
    assert (near_course | near_gates).all()
    later = pen.draw(1.2, frame)
    np.testing.assert_array_equal(later[:HEIGHT], made[:HEIGHT])  # nothing follows the craft
    assert (later[HEIGHT:] != made[HEIGHT:]).any()


def test_a_camera_without_a_drawing_and_odd_names():
    result = replace(measured("1", 111.7, "forward"), label="<script>$x_1$\u202e" * 200)
    frame = np.full((HEIGHT, WIDTH, 3), 60, np.uint8)
    made = Annotator(result, lane_of(), None).draw(0.9, frame)
    np.testing.assert_array_equal(made[:HEIGHT], frame)
    where, _, _ = course_lines(None, (WIDTH, HEIGHT))
    assert not where.any()
