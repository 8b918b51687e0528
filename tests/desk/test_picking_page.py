"""The picking page in a real browser: picks by mouse and keys, and who is not let in."""

import urllib.error
import urllib.request

import pytest

from tests.browser import in_browser
from tests.desk.daylight import session_without_picks, true_picks
from tests.desk.serving import opened, served
from vidspeed.assembly.reading import read_session

HOSTILE = "<script>document.title='no'</script> & ' <b>"


def click_on(page, x, y):
    """Click on a place of the picture frame."""
    u, v = page.evaluate("([x, y]) => picking.toPage(x, y)", [x, y])
    box = page.locator("#still").bounding_box()
    page.mouse.click(box["x"] + u, box["y"] + v)


def pick_of(page, name):
    found = "(name) => (picking.state().markers.find((row) => row.name === name) || {}).pick"
    return page.evaluate(found, name)


def wait_for_pick(page, name, near, within):
    page.wait_for_function(
        "([name, x, y, within]) => { const row = picking.state().markers.find((each) =>"
        " each.name === name); return row && row.pick &&"
        " Math.hypot(row.pick[0] - x, row.pick[1] - y) < within; }",
        arg=[name, *near, within],
    )


@pytest.fixture(scope="module")
def desk(tmp_path_factory):
    """Return a session that nobody has picked yet and the address of its desk; picks stay."""
    folder = session_without_picks(tmp_path_factory.mktemp("picks"), title=HOSTILE)
    with served(folder) as address:
        yield folder, address


@in_browser
def test_six_picks_by_mouse_and_keys_make_the_session_ready(desk):
    folder, address = desk
    (folder / "picks-north.csv").unlink(missing_ok=True)
    with opened(address) as page:
        assert "token" not in page.url
        assert page.title() != "no"
        assert "<script>" in page.inner_text("body")
        page.click("text=Picks")
        page.click("text=north")
        page.wait_for_selector("#still[data-loaded=yes]")
        page.wait_for_function("picking.state().markers.length === 6")
        there = page.evaluate("picking.toPicture(...picking.toPage(123.456, 78.9))")
        assert there == pytest.approx([123.456, 78.9], abs=0.01)
        for number, (name, place) in enumerate(true_picks().items()):
            page.click(f"#markers button:has-text('{name}')")
            page.evaluate(
                "([x, y]) => { picking.view.zoom = 4; picking.centre(x, y); }", list(place)
            )
            click_on(page, place[0] + 1.3, place[1] - 0.8)
            wait_for_pick(page, name, place, 2.5)
            if number % 2:
                page.keyboard.press("l")
            else:
                nudge(page, name, place)
            wait_for_pick(page, name, place, 0.25)
        page.wait_for_function("document.getElementById('ready').textContent === 'ready'")
    picks = {pick.name: pick.xy_px for pick in read_session(folder).cameras[0].picks}
    for name, place in true_picks().items():
        assert picks[name] == pytest.approx(place, abs=0.3)


def nudge(page, name, place):
    """Move the chosen pick to a place with the arrow keys, a tenth of a pixel a press."""
    x, y = pick_of(page, name)
    for key, steps in (("ArrowLeft", 10 * (x - place[0])), ("ArrowDown", 10 * (place[1] - y))):
        for _ in range(round(steps)):
            page.keyboard.press(key)


@in_browser
def test_undo_takes_a_pick_back(desk):
    folder, address = desk
    (folder / "picks-north.csv").unlink(missing_ok=True)
    with opened(address) as page:
        page.click("text=Picks")
        page.click("text=north")
        page.wait_for_selector("#still[data-loaded=yes]")
        page.wait_for_function("picking.state().markers.length === 6")
        click_on(page, 300.0, 200.0)
        wait_for_pick(page, "A1", (300.0, 200.0), 1.0)
        page.keyboard.press("u")
        page.wait_for_function("!picking.state().markers[0].pick")


def test_without_the_token_nothing_is_served(desk):
    home = desk[1].partition("?")[0]
    for path in ("", "picks/0", "still/0.png", "desk/picking.js", "desk/..%2fguard.py"):
        with pytest.raises(urllib.error.HTTPError) as refused:
            urllib.request.urlopen(home + path, timeout=300)
        assert refused.value.code == 401
        refused.value.close()
