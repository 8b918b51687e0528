"""What nobody stated is called assumed in the budget, as CONTRACT's table of defaults has it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from tests.motion.flown import evening, solved
from tests.session.good import PICKS, SESSION, write
from vidspeed.agreement.doppler import around_of
from vidspeed.motion.account import account
from vidspeed.session.read import read_session
from vidspeed.values import Clip


def rows_of(scene):
    made = solved(scene)
    clips = [Clip(file=row.clip, camera=row.stand.camera.name) for row in made.lit]
    result = account(scene.session, made.flight, clips, "1")
    return {(row.source, row.owner): row.assumed for row in result.budget}


def test_a_pick_without_its_u_is_a_pixel_and_assumed(tmp_path: Path) -> None:
    stated = read_session(write(tmp_path / "a", SESSION)).cameras[0].picks
    head, *rows = PICKS.splitlines()
    assert head.endswith(",u_px")
    bare = "\n".join([head, *(f"{row.rsplit(',', 1)[0]}," for row in rows)]) + "\n"
    left = read_session(write(tmp_path / "b", SESSION, picks=bare)).cameras[0].picks
    assert not any(pick.assumed for pick in stated)
    assert [(pick.u_px, pick.assumed) for pick in left] == [(1.0, True)] * len(stated)


@pytest.mark.parametrize("which", ["picks", "read-out"])
def test_the_row_of_what_was_left_out_says_so(which):
    scene = evening(3, 1)
    (camera,) = scene.session.cameras
    assert not rows_of(scene)[which, "camera n"]
    if which == "picks":
        picks = (replace(camera.picks[0], assumed=True), *camera.picks[1:])
        changed = replace(camera, picks=picks)
    else:
        changed = replace(camera, assumed=frozenset({"readout"}))
    scene = evening(3, 1)
    scene.session = replace(scene.session, cameras=(changed,))
    assert rows_of(scene)[which, "camera n"]


def test_a_temperature_without_its_u_is_assumed_to_two_degrees(tmp_path: Path) -> None:
    text = SESSION.replace("[[camera]]", "[air]\ntemperature_c = 12.0\n\n[[camera]]", 1)
    assert around_of(read_session(write(tmp_path / "a", text)).air).sound_assumed
    text = text.replace("12.0\n", "12.0\ntemperature_u_c = 0.5\n", 1)
    assert not around_of(read_session(write(tmp_path / "b", text)).air).sound_assumed
