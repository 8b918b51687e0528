"""What a plan shows: the view of each camera, to scale, and what it would see in figures."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from rich.table import Table
from rich.text import Text

from vidspeed.record.canvas import SKY, draw_course, legend_below, photo, plain, png, write
from vidspeed.values import CourseDrawing, Prospect


def plan_picture(prospect: Prospect, drawing: CourseDrawing) -> bytes:
    """Draw the picture that a camera would have: markers, course line, flight line and gates."""
    size = np.array(prospect.camera.image_size_px, dtype=np.float64)
    figure, axes = photo(None, np.full(2, -0.5), size - 0.5)
    draw_course(axes, drawing)
    places = np.array([pick.xy_px for pick in prospect.camera.picks]).reshape(-1, 2)
    axes.plot(
        places[:, 0], places[:, 1], ls="", marker="o", ms=7, mfc="none", mec=SKY, mew=1.4,
        label="marker",
    )  # fmt: skip
    for pick in prospect.camera.picks:
        write(axes, plain(pick.name, 16), pick.xy_px, offset_pt=(7.0, 6.0))
    legend_below(figure, axes)
    return png(figure, coarse=True)


def prospect_table(prospects: Sequence[Prospect]) -> Table:
    """Return what each camera would see."""
    table = Table(title=Text("what the cameras would see"), title_justify="left")
    table.add_column("camera")
    for name in (
        "stands at m", "start gate", "finish gate", "px a metre", "frames", "streak px", "markers",
    ):  # fmt: skip
        table.add_column(name, justify="right")
    for row in prospects:
        table.add_row(
            Text(row.camera.name),
            ", ".join(f"{value:.1f}" for value in row.position_m),
            *("in" if there else "NOT in" for there in row.gates_inside),
            " / ".join(f"{value:.1f}" for value in row.pixels_per_m),
            str(row.frames),
            f"{row.streak_px:.1f}",
            str(len(row.camera.picks)),
        )
    return table
