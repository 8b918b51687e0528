"""Read a record made on board: a CSV with times, and with places or speeds."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from vidspeed.errors import SessionError
from vidspeed.session.cells import Row, read_rows
from vidspeed.session.check import Faults
from vidspeed.values import Floats, Log


def parse_log(data: bytes, where: str) -> Log:
    """Turn the bytes of a log into a log; `where` names the file.

    Places are taken where a file has both places and speeds.

    Raises
    ------
    SessionError
        Where a row or column is wrong.
    """
    rows = read_rows(data, where, "drive log")
    if len(rows) < 2:
        raise SessionError(f"{where}: {len(rows)} rows, at least 2 are needed: one at each gate")
    way = "x_m" if any(row.values["x_m"] is not None for row in rows) else "speed_mps"
    faults = Faults()
    _refuse_gaps(rows, where, way, faults)
    _refuse_order(rows, where, faults)
    if len({row.values[way] for row in rows} - ({0.0} if way == "speed_mps" else set())) < (
        1 if way == "speed_mps" else 2
    ):
        faults.add(where, f"{way} says that nothing moved; take the record of the drive")
    if faults:
        raise SessionError(*faults.messages[:12])
    return Log(
        file=where,
        time_s=_column(rows, "time_s"),
        time_u_s=_column(rows, "time_u_s"),
        x_m=_column(rows, "x_m") if way == "x_m" else None,
        x_u_m=_column(rows, "x_u_m"),
        speed_mps=_column(rows, "speed_mps") if way == "speed_mps" else None,
        speed_u_mps=_column(rows, "speed_u_mps"),
    )


def _refuse_gaps(rows: list[Row], where: str, way: str, faults: Faults) -> None:
    """Say which rows lack what the log goes by."""
    blank = [row.number for row in rows if row.values[way] is None]
    if len(blank) == len(rows):
        faults.add(where, "neither x_m nor speed_mps is there; one of these columns is needed")
    elif blank:
        faults.add(f"{where}: row {blank[0]}", f"{way} is blank; fill it in or leave out the row")


def _refuse_order(rows: list[Row], where: str, faults: Faults) -> None:
    """Say which rows are not later than the one before."""
    for before, after in pairwise(rows):
        if after.values["time_s"] <= before.values["time_s"]:
            faults.add(
                f"{where}: row {after.number}",
                f"time_s is {after.values['time_s']!r}, not later than "
                f"{before.values['time_s']!r} of the row before; sort the rows by time",
            )


def _column(rows: list[Row], name: str) -> Floats:
    return np.array([row.values[name] for row in rows], dtype=np.float64)
