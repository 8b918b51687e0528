"""The outcome as CSV: `passes.csv` for a spreadsheet, `track.csv` for reading again."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Iterator, Sequence

import numpy as np

from vidspeed.record.units import Unit
from vidspeed.values import Moved, Outcome, PassResult, Sighted, Track

MOVED_COLUMNS = ("moved_x_px", "moved_y_px", "moved_turn_rad", "moved_zoom", "moved_u_px")
TRACK_COLUMNS = (
    "frame", "time_s", "x_px", "y_px", "u_x_px", "u_y_px", "row", "cov_xy_px2", "time_u_s",
    "streak_px", "streak_u_px", "streak_angle_rad", "peak", "snr", "fill",
    "interval_s", "drag_u_px", *MOVED_COLUMNS, "pass", "used", "residual_x_px", "residual_y_px",
    "x_m", "dismissed",
)  # fmt: skip

Cell = str | int | float | None


def track_csv(seen: Sequence[tuple[str, Sighted]]) -> bytes:
    """Return `track.csv`: every light of each pass's track, under the label of its pass.

    Floats are in full, an empty cell is NaN: reading it again gives times and positions that are
    the same to the last bit.
    """
    rows = (row for label, sighted in seen for row in _light_cells(label, sighted))
    return _csv_bytes(TRACK_COLUMNS, rows)


def tracks_csv(tracks: Sequence[Track]) -> bytes:
    """Return tracks that nobody solved in the columns of `track.csv`, numbered under `pass`."""
    rows = (
        (*row, str(number), None, None, None, None, None)
        for number, track in enumerate(tracks, start=1)
        for row in zip(*_track_columns(track), strict=True)
    )
    return _csv_bytes(TRACK_COLUMNS, rows)


def _light_cells(label: str, sighted: Sighted) -> Iterator[tuple[Cell, ...]]:
    """Yield the rows of one pass."""
    columns: list[list[Cell]] = [
        *_track_columns(sighted.track),
        [label] * len(sighted.track),
        [int(used) for used in sighted.used.tolist()],
        sighted.residual_px[:, 0].tolist(),
        sighted.residual_px[:, 1].tolist(),
        sighted.x_m.tolist(),
        _dismissed_cells(sighted),
    ]
    return zip(*columns, strict=True)


def _dismissed_cells(sighted: Sighted) -> list[Cell]:
    """Return 1 for each light that was dismissed, nothing for the others."""
    if sighted.dismissed is None:
        return [None] * len(sighted.track)
    return [1 if out else None for out in sighted.dismissed.tolist()]


def _track_columns(track: Track) -> list[list[Cell]]:
    """Return the columns that are of the track alone."""
    return [
        track.frame.tolist(),
        track.time_s.tolist(),
        track.xy_px[:, 0].tolist(),
        track.xy_px[:, 1].tolist(),
        np.sqrt(track.cov_px2[:, 0, 0]).tolist(),
        np.sqrt(track.cov_px2[:, 1, 1]).tolist(),
        track.row.tolist(),
        track.cov_px2[:, 0, 1].tolist(),
        track.time_u_s.tolist(),
        track.streak_px.tolist(),
        track.streak_u_px.tolist(),
        track.streak_angle_rad.tolist(),
        track.peak.tolist(),
        track.snr.tolist(),
        [None] * len(track) if track.fill is None else track.fill.tolist(),
        [track.interval_s] * len(track),
        [track.drag_u_px] * len(track),
        *([value] * len(track) for value in _moved_cells(track.moved)),
    ]


def _moved_cells(moved: Moved | None) -> tuple[Cell, ...]:
    """Return what was allowed for of the camera's movement, nothing where nothing was."""
    if moved is None:
        return (None,) * len(MOVED_COLUMNS)
    return (*moved.shift_px, moved.turn_rad, moved.zoom, moved.u_px)


def passes_csv(outcome: Outcome, unit: Unit) -> bytes:
    """Return `passes.csv`: a row a pass, in metres a second and in the reader's unit."""
    shown = () if unit.name == "mps" else (f"speed_{unit.name}", f"speed_U95_{unit.name}")
    head = (
        "pass", "flight", "setup", "clips", "direction", "status", *shown,
        "speed_mps", "speed_u_mps", "speed_U95_mps", "coverage_factor", "dof", "method",
        "interval95_low_mps", "interval95_high_mps", "stretch_from_m", "stretch_to_m",
        "time_in_s", "time_out_s", "largest_source", "largest_share",
    )  # fmt: skip
    return _csv_bytes(head, (_pass_cells(result, unit) for result in outcome.passes))


def _pass_cells(result: PassResult, unit: Unit) -> list[Cell]:
    """Return one row of `passes.csv`."""
    first = result.crossings[0] if result.crossings else None
    largest = max(result.budget, key=lambda row: row.contribution_mps, default=None)
    speeds = (result.speed_mps, result.speed_U95_mps) if unit.name != "mps" else ()
    return [
        result.label, result.flight, result.setup, "; ".join(result.clips),
        result.direction, result.status,
        *(None if speed is None else speed * unit.per_mps for speed in speeds),
        result.speed_mps, result.speed_u_mps, result.speed_U95_mps,
        result.coverage_factor, result.dof, result.method,
        *(result.interval95_mps or (None, None)), *(result.stretch_m or (None, None)),
        first.time_in_s if first else None, first.time_out_s if first else None,
        largest.source if largest else None, largest.share if largest else None,
    ]  # fmt: skip


def _csv_bytes(head: Sequence[str], rows: Iterable[Iterable[Cell]]) -> bytes:
    """Return a table as CSV: comma, point, UTF-8, line feeds."""
    stream = io.StringIO(newline="")
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(head)
    writer.writerows([_cell(value) for value in row] for row in rows)
    return stream.getvalue().encode("utf-8", errors="backslashreplace")


def _cell(value: Cell) -> str:
    """Return the text of one cell: floats in full, nothing for NaN, no text that is a formula."""
    if value is None:
        return ""
    if isinstance(value, float):
        return repr(float(value)) if math.isfinite(value) else ""
    return _no_formula(value) if isinstance(value, str) else str(value)


def _no_formula(text: str) -> str:
    """Put an apostrophe before a label that a spreadsheet would take for a formula.

    Examples
    --------
    >>> _no_formula("=1+1"), _no_formula("-2"), _no_formula("north 3")
    ("'=1+1", '-2', 'north 3')
    """
    if not text.startswith(("=", "+", "-", "@", "\t", "\r")):
        return text
    try:
        float(text)
    except ValueError:
        return "'" + text
    return text
