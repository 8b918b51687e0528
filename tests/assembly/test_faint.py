"""A pass that no single frame shows is measured; where a first look saw one, there is no second."""

from __future__ import annotations

import shutil

import pytest

from tests.tiny import command, edit, scene_text
from vidspeed.assembly import faint
from vidspeed.measure import run
from vidspeed.render.session import render_scene_file

SPEED_MPS = 300.0 / 3.6


@pytest.fixture(scope="module")
def dim(tmp_path_factory):
    """Return the tiny session with a lamp about as strong as the noise of a pixel."""
    home = tmp_path_factory.mktemp("dim")
    text = scene_text().replace("lamp_signal = 6.0", "lamp_signal = 0.002")
    text = text.replace("crf = 17", 'codec = "ffv1"\nsuffix = ".avi"')
    scene = home / "scene.toml"
    scene.write_text(text, encoding="utf-8")
    render_scene_file(scene, home / "session", workers=1)
    return home / "session"


def test_a_pass_that_no_single_frame_shows_is_measured_and_said_to_be_faint(dim):
    outcome = run(dim)
    (flown,) = outcome.passes
    assert flown.speed_mps is not None and flown.speed_u_mps is not None
    assert abs(flown.speed_mps - SPEED_MPS) < 3.0 * flown.speed_u_mps
    assert flown.speed_u_mps < 0.02 * SPEED_MPS
    assert any("too faint for single frames" in row.message for row in outcome.problems)


def test_a_clip_on_another_disk_is_looked_at_again_too(dim, tmp_path):
    folder, card = tmp_path / "session", tmp_path / "card"
    shutil.copytree(dim, folder, ignore=shutil.ignore_patterns("results", ".vidspeed-kept"))
    (folder / "clips").rename(card)
    said = command("run", folder, "--clips", card, "--jobs", "1")
    assert said.status == 0 and "too faint for single frames" in said.err, said.err


def test_a_clip_that_should_hold_no_pass_and_one_that_shows_its_pass_are_not_looked_at_again(
    dim, tiny, monkeypatch
):
    def looked(*_args, **_more):
        raise AssertionError("it was looked at again")

    monkeypatch.setattr(faint, "faint_tracks", looked)
    assert run(tiny).passes[0].speed_mps is not None
    edit(dim / "session.toml", 'pass = "1"', 'expect = "none"')
    assert run(dim).passes == ()
