"""The report in a real browser: readable light and dark, on a phone, and to scale on paper."""

from __future__ import annotations

import shutil
from contextlib import contextmanager

import pytest

CHROMIUM = shutil.which("chromium")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine")
FLAGS = [
    "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-sync",
    "--disable-background-networking", "--disable-component-update",
]  # fmt: skip
WAIT_MS = 120_000
LEAST_CONTRAST = 4.5  # WCAG 2.2, 1.4.3

# WCAG 2.2, "relative luminance" and "contrast ratio"; a colour with alpha lies on what is below.
CONTRAST = """() => {
  const parse = (text) => (text.match(/[\\d.]+/g) || []).map(Number);
  const light = (c) => { const v = c.slice(0, 3).map((x) => x / 255).map(
    (x) => x <= 0.04045 ? x / 12.92 : ((x + 0.055) / 1.055) ** 2.4);
    return 0.2126 * v[0] + 0.7152 * v[1] + 0.0722 * v[2]; };
  const ground = (node) => { for (let at = node; at; at = at.parentElement) {
    const c = parse(getComputedStyle(at).backgroundColor);
    if (c.length === 3 || (c.length === 4 && c[3] > 0)) return c; } return [255, 255, 255]; };
  const found = [];
  for (const node of document.body.querySelectorAll('*')) {
    const own = [...node.childNodes].some((x) => x.nodeType === 3 && x.textContent.trim());
    if (!own || !node.getClientRects().length) continue;
    const style = getComputedStyle(node);
    const ink = parse(node.namespaceURI.endsWith('svg') ? style.fill : style.color);
    const [a, b] = [light(ink), light(ground(node))];
    found.push([(Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05), node.textContent.trim()]);
  }
  return found;
}"""


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


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_every_word_stands_out_from_its_ground(path, scheme):
    with opened(path, color_scheme=scheme, viewport={"width": 1280, "height": 800}) as page:
        page.evaluate("document.querySelectorAll('details').forEach((x) => { x.open = true; })")
        found = page.evaluate(CONTRAST)
    assert len(found) > 300
    assert [row for row in found if row[0] < LEAST_CONTRAST] == []


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
