"""The whole day in a real browser, from an empty folder to the report, without a command."""

import csv
import json

import pytest

from tests.accessible import faults
from tests.browser import in_browser
from tests.desk.serving import fresh, opened, served
from tests.desk.test_picking_page import click_on, wait_for_pick
from tests.tiny import MARKERS, command, scene_text
from vidspeed.desk.results import summary_of
from vidspeed.render.session import render_scene_file

TITLE = "<script>document.title='no'</script> \u05e9\u05dc\u05d5\u05dd & \"it's\""
FORMS = {
    "day": {"title": TITLE, "wanted_U95_percent": "5"},
    "course": {"length_m": "40", "length_u_m": "0,02"},
    "flight_line": {"offset_m": "0", "offset_u_m": "0.2", "height_m": "3", "height_u_m": "0.2"},
    "craft": {"name": "Skein 2"},
}
BACK = '\n[[pass]]\ndirection = "reverse"\nspeed_kmh = 310.0\n'


@pytest.fixture(scope="module")
def filmed(tmp_path_factory):
    """Return a session of two passes, one each way, as it was rendered: its clips are dropped."""
    folder = tmp_path_factory.mktemp("filmed")
    scene = folder / "scene.toml"
    scene.write_text(scene_text() + BACK, encoding="utf-8")
    render_scene_file(scene, folder / "s", workers=1)
    return folder / "s"


@in_browser
def test_from_an_empty_folder_to_the_report(filmed, tmp_path):
    folder = fresh(tmp_path) / "a day <b>"
    folder.mkdir()
    with served(folder) as address, opened(address) as page:
        page.click("#make")
        page.wait_for_selector("text=Flight line")
        home = address.partition("?")[0]
        for table, values in FORMS.items():
            fill_form(page, f"{home}setup/{table}", values)
        give_still(page, f"{home}setup/camera/0", filmed)
        fill_form(page, f"{home}setup/camera/0", camera_of(filmed))
        fill_markers(page, f"{home}survey/markers", filmed)
        pick(page, home, filmed)
        drop_clips(page, home, filmed)
        measure(page)
        first = summary_of(folder)
        dismiss_a_light(page, home)
        page.goto(f"{home}clips")
        measure(page)
        found = summary_of(folder)
        assert found["passes"][0]["speed_mps"] != first["passes"][0]["speed_mps"]
        show_mark_and_report(page, home, found)
        assert page.title() != "no"
    assert found["session"]["title"] == TITLE
    assert found["mark"]["passes"] == ["1", "2"]
    kept = json.dumps([found[key] for key in ("passes", "mark", "covariance", "cameras")])
    assert command("run", folder).status == 0
    again = summary_of(folder)
    assert json.dumps([again[key] for key in ("passes", "mark", "covariance", "cameras")]) == kept


def says(page, name, words):
    """Wait until a part of the page says something; tell what it says instead."""
    try:
        page.wait_for_function(
            "([name, words]) => document.getElementById(name).textContent === words",
            arg=[name, words],
        )  # fmt: skip
    except Exception as error:
        raise AssertionError(page.inner_text("body")[:3000]) from error


def fill_form(page, where, values):
    """Fill a form in and save it."""
    page.goto(where)
    page.wait_for_selector("#save")
    page.evaluate("document.querySelectorAll('details').forEach((each) => { each.open = true; })")
    for name, text in values.items():
        page.fill(f"#f-{name}", text)
    says(page, "state", "not saved yet")
    page.click("#save")
    says(page, "state", "saved")
    assert page.locator(".q-field--error").count() == 0
    assert faults(page) == []


def camera_of(filmed):
    """Return what the rendered session states of its camera, as one would type it."""
    names = ("focal_px", "focal_u_px", "centre_px", "centre_u_px", "k1", "k1_u", "readout_ms")
    text = (filmed / "session.toml").read_text(encoding="utf-8").partition("[[camera]]")[2]
    rows = dict(line.split(" = ") for line in text.partition("[[clip]]")[0].splitlines() if line)
    return {name: rows[name].strip("[]") for name in names}


def rows_of(path):
    """Return the rows of a CSV file by column."""
    return list(csv.DictReader(path.read_text(encoding="utf-8").splitlines()))


