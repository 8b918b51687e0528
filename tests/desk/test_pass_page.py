"""The pass page in a real browser: lights pointed at, dismissed, restored, another one chosen."""

import pytest

from tests.accessible import faults
from tests.desk.test_passes import two_lights
from tests.desk.test_picking_page import CHROMIUM, HOSTILE, opened, served
from tests.tiny import command, edit
from vidspeed.desk.passview import speed_words
from vidspeed.desk.results import summary_of
from vidspeed.measure import run

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine")


def solved_so_often(page, count):
    page.wait_for_function(
        "(count) => Number(document.getElementById('tall').dataset.asked) === count", arg=count
    )


def light_under(page, number):
    """Return where on the page a sighting is drawn, after it was brought into view."""
    page.evaluate("(n) => { pass.choose(n); }", number)
    x, y = page.evaluate("(n) => pass.place(n)", number)
    box = page.locator("#tall").bounding_box()
    return box["x"] + x, box["y"] + y


def shows_frame_of(page, number):
    page.wait_for_function(
        "(n) => document.getElementById('frame').dataset.light === String(n)", arg=number
    )


def state_of(page, number):
    return page.evaluate("(n) => pass.state().views[0].lights[n].state", number)


def open_pass(page, address):
    page.goto(address.partition("?")[0] + "passes")
    page.click("table a")
    solved_so_often(page, 1)


def test_a_light_is_pointed_at_dismissed_and_restored(tiny):
    label = HOSTILE.replace('"', "'")
    edit(tiny / "session.toml", 'pass = "1"', f'pass = "{label}"')
    assert command("run", tiny).status == 0
    before = (tiny / "session.toml").read_text(encoding="utf-8")
    with served(tiny) as address, opened(address) as page:
        open_pass(page, address)
        assert page.title() != "no" and label in page.inner_text("h1")
        assert page.inner_text("#speed") == speed_words(summary_of(tiny)["passes"][0])
        page.wait_for_function("document.getElementById('tall').dataset.filmed === '0'")
        page.mouse.move(*light_under(page, 10))
        shows_frame_of(page, 10)
        assert page.inner_text("#light").startswith("Light 11 of 36")
        page.mouse.click(*light_under(page, 12))
        page.mouse.move(1.0, 1.0)
        shows_frame_of(page, 12)
        page.keyboard.press("ArrowDown")
        shows_frame_of(page, 13)
        assert faults(page) == []
        page.keyboard.press("d")
        solved_so_often(page, 2)
        assert state_of(page, 13) == "dismissed"
        assert "1 light was dismissed by hand" in page.inner_text("table")
        assert "The results are of before this change" in page.inner_text("#said")
        assert page.inner_text("#speed") == speed_words(run(tiny).passes[0])
        assert page.inner_text("#dismiss") == "Restore this light"
        stale = page.context.browser.new_page()
        stale.goto(address)
        stale.goto(page.url)
        solved_so_often(stale, 1)
        page.click("#dismiss")
        solved_so_often(page, 3)
        assert state_of(page, 13) == "used"
        after = (tiny / "session.toml").read_text(encoding="utf-8")
        assert [row for row in after.splitlines() if "dismiss" not in row] == before.splitlines()
        stale.focus("#tall")
        stale.keyboard.press("d")
        stale.wait_for_function(
            "document.getElementById('said').textContent.includes('changed by somebody else')"
        )
        assert (tiny / "session.toml").read_text(encoding="utf-8") == after


def test_another_light_is_taken_for_the_craft(tiny):
    two_lights(tiny)
    command("run", tiny)
    with served(tiny) as address, opened(address) as page:
        open_pass(page, address)
        first = page.inner_text("#speed")
        assert "equally well" in page.inner_text("main")
        page.click("text=Take this one")
        solved_so_often(page, 2)
        assert page.inner_text("#speed") != first
        assert page.inner_text("#speed") == speed_words(run(tiny).passes[0])
        page.click("text=Let the tool choose")
        solved_so_often(page, 3)
        assert page.inner_text("#speed") == first
        assert not page.locator("text=Let the tool choose").count()


def test_nothing_measured_leads_to_the_clips_and_no_pass_is_no_page(tiny):
    (tiny / "results" / "summary.json").unlink()
    with served(tiny) as address, opened(address) as page:
        home = address.partition("?")[0]
        page.goto(f"{home}passes")
        assert "Nothing was measured yet" in page.inner_text("main")
        assert page.locator("main.page a[href='/clips']").count() == 1
        for path in ("passes/0", "passes/-1", "film/x/whole.png", "film/../../pages.png"):
            assert page.goto(home + path).status == 404
