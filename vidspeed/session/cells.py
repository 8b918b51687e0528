"""Read CSV files as spreadsheets of half the world save them: text, delimiter, rows, numbers."""

from __future__ import annotations

import codecs
import csv
import difflib
import io
import re
from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple

from vidspeed.errors import SessionError
from vidspeed.session.check import Faults, Refused, checked, needed, shown, unknown
from vidspeed.session.keys import Key, keys_of
from vidspeed.session.units import symbol, worked_out

DELIMITERS = (",", ";", "\t")
_NUMBER = re.compile(r"[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d{1,5})?", re.ASCII)
_MOST_FAULTS = 12  # of one file; the rest is counted


class Row(NamedTuple):
    """One row that was checked: its number as a spreadsheet shows it, and its values."""

    number: int
    values: dict[str, Any]


class Sheet(NamedTuple):
    """The cells of a file: its header, and the rows with their numbers."""

    delimiter: str
    header: list[str]
    rows: list[tuple[int, list[str]]]


def decoded(data: bytes, where: str) -> str:
    """Turn a file's bytes into text: UTF-8 with or without BOM, or UTF-16 with BOM."""
    wide = data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE))
    try:
        text = data.decode("utf-16" if wide else "utf-8-sig")
    except UnicodeDecodeError as error:
        raise SessionError(
            f"{where}: byte {error.start + 1} is not {'UTF-16' if wide else 'UTF-8'} text; "
            "save the file as UTF-8"
        ) from None
    if "\0" in text:
        raise SessionError(f"{where}: holds NUL characters, text is needed; save it as UTF-8")
    return text


def read_rows(data: bytes, where: str, table: str) -> list[Row]:
    """Read and check every row of a CSV file against the columns of `table`.

    Parameters
    ----------
    data
        The file's bytes.
    where
        How messages name the file.
    table
        Name of the columns' table in `vidspeed.session.keys`.

    Raises
    ------
    SessionError
        With one message for each fault: row, column and the text found.
    """
    columns = keys_of(table)
    sheet = sheet_of(decoded(data, where), where, columns)
    names = _column_names(sheet.header, where, table, columns)
    faults = Faults()
    comma = _decimal_comma(sheet, names, columns)
    rows = [
        Row(number, _values(cells, names, columns, comma, f"{where}: row {number}", faults))
        for number, cells in sheet.rows
    ]
    _raise_some(faults, where)
    return rows


def read_columns(data: bytes, where: str, columns: dict[str, Key]) -> list[Row]:
    """Read the named columns of a CSV file that somebody else's program wrote; others are let by.

    `columns` are the keys by the columns' names, small letters. Raises SessionError as `read_rows`.
    """
    sheet = sheet_of(decoded(data, where), where, columns)
    names = [_plain(cell) if _plain(cell) in columns else "" for cell in sheet.header]
    faults = Faults()
    for name in columns:
        if names.count(name) != 1:
            there = "there twice" if name in names else "missing"
            faults.add(where, f"column {name} is {there}; it has {', '.join(sheet.header)}")
    _raise_some(faults, where)
    comma = _decimal_comma(sheet, names, columns)
    rows = [
        Row(number, _values(cells, names, columns, comma, f"{where}: row {number}", faults))
        for number, cells in sheet.rows
    ]
    _raise_some(faults, where)
    return rows


def _raise_some(faults: Faults, where: str) -> None:
    """Raise the first faults of a file and say how many more there are."""
    if faults:
        more = len(faults) - _MOST_FAULTS
        rest = [f"{where}: {more} more such faults"] if more > 0 else []
        raise SessionError(*faults.messages[:_MOST_FAULTS], *rest)


def sheet_of(text: str, where: str, columns: Mapping[str, Key]) -> Sheet:
    """Split a text into rows of cells; the delimiter is the one that finds the most columns.

    Raises SessionError where it has no header or a quotation mark lacks its other.
    """
    lines = text.replace("\r\n", "\n").replace("\r", "\n")
    headers = {each: _header(lines, each) for each in DELIMITERS}
    known = {each: sum(_plain(cell) in columns for cell in headers[each]) for each in DELIMITERS}
    delimiter = max(DELIMITERS, key=lambda each: known[each])
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
    return Sheet(delimiter, rows[0][1], rows[1:])


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


