from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from vidspeed.session.read import read_session

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
