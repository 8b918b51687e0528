"""Forms and tables in a real browser: judged while one types, by keys alone, two pages at once."""

from contextlib import contextmanager

from tests.accessible import faults
from tests.browser import in_browser
from tests.desk.daylight import session_without_picks
from tests.desk.serving import fresh, opened, served
from tests.session.test_survey import LEVELS, TAPES
from vidspeed.assembly.reading import read_session


def says(page, name, words):
    page.wait_for_function(
        "([name, words]) => document.getElementById(name).innerText.startsWith(words)",
        arg=[name, words],
    )


@contextmanager
def desk(tmp_path):
    """Open the desk of a session in a browser: its folder, its address, a page."""
    folder = session_without_picks(fresh(tmp_path))
    with served(folder) as address, opened(address) as page:
        yield folder, address, page


@in_browser
def test_two_pages_do_not_overwrite_each_other_and_what_was_typed_stays(tmp_path):
    with desk(tmp_path) as (folder, address, one):
        type_in_two_pages(folder / "session.toml", address, one)


def type_in_two_pages(path, address, one):
    where = address.partition("?")[0] + "setup/course"
    other = one.context.browser.new_page()
    other.goto(address)
    for page in (one, other):
        page.goto(where)
        page.wait_for_selector("#f-length_m")
    one.fill("#f-length_m", "61 ft")
    one.wait_for_selector("text=61 ft is 18.5928 m: write length_m = 18.5928")
    before = path.read_bytes()
    one.click("#save")
    says(one, "state", "not saved")
    assert path.read_bytes() == before
    one.focus("#f-length_m")
    one.keyboard.press("Control+a")
    one.keyboard.type("61.5")
    one.wait_for_function("!document.querySelector('.q-field--error')")
    one.focus("#save")
    one.keyboard.press("Enter")
    says(one, "state", "saved")
    after = path.read_bytes()
    assert after == before.replace(b"length_m = 60.0\n", b"length_m = 61.5\n")
    other.fill("#f-length_u_m", "0.05")
    says(other, "state", "not saved yet")
    other.click("#save")
    says(other, "others", "Nothing was written:")
    assert "changed by somebody else" in other.inner_text("#others")
    assert other.input_value("#f-length_u_m") == "0.05" and path.read_bytes() == after
    assert faults(other) == []
    other.click("text=Load this page again")
    other.wait_for_function("document.getElementById('f-length_m')?.value === '61.5'")
    other.fill("#f-length_u_m", "0.05")
    says(other, "state", "not saved yet")
    other.click("#save")
    says(other, "state", "saved")
    assert b"length_u_m = 0.05\n" in path.read_bytes()


def paste(page, text):
    """Paste cells into the first cell of the table."""
    page.wait_for_selector("#sheet[data-ready=yes]")
    page.evaluate(
        "(text) => { const data = new DataTransfer(); data.setData('text/plain', text);"
        " document.querySelector('#sheet input').dispatchEvent(new ClipboardEvent('paste',"
        " { clipboardData: data, bubbles: true, cancelable: true })); }",
        text,
    )


@in_browser
def test_a_survey_by_tape_is_pasted_and_drawn(tmp_path):
    with desk(tmp_path) as (folder, address, page):
        give_a_survey(folder, address, page)


def give_a_survey(folder, address, page):
    home = address.partition("?")[0]
    page.goto(home + "survey")
    page.wait_for_selector("#network")
    page.click("#ways summary")
    page.click("#way-tapes")
    page.wait_for_selector("text=The survey does not hold yet")
    for key, text in (("tapes", TAPES), ("levels", LEVELS)):
        rows = [line for line in text.splitlines()[1:] if line and not line.startswith("#")]
        delimiter = ";" if ";" in rows[0] else ","
        page.goto(f"{home}survey/{key}")
        pasted = "\n".join(row.replace(delimiter, "\t") for row in rows)
        paste(page, pasted.replace("\tsteel", ""))
        page.wait_for_function(
            "(count) => document.querySelectorAll('#sheet tbody tr').length >= count",
            arg=len(rows),
        )
        page.wait_for_function("!document.querySelector('#sheet [aria-invalid]')")
        page.click("#save")
        says(page, "state", f"saved, {len(rows)} rows")
        assert faults(page) == []
    page.goto(home + "survey")
    page.wait_for_selector("#network")
    assert page.locator("#network").get_attribute("alt").startswith("The course from above")
    assert page.evaluate("document.getElementById('network').naturalWidth") > 100
    says_length = page.inner_text("main")
    assert "course length 80.0" in says_length
    assert faults(page) == []
    assert {"A1", "A4", "C1"} <= {row.name for row in read_session(folder, unpicked=True).markers}
