from __future__ import annotations

import json
import random
from pathlib import Path

import cv2
import numpy as np
import pytest

from vidspeed.errors import SessionError
from vidspeed.session.read import read_session
from vidspeed.session.storage import parse_storage
from vidspeed.values import Lens

from .good import SESSION, faults, write

LENS_SESSION = SESSION.replace(SESSION[SESSION.index("focal_px") : SESSION.index("readout_ms")],
                               'lens = "lens.json"\n')  # fmt: skip


def lens_file(**changed: object) -> str:
    lens: dict[str, object] = {
        "schema": "vidspeed.lens/1",
        "image_size_px": [1920, 1080],
        **{"fx_px": 1480.0, "fy_px": 1481.0, "cx_px": 960.0, "cy_px": 540.0},
        **{"k1": 0.1, "k2": 0.0, "p1": 0.0, "p2": 0.0, "k3": 0.0},
        "covariance": np.diag([4.0, 4.0, 9.0, 9.0, 1e-6, 1e-4, 1e-8, 1e-8, 0.0]).tolist(),
        "rms_px": 0.3,
        "views": 12,
    }
    lens.update(changed)
    return json.dumps({key: value for key, value in lens.items() if value != "absent"})


def test_a_lens_file_gives_a_factor_of_its_covariance(tmp_path: Path) -> None:
    rng = np.random.default_rng(7)
    sizes = np.array([2.0, 2.0, 3.0, 3.0, 1e-3, 1e-2, 1e-4, 1e-4, 1e-2])
    part = sizes[:, None] * rng.normal(size=(9, 5))
    covariance = part @ part.T  # of rank five
    folder = write(tmp_path / "s", LENS_SESSION)
    (folder / "lens.json").write_text(lens_file(covariance=covariance.tolist()), encoding="utf-8")
    session = read_session(folder)
    lens = session.cameras[0].lens
    assert lens.parameters.tolist() == [1480.0, 1481.0, 960.0, 540.0, 0.1, 0, 0, 0, 0]
    assert lens.names == ("lens 1", "lens 2", "lens 3", "lens 4", "lens 5")
    assert (lens.file, lens.assumed, lens.focal_free) == ("lens.json", frozenset(), False)
    scale = np.sqrt(np.diag(covariance))
    error = (lens.factor @ lens.factor.T - covariance) / np.outer(scale, scale)
    assert np.abs(error).max() < 1e-12
    assert "lens.json" in {item.file for item in session.inputs}


def test_an_exact_lens_file_has_no_unknown(tmp_path: Path) -> None:
    folder = write(tmp_path / "s", LENS_SESSION)
    text = lens_file(covariance=np.zeros((9, 9)).tolist())
    (folder / "lens.json").write_text(text, encoding="utf-8")
    assert read_session(folder).cameras[0].lens.factor.shape == (9, 0)


UNEVEN = np.eye(9)
UNEVEN[0, 1] = 0.5
NEGATIVE = np.eye(9)
NEGATIVE[0, 1] = NEGATIVE[1, 0] = 1.5
MINUS = np.diag([1.0, -1.0, 1, 1, 1, 1, 1, 1, 1])


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (lens_file(schema="vidspeed.lens/2"), 'lens.json: schema is "vidspeed.lens/2"'),
        (lens_file(schema="absent"), "lens.json: schema is missing"),
        (lens_file(fx_px=-1), "lens.json: fx_px is -1, a number above 0"),
        (lens_file(k3="absent"), "lens.json: k3 is missing"),
        (lens_file(cx_px=float("nan")), "lens.json: cx_px is nan"),
        (lens_file(views=0), "views is 0, a whole number at least 1"),
        (lens_file(image_size_px=[1280, 720]), "image_size_px is [1920, 1080], but lens.json is of "
         "a picture of [1280, 720]"),
        (lens_file(covariance="absent"), "covariance is not 9 rows of 9 numbers"),
        (lens_file(covariance=[[1.0] * 9] * 8), "covariance is not 9 rows of 9 numbers"),
        (lens_file(covariance=[[True] * 9] * 9), "covariance is not 9 rows of 9 numbers"),
        (lens_file(covariance=[[float("nan")] * 9] * 9), "covariance is not 9 rows"),
        (lens_file(covariance=UNEVEN.tolist()), "covariance is not symmetric"),
        (lens_file(covariance=MINUS.tolist()), "covariance is not symmetric with variances"),
        (lens_file(covariance=NEGATIVE.tolist()), "covariance has the negative eigenvalue -0.5"),
        ("[]", "holds no lens"),
        ("{", "cannot be read as JSON"),
        ("", "cannot be read as JSON"),
        ("[" * 100000, "cannot be read as JSON"),
    ],
)  # fmt: skip
def test_each_fault_of_a_lens_file(tmp_path: Path, text: str, message: str) -> None:
    folder = write(tmp_path / "s", LENS_SESSION)
    (folder / "lens.json").write_text(text, encoding="utf-8")
    messages = faults(folder)
    assert any(message in each for each in messages), messages


