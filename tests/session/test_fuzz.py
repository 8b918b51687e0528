"""Whatever is written into a session's files, only a SessionError comes out."""

from __future__ import annotations

import tempfile
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from vidspeed.errors import SessionError
from vidspeed.session.read import read_session

from .good import MARKERS, PICKS, SESSION, write
from .test_lens import LENS_SESSION, lens_file

ODD = (
    "-1", "0", "nan", "-inf", "true", '"text"', '"262 ft"', "[]", "[1]", "[[1, 2], 3]", "{}",
    "{a = 1}", "1e308", "9" * 400, "2026-09-12", "07:32:00", "2026-09-12T10:00:00Z", '""', '"."',
    '".."', '"/"', '"\\u0000"', '"a\\nb"', "'C:'", '"session.toml"', '"markers.csv"', "''", "=",
    '"' + "x" * 300 + '"', '"picks-north.csv"', "[" * 50, '["clips/pass-1.mp4"]', "\ufeff", "#",
)  # fmt: skip
CELLS = ("", "-1", "nan", "1e400", "1,5", "1.5.2", '"', "A1", "\t", ";", "#", "é", "fit", "1" * 99)
BASES = (
    SESSION,
    LENS_SESSION,
    SESSION + "[air]\ntemperature_c = 1\n[craft]\nspeed_kmh = [1, 2]\n[mark]\nearlier_kmh = 3\n"
    '[[sync]]\nclips = ["clips/pass-1.mp4", "b"]\ntime_s = [1, 2]\ntime_u_s = [1, 2]\n',
)

settings.register_profile("steady", derandomize=True, deadline=None, database=None)
steady = settings(settings.get_profile("steady"), max_examples=150)


@st.composite
def mutated(draw: st.DrawFn, text: str, odd: tuple[str, ...], parts: str) -> str:
    """Change one to three lines of a text: drop, double, move, or put something odd in."""
    lines = text.splitlines()
    for _ in range(draw(st.integers(1, 3))):
        at = draw(st.integers(0, len(lines) - 1))
        act = draw(st.sampled_from(["drop", "double", "move", "value", "value", "noise"]))
        if act == "drop" and len(lines) > 1:
            del lines[at]
        elif act == "double":
            lines.insert(at, lines[at])
        elif act == "move":
            lines.append(lines.pop(at))
        elif act == "value":
            pieces = lines[at].split(parts)
            pieces[draw(st.integers(0, len(pieces) - 1))] = draw(st.sampled_from(odd))
            lines[at] = parts.join(pieces)
        else:
            lines[at] += draw(st.text(max_size=6))
    return "\n".join(lines) + "\n"


def survives(session: str, markers: str = MARKERS, picks: str = PICKS, lens: str = "") -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = write(Path(name) / "s", session, markers=markers, picks=picks)
        (folder / "lens.json").write_text(lens or lens_file(), encoding="utf-8")
        try:
            read = read_session(folder)
        except SessionError as error:
            assert error.messages
            assert all(message and "\n" not in message for message in error.messages)
        else:
            assert read.cameras and len(read.markers) >= 4


@steady
@given(st.sampled_from(BASES).flatmap(lambda base: mutated(base, ODD, " = ")))
def test_a_changed_session_is_read_or_refused(session: str) -> None:
    survives(session)


@steady
@given(mutated(MARKERS, CELLS, ","), mutated(PICKS, CELLS, ","))
def test_changed_tables_are_read_or_refused(markers: str, picks: str) -> None:
    survives(SESSION, markers, picks)


@steady
@given(mutated(lens_file().replace(", ", ",\n"), (*CELLS, "[", "{}", "null", "1e999"), ": "))
def test_a_changed_lens_file_is_read_or_refused(lens: str) -> None:
    survives(LENS_SESSION, lens=lens)


@steady
@given(st.binary(max_size=200))
def test_any_bytes_are_read_or_refused(data: bytes) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = write(Path(name) / "s")
        (folder / "markers.csv").write_bytes(data)
        (folder / "session.toml").write_bytes(SESSION.encode() + data)
        try:
            read_session(folder)
        except SessionError as error:
            assert error.messages
