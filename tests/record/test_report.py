"""The report is one valid offline page and says what the summary says; so does the terminal."""

from __future__ import annotations

from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pytest
from made_up import measured, outcome
from rich.console import Console

from vidspeed.record.canvas import photo, svg
from vidspeed.record.charts import residual_chart, speed_chart
from vidspeed.record.files import result_files
from vidspeed.record.markview import mark_sentence
from vidspeed.record.pictures import LARGEST_DRAWING, MOST_BYTES, REPORT_BYTES, small
from vidspeed.record.slim import inline
from vidspeed.record.table import last_line, pass_table
from vidspeed.record.units import (
    UNITS,
    probability_text,
    rounded_up,
    speed_text,
    unit_named,
)
from vidspeed.values import BudgetRow, CrossCheck

VOID = {"meta", "img", "br", "link"}


class Page(HTMLParser):
    """Collects the text and checks that every element is closed where it should be."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.words: list[str] = []
        self.images: list[dict[str, str | None]] = []
        self.charts: list[dict[str, str | None]] = []
        self.outside: list[str] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attrs):
        values = dict(attrs)
        if tag == "img":
            self.images.append(values)
        if tag == "svg":
            self.charts.append(values)
        self.outside += [v for k, v in attrs if k in {"href", "src"} and not v.startswith("#")]
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if "style" not in self.open:
            self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())


def page(made, unit: str = "kmh") -> Page:
    return Page(result_files(made, unit=unit)["report.html"].decode("utf-8"))


@pytest.fixture(scope="module")
def made():
    return outcome("unused")


@pytest.fixture(scope="module")
def report(made_files):
    return Page(made_files["report.html"].decode("utf-8"))


def test_page_is_whole_and_offline(report):
    assert report.open == []
    assert report.outside
    kinds = ("data:image/jpeg;base64,", "data:image/svg+xml;base64,")
    assert all(link.startswith(kinds) for link in report.outside)


def test_every_picture_has_words_instead(report):
    # a picture for each pass in each clip, two sheets of place against time, two cameras
    assert len(report.images) == 5 + 2 + 2
    assert all(len(image["alt"] or "") > 20 for image in report.images)
    # speeds and residuals of three passes, and the plan
    assert len(report.charts) == 3 * 2 + 1
    assert all(chart["role"] == "img" for chart in report.charts)
    assert all(len(chart["aria-label"] or "") > 20 for chart in report.charts)


def test_report_holds_the_figures(made, report):
    unit = UNITS["kmh"]
    for result in made.passes[:3]:
        shown = speed_text(result.speed_mps, result.speed_U95_mps, unit).removesuffix(" km/h")
        assert shown in report.text
    assert "388.6 ± 6.7 km/h" in report.text
    assert "from the mean of the times 388.1 km/h" in report.text  # 388.15, cut
    assert "not shown to be above the earlier 378.00 km/h plus 1 %" in report.text
    assert "94.9 %" in report.text
    for result in made.passes[:3]:
        for row in result.budget:
            assert row.source in report.text
    for item in made.inputs:
        assert item.sha256 in report.text
    assert "no pass was found" in report.text
    assert "2 frames repeat the one before" in report.text
    assert "vidspeed run FOLDER" in report.text


@pytest.mark.usefixtures("no_drawing")
def test_report_in_another_unit(made):
    text = page(made, "mps").text
    assert "107.9 ± 1.9 m/s" in text  # 107.95: a claim is not rounded up
    assert "km/h" not in text.replace("(161 km/h)", "")


@pytest.mark.usefixtures("no_drawing")
def test_one_camera_with_a_ruling_flight_line_says_so(made, report):
    assert "ne camera cannot tell how far away a light is" in report.text
    two_cameras = replace(made, passes=(made.passes[1],))
    assert "cannot tell how far" not in page(two_cameras).text
    good_line = BudgetRow(
        source="light positions",
        owner="pass 1",
        kind="A",
        assumed=False,
        input_u=0.3,
        unit="px",
        contribution_mps=0.1,
        share=1.0,
    )
    known = replace(made.passes[0], budget=(good_line,))
    assert "cannot tell how far" not in page(replace(made, passes=(known,))).text


@pytest.mark.usefixtures("no_drawing")
def test_no_mark_says_why(made):
    forward = replace(made, mark=None, passes=(made.passes[0],))
    assert "no reverse pass was measured" in page(forward).text
    nothing = replace(made, mark=None, passes=(made.passes[3],))
    assert "no forward pass and no reverse pass was measured" in page(nothing).text


@pytest.mark.usefixtures("no_drawing")
def test_empty_outcome_still_makes_a_page(made):
    bare = replace(
        made, passes=(), clips=(), cameras=(), mark=None, problems=(), covariance_labels=(),
        covariance=made.covariance[:0, :0], inputs=(),
    )  # fmt: skip
    assert page(bare).open == []


def shown(table) -> str:
    console = Console(width=140, record=True, file=open_nothing())
    console.print(table)
    return console.export_text()


def open_nothing():
    import io

    return io.StringIO()


def test_terminal_table(made):
    text = shown(pass_table(made))
    assert "km/h ± U95" in text
    assert "402.1 ± 6.8" in text
    assert "partial (12.0 to 66.0 m)" in text
    assert "flight-line offset (pass 1), 91 %" in text
    assert "none" in text


def test_terminal_table_takes_labels_as_text(made):
    named = replace(made.passes[0], label="[red]a[/red]\n\x1b[31m")
    assert "[red]a[/red]" in shown(pass_table(replace(made, passes=(named,)), "mph"))


def test_last_line_is_the_mark_when_all_is_well(made):
    assert last_line(made).startswith("Mark 388.6 ± 6.7 km/h")
    assert mark_sentence(made, UNITS["kn"]) in last_line(made, "kn")


def test_last_line_says_the_only_speed(made):
    one = replace(made, mark=None, passes=(made.passes[0], made.passes[3]))
    assert last_line(one).startswith("Pass 1 402.1 ± 6.8 km/h (95 %). No mark: ")
    partial = replace(made, mark=None, passes=(made.passes[2],))
    assert "km/h (95 %), partial (12.0 to 66.0 m). No mark" in last_line(partial)


def test_last_line_warns_of_a_wide_interval(made):
    strict = replace(made, session=replace(made.session, wanted_U95_percent=1.0))
    line = last_line(strict)
    assert line.startswith("Warning: pass 3 is 356.4 ± 6.8 km/h, ± 1.9 % where 1 % was wanted")
    assert "one camera cannot tell the range" in line


def test_last_line_warns_first_of_a_disagreement(made):
    odd = CrossCheck(name="sound", speed_mps=90.0, speed_u_mps=1.0, e_n=-4.2)
    other = replace(made.passes[1], cross_checks=(odd,))
    line = last_line(replace(made, passes=(made.passes[0], other)))
    assert line.startswith(
        "Warning: pass 2 is 375.1 ± 6.8 km/h, but sound says 324.0 ± 7.2 km/h (k"
    )
    assert "4.2 times" in line


def test_last_line_is_one_line(made):
    named = measured("a\nb", 100.0, "forward")
    strict = replace(made, passes=(named,), session=replace(made.session, wanted_U95_percent=0.01))
    assert "\n" not in last_line(strict)


@pytest.mark.parametrize(
    ("name", "expected"), [("kmh", 360.0), ("mph", 223.6936), ("kn", 194.3844), ("mps", 100.0)]
)
def test_units(name, expected):
    assert 100.0 * unit_named(name).per_mps == pytest.approx(expected, abs=5e-5)


@pytest.mark.parametrize("uncertainty", [0.0123456, 0.95, 0.0995, 1.0, 9.96, 12.34, 99.7, 1234.5])
def test_rounding_never_makes_a_figure_look_surer_than_it_is(uncertainty):
    shown_value, places = rounded_up(uncertainty)
    assert 0.995 * uncertainty <= shown_value <= 1.11 * uncertainty
    assert float(f"{shown_value:.{places}f}") == pytest.approx(shown_value)


@pytest.mark.parametrize("probability", [0.94999, 0.9499999, 0.999, 0.99951, 1.0, 0.5])
def test_a_probability_is_never_rounded_up(probability):
    text = probability_text(probability)
    stated = float(text.removeprefix("over ").removesuffix(" %")) / 100.0
    assert stated <= probability + 1e-12


def test_ten_passes_of_two_cameras_stay_below_five_million_bytes():
    """Photographs full of noise and sheets at their bounds, charts and text as they are made."""
    noisy = np.random.default_rng(1).normal(90.0, 25.0, (720, 1280)).clip(0, 255)
    figure, _ = photo(noisy.astype(np.uint8), np.zeros(2), np.array([1280.0, 720.0]))
    share = min(MOST_BYTES, REPORT_BYTES // 22)
    assert len(small(figure, MOST_BYTES)) <= MOST_BYTES
    assert len(small(figure, share)) <= share
    coded = 4.0 / 3.0 * (22 * share + 20 * LARGEST_DRAWING)
    one = measured("1", 111.0, "forward")
    charts = sum(len(inline(svg(make(one), "a"), "b")) for make in (speed_chart, residual_chart))
    assert coded + 10 * (charts + 25_000) < 5e6
