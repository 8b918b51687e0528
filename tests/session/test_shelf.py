"""The shelf in `calibration/`: every file on it loads through the ordinary reader."""

from __future__ import annotations

import re
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
FIGURES = {
    "length_m": "80.0", "length_u_m": "0.02", "offset_m": "0.0", "offset_u_m": "0.5",
    "height_m": "4.0", "height_u_m": "3.0", "image_size_px": "[1920, 1080]",
}  # fmt: skip
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


def test_what_the_shelf_says_of_itself_works_when_it_is_done(tmp_path: Path) -> None:
    """Take the "# " away before its lines, and put it before the line of the same key."""
    folder = tmp_path / "s"
    new_session(folder, shelf=SHELF)
    text = (folder / "session.toml").read_text(encoding="utf-8")
    lines = [line for line in text.splitlines() if re.match(r'# \w+ = "(lenses|sites)/', line)]
    assert [line.split()[1] for line in lines] == ["markers", "lens"]
    for line in lines:
        text = text.replace(line, line.removeprefix("# "))
    text = text.replace('\nmarkers = "markers.csv"', '\n# markers = "markers.csv"')
    for name, value in FIGURES.items():
        text = text.replace(f"\n# {name} =\n", f"\n{name} = {value}\n")
    (folder / "session.toml").write_text(text, encoding="utf-8")
    markers = read_markers(folder / "sites/low-moor.csv")
    rows = [f"{row.name},{100 + 90 * number},700,0.5" for number, row in enumerate(markers)]
    (folder / "picks-north.csv").write_text(
        "\n".join(["name,x_px,y_px,u_px", *rows]), encoding="utf-8"
    )
    session = read_session(folder)
    assert session.cameras[0].lens.file == "lenses/tarn-5-1920x1080.json"
    assert len(session.markers) == len(rows)


def test_each_file_of_the_shelf_stands_below_the_key_that_it_serves(tmp_path: Path) -> None:
    new_session(tmp_path / "s", shelf=SHELF)
    text = (tmp_path / "s" / "session.toml").read_text(encoding="utf-8")
    assert (
        '\nmarkers = "markers.csv"\n## from the shelf: take away the "# " before a line to use it, '
        'and put "# " before the line\n## that it takes the place of\n'
        '# markers = "sites/low-moor.csv"\n'
    ) in text
    assert (
        '\n# lens = "lens-north.json"\n## from the shelf: take away the "# " before a line to use '
        'it\n# lens = "lenses/tarn-5-1920x1080.json"\n'
    ) in text


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
