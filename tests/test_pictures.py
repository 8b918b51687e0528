"""The commands that show one pass: prints to scale, and an annotated clip with its stamps."""

from __future__ import annotations

import io

import numpy as np
import pytest
from PIL import Image

from tests.tiny import CLIP, command, edit
from vidspeed.clip.read import ClipReader


def test_picture_prints_a_pass_to_scale(tiny, tmp_path):
    said = command("picture", tiny, "1", "--out", tmp_path / "prints")
    assert said.status == 0, said.err
    names = {path.name for path in (tmp_path / "prints").iterdir()}
    assert names == {
        f"pass-1-north-{what}.{kind}" for what in ("space-time", "whole") for kind in ("png", "svg")
    }
    assert sorted(said.out.split()) == sorted(str(tmp_path / "prints" / name) for name in names)
    data = (tmp_path / "prints" / "pass-1-north-space-time.png").read_bytes()
    with Image.open(io.BytesIO(data)) as image:
        wide_mm = image.width / image.info["dpi"][0] * 25.4
    svg = (tmp_path / "prints" / "pass-1-north-space-time.svg").read_text(encoding="utf-8")
    assert f"printed {wide_mm:.0f} mm wide" in svg
    assert wide_mm > 200.0


def test_annotate_keeps_the_stamps_and_adds_a_band(tiny):
    said = command("annotate", tiny, "1", "--slow", "2")
    assert said.status == 0, said.err
    made = tiny / "annotated" / "pass-1-north.mp4"
    assert said.out.strip() == str(made)
    with ClipReader(tiny / CLIP) as reader:
        stamps = [frame.time_s for frame in reader.frames()]
        size = reader.header.size_px
    with ClipReader(made) as reader:
        shown = [frame.time_s for frame in reader.frames()]
        assert reader.header.size_px[0] == size[0]
        assert reader.header.size_px[1] > size[1] + 40
    first = int(np.argmin(np.abs(np.array(stamps) - shown[0] / 2.0)))
    np.testing.assert_allclose(np.array(shown) / 2.0, stamps[first : first + len(shown)], atol=1e-6)


@pytest.mark.parametrize("what", ["picture", "annotate"])
@pytest.mark.parametrize("known", ["by its clips", "by its results", "when measured"])
def test_a_pass_that_is_not_there_is_said_before_any_clip_is_decoded(what, known, tiny):
    if known != "by its clips":
        edit(tiny / "session.toml", 'pass = "1"\n', "")
    if known == "by its results":
        assert command("run", tiny).status == 0
    said = command(what, tiny, "seven")
    assert said.status == 1
    assert said.err.splitlines()[-1] == "pass seven: there is no such pass; there are: 1"
    assert (CLIP in said.err) == (known == "when measured")
