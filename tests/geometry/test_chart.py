"""Charts to print: true to scale in the files themselves, and as OpenCV draws them."""

from __future__ import annotations

import re
from dataclasses import replace
from xml.etree import ElementTree

import cv2
import numpy as np
import pytest

from vidspeed.errors import CalibrationError, OptionError
from vidspeed.geometry.chart import (
    PAPERS,
    board_pages,
    chart_boxes,
    chart_page,
    check_chart,
    corner_places,
)
from vidspeed.geometry.codes import FAMILIES, cells, dictionary, how_many
from vidspeed.geometry.sheet import pdf, svg
from vidspeed.values import Chart

PLAIN = Chart(columns=9, rows=6, square_m=0.025)
CODED = Chart(columns=9, rows=6, square_m=0.025, family="5x5_100", code_m=0.0175)


def drawn(boxes, shape, cells_a_unit):
    picture = np.full(shape, 255, np.uint8)
    for x, y, w, h in np.asarray(boxes) * cells_a_unit:
        picture[round(y) : round(y + h), round(x) : round(x + w)] = 0
    return picture


def test_a_charuco_chart_is_the_one_opencv_draws():
    board = cv2.aruco.CharucoBoard((10, 7), 0.025, 0.0175, dictionary("5x5_100"))
    theirs = board.generateImage((1000, 700), marginSize=0, borderBits=1)
    assert np.array_equal(drawn(chart_boxes(CODED), (700, 1000), 4000), theirs)
    corners = np.asarray(board.getChessboardCorners())[:, :2] - 0.025
    assert corner_places(CODED) == pytest.approx(corners, abs=1e-7)


def test_a_chessboard_is_a_charuco_chart_without_its_codes():
    squares = drawn(chart_boxes(PLAIN), (700, 1000), 4000)
    i, j = np.meshgrid(np.arange(1000) // 100, np.arange(700) // 100)
    assert np.array_equal(squares == 0, (i + j) % 2 == 0)


@pytest.mark.parametrize("family", FAMILIES)
def test_every_family_has_codes_that_are_found_again(family):
    dark = cells(family, how_many(family) - 1)
    picture = np.kron(np.pad(dark, 2, constant_values=False), np.ones((12, 12)))
    _, numbers, _ = cv2.aruco.ArucoDetector(dictionary(family)).detectMarkers(
        np.where(picture > 0, 20, 230).astype(np.uint8)
    )
    assert numbers.ravel().tolist() == [how_many(family) - 1]


@pytest.mark.parametrize("paper", ["A4", "a3", "Letter"])
@pytest.mark.parametrize("chart", [PLAIN, CODED])
def test_a_pdf_states_its_size_and_draws_squares_of_the_right_size(paper, chart):
    page = chart_page(chart, paper)
    text = pdf([page]).decode("latin-1")
    box = [float(part) for part in re.search(r"/MediaBox \[([^]]*)\]", text)[1].split()]
    sides = sorted(side / 72 * 25.4 for side in box[2:])
    assert sides == pytest.approx(sorted(PAPERS[paper.casefold()]), abs=0.01)
    assert "/PrintScaling /None" in text
    scale = float(re.search(r"stream\n(\S+) 0 0 -\S+ 0 \S+ cm", text)[1])
    boxes = np.array(re.findall(r"^(\S+) (\S+) (\S+) (\S+) re$", text, re.MULTILINE), float)
    wide = boxes[np.isclose(boxes[:, 2], 25.0) & np.isclose(boxes[:, 3], 25.0)]
    assert len(wide) == 35
    assert wide[:, 2] * scale / 72 * 25.4 == pytest.approx(25.0, abs=1e-4)
    apart = np.diff(np.unique(wide[:, 0].round(4)))
    assert apart == pytest.approx(25.0)
    for place, number in re.findall(r"^(\d{10}) 00000 n", text, re.MULTILINE) and zip(
        re.findall(r"^(\d{10}) 00000 n", text, re.MULTILINE), range(1, 99), strict=False
    ):
        assert text[int(place) :].startswith(f"{number} 0 obj")


def test_an_svg_is_true_to_scale():
    page = chart_page(PLAIN, "A4")
    root = ElementTree.fromstring(svg(page).decode("utf-8"))
    assert (root.get("width"), root.get("height")) == ("297mm", "210mm")
    assert root.get("viewBox") == "0 0 297 210"
    path = root.find("{http://www.w3.org/2000/svg}path").get("d")
    assert path.count("h25.0000v25.0000h-25.0000z") == 35


@pytest.mark.parametrize("chart", [PLAIN, CODED])
def test_rulers_and_chart_lie_on_the_page_and_the_ruler_is_as_long_as_it_says(chart):
    page = chart_page(chart, "A4")
    boxes = page.boxes_mm
    assert np.all(boxes[:, :2] >= 7.9)
    assert np.all(boxes[:, 0] + boxes[:, 2] <= page.width_mm - 7.9)
    assert np.all(boxes[:, 1] + boxes[:, 3] <= page.height_mm - 7.9)
    long_mm = float(re.search(r"ruler is (\d+) mm", page.labels[0].text)[1])
    assert boxes[:, 2].max() == long_mm
    high_mm = float(re.search(r"the other (\d+) mm", page.labels[0].text)[1])
    assert boxes[:, 3].max() == high_mm


def test_coded_boards_are_a_page_each_with_a_light_border():
    pages = board_pages("4x4_50", [3, 7], 150.0, "A4")
    assert len(pages) == 2
    code = pages[0].boxes_mm[pages[0].boxes_mm[:, 3] == 25.0]
    low = code[:, :2].min(axis=0)
    high = (code[:, :2] + code[:, 2:]).max(axis=0)
    assert high - low == pytest.approx([150.0, 150.0])
    rest = pages[0].boxes_mm[pages[0].boxes_mm[:, 3] != 25.0]
    assert rest[:, 1].min() > high[1] + 25.0
    assert np.all(low >= 24.9) and "code 3 of 4x4_50" in pages[0].labels[0].text


@pytest.mark.parametrize(
    ("chart", "message"),
    [
        (Chart(columns=2, rows=6, square_m=0.025), "2x6; inner corners from 3 to 60"),
        (replace(CODED, columns=15, rows=14, family="4x4_50"), "takes 120 codes"),
        (replace(CODED, code_m=0.025), "--code-mm is 25"),
        (replace(CODED, family="9x9"), "no family of codes"),
    ],
)  # fmt: skip
def test_impossible_charts_are_refused(chart, message):
    with pytest.raises(OptionError, match=message):
        check_chart(chart)


def test_what_does_not_fit_on_the_paper_is_refused():
    big = Chart(columns=9, rows=6, square_m=0.04)
    with pytest.raises(OptionError, match=r"takes 429 x 309 mm .* A4 has 297 x 210"):
        chart_page(big, "A4")
    with pytest.raises(OptionError, match="allowed are A4, A3 and Letter"):
        chart_page(PLAIN, "B5")
    with pytest.raises(CalibrationError, match="code 50 is none of 4x4_50; allowed are 0 to 49"):
        board_pages("4x4_50", [50], 100.0, "A4")
