"""Clips that lie in a session folder and that no [[clip]] names."""

from __future__ import annotations

from tests.session.good import write
from vidspeed.session.read import read_session
from vidspeed.session.unnamed import unnamed, what_to_name


def lay(folder, *names):
    for name in names:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"\0")


def session_of(folder, text=None):
    if text is not None:
        (folder / "session.toml").write_text(text, encoding="utf-8")
    return read_session(folder)


def test_clips_are_named_by_their_file_and_what_is_no_clip_is_none(tmp_path):
    folder = write(tmp_path / "s")
    session = session_of(folder)
    named = [clip.file for clip in session.clips if clip.file is not None]
    lay(folder, *named, "clips/setup.MOV", "results/x/seen.mp4", ".kept/a.mp4", "clips/note.txt")
    assert unnamed(session) == ["clips/setup.MOV"]


def test_the_mend_names_a_clip_that_lies_there_and_its_camera(tmp_path):
    folder = write(tmp_path / "s")
    text = (folder / "session.toml").read_text(encoding="utf-8")
    session = session_of(folder, text[: text.index("[[clip]]")])
    camera = session.cameras[0].name
    assert what_to_name(session) == (
        f'add one for each recorded clip, as file = "clips/{camera}/pass-1.mp4" and '
        f'camera = "{camera}"'
    )
    lay(folder, "clips/a.mp4", f"clips/{camera}/b.mp4")
    assert what_to_name(session) == (
        f'add one for each of the 2 clips in the folder, as file = "clips/{camera}/b.mp4" and '
        f'camera = "{camera}"'
    )
