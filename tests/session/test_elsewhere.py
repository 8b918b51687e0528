"""Clips on another disk are found by their path or their name, and never guessed."""

import unicodedata
from dataclasses import replace

import pytest

from vidspeed.errors import SessionError
from vidspeed.session.elsewhere import with_clips
from vidspeed.session.read import read_session
from vidspeed.values import Clip

from .good import write


@pytest.fixture
def session(tmp_path):
    """Give a session with four clips, of which none is in its folder, and one track."""
    names = ["clips/a.mp4", "clips/sub/B.MOV", "clips/\u00e9t\u00e9 1.mp4", "clips/gone.mp4"]
    read = read_session(write(tmp_path / "day"))
    clips = [Clip(file=name, camera="north") for name in names]
    track = Clip(file="clips/t.mp4", camera="north", track="t.csv")
    return replace(read, clips=(*clips, track))


def put(folder, *names):
    for name in names:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(b"x")
    return folder


def test_by_path_then_by_name_and_else_in_the_session(session, tmp_path):
    apart = unicodedata.normalize("NFD", "card/\u00c9t\u00e9 1.mp4")
    card = put(tmp_path / "card disk", "clips/a.mp4", "other/a.mp4", "dcim/100/b.mov", apart)
    a, b, summer, gone, track = with_clips(session, card).clips
    assert a.path == str(card / "clips/a.mp4")
    assert b.path == str(card / "dcim/100/b.mov")
    assert summer.path == str(card / apart)
    assert gone.path is None and "no such file in the session folder" in gone.lost
    assert (track.path, track.lost) == (None, None)
    assert [row.name for row in with_clips(session, card).clips] == [
        row.name for row in session.clips
    ]
    put(tmp_path / "day", "clips/gone.mp4")
    kept = with_clips(session, card).clips[3]
    assert (kept.path, kept.lost) == (None, None)


def test_two_of_one_name_are_not_chosen_between(session, tmp_path):
    card = put(tmp_path / "card", "100/a.mp4", "101/A.mp4", "102/a.mp4", "103/a.mp4", "b.mov")
    a, b = with_clips(session, card).clips[:2]
    assert a.path is None and b.path is not None
    assert "4 files of that name are in" in a.lost and '"100/a.mp4", "101/A.mp4"' in a.lost
    assert f"put the right one at {card / 'clips/a.mp4'}" in a.lost


def test_a_folder_that_is_not_there_is_refused(session, tmp_path):
    with pytest.raises(SessionError, match="no such folder; name the one that holds the clips"):
        with_clips(session, tmp_path / "unplugged")
