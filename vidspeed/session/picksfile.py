"""Write a picks file: where markers are seen in a camera's picture."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from pathlib import Path

from vidspeed.errors import ResultsError, SessionError
from vidspeed.saving import save
from vidspeed.session.header import lines_of
from vidspeed.session.keys import keys_of
from vidspeed.session.tables import read_picks
from vidspeed.values import Pick


def picks_text(picks: Sequence[Pick], *, old: str = "") -> str:
    """Return the text of a picks file.

    Comment rows of the file's `old` text and its columns named `note...` stay.

    Examples
    --------
    >>> import numpy as np
    >>> print(picks_text([Pick(name="A1", xy_px=np.array([12.5, 8.0]), u_px=0.25)]), end="")
    name,x_px,y_px,u_px
    A1,12.5000,8.0000,0.2500
    """
    lines = lines_of(old).splitlines()
    comments = [line for line in lines if line.lstrip().startswith("#")]
    rows = [line for line in lines if line.strip() and not line.lstrip().startswith("#")]
    notes, kept = _notes(rows)
    stream = io.StringIO(newline="")
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow([*keys_of("picks"), *notes])
    for pick in picks:
        figures = (*pick.xy_px, max(pick.u_px, 1e-4))
        writer.writerow([pick.name, *(f"{x:.4f}" for x in figures), *kept.get(pick.name, [])])
    return "".join(f"{line}\n" for line in comments) + stream.getvalue()


def _notes(rows: list[str]) -> tuple[list[str], dict[str, list[str]]]:
    """Return the names of the note columns, and what each marker's row has in them."""
    if not rows:
        return [], {}
    delimiter = max(",;\t", key=rows[0].count)
    table = list(csv.reader(rows, delimiter=delimiter))
    head = [cell.strip() for cell in table[0]]
    columns = [place for place, name in enumerate(head) if name.casefold().startswith("note")]
    names = [place for place, name in enumerate(head) if name.casefold() == "name"]
    if not columns or not names:
        return [], {}
    kept = {
        row[names[0]].strip(): [row[place] if place < len(row) else "" for place in columns]
        for row in table[1:]
        if len(row) > names[0]
    }
    return [head[place] for place in columns], kept


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
    save(path, picks_text(picks).encode("utf-8"))
