"""A file that is shorter than it says is not all there."""

import numpy as np
import pytest

from vidspeed.clip.whole import is_whole, stated_bytes
from vidspeed.clip.write import even_stamps, write_clip


@pytest.mark.parametrize("name", ["a.mp4", "a.mov", "a.avi"])
def test_a_cut_file_is_not_whole(tmp_path, name):
    path = tmp_path / name
    frames = [np.full((64, 96), 30 + number, dtype=np.uint8) for number in range(12)]
    codec = "mjpeg" if name.endswith("avi") else "h264"
    write_clip(path, frames, stamps=even_stamps(12, 30.0), codec=codec)
    assert is_whole(path)
    content = path.read_bytes()
    says = stated_bytes(path)
    assert says == len(content)
    for share in (0.0, 0.01, 0.5, 0.97):
        path.write_bytes(content[: int(share * len(content))])
        assert not is_whole(path)
    path.write_bytes(content)
    assert is_whole(path)


def test_what_is_no_clip_is_never_whole(tmp_path):
    path = tmp_path / "a.mp4"
    path.write_bytes(b"\0" * 4096)
    assert stated_bytes(path) is None
    assert not is_whole(path)
