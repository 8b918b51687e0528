"""The pass page in a real browser: lights pointed at, dismissed, restored, another one chosen."""

import json
import shutil

from tests.accessible import faults
from tests.browser import in_browser
from tests.desk.serving import fresh, opened, served
from tests.desk.test_passes import two_lights
from tests.desk.test_picking_page import HOSTILE
from vidspeed.desk.passview import speed_words
from vidspeed.desk.results import NAME, summary_of
from vidspeed.measure import run


def solved_so_often(page, count):
    page.wait_for_function(
        "(count) => Number(document.getElementById('tall')?.dataset.asked) === count", arg=count
    )


def light_under(page, number):
    """Return where on the page a sighting is drawn, after it was brought into view."""
    page.locator("#drawn").scroll_into_view_if_needed()
    page.evaluate("(n) => { pass.keep(n); }", number)
    x, y = page.evaluate("(n) => pass.place(n)", number)
    box = page.locator("#tall").bounding_box()
    return box["x"] + x, box["y"] + y


def shows_frame_of(page, number):
    page.wait_for_function(
        "(n) => document.getElementById('frame').dataset.light === String(n)", arg=number
    )


def states_of(page, *numbers):
    lights = page.evaluate("pass.state().views[0].lights.map((row) => row.state)")
    return [lights[number] for number in numbers]


def open_pass(page, home):
    page.goto(home + "passes")
    page.click("table a")
    solved_so_often(page, 1)


def say_of_the_pass(folder, **facts):
    """Change what the results say of the pass, as if it had been measured so."""
    found = summary_of(folder)
    found["passes"][0].update(facts)
    (folder / NAME).write_text(json.dumps(found), encoding="utf-8")


@in_browser
def test_lights_are_dismissed_restored_and_chosen(tiny, tmp_path):
    tiny = shutil.copytree(tiny, fresh(tmp_path) / "session")
    with served(tiny) as address, opened(address) as page:
        home = address.partition("?")[0]
        look_at_a_light(tiny, page, home)
        dismiss_and_restore(tiny, page, address)
        choose_another(tiny, page, home)
        find_nothing(tiny, page, home)


def look_at_a_light(tiny, page, home):
    label = HOSTILE * 300
    say_of_the_pass(tiny, **{"pass": label})
    open_pass(page, home)
    assert page.title() != "no" and page.inner_text("h1") == f"Pass {label}"
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


def dismiss_and_restore(tiny, page, address):
    before = (tiny / "session.toml").read_text(encoding="utf-8")
    page.keyboard.press("d")
    solved_so_often(page, 2)
    assert states_of(page, 13) == ["dismissed"]
    assert "1 light was dismissed by hand" in page.inner_text("table")
    said = page.inner_text("#said")  # which of the two depends on the last digit of the speed
    assert "The results are of before this change" in said or "The results still say" in said
    assert page.inner_text("#speed") == speed_words(run(tiny).passes[0])
    assert page.inner_text("#dismiss") == "Restore this light"
    page.keyboard.press("Shift+ArrowDown")
    page.keyboard.press("Shift+ArrowDown")
    assert page.inner_text("#dismiss") == "Dismiss these 3 lights"
    page.keyboard.press("d")
    solved_so_often(page, 3)
    assert states_of(page, 13, 14, 15) == ["dismissed", "dismissed", "dismissed"]
    page.keyboard.press("ArrowUp")
    page.keyboard.press("Shift+ArrowUp")
    page.click("#dismiss")
    solved_so_often(page, 4)
    assert states_of(page, 13, 14, 15) == ["used", "used", "dismissed"]
    stale = page.context.browser.new_page()
    stale.goto(address)
    stale.goto(page.url)
    solved_so_often(stale, 1)
    page.mouse.click(*light_under(page, 15))
    page.click("#dismiss")
    solved_so_often(page, 5)
    assert states_of(page, 15) == ["used"]
    page.focus("#tall")
    page.keyboard.press("Home")
    page.keyboard.press("Shift+End")
    assert page.inner_text("#dismiss") == "Dismiss these 36 lights"
    page.keyboard.press("d")
    solved_so_often(page, 6)
    assert page.inner_text("#speed") == "no speed"
    assert "no light moves along the course" in page.inner_text("main.page")
    page.click("text=Restore all of them")
    solved_so_often(page, 7)
    assert page.inner_text("#speed") == speed_words(summary_of(tiny)["passes"][0])
    assert faults(page) == []
    after = (tiny / "session.toml").read_text(encoding="utf-8")
    assert [row for row in after.splitlines() if "dismiss" not in row] == before.splitlines()
    stale.focus("#tall")
    stale.keyboard.press("d")
    stale.wait_for_function(
        "document.getElementById('said').textContent.includes('changed by somebody else')"
    )
    assert (tiny / "session.toml").read_text(encoding="utf-8") == after
    stale.close()


def choose_another(tiny, page, home):
    two_lights(tiny)
    say_of_the_pass(tiny, clips=["two.csv"])
    open_pass(page, home)
    first = page.inner_text("#speed")
    assert "equally well" in page.inner_text("main.page")
    assert "given as a track" in page.evaluate("pass.state().views[0].unseen")
    page.click("text=Take this one")
    solved_so_often(page, 2)
    assert page.inner_text("#speed") != first
    assert page.inner_text("#speed") == speed_words(run(tiny).passes[0])
    page.click("text=Let the tool choose")
    solved_so_often(page, 3)
    assert page.inner_text("#speed") == first
    assert not page.locator("text=Let the tool choose").count()


def find_nothing(tiny, page, home):
    (tiny / NAME).write_text("[]", encoding="utf-8")
    page.goto(f"{home}passes")
    assert "Nothing was measured yet" in page.inner_text("main.page")
    assert page.locator("main.page a[href='/clips']").count() == 1
    for path in ("passes/0", "passes/-1", "film/x/whole.png", "film/../../pages.png"):
        assert page.goto(home + path).status == 404