def test_a_missing_lens_file_is_named(tmp_path: Path) -> None:
    messages = faults(write(tmp_path / "s", LENS_SESSION))
    assert messages[0].startswith('session.toml: camera "north": lens "lens.json" does not exist')


def lens_of_session(folder: Path, session: str) -> Lens:
    (folder / "session.toml").write_text(session, encoding="utf-8")
    return read_session(folder).cameras[0].lens


def with_lens(tmp_path: Path, name: str, text: str) -> Path:
    folder = write(tmp_path / "s", LENS_SESSION)
    (folder / name).write_text(text, encoding="utf-8", newline="\n")
    return folder


def test_a_lens_that_was_focused_near_leaves_the_focal_length_open(tmp_path: Path) -> None:
    folder = with_lens(tmp_path, "lens.json", lens_file(focus="near"))
    near = lens_of_session(folder, LENS_SESSION)
    assert near.names[0] == "focal length" and near.names[1:] == tuple(
        f"lens {number}" for number in range(1, 9)
    )
    assert near.factor[:, 0].tolist() == [0.02 * 1480.0, 0.02 * 1481.0, 0, 0, 0, 0, 0, 0, 0]
    assert (near.assumed, near.focus) == (frozenset({"focal length"}), "near")
    stated = 'lens = "lens.json"\nlens_focus = "field"\n'
    field = lens_of_session(folder, LENS_SESSION.replace('lens = "lens.json"\n', stated))
    assert "focal length" not in field.names and field.factor.shape == (9, 8)
    (folder / "lens.json").write_text(lens_file(), encoding="utf-8")
    again = lens_of_session(folder, LENS_SESSION.replace(
        'lens = "lens.json"\n', 'lens = "lens.json"\nlens_focus = "near"\n'))  # fmt: skip
    assert again.factor.tolist() == near.factor.tolist()


def test_a_smaller_copy_of_the_whole_picture_is_stated(tmp_path: Path) -> None:
    text = lens_file(image_size_px=[3840, 2160], fx_px=2960.0, fy_px=2962.0, cx_px=1920.5,
                     cy_px=1080.5)  # fmt: skip
    folder = with_lens(tmp_path, "lens.json", text)
    messages = faults(folder)
    assert "state lens_scale = 0.5; if it is cropped or zoomed, film the chart" in messages[0]
    stated = LENS_SESSION.replace('lens = "lens.json"\n', 'lens = "lens.json"\nlens_scale = 0.5\n')
    lens = lens_of_session(folder, stated)
    assert lens.image_size_px == (1920, 1080)
    assert lens.parameters[:5].tolist() == [1480.0, 1481.0, 960.0, 540.0, 0.1]
    covariance = lens.factor @ lens.factor.T
    assert np.diag(covariance) == pytest.approx([1.0, 1.0, 2.25, 2.25, 1e-6, 1e-4, 1e-8, 1e-8, 0.0])
    (folder / "session.toml").write_text(
        stated.replace("scale = 0.5", "scale = 0.6"), encoding="utf-8"
    )
    assert any("lens_scale is 0.6, which makes 2304 x 1296" in each for each in faults(folder))


def test_another_proportion_of_the_sides_is_a_crop(tmp_path: Path) -> None:
    folder = with_lens(tmp_path, "lens.json", lens_file(image_size_px=[1920, 1440]))
    assert "proportion of the sides differs, so one is cropped" in faults(folder)[0]


STORAGE = """%YAML:1.0
---
image_width: 1920
image_height: 1080
camera_matrix: !!opencv-matrix
   rows: 3
   cols: 3
   dt: d
   data: [ 1480., 0., 960., 0., 1481., 540., 0., 0., 1. ]
distortion_coefficients: !!opencv-matrix
   rows: 5
   cols: 1
   dt: d
   data: [ -0.2, 0.05, 0.001, -0.002, 0.01 ]
avg_reprojection_error: 0.3
"""
XML = """<?xml version="1.0"?>
<opencv_storage>
<image_width>1920</image_width><image_height>1080</image_height>
<camera_matrix type_id="opencv-matrix"><rows>3</rows><cols>3</cols><dt>d</dt>
  <data>1480. 0. 960. 0. 1481. 540. 0. 0. 1.</data></camera_matrix>
<distortion_coefficients type_id="opencv-matrix"><rows>5</rows><cols>1</cols><dt>d</dt>
  <data>-0.2 0.05 0.001 -0.002 0.01</data></distortion_coefficients>
</opencv_storage>
"""


