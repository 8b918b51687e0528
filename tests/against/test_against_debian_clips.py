"""Clips of Debian's package opencv-doc (4.6): five unrelated files, read without a false alarm.

Source: the package's `examples/data` and `html` folders; nothing is published of their times. The
numbers of frames and slots, the rates of the headers and the programs' names were read off the
files with PyAV, packet by packet. `.ci/run` fetches the package.
"""

from __future__ import annotations

from itertools import islice, pairwise
from pathlib import Path

import av
import cv2
import numpy as np
import pytest

from vidspeed.clip.read import ClipReader
from vidspeed.clip.slow import refuse_slow_playback
from vidspeed.clip.times import times

HOME = Path(__file__).resolve().parents[2] / ".reference/opencv-doc"
NAMES = ("vtest.avi", "tree.avi", "Megamind.avi", "box.mp4", "cup.mp4")

pytestmark = [
    pytest.mark.reference_data,
    pytest.mark.skipif(
        not all((HOME / name).is_file() for name in NAMES),
        reason="opencv-doc is not in .reference (.ci/run fetches it)",
    ),
]


@pytest.fixture(scope="module")
def accounts():
    return {name: times(HOME / name) for name in NAMES}


@pytest.mark.parametrize("name", NAMES)
def test_no_clip_is_taken_for_slow_playback(accounts, name):
    found = accounts[name]
    assert found.verdict not in ("stored for slow playback", "not to be trusted")
    assert (found.capture_tags, found.backward, len(found.segments)) == ((), 0, 1)
    refuse_slow_playback(HOME / name)


def test_a_clip_at_ten_a_second_is_steady(accounts):
    found = accounts["vtest.avi"]
    assert (found.verdict, found.frames, found.repeated, found.dropped) == ("steady", 795, 0, 0)
    assert found.real_hz == pytest.approx(10.0)
    assert found.origin == "re-encoded"  # the program's name is in it


def test_a_camera_that_left_most_slots_empty_is_uneven(accounts):
    """444 slots at 15 a second, 68 pictures: nobody can say which are missing."""
    found = accounts["tree.avi"]
    assert (found.verdict, found.frames, found.frames_announced) == ("uneven", 68, 444)
    assert (found.dropped, found.damaged) == (0, 0)
    assert found.shortest_s == pytest.approx(5 / 15, rel=1e-4)
    assert found.longest_s == pytest.approx(11 / 15, rel=1e-4)


def test_reordered_frames_in_an_avi_are_counted_in_their_order(accounts):
    found = accounts["Megamind.avi"]
    assert (found.verdict, found.frames, found.reordered) == ("steady", 270, False)
    assert found.real_hz == pytest.approx(23.976)
    assert found.rate_factor == pytest.approx(1.0)


def test_stamps_in_the_order_of_storing_are_put_right(accounts):
    """The program that wrote it stored no composition offsets beside reordered frames."""
    found = accounts["box.mp4"]
    assert (found.verdict, found.frames, found.frames_announced) == ("repaired", 455, 456)
    assert (found.reordered, found.dropped) == (True, 0)
    assert found.longest_s < 0.0345
    assert found.real_hz == pytest.approx(30000 / 1001, rel=3e-4)
    assert found.stamp_u_s == pytest.approx(0.001 / np.sqrt(12.0))  # whole milliseconds


def test_frames_that_a_recorder_showed_twice_are_counted(accounts):
    found = accounts["cup.mp4"]
    assert (found.verdict, found.repeated) == ("repaired", 3)
    assert (found.frames, found.damaged) == (217, 0)
    assert found.real_hz == pytest.approx(26.777)
    assert found.origin == "cannot tell"


def changes(pictures):
    """Return the sum of changes from picture to picture, each taken at an eighth of its size."""
    return sum(float(np.abs(one - other).mean()) for one, other in pairwise(pictures))


@pytest.mark.parametrize("name", ["Megamind.avi", "box.mp4"])
def test_the_order_of_showing_is_the_one_that_moves_least(name):
    """Pictures in a wrong order jump to and fro: no order by the file's raw stamps moves less."""
    with ClipReader(HOME / name) as reader:
        rows = [(frame.stamp, _small(frame.luma)) for frame in islice(reader.frames(), 200)]
    assert np.all(np.diff([stamp for stamp, _ in rows]) > 0)
    with av.open(str(HOME / name)) as container:
        raw = [
            (frame.pts, _small(frame.to_ndarray(format="gray")))
            for frame in islice(container.decode(video=0), 200)
        ]
    by_stamp = [picture for _, picture in sorted(raw, key=lambda row: row[0])]
    assert changes([picture for _, picture in rows]) < 0.9 * changes(by_stamp)


def _small(luma):
    height, width = luma.shape
    return cv2.resize(luma, (width // 8, height // 8), interpolation=cv2.INTER_AREA).astype(float)
