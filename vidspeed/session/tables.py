"""Read the CSV files of a session: markers, picks and tracks."""

from __future__ import annotations

import difflib
import unicodedata
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path

import numpy as np

from vidspeed.errors import SessionError
from vidspeed.session.cells import Row, read_rows
from vidspeed.session.check import Faults, shown
from vidspeed.session.paths import read_whole
from vidspeed.values import Floats, Marker, Moved, Pick, Track

ROUNDING = 1e-12  # by which a covariance must be less than the one that no matrix can have
USUAL_U_PX = 1.0  # of a pick that states none
_STREAK = ("streak_px", "streak_u_px", "streak_angle_rad", "peak", "snr")


def read_markers(path: Path) -> tuple[Marker, ...]:
    """Read a markers file.

    Raises
    ------
    SessionError
        Where the file cannot be read, holds no marker, or a row or column is wrong.
    """
    return parse_markers(read_whole(path), path.name)


def read_picks(path: Path) -> tuple[Pick, ...]:
    """Read a picks file, which may have no row yet.

    Raises
    ------
    SessionError
        Where the file cannot be read or a row or column is wrong.
    """
    return tuple(pick for _, pick in parse_picks(read_whole(path), path.name))


def read_tracks(path: Path, *, height_px: int) -> tuple[Track, ...]:
    """Read what `track.csv` holds: a track for each pass, or positions measured by hand.

    Parameters
    ----------
    path
        The file.
    height_px
        Height of the picture, for `row` where the file leaves it out.

    Raises
    ------
    SessionError
        Where the file cannot be read, a row or column is wrong, times of a pass do not increase,
        or a pass has fewer than two rows.
    """
    rows = read_rows(read_whole(path), path.name, "track.csv")
    faults = Faults()
    passes: dict[str | None, list[Row]] = {}
    for row in rows:
        passes.setdefault(row.values["pass"], []).append(row)
        most = row.values["u_x_px"] * row.values["u_y_px"]
        if not abs(row.values["cov_xy_px2"]) < most * (1.0 - ROUNDING):
            faults.add(
                f"{path.name}: row {row.number}",
                f"cov_xy_px2 is {row.values['cov_xy_px2']!r}, a number nearer 0 than "
                f"u_x_px times u_y_px ({most:.6g}) is needed",
            )
    for label, own in passes.items() or [(None, rows)]:
        _refuse_order(own, path.name, label, faults)
    if faults:
        raise SessionError(*faults.messages[:12])
    return tuple(_track(own, height_px) for own in passes.values())


def _refuse_order(rows: list[Row], where: str, label: str | None, faults: Faults) -> None:
    """Say where the rows of one pass are too few or not in order of time."""
    if len(rows) < 2:
        of = "" if label is None else f" of pass {shown(label)}"
        faults.add(where, f"{len(rows)} rows of lights{of}, at least 2 are needed")
    for before, after in pairwise(rows):
        if after.values["time_s"] <= before.values["time_s"]:
            faults.add(
                f"{where}: row {after.number}",
                f"time_s is {after.values['time_s']!r}, not later than "
                f"{before.values['time_s']!r} of the row before; sort the rows by time",
            )


def parse_markers(data: bytes, where: str) -> tuple[Marker, ...]:
    """Turn the bytes of a markers file into markers."""
    rows = read_rows(data, where, "markers.csv")
    if not rows:
        raise SessionError(
            f"{where}: no marker yet, at least 4 are needed and eight or more are better; "
            "write a row for each"
        )
    refuse_doubles(rows, where, "marker")
    return tuple(
        Marker(
            name=_name(row),
            xyz_m=np.array([row.values[key] for key in ("x_m", "y_m", "z_m")]),
            u_m=row.values["u_m"],
            use=row.values["use"],
            board=row.values["board"],
        )
        for row in rows
    )


def parse_picks(data: bytes, where: str) -> tuple[tuple[int, Pick], ...]:
    """Turn the bytes of a picks file into picks, each with the number of its row."""
    rows = read_rows(data, where, "picks")
    refuse_doubles(rows, where, "pick of")
    return tuple(
        (
            row.number,
            Pick(
                name=_name(row),
                xy_px=np.array([row.values["x_px"], row.values["y_px"]]),
                u_px=USUAL_U_PX if row.values["u_px"] is None else row.values["u_px"],
                assumed=row.values["u_px"] is None,
            ),
        )
        for row in rows
    )


def nearest(name: str, names: Sequence[str]) -> str:
    """Return a hint at the name that was probably meant, or the names that there are."""
    plain = {each.casefold(): each for each in names}
    near = difflib.get_close_matches(name.casefold(), plain, n=1, cutoff=0.5)
    if near:
        return f"the nearest is {shown(plain[near[0]])}"
    return f"there are {', '.join(shown(each) for each in names[:12])}"


def _name(row: Row) -> str:
    return unicodedata.normalize("NFC", row.values["name"])


def refuse_doubles(rows: list[Row], where: str, what: str) -> None:
    """Raise where two rows have one name, or names that differ in capitals only."""
    first: dict[str, Row] = {}
    faults = Faults()
    for row in rows:
        name = _name(row)
        other = first.setdefault(name.casefold(), row)
        if other is not row:
            like = f" but for capitals, as {shown(_name(other))}; rename one"
            like = "; keep one, or rename it" if _name(other) == name else like
            faults.add(
                f"{where}: row {row.number}",
                f"{what} {shown(name)} is in row {other.number} too{like}",
            )
    if faults:
        raise SessionError(*faults.messages)


def _column(rows: list[Row], name: str, blank: float | None = None) -> Floats:
    """Return one column (n,); blank cells become `blank`."""
    values = [row.values[name] for row in rows]
    return np.array([blank if value is None else value for value in values], dtype=np.float64)


def _moved(row: Row) -> Moved | None:
    """Return what is allowed for of the camera's movement, None where the column is empty."""
    values = row.values
    if values["moved_u_px"] is None:
        return None
    return Moved(
        shift_px=(values["moved_x_px"], values["moved_y_px"]),
        turn_rad=values["moved_turn_rad"],
        zoom=values["moved_zoom"],
        u_px=values["moved_u_px"],
    )


def _track(rows: list[Row], height_px: int) -> Track:
    xy_px = np.column_stack([_column(rows, "x_px"), _column(rows, "y_px")])
    cov_px2 = np.empty((len(rows), 2, 2))
    cov_px2[:, 0, 0] = _column(rows, "u_x_px") ** 2
    cov_px2[:, 1, 1] = _column(rows, "u_y_px") ** 2
    cov_px2[:, 0, 1] = cov_px2[:, 1, 0] = _column(rows, "cov_xy_px2")
    row = _column(rows, "row", np.nan)
    streak = {name: _column(rows, name, np.nan) for name in _STREAK}
    fill = _column(rows, "fill", np.nan)
    intervals = [each.values["interval_s"] for each in rows]
    return Track(
        frame=np.array([each.values["frame"] for each in rows], dtype=np.int64),
        time_s=_column(rows, "time_s"),
        xy_px=xy_px,
        cov_px2=cov_px2,
        row=np.where(np.isnan(row), xy_px[:, 1] / height_px, row),
        time_u_s=_column(rows, "time_u_s"),
        interval_s=next((value for value in intervals if value is not None), None),
        drag_u_px=float(rows[0].values["drag_u_px"]),
        moved=_moved(rows[0]),
        fill=fill if np.isfinite(fill).any() else None,
        wide=False,  # no file says it; ghosts are dropped where clips are read
        **streak,
    )
