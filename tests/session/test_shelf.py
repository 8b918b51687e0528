"""The shelf in `calibration/`: every file on it loads through the ordinary reader."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from vidspeed.geometry.chart import chart_page
from vidspeed.geometry.sheet import svg
from vidspeed.session.clock import read_clock
from vidspeed.session.lens import read_lens
from vidspeed.session.read import read_session
from vidspeed.session.scaffold import new_session
from vidspeed.session.tables import read_markers
from vidspeed.values import Chart

from .good import SESSION
from .test_lens import LENS_SESSION

SHELF = Path(__file__).parents[2] / "calibration"
FILES = sorted(path for path in SHELF.rglob("*") if path.is_file() and path.suffix != ".md")


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_every_file_of_the_shelf_reads_well(path: Path) -> None:
    if path.parent.name == "lenses":
        lens = read_lens(path)
        assert f"{lens.image_size_px[0]}x{lens.image_size_px[1]}" in path.name
        u_focal_px = float(np.linalg.norm(lens.factor[0]))
        assert 1e-4 < u_focal_px / lens.parameters[0] < 0.01
    elif path.parent.name == "sites":
        markers = read_markers(path)
        xyz_m = np.array([marker.xyz_m for marker in markers])
        assert len(markers) >= 11
        assert sum(marker.use == "check" for marker in markers) == 2
        assert {2.0, 3.0} <= set(xyz_m[:, 2].tolist())
        assert np.linalg.matrix_rank(xyz_m - xyz_m.mean(axis=0), tol=0.5) == 3
    elif path.parent.name == "clocks":
        clock = read_clock(path)
        assert clock.clock_ppm is not None or clock.readout_s is not None
    elif path.parent.name == "charts":
        kind, corners, square, *rest = path.stem.split("-")
        columns, rows = (int(part) for part in corners.split("x"))
        square_m = float(square.removesuffix("mm")) / 1e3
        family = "_".join(rest[:-1]) or None
        chart = Chart(columns=columns, rows=rows, square_m=square_m, family=family,
                      code_m=None if family is None else 0.7 * square_m)  # fmt: skip
        assert kind == chart.kind
        page = chart_page(chart, rest[-1])
        assert path.read_text(encoding="utf-8") == svg(page).decode("utf-8")
        assert "\r" not in path.read_bytes().decode("utf-8")
    else:
        pytest.fail(f"{path} has no reader")


def test_the_shelf_has_a_lens_and_a_site() -> None:
    assert {path.parent.name for path in FILES} >= {"charts", "lenses", "sites"}


def test_a_session_works_on_the_files_of_the_shelf(tmp_path: Path) -> None:
    folder = tmp_path / "s"
    new_session(folder, shelf=SHELF)
    lens = next(path for path in FILES if path.parent.name == "lenses")
    site = next(path for path in FILES if path.parent.name == "sites")
    text = LENS_SESSION.replace("lens.json", f"lenses/{lens.name}")
    text = text.replace('"markers.csv"', f'"sites/{site.name}"')
    assert text != SESSION
    (folder / "session.toml").write_text(text, encoding="utf-8")
    rows = [f"{marker.name},{100 + 90 * number},700,0.5"
            for number, marker in enumerate(read_markers(site))]  # fmt: skip
    (folder / "picks-north.csv").write_text(
        "\n".join(["name,x_px,y_px,u_px", *rows]), encoding="utf-8"
    )
    session = read_session(folder)
    assert session.cameras[0].lens.file == f"lenses/{lens.name}"
    assert len(session.markers) >= 11
