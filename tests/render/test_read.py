"""Scenes in TOML: what is read, and what each mistake is told."""

from __future__ import annotations

from fractions import Fraction
from importlib.resources import as_file, files

import numpy as np
import pytest

from vidspeed.errors import SceneError
from vidspeed.render.read import read_scene
from vidspeed.render.scene import DISTURBANCES

from .test_session import MARKERS, TOML


def read(tmp_path, text):
    path = tmp_path / "scene.toml"
    path.write_text(text, encoding="utf-8")
    return read_scene(path)


def test_what_is_left_out_has_its_default(tmp_path):
    made = read(tmp_path, TOML + MARKERS)
    filming = made.cameras[0]
    np.testing.assert_allclose(filming.lens, [120, 120, 79.5, 44.5, 0, 0, 0, 0, 0])
    assert filming.rate_hz == Fraction(30)
    assert filming.exposure_s == 0.002
    assert made.flight_line.drift_u_m == 0.3
    assert made.passes[0].label == "1"
    assert made.passes[0].speed_mps == pytest.approx(300 / 3.6)
    assert made.disturb == DISTURBANCES


def test_keys_of_all_cameras_lie_under_those_of_each(tmp_path):
    shared = (
        '[all_cameras]\nrate_hz = "60000/1001"\nk1 = -0.1\n'
        'look = { background = "day", spot_px = 1.5 }\n'
    )
    own = TOML.replace('name = "north"', 'name = "north"\nlook = { spot_px = 0.9 }')
    filming = read(tmp_path, own.replace("rate_hz = 30\n", "") + MARKERS + shared).cameras[0]
    assert filming.rate_hz == Fraction(60000, 1001)
    assert filming.lens[4] == -0.1
    assert (filming.look.background, filming.look.spot_px) == ("day", 0.9)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("length_m = 80.0", "lenght_m = 80.0", r'unknown key "lenght_m".*"length_m"'),
        ("length_m = 80.0", "length_m = -80.0", "length_m is -80.0; a number above 0"),
        ("length_m = 80.0", 'length_m = "80 m"', "length_m is '80 m'; a number"),
        ("length_m = 80.0\n", "", '"length_m" is missing'),
        ("seed = 4", "seed = 4.5", "seed is 4.5; a whole number"),
        ("[160, 90]", "[161, 90]", "even number of pixels"),
        ("rate_hz = 30", 'rate_hz = "60000/0"', "rate_hz is '60000/0'"),
        ("rate_hz = 30", "rate_hz = 30\nrotation_deg = 45", "multiple of 90"),
        ("rate_hz = 30", 'rate_hz = 30\ncodec = "vp9"', "allowed are h264"),
        ("rate_hz = 30", 'rate_hz = 30\nlook = { background = "fog" }', "allowed are day"),
        ('"forward"', '"up"', "allowed are forward, reverse"),
        ("speed_kmh = 300.0", 'speed_kmh = 300.0\ncameras = ["south"]', '"south" is no'),
        ('name = "north"', 'name = "nor/th"', "it names files"),
        ('name = "m1"', 'name = "m0"', '"m0" is there twice'),
        ('name = "m1"', 'name = "a,b"', "without commas"),
        ("seed = 4", 'seed = 4\ndisturb = ["wind"]', "disturb is"),
        ("seed = 4", "seed = 4 4", "line 3, seed = 4 4: cannot be read as TOML"),
        ("[course]", "[[course]]", "a table is needed"),
    ],
)
def test_a_mistake_is_named(tmp_path, old, new, words):
    whole = TOML + MARKERS
    assert old in whole
    with pytest.raises(SceneError, match=rf"scene\.toml: .*{words}"):
        read(tmp_path, whole.replace(old, new))


def test_a_missing_file_is_named(tmp_path):
    with pytest.raises(SceneError, match=r"none\.toml: cannot be read"):
        read_scene(tmp_path / "none.toml")


def test_the_scene_of_the_demonstration_is_read():
    with as_file(files("vidspeed.render") / "scenes" / "demo.toml") as path:
        made = read_scene(path)
    assert made.course.length_m != 100.0
    assert [item.direction for item in made.passes] == ["forward", "reverse"] * 2
    sides = {np.sign(filming.position_m[1]) for filming in made.cameras}
    assert sides == {-1.0, 1.0}
