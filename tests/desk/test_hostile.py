"""Whatever people type or call their files: it is shown as text, on every page."""

import pytest

from tests.accessible import faults
from tests.browser import in_browser
from tests.desk.daylight import session_without_picks
from tests.desk.serving import fresh, opened, served
from tests.tiny import edit

SCRIPT = "<script>document.title='no'</script><img src=x onerror=\\\"document.title='no'\\\">"
RIGHT_TO_LEFT = "\\u202e4pm.exe"  # which the reader refuses, and the page says so
LONG = "n" * 10_000
PAGES = (
    "", "setup", "setup/day", "setup/camera/0", "setup/clip/0", "lens/0", "survey",
    "survey/markers", "picks", "clips", "clips/0", "passes", "mark", "evidence",
)  # fmt: skip


def hostile(folder):
    """Spoil a session with words that are markup, too long, or written backwards."""
    path = folder / "session.toml"
    edit(path, 'title = "Evening passes"', f'title = "{SCRIPT}{LONG}"\nplace = "{SCRIPT}"')
    edit(path, 'name = "north"', f'name = "{SCRIPT}"')
    clips = (f"clips/{SCRIPT.replace('/', '')}.mp4", "clips/' & <b>.mp4", f"clips/{LONG}.mp4")
    text = "".join(
        f'\n[[clip]]\nfile = "{name}"\ncamera = "{SCRIPT}"\npass = "{SCRIPT}{number}"\n'
        for number, name in enumerate(clips)
    )
    path.write_text(path.read_text(encoding="utf-8") + text, encoding="utf-8")
    markers = folder / "markers.csv"
    edit(markers, "A1,", "\"<b>A1</b><script>document.title='no'</script>\",")


@in_browser
def test_every_page_shows_hostile_words_as_text(tmp_path):
    folder = session_without_picks(fresh(tmp_path))
    hostile(folder)
    with served(folder) as address, opened(address) as page:
        page.on("dialog", lambda dialog: pytest.fail(dialog.message))
        home = address.partition("?")[0]
        for where in PAGES:
            assert page.goto(home + where).status == 200, where
            page.wait_for_selector("nav")
            page.wait_for_timeout(150)
            assert page.title() != "no", where
            assert page.locator("main script, main img[src=x], main b").count() == 0, where
            if where in ("", "setup", "setup/camera/0", "clips", "clips/0", "picks"):
                shown = page.inner_text("body") + "\n".join(page.evaluate(VALUES))
                assert "<script>document.title='no'</script>" in shown, where
            assert faults(page) == [], where
        page.set_viewport_size({"width": 390, "height": 800})
        for where in ("", "setup", "setup/camera/0", "clips", "survey/markers"):
            page.goto(home + where)
            page.wait_for_selector("nav")
            page.wait_for_timeout(150)
            assert page.evaluate("document.documentElement.scrollWidth") <= 390, where
        edit(folder / "session.toml", "[course]", f'timezone = "{RIGHT_TO_LEFT}"\n[course]')
        page.goto(home + "setup")
        page.wait_for_selector("text=Still to be done")
        assert "?4pm.exe" in page.inner_text("main") and "\u202e" not in page.inner_text("main")


VALUES = "[...document.querySelectorAll('input')].map((each) => each.value)"
