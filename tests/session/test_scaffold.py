from __future__ import annotations

import html.parser
import json
import re
from pathlib import Path

import pytest

from vidspeed.errors import SessionError
from vidspeed.session.clock import clock_text
from vidspeed.session.heardfile import heard_bytes
from vidspeed.session.keys import SESSION_KEYS, TABLES, keys_of
from vidspeed.session.read import read_session
from vidspeed.session.scaffold import course_sheet, new_session, session_text

from .good import MARKERS, PICKS, faults
from .test_clock import FULL
from .test_lens import lens_file

RECORD = "<gpx><trk><trkseg>" + "".join(
    f'<trkpt lat="54" lon="-2.00{second}"><time>2026-09-12T20:40:0{second}Z</time></trkpt>'
    for second in range(3)
) + "</trkseg></trk></gpx>"  # fmt: skip


def test_a_new_session_has_files_to_fill_in_and_a_sheet_to_print(tmp_path: Path) -> None:
    written = new_session(tmp_path / "deep" / "evening")
    assert [path.name for path in written] == [
        "session.toml",
        "markers.csv",
        "picks-north.csv",
        "course-sheet.html",
    ]
    assert all(path.is_file() and b"\r" not in path.read_bytes() for path in written)


def test_an_unfilled_session_says_what_is_missing_item_by_item(tmp_path: Path) -> None:
    new_session(tmp_path / "s")
    messages = faults(tmp_path / "s")
    for start in (
        "session.toml: [course]: length_m is missing",
        "session.toml: [course]: length_u_m is missing",
        'session.toml: camera "north": image_size_px is missing',
        "session.toml: [flight_line]: offset_m is missing",
        "session.toml: [flight_line]: offset_u_m is missing",
        "session.toml: [flight_line]: height_m is missing",
        "session.toml: [flight_line]: height_u_m is missing",
        "markers.csv: no marker yet, at least 4 are needed",
        'session.toml: camera "north": 0 markers picked, at least 4 needed; pick more',
    ):
        assert sum(message.startswith(start) for message in messages) == 1, start
    assert len(messages) == 9


def filled(text: str) -> str:
    """Take away every "# " and put the example where a figure is asked for."""
    examples = {(key.table, key.name): key.example for key in SESSION_KEYS}
    table, lines = "", []
    for line in text.splitlines():
        plain = line.removeprefix("# ")
        if line.startswith("##") or not plain.strip():
            continue
        if plain.startswith("["):
            table = plain.strip("[]")
        elif plain.endswith("="):
            plain += " " + examples[table, plain.removesuffix("=").strip()]
        lines.append(plain)
    return "\n".join(lines) + "\n"


def test_every_key_stands_in_a_new_session_and_its_example_is_good(tmp_path: Path) -> None:
    text = filled(session_text())
    for table in TABLES:
        for name in keys_of(table.name):
            assert re.search(rf"^{name} = ", text, re.MULTILINE), name
    for line in ('lens = "lens-north.json"\n', 'clock = "clock-north.toml"\n', 'expect = "none"\n'):
        text = text.replace(line, "")
    text = re.sub(r"^lens_(scale|focus) = .*\n", "", text, flags=re.MULTILINE)  # of a lens file
    text = re.sub(r"^log(_u_percent)? = .*\n", "", text, flags=re.MULTILINE)  # of a drive
    for name in ("covariance", "tapes", "levels", "gnss"):  # other ways to measure a course
        text = re.sub(rf"^{name} = .*\n", "", text, flags=re.MULTILINE)
    text = text.replace("[[sync]]", "".join(
        f'[[clip]]\nfile = "clips/{name}.mp4"\ncamera = "north"\n'
        for name in ("a", "b", "pole-1")) + "[[sync]]"
    )  # fmt: skip
    folder = tmp_path / "s"
    new_session(folder)
    (folder / "session.toml").write_text(text, encoding="utf-8")
    (folder / "markers.csv").write_text(MARKERS, encoding="utf-8")
    (folder / "picks-north.csv").write_text(PICKS, encoding="utf-8")
    (folder / "still-north.png").write_bytes(b"picture")
    (folder / "flight-1.gpx").write_text(RECORD, encoding="utf-8")
    heard = folder / "results" / "north-pass-1" / "heard.json"
    heard.parent.mkdir(parents=True)
    heard.write_bytes(heard_bytes([]))
    session = read_session(folder)
    assert session.title == "Evening passes" and len(session.clips) == 4
    assert [row.passes for row in session.onboard] == [("1",)]
    assert session.craft.expected_mps == pytest.approx(400 / 3.6)


def test_what_must_be_filled_in_and_what_may_be_left_out_are_told_apart() -> None:
    text = session_text()
    asked = re.findall(r"^# (\w+) =$", text, re.MULTILINE)
    assert asked == ["length_m", "length_u_m", "offset_m", "offset_u_m", "height_m", "height_u_m",
                     "image_size_px"]  # fmt: skip
    assert text.count("FILL IN: ") == len(asked)
    for line in ("# drift_u_m = 0.5", "# focal_px = 1480.0", '# file = "clips/pass-1.mp4"'):
        assert f"\n{line}\n" in text
    optional = re.findall(r"\(optional\)\n# \[+(\w+)\]", text)
    assert optional == ["tape", "air", "craft", "clip", "sync", "proof", "log", "mark"]
    assert "## from the shelf" not in text


