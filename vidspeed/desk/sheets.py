"""CSV files of a session as tables on a page: comments, notes and the order of rows stay.

Rows that were not touched stay as they were written, unless the file's cells were parted by
something else than commas: what is written has commas, and points in its numbers.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from vidspeed.assembly.reading import read_session
from vidspeed.desk.sources import Source, read_source
from vidspeed.desk.toml import entries, read
from vidspeed.errors import SessionError, VidspeedError
from vidspeed.session.cells import read_rows
from vidspeed.session.header import lines_of, sheet_of
from vidspeed.session.keys import Key, keys_of

TABLES = {
    "markers": "markers.csv",
    "tapes": "tapes.csv",
    "levels": "levels.csv",
    "gnss": "gnss.csv",
}
_COMMA = re.compile(r"[+-]?\d*,\d+")
_ROW = re.compile(r"row (\d+): (?:(\w+) )?")


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A line of the file: `cells` by column, None for a blank line or a comment."""

    text: str
    cells: Mapping[str, str] | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """A CSV file as it was read: `header` are its columns, known ones by their names."""

    keys: Mapping[str, Key]
    header: tuple[str, ...]
    lines: tuple[Line, ...]
    commas: bool  # its cells are parted by commas already

    @property
    def columns(self) -> tuple[str, ...]:
        """Return the columns to show: all that are known, then notes."""
        return (*self.keys, *(name for name in self.header if name not in self.keys))

    @property
    def rows(self) -> dict[int, Mapping[str, str]]:
        """Return the cells of each row by its line."""
        return {at: line.cells for at, line in enumerate(self.lines) if line.cells is not None}


@dataclass(frozen=True, slots=True, kw_only=True)
class Typed:
    """A row as it is on the page: its line in the file, None for a new one, and its cells."""

    line: int | None
    cells: Mapping[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """What is wrong: in which of the typed rows and which column, as far as that is known."""

    text: str
    row: int | None = None
    column: str | None = None


def file_of(folder: Path, key: str) -> str:
    """Return the file that [course] names under a key, or what it would be called."""
    course = entries(read(read_source(folder).text), "course")
    name = course[0].get(key) if course else None
    return name if isinstance(name, str) else TABLES[key]


def grid_of(source: Source, table: str) -> Grid:
    """Return what a CSV file holds, as text.

    Raises SessionError where it cannot be read as a table.
    """
    keys = keys_of(table)
    if not source.text.strip():
        return Grid(keys=keys, header=tuple(keys), lines=(), commas=True)
    lines = lines_of(source.text).removesuffix("\n").split("\n")
    found = sheet_of(source.text, source.name, keys)
    names = [cell.strip().casefold() for cell in found.header]
    header = tuple(
        name if name in keys else cell for name, cell in zip(names, found.header, strict=True)
    )
    made: list[Line] = []
    past_header = False
    for text in lines:
        said = bool(text.strip()) and not text.lstrip().startswith("#")
        cells = next(csv.reader([text], delimiter=found.delimiter), []) if said else []
        if said and any(cell.strip() for cell in cells):
            row = {name: cell.strip() for name, cell in zip(header, cells, strict=False)}
            made.append(Line(text=text, cells=row if past_header else None))
            past_header = True
        else:
            made.append(Line(text=text, cells=None))
    return Grid(keys=keys, header=header, lines=tuple(made), commas=found.delimiter == ",")


def text_of(grid: Grid, typed: Sequence[Typed]) -> tuple[str, list[int]]:
    """Return the file's text with the rows as typed, and the number of each row's line in it."""
    used = {name for row in typed for name, cell in row.cells.items() if cell.strip()}
    header = (*grid.header, *(name for name in grid.keys if name in used - set(grid.header)))
    same = grid.commas and header == grid.header
    rows = {row.line: row for row in typed if row.line is not None}
    out: list[str] = []
    numbers: dict[int, int] = {}
    headed = not grid.lines
    if headed:
        out.append(_joined(header))
    for at, line in enumerate(grid.lines):
        if line.cells is None and _is_header(line, headed):
            headed = True
            out.append(line.text if same else _joined(header))
        elif line.cells is None:
            out.append(line.text)
        elif at in rows:
            row = rows[at]
            kept = same and all(
                row.cells.get(name, "") == line.cells.get(name, "") for name in header
            )
            out.append(line.text if kept else _joined(_cells(row, header, grid.keys)))
            numbers[id(row)] = len(out)
    for row in typed:
        if row.line is None and any(cell.strip() for cell in row.cells.values()):
            out.append(_joined(_cells(row, header, grid.keys)))
            numbers[id(row)] = len(out)
    return "".join(f"{line}\n" for line in out), [numbers.get(id(row), 0) for row in typed]


def _is_header(line: Line, headed: bool) -> bool:
    return not headed and bool(line.text.strip()) and not line.text.lstrip().startswith("#")


def _cells(row: Typed, header: Iterable[str], keys: Mapping[str, Key]) -> list[str]:
    """Return the cells of a row in the order of the header, numbers with points."""
    cells = []
    for name in header:
        cell = " ".join(row.cells.get(name, "").split())
        number = name in keys and keys[name].kind in ("number", "whole")
        cells.append(cell.replace(",", ".") if number and _COMMA.fullmatch(cell) else cell)
    return cells


def _joined(cells: Iterable[str]) -> str:
    stream = io.StringIO(newline="")
    csv.writer(stream, lineterminator="").writerow(cells)
    return stream.getvalue()


def judged(source: Source, table: str, text: str, numbers: Sequence[int]) -> list[Fault]:
    """Return what the reader of the session says of the file as it would be."""
    data = text.encode("utf-8")
    try:
        read_rows(data, source.name, table)
        read_session(source.folder, unpicked=True, instead={source.name: data})
    except VidspeedError as error:
        begin = f"{source.name}: "
        own = (begin, "survey: ")
        return [
            _fault(message.removeprefix(begin), numbers)
            for message in error.messages
            if message.startswith(own)
        ]
    return []


def _fault(text: str, numbers: Sequence[int]) -> Fault:
    """Return a message with the typed row that it is about."""
    found = _ROW.match(text)
    if found is None or int(found[1]) not in numbers:
        return Fault(text=text)
    row = numbers.index(int(found[1]))
    return Fault(text=text[text.index(": ") + 2 :], row=row, column=found[2])


def typed_of(sent: object, columns: Sequence[str]) -> list[Typed]:
    """Return the rows that a page sent; SessionError where that is no table."""
    if not isinstance(sent, list):
        raise SessionError("the page sent no table; load it again")
    rows = []
    for item in sent:
        cells = item.get("cells") if isinstance(item, dict) else None
        line = item.get("line") if isinstance(item, dict) else None
        if not isinstance(cells, list) or len(cells) != len(columns):
            raise SessionError("the page sent another table than it was given; load it again")
        known = {name: str(cell)[:200] for name, cell in zip(columns, cells, strict=True)}
        rows.append(Typed(line=line if isinstance(line, int) else None, cells=known))
    return rows
