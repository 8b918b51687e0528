"""One picture of a whole clip, with its tracks and their times; the table of the tracks."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from rich.table import Table
from rich.text import Text

from vidspeed.record.canvas import (
    GREEN,
    ORANGE,
    PURPLE,
    SKY,
    VERMILLION,
    YELLOW,
    legend_below,
    photo,
    plain,
    png,
    write,
)
from vidspeed.record.columns import tracks_csv
from vidspeed.saving import save
from vidspeed.values import Floats, Scan, Track

COLOURS = (SKY, ORANGE, GREEN, YELLOW, PURPLE, VERMILLION)
MOST_NAMED = 12  # tracks in the legend
MARKS = 6  # times, at most, that are marked along a track
STEPS_S = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 60.0)


def follow_files(seen: Scan, stem: Path) -> dict[Path, bytes]:
    """Return the CSV of all tracks and the picture of the clip, by the names `stem` gives them."""
    return {
        stem.with_name(f"{stem.name}-tracks.csv"): tracks_csv(seen.tracks),
        stem.with_name(f"{stem.name}-tracks.png"): follow_picture(seen),
    }


def write_follow(seen: Scan, stem: Path) -> list[Path]:
    """Write both files and return their paths. Raises ResultsError where that fails."""
    files = follow_files(seen, stem)
    for path, content in files.items():
        save(path, content, mend="name another place with --out")
    return list(files)


def follow_picture(seen: Scan) -> bytes:
    """Draw all tracks over the brightest value that each pixel had, with times along each.

    Of a clip without a track it is the brightest value of each pixel alone.
    """
    height, width = seen.brightest.shape
    figure, axes = photo(seen.brightest, np.array([-0.5, -0.5]), np.array([width, height]) - 0.5)
    for number, track in enumerate(seen.tracks, start=1):
        _draw_track(axes, number, track)
    if not seen.tracks:
        axes.plot([], [], ls="", label=plain(f"nothing moved: {seen.facts.file}"))
    legend_below(figure, axes)
    return png(figure, coarse=True)


def _draw_track(axes: Axes, number: int, track: Track) -> None:
    """Draw a track's lights, its number where it begins, and times along it."""
    colour, xy = COLOURS[(number - 1) % len(COLOURS)], track.xy_px
    label = f"track {number}, {len(track)} lights" if number <= MOST_NAMED else None
    axes.plot(
        xy[:, 0], xy[:, 1], color=colour, lw=0.7, marker="o", ms=4, mfc="none", mew=0.9,
        label=label,
    )  # fmt: skip
    beginning = f"{number}: {track.time_s[0]:.2f} s"
    write(axes, beginning, xy[0], offset_pt=(0.0, 8.0), side=_side(axes, xy[0]))
    for index, time_s in marked_times(track.time_s):
        axes.plot(*xy[index], ls="", marker="|", ms=9, color="white", mew=1.2)
        write(
            axes, f"{time_s:.2f} s", xy[index], offset_pt=(0.0, -14.0), size_pt=7.5,
            side=_side(axes, xy[index]),
        )  # fmt: skip


def marked_times(time_s: Floats) -> list[tuple[int, float]]:
    """Return lights of a track at about round times: index and time, the first left out."""
    span = float(time_s[-1] - time_s[0])
    step = next((step for step in STEPS_S if span / step <= MARKS), STEPS_S[-1])
    due = np.arange(np.ceil(time_s[0] / step + 0.3) * step, time_s[-1] + 1e-9, step)
    found = {int(np.argmin(np.abs(time_s - moment))) for moment in due} - {0}
    return [(index, float(time_s[index])) for index in sorted(found)]


def _side(axes: Axes, place_px: Floats) -> str:
    """Return on which side words are anchored, so that they stay in the picture."""
    left, right = axes.get_xlim()
    part = (float(place_px[0]) - left) / (right - left)
    return "left" if part < 0.06 else "right" if part > 0.94 else "center"


def follow_table(tracks: Sequence[Track]) -> Table:
    """Return the tracks as a table: when, where from and to, how fast in the picture."""
    table = Table()
    for head in ("track", "from, s", "to, s", "lights", "from, px", "to, px", "px/s", "peak"):
        table.add_column(head, justify="right")
    for number, track in enumerate(tracks, start=1):
        table.add_row(*(Text(cell) for cell in _cells(number, track)))
    return table


def _cells(number: int, track: Track) -> list[str]:
    first, last = track.xy_px[0], track.xy_px[-1]
    span = float(track.time_s[-1] - track.time_s[0])
    return [
        str(number),
        f"{track.time_s[0]:.3f}",
        f"{track.time_s[-1]:.3f}",
        str(len(track)),
        f"{first[0]:.0f}, {first[1]:.0f}",
        f"{last[0]:.0f}, {last[1]:.0f}",
        f"{float(np.linalg.norm(last - first)) / span:.0f}",
        f"{float(np.median(track.peak)):.0f}",
    ]