@pytest.mark.parametrize(("name", "text"), [("lens.yml", STORAGE), ("lens.xml", XML)])
def test_opencvs_own_storage_is_read(tmp_path: Path, name: str, text: str) -> None:
    folder = with_lens(tmp_path, name, text)
    session = LENS_SESSION.replace("lens.json", name)
    lens = lens_of_session(folder, session)
    assert lens.parameters.tolist() == [1480, 1481, 960, 540, -0.2, 0.05, 0.001, -0.002, 0.01]
    assert lens.names == ("focal length", "centre x", "centre y", "k1")
    assert lens.assumed == frozenset(lens.names)
    assert np.abs(lens.factor).max(axis=0) == pytest.approx([0.03 * 1480, 38.4, 38.4, 0.1])
    known = session.replace(
        f'"{name}"\n', f'"{name}"\nfocal_u_px = 2.0\ncentre_u_px = 3.0\nk1_u = 0.01\n'
    )
    lens = lens_of_session(folder, known)
    assert np.abs(lens.factor).max(axis=0).tolist() == [2.0, 3.0, 3.0, 0.01]
    assert lens.assumed == frozenset()
    lens = lens_of_session(folder, known.replace("k1_u", 'lens_focus = "near"\nk1_u'))
    assert lens.factor[0, 0] == pytest.approx(np.hypot(2.0, 0.02 * 1480))
    assert lens.names == ("focal length", "centre x", "centre y", "k1")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "lens.yml: "),
        ("just words", "lens.yml: "),
        ("%YAML:1.0\n---\na: 3\n", "holds no lens; camera_matrix and distortion_coefficients"),
        (STORAGE.replace("-0.2,", ".NaN,"), "5 distortion coefficients"),
        (STORAGE.replace("[ 1480., 0.,", "[ -1., 0.,"), "focal lengths above 0 and no skew"),
        (STORAGE + "fisheye_model: 1\n", "a lens of the fisheye model"),
        (STORAGE.replace("rows: 5", "rows: 8").replace("0.01 ]", "0.01, 1., 2., 3. ]"),
         "a lens with 8 distortion coefficients"),
        (STORAGE.replace("1920", "1280").replace("1080", "720"),
         "image_size_px is [1920, 1080], but lens.yml is of a picture of [1280, 720]"),
    ],
)  # fmt: skip
def test_each_fault_of_a_storage_file(tmp_path: Path, text: str, message: str) -> None:
    folder = with_lens(tmp_path, "lens.yml", text)
    session = LENS_SESSION.replace("lens.json", "lens.yml")
    (folder / "session.toml").write_text(session, encoding="utf-8")
    messages = faults(folder)
    assert any(message in each for each in messages), messages


@pytest.mark.parametrize("ending", [".yml", ".xml"])
def test_what_opencv_writes_itself_is_read(ending: str) -> None:
    flags = cv2.FILE_STORAGE_WRITE | cv2.FILE_STORAGE_MEMORY
    store = cv2.FileStorage(f"lens{ending}", flags)
    matrix = np.array([[1480.25, 0, 960.5], [0, 1481.125, 540.0], [0, 0, 1]])
    store.write("image_width", 1920)
    store.write("image_height", 1080)
    store.write("camera_matrix", matrix)
    store.write("distortion_coefficients", np.array([-0.2, 1e-7, 0.0, -3.0, 0.01]))
    stored = parse_storage(store.releaseAndGetString().encode("utf-8"), f"lens{ending}")
    assert stored.size_px == (1920, 1080)
    assert stored.parameters.tolist() == [1480.25, 1481.125, 960.5, 540, -0.2, 1e-7, 0, -3, 0.01]


def test_damaged_storage_files_are_refused_in_words() -> None:
    """OpenCV's own reader corrupts its memory over some of these."""
    for seed in range(150):
        draw = random.Random(seed)
        text = list(draw.choice([STORAGE, XML]))
        for _ in range(draw.randint(1, 6)):
            place = draw.randrange(len(text))
            kind = draw.random()
            if kind < 0.4:
                text[place] = chr(draw.randint(1, 126))
            elif kind < 0.7:
                del text[place : place + draw.randint(1, 30)]
                text = text or ["a"]
            else:
                text[place:place] = draw.choice(
                    ["999999999", "-", "<a>", "[", "{", "&x", "\n", "%"]
                )
        try:
            assert np.all(np.isfinite(parse_storage("".join(text).encode(), "a.yml").parameters))
        except SessionError as error:
            assert str(error).startswith("a.yml: ")


def test_a_storage_file_with_a_document_type_is_refused() -> None:
    text = XML.replace("<opencv_storage>", '<!DOCTYPE a [<!ENTITY b "c">]><opencv_storage>', 1)
    with pytest.raises(SessionError, match="document type"):
        parse_storage(text.encode(), "lens.xml")