def _plain(name: str) -> str:
    """Return a column's name as it is compared: without case and surrounding spaces."""
    return name.strip().casefold()


def _column_names(header: list[str], where: str, table: str, columns: dict[str, Key]) -> list[str]:
    """Return the known name of each column, "" for one that is skipped."""
    faults = Faults()
    names: list[str] = []
    for cell in header:
        name = _plain(cell)
        if name in names and name in columns:
            faults.add(where, f"column {name} is there twice; keep one")
        elif name and name not in columns and not _may_stand(name, header, table, columns):
            faults.add(where, unknown("column", name, columns))
        names.append(name if name in columns else "")
    for column in columns.values():
        if column.required and column.name not in names:
            faults.add(where, f"column {column.name} is missing; {column.meaning}, {_need(column)}")
    _raise_some(faults, where)
    return names


def _may_stand(name: str, header: list[str], table: str, columns: dict[str, Key]) -> bool:
    """Say whether an unknown column is let by: notes, and what else a track's writer knows.

    A track may carry further columns, but not one that looks like a known one misspelt.
    """
    if name.startswith("note"):
        return True
    absent = set(columns) - {_plain(cell) for cell in header}
    return table == "track.csv" and not difflib.get_close_matches(name, absent, cutoff=0.75)


def _need(key: Key) -> str:
    return needed(key) if key.kind in ("number", "whole", "choice") else "a name"


def _decimal_comma(sheet: Sheet, names: list[str], columns: dict[str, Key]) -> bool:
    """Say whether any number of the file is written with a decimal comma."""
    if sheet.delimiter == ",":
        return False
    return any(
        "," in cell and _NUMBER.fullmatch(cell)
        for _, cells in sheet.rows
        for name, cell in zip(names, cells, strict=False)
        if name and columns[name].kind == "number"
    )


def _values(
    cells: list[str],
    names: list[str],
    columns: dict[str, Key],
    comma: bool,
    where: str,
    faults: Faults,
) -> dict[str, Any]:
    """Check the cells of one row; a blank cell of an optional column takes its default."""
    if any(cells[len(names) :]):
        faults.add(
            where,
            f"{len(cells)} cells, the header has {len(names)}; where numbers have a decimal "
            "comma the cells must be parted by semicolons or tabs",
        )
        return {}
    found = dict(zip(names, cells, strict=False))
    values: dict[str, Any] = {}
    for name, key in columns.items():
        text = found.get(name, "")
        try:
            if text:
                values[name] = _cell(key, text, comma)
            elif key.required:
                raise Refused(f"{name} is blank, {_need(key)} is needed")
            else:
                values[name] = key.default
        except Refused as refusal:
            faults.add(where, str(refusal))
    return values


def _cell(key: Key, text: str, comma: bool) -> Any:
    """Return the value of one cell."""
    if key.kind in ("number", "whole"):
        return checked(key, _figure(key, text, comma))
    if key.kind == "choice":
        return checked(key, text.casefold())
    if not text.isprintable():
        raise Refused(f"{key.name} is {shown(text)}, a name on one line is needed")
    return text


def _figure(key: Key, text: str, comma: bool) -> float:
    """Return the number that a cell holds."""
    plain = text.replace("\N{MINUS SIGN}", "-")
    if not _NUMBER.fullmatch(plain):
        figure = worked_out(text, key.unit)
        hint = f"; {text} is {figure} {symbol(key.unit)}".rstrip() if figure else ""
        raise Refused(f"{key.name} is {shown(text)}, {needed(key)} is needed{hint}")
    if "." in plain and comma:
        raise Refused(
            f"{key.name} is {shown(text)}, but other cells of this file have a decimal comma; "
            "write all numbers one way"
        )
    return float(plain.replace(",", "."))
