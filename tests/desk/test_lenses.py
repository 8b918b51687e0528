"""The chart of a lens as the page describes it; tests/test_lens.py measures one as the page."""

import pytest

from vidspeed.desk.lenses import chart_of, chart_pdf
from vidspeed.errors import CalibrationError, OptionError


@pytest.mark.parametrize(
    ("board", "square"), [("9", "25"), ("9x6", "0"), ("9x6", "25 mm"), ("", "")]
)
def test_what_is_no_chart_is_said(board, square):
    with pytest.raises(CalibrationError, match="needed"):
        chart_of(board, square, coded=False)


def test_the_chart_to_print_is_a_pdf():
    assert chart_pdf(chart_of("9x6", "25,0", coded=True), "A4")[:5] == b"%PDF-"
    with pytest.raises(OptionError):
        chart_pdf(chart_of("30x30", "100", coded=False), "A4")
