"""The report in a real browser: readable light and dark, on a phone, and to scale on paper."""

from __future__ import annotations

from contextlib import contextmanager

import pytest

from tests.accessible import faults
from tests.browser import in_browser, opened


@contextmanager
def read(path, **context):
    """Open the report; it may ask for nothing that is not in it."""
    asked = []
    with opened("about:blank", **context) as page:
        page.on("request", lambda request: asked.append(request.url))
        page.goto(path.as_uri())
        yield page
    assert asked and all(url.startswith(("file:", "data:")) for url in asked)


@pytest.fixture(scope="module")
def path(made_files, tmp_path_factory):
    target = tmp_path_factory.mktemp("report") / "report.html"
    target.write_bytes(made_files["report.html"])
    return target


@in_browser
@pytest.mark.parametrize(("scheme", "width"), [("light", 1280), ("dark", 390)])
def test_everybody_can_read_and_work_it(path, scheme, width):
    """Contrast, words for pictures, real tables, headings in order, keys: tests/accessible.py."""
    with read(path, color_scheme=scheme, viewport={"width": width, "height": 800}) as page:
        assert faults(page) == []
        assert page.evaluate("document.querySelectorAll('main td, main p, main text').length") > 300


@in_browser
def test_a_phone_shows_it_without_scrolling_sideways_and_paper_to_scale(path):
    with read(path, viewport={"width": 390, "height": 844}) as page:
        assert page.evaluate("document.documentElement.scrollWidth") <= 390
        assert page.evaluate("[...document.images].every((x) => x.naturalWidth > 0)")
        page.emulate_media(media="print")
        page.set_viewport_size({"width": 688, "height": 1000})  # an A4 between its margins
        wide = page.evaluate(
            "[...document.querySelectorAll('.sheet img')].map((x) => "
            "[x.getBoundingClientRect().width, x.parentElement.style.getPropertyValue('--wide')])"
        )
    assert len(wide) == 2
    for width_px, stated in wide:
        assert width_px == pytest.approx(float(stated.removesuffix("mm")) * 96.0 / 25.4, abs=0.5)