def fill_markers(page, where, filmed):
    """Type the table of markers, a wrong cell first."""
    page.goto(where)
    page.wait_for_selector("#sheet[data-ready=yes]")
    rows = rows_of(filmed / "markers.csv")
    cell = page.locator("#sheet tbody tr >> nth=0").locator("input >> nth=1")
    cell.fill("3 ft")
    page.wait_for_selector("#sheet [aria-invalid]")
    assert "3 ft is 0.9144 m" in page.inner_text("#faults")
    for number, row in enumerate(rows):
        if number:
            page.click("#add")
        fields = page.locator("#sheet tbody tr").nth(number)
        for column, name in enumerate(("name", "x_m", "y_m", "z_m", "u_m")):
            fields.locator("input").nth(column).fill(row[name])
        fields.locator("select").select_option(row["use"])
    page.wait_for_function("!document.querySelector('#sheet [aria-invalid]')")
    page.click("#save")
    says(page, "state", f"saved, {len(rows)} rows")
    assert faults(page) == []


def give_still(page, where, filmed):
    """Drop a clip of the view: the still made of it tells the size of the picture."""
    page.goto(where)
    page.wait_for_selector(".q-field--error")
    page.click("text=Its still")
    page.wait_for_selector("#drop[data-ready=yes]")
    page.set_input_files("#files", str(filmed / "clips/north/pass-1.mp4"))
    page.wait_for_selector("text=To do before markers can be picked")


def pick(page, home, filmed):
    """Pick every marker, and wait until the session is ready."""
    page.goto(f"{home}picks/0")
    page.wait_for_selector("#still[data-loaded=yes]")
    page.wait_for_function(f"picking.state().markers.length === {len(MARKERS)}")
    rows = rows_of(filmed / "picks-north.csv")
    picks = {row["name"]: (float(row["x_px"]), float(row["y_px"])) for row in rows}
    for name, place in picks.items():
        page.click(f"#markers button:has-text('{name}')")
        page.evaluate("([x, y]) => { picking.view.zoom = 8; picking.centre(x, y); }", list(place))
        click_on(page, *place)
        wait_for_pick(page, name, place, 0.3)
    says(page, "ready", "ready")
    assert faults(page) == []


def drop_clips(page, home, filmed):
    """Drop both clips, one of them twice by mistake, and take the second copy away."""
    page.goto(f"{home}clips")
    page.wait_for_selector("#drop[data-ready=yes]")
    clips = [str(filmed / f"clips/north/pass-{number}.mp4") for number in (1, 2)]
    page.set_input_files("#files", clips)
    page.wait_for_function(
        "document.querySelectorAll('#arriving li[data-state=there]').length === 2"
    )
    page.wait_for_function("document.querySelectorAll('#clips tbody tr').length === 2")
    assert "not measured yet" in page.inner_text("#clips")


def measure(page):
    """Measure all clips and wait for the end of it."""
    page.wait_for_selector("#clips table")
    page.click("#measure")
    page.wait_for_function(
        "document.getElementById('progress-words').textContent.startsWith('measuring')"
    )
    assert page.evaluate("fetch('/setup').then((answer) => answer.status)") == 200  # meanwhile
    page.wait_for_function(
        "document.getElementById('progress-words').textContent.includes(': done after')"
    )
    page.wait_for_function("document.getElementById('clips').innerText.includes('2 measured')")
    assert faults(page) == []


def dismiss_a_light(page, home):
    """Dismiss a light of the first pass on its page."""
    page.goto(f"{home}passes")
    page.click("table a")
    page.wait_for_selector("#tall[data-asked='1']")
    page.focus("#tall")
    for _ in range(5):
        page.keyboard.press("ArrowDown")
    page.keyboard.press("d")
    page.wait_for_selector("#tall[data-asked='2']")


def show_mark_and_report(page, home, found):
    """Open the mark and the report, and find the same speed in both."""
    page.goto(f"{home}mark")
    page.wait_for_selector("#mark")
    speed = f"{3.6 * found['mark']['speed_mps']:.0f}"
    assert speed[:-1] in page.inner_text("#mark")
    assert page.goto(f"{home}report.html").status == 200
    assert page.inner_text("h1").startswith("<script>")
