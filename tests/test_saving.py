"""Files are saved whole or not at all."""

from __future__ import annotations

import os
import sys

import pytest

from vidspeed.errors import ResultsError
from vidspeed.saving import save


def held(folder):
    return {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()}


def test_a_file_is_made_and_replaced(tmp_path):
    save(tmp_path / "picks.csv", b"one")
    save(tmp_path / "picks.csv", b"two")
    assert held(tmp_path) == {"picks.csv": b"two"}


def test_a_disk_that_is_full_leaves_what_was_there(tmp_path, monkeypatch):
    (tmp_path / "picks.csv").write_bytes(b"a morning's work")

    def full(_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(ResultsError, match=r"picks\.csv: cannot be written: No space left"):
        save(tmp_path / "picks.csv", b"new")
    assert held(tmp_path) == {"picks.csv": b"a morning's work"}


@pytest.mark.skipif(sys.platform == "win32", reason="links need a right that few have there")
def test_a_link_is_followed(tmp_path):
    (tmp_path / "far").mkdir()
    (tmp_path / "far" / "lens.json").write_bytes(b"old")
    (tmp_path / "lens.json").symlink_to(tmp_path / "far" / "lens.json")
    save(tmp_path / "lens.json", b"new")
    assert (tmp_path / "lens.json").is_symlink()
    assert held(tmp_path / "far") == {"lens.json": b"new"}


def test_a_file_kept_from_writing_stays(tmp_path, monkeypatch):
    path = tmp_path / "clock.toml"
    path.write_bytes(b"old")
    path.chmod(0o444)
    if os.access(path, os.W_OK):  # whoever may do everything is not stopped by its mode
        whole = type(path).open

        def refused(self, mode="r", *args, **kwargs):
            if self == path and mode == "r+b":
                raise PermissionError(13, "Permission denied")
            return whole(self, mode, *args, **kwargs)

        monkeypatch.setattr(type(path), "open", refused)
    with pytest.raises(ResultsError, match="Permission denied"):
        save(path, b"new")
    path.chmod(0o644)
    assert held(tmp_path) == {"clock.toml": b"old"}


def test_a_folder_and_a_place_that_is_not_there_are_said(tmp_path):
    for path in (tmp_path, tmp_path / "none" / "a.png"):
        with pytest.raises(ResultsError, match=r"cannot be written: .*; mend that, or name"):
            save(path, b"new")
    assert held(tmp_path) == {}
