"""`vidspeed listen`: from a clip's file to a speed and a picture, without a session."""

from __future__ import annotations

import numpy as np
import pytest

from tests.bench.bench_sound import Fly, mp4_of, sound_of
from tests.tiny import command
from vidspeed.clip.still import read_picture
from vidspeed.errors import ClipError, ResultsError
from vidspeed.listen import listen
from vidspeed.record.listenview import listen_notes, listen_table, write_listen
from vidspeed.values import Air

FLY = Fly(110.0, 22.0, 1.7, [1350.0, 2700.0], [22.0, 19.0], sound_mps=340.3)


@pytest.fixture(scope="module")
def flown(tmp_path_factory):
    path = tmp_path_factory.mktemp("clips") / "pass 1.mp4"
    path.write_bytes(mp4_of(sound_of([FLY], 3.4, np.random.default_rng(2)), 128_000))
    return path


@pytest.fixture(scope="module")
def quiet(tmp_path_factory):
    path = tmp_path_factory.mktemp("clips") / "quiet.mp4"
    path.write_bytes(mp4_of(sound_of([], 2.0, np.random.default_rng(3)), 128_000))
    return path


def test_the_command_tells_speed_and_distance_and_draws(flown, tmp_path):
    out = tmp_path / "heard.png"
    said = command("listen", flown, "--temperature-c", 15, "--between-s", 1.4, 2.0, "--out", out)
    assert said.status == 0, said.err
    assert "km/h" in said.out
    assert str(out) in said.out.replace("\n", "")
    assert read_picture(out).shape[1] > 800


def test_an_unknown_temperature_makes_a_speed_less_sure(flown):
    known = listen(flown, air=Air(temperature_c=15.0, temperature_u_c=1.0), between_s=(1.5, 2.0))
    bare = listen(flown, between_s=(1.5, 2.0))
    (sure,), (unsure,) = known.heard, bare.heard
    assert abs(sure.speed_mps - 110.0) < 3.0 * sure.speed_u_mps
    assert abs(unsure.speed_mps - 110.0) < 3.0 * unsure.speed_u_mps
    assert unsure.speed_u_mps**2 - sure.speed_u_mps**2 > (0.01 * 110.0) ** 2
    assert listen_table(known, "kmh").row_count == 1
    assert listen_notes(known) == []


def test_without_a_craft_it_says_so(quiet, tmp_path):
    said = command("listen", quiet)
    assert said.status == 1
    assert "quiet.mp4: no tone stands out" in said.err.replace("\n", " ")
    assert (quiet.parent / "quiet-sound.png").is_file()


def test_a_file_without_sound_is_refused(tmp_path):
    path = tmp_path / "notes.mp4"
    path.write_bytes(b"no clip")
    with pytest.raises(ClipError, match=r"notes\.mp4"):
        listen(path)
    assert command("listen", path, "--between-s", 2.0, 1.0).status == 2


def test_a_picture_that_cannot_be_written_says_where(quiet, tmp_path):
    with pytest.raises(ResultsError, match="--out"):
        write_listen(listen(quiet), tmp_path / "nowhere" / "x.png")
