"""A pass that no single frame shows is measured; where a first look saw one, there is no second."""

from __future__ import annotations

import shutil

import numpy as np
import pytest

from tests.tiny import command, edit, scene_text
from vidspeed.assembly import faint, gather
from vidspeed.assembly.gather import Keeping
from vidspeed.assembly.kept import KEPT
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


@pytest.fixture(scope="module")
def looked(dim):
    """Return what a run of the session gives, and what its second look found: seconds each time."""
    found, plain = [], faint.faint_tracks

    def noted(*given, **more):
        found.append(plain(*given, **more))
        return found[-1]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(faint, "faint_tracks", noted)
        outcome = run(dim)
    (tracks,) = found
    return outcome, tracks


def test_a_pass_that_no_single_frame_shows_is_measured_and_said_to_be_faint(looked):
    outcome, _ = looked
    (flown,) = outcome.passes
    assert flown.speed_mps is not None and flown.speed_u_mps is not None
    assert abs(flown.speed_mps - SPEED_MPS) < 3.0 * flown.speed_u_mps
    assert flown.speed_u_mps < 0.02 * SPEED_MPS
    assert any("too faint for single frames" in row.message for row in outcome.problems)


def test_a_second_look_is_kept_for_its_clip_and_its_way_through_the_picture(
    dim, looked, monkeypatch
):
    looks, scans, plain_scan = [], [], gather.scan

    def counted(*given, **more):
        looks.append(given[1].middle_px)
        return looked[1] if np.array_equal(looks[0], looks[-1]) else ()

    def scanned(*given, **more):
        scans.append(given)
        return plain_scan(*given, **more)

    def measured(fresh=False):
        (flown,) = run(dim, keeping=Keeping(folder=dim, fresh=fresh)).passes
        return flown.speed_mps, len(looks), len(scans)

    monkeypatch.setattr(faint, "faint_tracks", counted)
    monkeypatch.setattr(gather, "scan", scanned)
    speed_mps, *before = measured()
    assert speed_mps is not None and before == [1, 1]
    assert measured() == (speed_mps, 1, 1)
    for number, height in enumerate(("3.1", "3.2"), start=2):
        edit(dim / "session.toml", "height_m = 3.0", f"height_m = {height}")
        assert measured() == (None, number, 1)  # another way; the scan did not look along it
        edit(dim / "session.toml", f"height_m = {height}", "height_m = 3.0")
    assert measured() == (speed_mps, 3, 1)
    assert measured(fresh=True) == (speed_mps, 4, 2)
    for path in (dim / KEPT).glob("*.faint-*"):
        path.write_bytes(path.read_bytes()[:-9])  # what is damaged costs a look and nothing else
    assert measured() == (speed_mps, 5, 2)


def test_a_clip_on_another_disk_is_looked_at_again_too(dim, looked, tmp_path, monkeypatch):
    folder, card = tmp_path / "session", tmp_path / "card"
    looks = []

    def found(path, *_given, **_more):
        looks.append(path.parent.parent)
        return looked[1]

    monkeypatch.setattr(faint, "faint_tracks", found)
    shutil.copytree(dim, folder, ignore=shutil.ignore_patterns("results", ".vidspeed-kept"))
    (folder / "clips").rename(card)
    said = command("run", folder, "--clips", card, "--jobs", "1")
    assert said.status == 0 and "too faint for single frames" in said.err, said.err
    assert looks == [card]


def test_a_clip_that_should_hold_no_pass_and_one_that_shows_its_pass_are_not_looked_at_again(
    dim, tiny, monkeypatch
):
    def again(*_args, **_more):
        raise AssertionError("it was looked at again")

    monkeypatch.setattr(faint, "faint_tracks", again)
    assert run(tiny).passes[0].speed_mps is not None
    edit(dim / "session.toml", 'pass = "1"', 'expect = "none"')
    assert run(dim).passes == ()
