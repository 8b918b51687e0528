"""Mark and evidence in a real browser, and what they rest on."""

import hashlib
import json
import os
import shutil
import time

import pytest

from tests.accessible import faults
from tests.browser import in_browser
from tests.desk.flown import fly_day
from tests.desk.serving import fresh, opened, served
from tests.desk.test_picking_page import HOSTILE
from tests.tiny import command, edit, undrawn
from vidspeed.desk import packs
from vidspeed.desk.answered import compared, known, setups_of
from vidspeed.errors import PackError
from vidspeed.record.markview import mark_sentence
from vidspeed.record.units import UNITS

SETUPS = {"a": "tail 2", "b": HOSTILE}


@pytest.fixture(scope="module")
def flown(measured_tiny, tmp_path_factory):
    """Return a day with six passes, measured; what is written into it stays."""
    folder = shutil.copytree(measured_tiny, tmp_path_factory.mktemp("day") / "a day")
    fly_day(folder, SETUPS)
    edit(folder / "session.toml", "A short afternoon", HOSTILE.replace('"', "'"))
    with undrawn():
        assert command("run", folder).status == 0
    return folder


@in_browser
def test_mark_report_and_pack_are_shown_made_and_taken_away(flown, tmp_path):
    flown = shutil.copytree(flown, fresh(tmp_path) / "a day")
    with served(flown) as address, opened(address) as page:
        home = address.partition("?")[0]
        look_at_the_mark(flown, page, home)
        take_the_pack_away(flown, page, home, tmp_path)
        look_at_report_and_sheet(flown, page, home)
        edit(flown / "session.toml", "earlier_kmh = 290.0", "earlier_kmh = 291.0")
        try:
            page.goto(home + "evidence")
            page.wait_for_selector("#stale")
            assert page.locator("#pack-whole").is_disabled()
            page.goto(home + "mark")
            assert "has changed since the results were written" in page.inner_text("main.page")
        finally:
            edit(flown / "session.toml", "earlier_kmh = 291.0", "earlier_kmh = 290.0")


def look_at_the_mark(flown, page, home):
    page.goto(home + "mark")
    page.wait_for_selector("#mark")
    outcome = known(flown)
    assert page.inner_text("#mark") in mark_sentence(outcome, UNITS["kmh"])
    assert "is above the earlier 290.00 km/h" in page.inner_text("#beats")
    body = page.inner_text("main.page")
    assert "Rules of the mark" in body and "met" in body
    why = dict(outcome.mark.left_out)
    assert len(why) == 4
    for label, words in why.items():
        row = page.locator("tr", has=page.locator(f"text='Pass {label}'"))
        assert f"no: {words}" in row.inner_text()
    verdict = page.inner_text("#verdict")
    assert verdict.startswith("<script>") and "is faster than tail 2" in verdict
    alt = page.locator("#compared img").get_attribute("alt")
    assert alt.endswith(verdict.removesuffix("."))
    assert "Not proved on the ground" in page.inner_text("#proof")
    assert page.title() != "no"
    assert faults(page) == []
    page.click("text=Pass 3")
    page.wait_for_selector("#tall[data-asked='1']")


def take_the_pack_away(flown, page, home, tmp_path):
    page.goto(home + "evidence")
    contents = hashlib.sha256((flown / "results/contents.sha256").read_bytes()).hexdigest()
    assert page.inner_text("#contents") == contents
    page.click("#pack-whole")
    page.wait_for_selector("#packs table")
    name = f"{flown.name}-pack.zip"
    with page.expect_download() as loading:
        page.click(f"text='{name}'")
    loading.value.save_as(tmp_path / "p.zip")
    data = (tmp_path / "p.zip").read_bytes()
    assert data == (flown / "packs" / name).read_bytes()
    assert hashlib.sha256(data).hexdigest() in page.inner_text("#packs")
    assert faults(page) == []


def look_at_report_and_sheet(flown, page, home):
    for where in ("report.html", f"packs/{flown.name}-pack-witness.html"):
        answer = page.goto(home + where)
        assert "sandbox" in answer.headers["content-security-policy"]
        assert page.title() != "no" and HOSTILE.replace('"', "'") in page.inner_text("body")
        assert page.evaluate("window.origin") == "null"
    (flown / "packs" / ".hidden.zip").write_bytes(b"half written")
    (flown / "packs" / "away.zip").symlink_to(flown.parent.parent)
    (flown / "packs" / "out.html").symlink_to(__file__)
    for where in ("packs/..%2fsession.toml", "packs/none.zip", "packs/.hidden.zip",
                  "packs/away.zip", "packs/out.html"):  # fmt: skip
        assert page.goto(home + where).status == 404
    for name in (".hidden.zip", "away.zip", "out.html"):
        (flown / "packs" / name).unlink()


def test_results_hold_until_a_file_that_they_rest_on_changes(flown):
    assert known(flown).mark is not None
    track = flown / "hand-2.csv"
    before = track.read_bytes()
    later = time.time() + 60.0
    os.utime(track, (later, later))
    assert known(flown) is not None  # the same bytes, only newer
    try:
        track.write_bytes(before.replace(b"0.", b"0.0", 1))
        os.utime(track, (later, later))
        assert known(flown) is None
    finally:
        track.write_bytes(before)


def test_setups_are_compared_as_the_command_does(flown, tmp_path):
    outcome = known(flown)
    assert setups_of(outcome) == ["tail 2", HOSTILE]
    found, lines, plot = compared(outcome, "tail 2", HOSTILE)
    said = command("compare", flown, "--json", "--out", tmp_path / "plot.png")
    assert json.loads(said.out)["difference_mps"] == found.difference_mps
    assert "is faster than tail 2" in lines[-1]
    assert plot.startswith("data:image/png;base64,")


def test_a_pack_that_is_there_is_not_made_twice_nor_overwritten(flown):
    first = packs.make(flown, "hash")
    again = packs.make(flown, "hash")
    assert again.path == first.path and again.sha256 == first.sha256
    kept = {row.name: row for row in packs.packs(flown)}
    assert kept[first.path.name].sha256 == first.sha256
    assert (flown / "packs" / kept[first.path.name].sheet).is_file()
    (flown / "packs" / "a folder.zip").mkdir()
    assert [row.name for row in packs.packs(flown)] == list(kept)
    first.path.write_bytes(b"signed by somebody")
    other = packs.make(flown, "hash")
    assert other.path != first.path and first.path.read_bytes() == b"signed by somebody"


def test_without_results_there_is_no_pack(tiny):
    (tiny / "results" / "summary.json").unlink()
    with pytest.raises(PackError, match="there are no results"):
        packs.make(tiny, "whole")
    assert known(tiny) is None and packs.packs(tiny) == []
