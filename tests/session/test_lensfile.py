"""A lens file as it is written reads back as the lens that was measured."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from vidspeed.errors import ResultsError
from vidspeed.session.lens import read_lens
from vidspeed.session.lensfile import lens_text, write_lens
from vidspeed.values import Chart, LensFit

CHART = Chart(columns=9, rows=6, square_m=0.025)


def fit() -> LensFit:
    part = np.random.default_rng(2).normal(size=(8, 8)) * np.array([[1, 1, 2, 2, 1e-3, 1e-2, 1e-4,
                                                                    1e-4]]).T  # fmt: skip
    covariance = np.zeros((9, 9))
    covariance[:8, :8] = part @ part.T
    return LensFit(
        image_size_px=(1920, 1080),
        parameters=np.array([1480.1, 1480.2, 960.3, 540.4, -0.1, 0.02, 1e-4, 2e-4, 0.0]),
        covariance=covariance,
        rms_px=0.05,
        views=14,
        terms=("k1", "k2", "p1 p2"),
        trials=(),
        distance_m=np.array([0.3, 0.4, 0.6]),
        widening=1.2,
        focus="near",
    )


def test_a_lens_file_reads_back(tmp_path: Path) -> None:
    written = fit()
    write_lens(tmp_path / "lens.json", written, CHART)
    lens = read_lens(tmp_path / "lens.json")
    assert lens.parameters.tolist() == written.parameters.tolist()
    assert (lens.focus, lens.image_size_px) == ("near", (1920, 1080))
    scale = np.sqrt(np.diag(written.covariance)) + 1e-12
    error = (lens.factor @ lens.factor.T - written.covariance) / np.outer(scale, scale)
    assert np.abs(error).max() < 1e-9


def test_a_lens_file_has_the_keys_of_the_contract() -> None:
    held = json.loads(lens_text(fit(), CHART, note="Tarn 5"))
    assert list(held)[:3] == ["schema", "note", "image_size_px"]
    assert held["schema"] == "vidspeed.lens/1"
    assert {"fx_px", "k3", "covariance", "rms_px", "views", "focus"} <= set(held)
    assert held["chart"] == {"kind": "chessboard", "inner_corners": [9, 6], "square_mm": 25.0}


def test_only_a_json_file_is_written(tmp_path: Path) -> None:
    with pytest.raises(ResultsError, match=r"ends in \.json"):
        write_lens(tmp_path / "lens.txt", fit(), CHART)
    with pytest.raises(ResultsError, match="cannot be written"):
        write_lens(tmp_path / "no" / "lens.json", fit(), CHART)
