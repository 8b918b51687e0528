"""A comparison in words and as a plot: the verdict stands alone, and nothing is rounded its way."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from vidspeed.record.compareview import (
    comparison_figure,
    comparison_json,
    comparison_lines,
    verdict_sentence,
)
from vidspeed.record.units import UNITS
from vidspeed.values import Compared, Group

KMH = UNITS["kmh"]


def group(name, speed, count=4):
    ways = tuple("forward" if at % 2 else "reverse" for at in range(count))
    return Group(
        name=name, labels=tuple(str(at) for at in range(count)), directions=ways,
        speeds_mps=np.linspace(speed - 1.0, speed + 1.0, count), U95_mps=np.full(count, 0.5),
        speed_mps=speed, speed_U95_mps=0.8, balanced=True,
    )  # fmt: skip


def found(**how) -> Compared:
    made = Compared(
        first=group("tail 3", 110.0), second=group("tail 4", 111.0), difference_mps=1.0 / 3.6,
        difference_u_mps=0.1, interval95_mps=(0.2491 / 3.6, 1.7509 / 3.6),
        faster_probability=0.97, verdict="faster", scatter_mps=0.5, scatter_dof=6,
        measurement_u_mps=0.05, shared_u_mps=0.02, found_if_percent=1.0, found_if=0.639,
        more_passes=0,
    )  # fmt: skip
    return replace(made, **how)


def test_the_verdict_is_the_last_line():
    lines = comparison_lines(found(notes=("flown in the rain",)), KMH)
    assert lines[0] == "note: flown in the rain"
    assert lines[-1] == (
        "tail 4 is faster than tail 3 by 1.00 km/h at 95 %: 95 % interval +0.24 to +1.76 km/h; "
        "probability of being faster 97.0 %"
    )
    assert "63 times in 100" in lines[2]


def test_an_interval_is_rounded_outwards():
    said = verdict_sentence(found(interval95_mps=(-0.2491 / 3.6, 0.7509 / 3.6)), KMH)
    assert "−0.25 to +0.76 km/h" in said


@pytest.mark.parametrize(("more", "said"), [(1, "1 more pass each"), (7, "7 more passes each")])
def test_what_would_settle_it(more, said):
    lines = comparison_lines(found(verdict="not shown", more_passes=more), KMH)
    assert said in lines[-2]
    assert "not shown to be faster or slower" in lines[-1]


def test_what_nothing_would_settle():
    lines = comparison_lines(found(verdict="not shown", more_passes=None), KMH)
    assert "no number of passes that was tried" in lines[-2]


def test_what_cannot_be_decided_says_why():
    undecided = found(
        verdict="cannot be decided", scatter_mps=None, scatter_dof=0, found_if=None,
        more_passes=None,
    )  # fmt: skip
    lines = comparison_lines(undecided, KMH)
    assert lines[-1].startswith("Cannot be decided: so few passes")
    assert len(lines) == 2
    assert "cannot be told" in lines[0]


def test_slower_is_said_without_a_sign():
    slower = found(
        verdict="slower", difference_mps=-1.0 / 3.6, faster_probability=0.02,
        interval95_mps=(-1.7 / 3.6, -0.3 / 3.6),
    )  # fmt: skip
    said = verdict_sentence(slower, KMH)
    assert said.startswith("tail 4 is slower than tail 3 by 1.00 km/h at 95 %")
    assert "probability of being faster 2.0 %" in said


def test_names_cannot_break_a_line():
    named = found(first=group("a\nb", 110.0))
    assert "\n" not in verdict_sentence(named, KMH)


def test_the_plot_is_a_picture():
    for made in (found(), found(first=group("alone", 110.0, 1), second=group("$x_1", 1.0, 1))):
        assert comparison_figure(made, KMH).startswith(b"\x89PNG")


def test_json_is_strict():
    text = json.dumps(comparison_json(found(found_if=None)), allow_nan=False)
    data = json.loads(text)
    assert data["schema"] == "vidspeed.comparison/1"
    assert data["first"]["labels"] == ["0", "1", "2", "3"]
    assert data["verdict"] == "faster"
