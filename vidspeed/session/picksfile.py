"""Write a picks file: where markers are seen in a camera's picture."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from vidspeed.errors import ResultsError, SessionError
from vidspeed.session.keys import keys_of
from vidspeed.session.tables import read_picks
from vidspeed.values import Pick


def picks_text(picks: Sequence[Pick]) -> str:
    """Return the text of a picks file.

    Examples
    --------
    >>> import numpy as np
    >>> print(picks_text([Pick(name="A1", xy_px=np.array([12.5, 8.0]), u_px=0.25)]), end="")
    name,x_px,y_px,u_px
    A1,12.5000,8.0000,0.2500
    """
    rows = [
        f"{_cell(pick.name)},{pick.xy_px[0]:.4f},{pick.xy_px[1]:.4f},{max(pick.u_px, 1e-4):.4f}"
        for pick in picks
    ]
    return "\n".join([",".join(keys_of("picks")), *rows, ""])


def _cell(name: str) -> str:
    """Return a name as a cell of a CSV file."""
    if any(sign in name for sign in ',;"\t'):
        return '"' + name.replace('"', '""') + '"'
    return name


def write_picks(path: Path, picks: Sequence[Pick], *, replace: bool = False) -> None:
    """Write a picks file; one that has picks in it is replaced only where that was asked for.

    Raises
    ------
    ResultsError
        Where there are picks in it already and `replace` is not given, or it cannot be written.
    """
    if path.exists() and not replace:
        try:
            there = len(read_picks(path))
        except SessionError as error:
            raise ResultsError(f"{error}; mend it, or say --replace to lose it") from None
        if there:
            raise ResultsError(
                f"{path}: holds {there} picks already and was left as it is; say --replace to "
                "write the new ones in their place, or move it away"
            )
    try:
        path.write_text(picks_text(picks), encoding="utf-8", newline="\n")
    except OSError as error:
        raise ResultsError(f"{path}: cannot be written: {error.strerror}") from error
