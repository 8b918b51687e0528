"""A lens measured from the page: the chart, what was filmed of it, and the file in the session."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Literal

from vidspeed.desk.sources import change, read_source, replace_file
from vidspeed.desk.toml import entries, read
from vidspeed.errors import CalibrationError, SessionError
from vidspeed.geometry.chart import chart_page
from vidspeed.geometry.sheet import pdf
from vidspeed.lens import PICTURES, lens
from vidspeed.record.lensview import lens_notes
from vidspeed.record.names import legal_name
from vidspeed.session.lensfile import lens_text
from vidspeed.session.unnamed import SUFFIXES
from vidspeed.spread.progress import report
from vidspeed.values import Chart
from vidspeed.values.lensed import CODE_SHARE

FILMED = (*SUFFIXES, *sorted(PICTURES))
CODES = "5x5_100"
INSTEAD = ("focal_px", "focal_u_px", "centre_px", "centre_u_px", "k1", "k1_u")


def chart_of(board: str, square_mm: str, *, coded: bool) -> Chart:
    """Return the chart that the page describes.

    Raises CalibrationError where it is none.
    """
    corners = re.fullmatch(r"(\d{1,2})\s*[xX×]\s*(\d{1,2})", board.strip())
    side = re.fullmatch(r"\d{1,4}(?:[.,]\d{1,3})?", square_mm.strip())
    if corners is None:
        raise CalibrationError("inner corners are needed, across x down, for example 9x6")
    side_mm = float(side[0].replace(",", ".")) if side else 0.0
    if not 0.1 <= side_mm <= 2000.0:
        raise CalibrationError("the side of a square is needed in millimetres, 0.1 to 2000")
    return Chart(
        columns=int(corners[1]),
        rows=int(corners[2]),
        square_m=side_mm / 1e3,
        family=CODES if coded else None,
        code_m=CODE_SHARE * side_mm / 1e3 if coded else None,
    )


def chart_pdf(chart: Chart, paper: str) -> bytes:
    """Return the chart to print at 100 %.

    Raises OptionError where it does not fit on the paper.
    """
    return pdf([chart_page(chart, paper)])


def camera_of(folder: Path, number: int) -> str:
    """Return the name of a camera; SessionError where there is none."""
    cameras = entries(read(read_source(folder).text), "camera")
    if not 0 <= number < len(cameras):
        raise SessionError("session.toml: the camera is no longer there; load the page again")
    return str(cameras[number].get("name", number + 1))


def filmed_place(camera: str) -> str:
    """Return the folder of the session in which what a camera filmed of a chart is kept."""
    return f"chart/{legal_name(camera)}"


def filmed_of(folder: Path, camera: str) -> list[Path]:
    """Return the clips and stills of the chart."""
    home = folder / filmed_place(camera)
    found = sorted(home.iterdir()) if home.is_dir() else []
    return [path for path in found if path.suffix.lower() in FILMED and path.name[0] != "."]


def measure_lens(
    folder: Path, number: int, chart: Chart, focus: Literal["near", "field"]
) -> tuple[str, ...]:
    """Measure the lens of a camera, write its file and name it in session.toml: a worker's job.

    What the session stated of the lens becomes comments. Returns what to say of it.
    """
    camera = camera_of(folder, number)
    files = filmed_of(folder, camera)
    if not files:
        raise CalibrationError("drop a clip or stills of the chart first")
    found = lens(files, chart, focus=focus, progress=report)
    name = f"lens-{legal_name(camera)}.json"
    replace_file(folder / name, lens_text(found.fit, chart).encode("utf-8"), name)
    change(folder, "camera", number, {"lens": name, **dict.fromkeys(INSTEAD)})
    return (
        f"{name} is the lens of {camera}: {len(found.views)} views used, of {found.found} with the "
        f"chart in {found.looked_at} pictures; {found.moving} left out because something moved",
        *lens_notes(found.fit),
    )