def test_the_example_rows_of_the_tables_are_rows_once_the_sign_is_taken_away(
    tmp_path: Path,
) -> None:
    folder = tmp_path / "s"
    new_session(folder)
    for name in ("markers.csv", "picks-north.csv"):
        path = folder / name
        lines = path.read_text(encoding="utf-8").splitlines()
        kept = [line.removeprefix("# ") for line in lines if not line.startswith("# A row")]
        path.write_text("\n".join(kept), encoding="utf-8")
    messages = faults(folder)
    assert any("1 marker picked" in each or "2 markers picked" in each for each in messages)
    assert not any(each.startswith(("markers.csv", "picks-north.csv")) for each in messages)


@pytest.mark.parametrize("name", ["session.toml", "markers.csv", "course-sheet.html"])
def test_nothing_is_overwritten(tmp_path: Path, name: str) -> None:
    folder = tmp_path / "s"
    folder.mkdir()
    (folder / name).write_text("mine", encoding="utf-8")
    with pytest.raises(SessionError, match="is there already and was left as it is"):
        new_session(folder)
    assert [path.name for path in folder.iterdir()] == [name]
    assert (folder / name).read_text(encoding="utf-8") == "mine"


def test_a_folder_that_cannot_be_made_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("", encoding="utf-8")
    with pytest.raises(SessionError, match="cannot be written"):
        new_session(tmp_path / "file")


def shelf(folder: Path) -> Path:
    for name, text in (
        ("lenses/some-4.json", lens_file()),
        ("sites/here.csv", MARKERS),
        ("clocks/some-4.toml", clock_text(FULL)),
        ("README.md", "the shelf"),
        ("lenses/README.md", "lenses"),
    ):
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    return folder


def test_the_shelf_is_copied_and_named(tmp_path: Path) -> None:
    folder = tmp_path / "s"
    written = new_session(folder, shelf=shelf(tmp_path / "shelf"))
    assert {path.relative_to(folder).as_posix() for path in written[4:]} == {
        "lenses/some-4.json",
        "sites/here.csv",
        "clocks/some-4.toml",
    }
    text = (folder / "session.toml").read_text(encoding="utf-8")
    assert text.count("## from the shelf") == 3
    assert text.index("[course]") < text.index('markers = "sites/here.csv"')
    assert text.index("[[camera]]") < text.index('lens = "lenses/some-4.json"')
    assert text.index("[[camera]]") < text.index('clock = "clocks/some-4.toml"')
    assert (folder / "sites" / "here.csv").read_bytes() == MARKERS.encode("utf-8")


def test_a_shelf_without_files_or_with_a_wrong_one_is_refused(tmp_path: Path) -> None:
    with pytest.raises(SessionError, match="no files in lenses, clocks, sites there"):
        new_session(tmp_path / "s", shelf=tmp_path / "nowhere")
    wrong = shelf(tmp_path / "shelf")
    (wrong / "clocks" / "bad.toml").write_text("date = 2026-09-12", encoding="utf-8")
    with pytest.raises(SessionError, match=r"bad\.toml: schema is missing"):
        new_session(tmp_path / "s", shelf=wrong)
    (wrong / "clocks" / "bad.toml").unlink()
    (wrong / "lenses" / "bad.json").write_text(json.dumps({}), encoding="utf-8")
    with pytest.raises(SessionError, match=r"bad\.json: schema is missing"):
        new_session(tmp_path / "s", shelf=wrong)
    assert not (tmp_path / "s").exists()


class Page(html.parser.HTMLParser):
    """Notes what a page refers to and whether its tags are closed."""

    OPEN = frozenset({"meta", "br", "link", "img"})

    def __init__(self) -> None:
        super().__init__()
        self.refers: list[str] = []
        self.stack: list[str] = []
        self.tags: set[str] = set()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self.refers += [name for name, _ in attrs if name in ("src", "href")]
        if tag not in self.OPEN:
            self.stack.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.stack.pop() == tag


def test_the_sheet_is_one_page_that_needs_nothing_else() -> None:
    text = course_sheet()
    page = Page()
    page.feed(text)
    assert page.stack == [] and page.refers == [] and "svg" in page.tags
    assert not page.tags & {"script", "link", "img", "iframe"}
    assert "http" not in text and "url(" not in text and "{{" not in text


def test_the_sheet_has_a_blank_for_every_figure() -> None:
    text = course_sheet()
    for key in SESSION_KEYS:
        if key.table in ("course", "flight_line", "air", "craft", "camera"):
            assert (f"<code>{key.name}</code>" in text) is (key.kind in ("number", "whole")), key
    for name in keys_of("markers.csv"):
        assert f"<th>{name}</th>" in text


@pytest.mark.parametrize(
    "words",
    ["Tripod", "Stabilisation off", "One lens", "Focus far and locked", "Exposure locked",
     "HDR and night modes off", "Flight mode", "flash in front of all cameras", "cable",
     "memory card", "original", "No messenger", "a / 2", "a / 1.73", "14 CFR 107.29",
     "14 CFR 107.51", "gives permission to fly", "120 m", "IEC 62471", "overrun",
     "can burn", "no legal evidence", "opposite side", "check marker"],
)  # fmt: skip
def test_the_sheet_says(words: str) -> None:
    assert words in " ".join(course_sheet().split())
