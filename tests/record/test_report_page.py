"""The report in a real browser: readable light and dark, on a phone, and to scale on paper."""

from __future__ import annotations

import shutil
from contextlib import contextmanager

import pytest

from tests.accessible import faults

CHROMIUM = shutil.which("chromium")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine")
FLAGS = [
    "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-sync",
    "--disable-background-networking", "--disable-component-update",
]  # fmt: skip
WAIT_MS = 120_000


@contextmanager
def opened(path, **more):
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        page = browser.new_page(**more)
        page.set_default_timeout(WAIT_MS)
        asked = []
        page.on("request", lambda request: asked.append(request.url))
        page.goto(path.as_uri())
        yield page
        assert [url for url in asked if not url.startswith(("file:", "data:"))] == []
        browser.close()


@pytest.fixture(scope="module")
def path(made_files, tmp_path_factory):
    target = tmp_path_factory.mktemp("report") / "report.html"
    target.write_bytes(made_files["report.html"])
    return target


@pytest.mark.parametrize(("scheme", "width"), [("light", 1280), ("dark", 390)])
def test_everybody_can_read_and_work_it(path, scheme, width):
    """Contrast, words for pictures, real tables, headings in order, keys: tests/accessible.py."""
    with opened(path, color_scheme=scheme, viewport={"width": width, "height": 800}) as page:
        assert faults(page) == []
        assert page.evaluate("document.querySelectorAll('main td, main p, main text').length") > 300


def test_a_phone_shows_it_without_scrolling_sideways_and_paper_to_scale(path):
    with opened(path, viewport={"width": 390, "height": 844}) as page:
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
