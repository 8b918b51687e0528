"""The header row of a CSV file: how the cells are parted, and which column each of them is."""

from __future__ import annotations

import csv
import difflib
import io
import re
from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple

from vidspeed.errors import SessionError
from vidspeed.session.check import Faults, needed, shown, unknown
from vidspeed.session.key import Key

DELIMITERS = (",", ";", "\t")
NUMBER = re.compile(r"[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d{1,5})?", re.ASCII)
_RENAME = 'rename it, or begin its name with "note" where it is for people only'
_NEAR = 0.75  # how alike a name must be to one that may be left out
_FOR_SPREADSHEETS = re.compile(r'\A"?sep=[,;\t|]?"?[,;\t ]*(?:\n|\Z)', re.IGNORECASE)


class Sheet(NamedTuple):
    """The cells of a file: its header, and the rows with their numbers."""

    delimiter: str
    at: int  # number of the header row
    header: list[str]
    rows: list[tuple[int, list[str]]]


def lines_of(text: str) -> str:
    """Return the text with plain line ends, without a first line that only says the delimiter.

    A spreadsheet does not show that line and does not count it.
    """
    return _FOR_SPREADSHEETS.sub("", text.replace("\r\n", "\n").replace("\r", "\n"))


def sheet_of(text: str, where: str, columns: Mapping[str, Key]) -> Sheet:
    """Split a text into rows of cells; the delimiter is the one that finds the most columns.

    Raises SessionError where it has no header or a quotation mark lacks its other.
    """
    lines = lines_of(text)
    headers = {each: _header(lines, each) for each in DELIMITERS}
    known = {each: sum(plain(cell) in columns for cell in headers[each]) for each in DELIMITERS}
    delimiter = max(DELIMITERS, key=lambda each: (known[each], len(headers[each])))
    try:
        rows = list(_rows(lines, delimiter, strict=True))
    except csv.Error as error:
        raise SessionError(
            f"{where}: cannot be read as CSV: {error}; look for a quotation mark without its other"
        ) from None
    if not rows:
        raise SessionError(
            f"{where}: no header row; its first row must name the columns {','.join(columns)}"
        )
    if not known[delimiter]:
        _refuse_data(*rows[0], where, columns)
    return Sheet(delimiter, *rows[0], rows[1:])


def _header(lines: str, delimiter: str) -> list[str]:
    """Return the cells of the first row that says something, as far as they can be told."""
    try:
        return next(_rows(lines, delimiter, strict=False), (0, []))[1]
    except csv.Error:
        return []


def _rows(lines: str, delimiter: str, *, strict: bool) -> Iterator[tuple[int, list[str]]]:
    """Yield the rows with their numbers, without blank rows and rows that begin with #."""
    said = ("\n" if line.lstrip().startswith("#") else line for line in io.StringIO(lines))
    for number, cells in enumerate(csv.reader(said, delimiter=delimiter, strict=strict), start=1):
        stripped = [cell.strip() for cell in cells]
        if any(stripped) and not stripped[0].startswith("#"):
            yield number, stripped


def _refuse_data(number: int, cells: list[str], where: str, columns: Mapping[str, Key]) -> None:
    """Raise where numbers stand in the first row: then the row of names is missing."""
    if any(NUMBER.fullmatch(cell) for cell in cells):
        data = " and ".join(shown(cell) for cell in cells[:2])
        raise SessionError(
            f"{where}: row {number}: the header row is missing, {data} are data; write above it "
            f"{_names(cells, columns)}"
        )


def _names(cells: list[str], columns: Mapping[str, Key]) -> str:
    """Return the header row that is needed, as long as the row that was found if that will do."""
    least = sum(column.required for column in columns.values())
    return ",".join(list(columns)[: max(least, len(cells))])


def plain(name: str) -> str:
    """Return a column's name as it is compared: without case and surrounding spaces."""
    return name.strip().casefold()


def column_names(
    sheet: Sheet, where: str, table: str, columns: Mapping[str, Key], faults: Faults
) -> list[str]:
    """Return the known name of each column, "" for one that is skipped.

    A column with a name like that of a missing one is one fault, not two.
    """
    names = [plain(cell) if plain(cell) in columns else "" for cell in sheet.header]
    if not any(names):
        found = ", ".join(shown(cell) for cell in sheet.header if cell)
        needs = f"the names of the columns are needed first: {_names(sheet.header, columns)}"
        faults.add(f"{where}: row {sheet.at}", f'is {found}, {needs}; begin a remark with "#"')
        return names
    absent = {name: key for name, key in columns.items() if name not in names}
    strange: list[str] = []
    for at, (cell, name) in enumerate(zip(sheet.header, names, strict=True)):
        if name and name in names[:at]:
            faults.add(where, f"column {name} is there twice; keep one")
        elif cell and not name and not plain(cell).startswith("note"):
            meant = _meant(plain(cell), absent, near=_NEAR if table == "track.csv" else 0.6)
            if meant is not None:
                del absent[meant]
                text = f"unknown column {shown(cell)}; the nearest known is {meant}; {_RENAME}"
                faults.add(where, text)
            elif table != "track.csv":  # whose writer may know more columns
                strange.append(cell)
    _refuse_strange(strange, list(absent.values()), where, columns, faults)
    return names


def _refuse_strange(
    strange: Sequence[str],
    absent: Sequence[Key],
    where: str,
    columns: Mapping[str, Key],
    faults: Faults,
) -> None:
    """Note columns that are not known, with those that are missing and may be meant by them."""
    missing = [key for key in absent if key.required]
    if strange and missing:
        found = f"unknown column{'s' * (len(strange) > 1)} {', '.join(map(shown, strange))}"
        needs = "; ".join(f"{key.name} ({key.meaning}, {need(key)})" for key in missing)
        faults.add(where, f"{found}; missing is: {needs}; rename what is meant by it")
        return
    for cell in strange:
        faults.add(where, f"{unknown('column', cell, columns)}; {_RENAME}")
    for key in missing:
        faults.add(where, f"column {key.name} is missing; {key.meaning}, {need(key)}")


def _meant(name: str, absent: Mapping[str, Key], *, near: float) -> str | None:
    """Return the missing column that a name is meant for: `x [m]` and `x` for `x_m`."""
    joined = re.sub(r"[^0-9a-z]+", "_", name).strip("_")
    bare = [each for each in absent if joined in (each, each.rpartition("_")[0] or each)]
    wanted = [each for each, key in absent.items() if key.required]
    alike = difflib.get_close_matches(name, wanted, n=1, cutoff=near)
    alike = alike or difflib.get_close_matches(name, absent, n=1, cutoff=_NEAR)
    return next(iter(sorted(bare, key=joined.__ne__) + alike), None)


def need(key: Key) -> str:
    """Return in words what belongs in a column."""
    return needed(key) if key.kind in ("number", "whole", "choice") else "a name"
