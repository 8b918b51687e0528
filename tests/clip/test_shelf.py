"""What grows with a clip is put aside until its end."""

import errno
import tempfile

import cv2
import numpy as np
import pytest

from vidspeed.clip import shelf
from vidspeed.clip.ground.sway import SwayMeter
from vidspeed.clip.shelf import Shelf


class Disk:
    """A temporary file on a disk that has room for so many bytes, and says so or writes less."""

    def __init__(self, room, *, says):
        self._file, self._room, self._says = tempfile.TemporaryFile(buffering=0), room, says  # noqa: SIM115
        self.seek, self.read, self.close = self._file.seek, self._file.read, self._file.close

    def write(self, content):
        if len(content) > self._room and self._says:
            raise OSError(errno.ENOSPC, "No space left on device")
        written = self._file.write(content[: self._room])
        self._room -= written
        return written


def filled(count, size=3000):
    """Return a shelf of arrays of known values, and these."""
    values = [np.full(size, k, np.uint8) for k in range(count)]
    full: Shelf = Shelf()
    for value in values:
        full.put(value, value.nbytes)
    return full, values


@pytest.mark.parametrize("count", [0, 1, 7, 50])
def test_all_come_back_in_order_as_often_as_asked(monkeypatch, count):
    monkeypatch.setattr(shelf, "MOST_HELD", 10_000)
    full, values = filled(count)
    assert bool(full._parts) == (count == 50 or count == 7)
    for _ in range(2):
        np.testing.assert_array_equal(list(full), values)


def test_no_more_is_held_than_it_may(monkeypatch):
    monkeypatch.setattr(shelf, "MOST_HELD", 10_000)
    full, _ = filled(50)
    assert len(full._parts) == 12  # of four each
    assert len(full._held) == 2


@pytest.mark.parametrize("says", [True, False])
def test_without_room_on_the_disk_nothing_is_lost(monkeypatch, says):
    monkeypatch.setattr(shelf, "MOST_HELD", 10_000)
    monkeypatch.setattr(shelf, "TemporaryFile", lambda buffering: Disk(30_000, says=says))
    full, values = filled(50)
    assert len(full._parts) == 2
    np.testing.assert_array_equal(list(full), values)


def test_without_a_folder_for_temporary_files_nothing_is_lost(monkeypatch):
    def refuse(buffering):
        raise FileNotFoundError(errno.ENOENT, "No usable temporary directory found")

    monkeypatch.setattr(shelf, "MOST_HELD", 10_000)
    monkeypatch.setattr(shelf, "TemporaryFile", refuse)
    full, values = filled(50)
    np.testing.assert_array_equal(list(full), values)


def test_a_long_clip_sways_as_a_short_one(monkeypatch):
    """What is put on the disk halfway is where it was, to the last bit."""
    rng = np.random.default_rng(4)
    ground = cv2.GaussianBlur(rng.integers(0, 255, (180, 320), dtype=np.uint8), (0, 0), 2.5)
    frames = [cv2.add(ground, rng.integers(0, 4, ground.shape, dtype=np.uint8)) for _ in range(12)]
    held = SwayMeter(frames[0], frames[:3])
    monkeypatch.setattr(shelf, "MOST_HELD", 1)
    stored = SwayMeter(frames[0], frames[:3])
    for turn in range(100):
        for meter in (held, stored):
            monkeypatch.setattr(shelf, "MOST_HELD", 1 if meter is stored else 1 << 20)
            meter.take(turn / 60.0, frames[turn % 12])
    assert stored._away._parts and not held._away._parts
    np.testing.assert_array_equal(held.sway().away_px, stored.sway().away_px)
    assert len(held.sway().time_s) == 100
