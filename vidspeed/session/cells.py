"""Read CSV files as spreadsheets of half the world save them: text, rows, numbers."""

from __future__ import annotations

import codecs
import re
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from vidspeed.errors import SessionError
from vidspeed.session.check import Faults, Refused, checked, needed, shown
from vidspeed.session.header import NUMBER, Sheet, column_names, need, plain, sheet_of
from vidspeed.session.keys import Key, keys_of
from vidspeed.session.units import symbol, worked_out

_MOST_FAULTS = 12  # of one file; the rest is counted


class Row(NamedTuple):
    """One row that was checked: its number as a spreadsheet shows it, and its values."""

    number: int
    values: dict[str, Any]


def decoded(data: bytes, where: str, line: str = "line") -> str:
    """Turn a file's bytes into text: UTF-8 with or without BOM, or UTF-16 with BOM.

    `line` is what messages call a line of the file.
    """
    wide = data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE))
    encoding = "utf-16" if wide else "utf-8-sig"
    try:
        text = data.decode(encoding)
    except UnicodeDecodeError as error:
        before = data[: error.start].decode(encoding, "ignore")
        number = len(re.findall("\r\n?|\n", before)) + 1
        found = f"byte {error.start + 1} of the file" if wide else _named(data, error.start)
        raise SessionError(
            f"{where}: {line} {number}: {found} is not {'UTF-16' if wide else 'UTF-8'} text; "
            "save the file as UTF-8"
        ) from None
    if "\0" in text:
        raise SessionError(f"{where}: holds NUL characters, text is needed; save it as UTF-8")
    return text


def _named(data: bytes, at: int) -> str:
    """Return what a message calls a byte that is wrong: its line as Windows would show it."""
    start = max(data.rfind(b"\n", 0, at), data.rfind(b"\r", 0, at)) + 1
    text = re.split(b"[\r\n]", data[start : start + 200])[0].decode("cp1252", "replace")
    shows = text.isprintable() and "\N{REPLACEMENT CHARACTER}" not in text
    return shown(text) if shows else f"byte {at + 1} of the file"


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
    sheet = sheet_of(decoded(data, where, "row"), where, columns)
    faults = Faults()
    names = column_names(sheet, where, table, columns, faults)
    _raise_some(faults, where)
    return _checked_rows(sheet, names, where, columns)


def read_columns(data: bytes, where: str, columns: dict[str, Key]) -> list[Row]:
    """Read the named columns of a CSV file that somebody else's program wrote; others are let by.

    `columns` are the keys by the columns' names, small letters. Raises SessionError as `read_rows`.
    """
    sheet = sheet_of(decoded(data, where, "row"), where, columns)
    names = [plain(cell) if plain(cell) in columns else "" for cell in sheet.header]
    faults = Faults()
    for name in columns:
        if names.count(name) != 1:
            there = "there twice" if name in names else "missing"
            faults.add(where, f"column {name} is {there}; it has {', '.join(sheet.header)}")
    _raise_some(faults, where)
    return _checked_rows(sheet, names, where, columns)


def _raise_some(faults: Faults, where: str) -> None:
    """Raise the first faults of a file and say how many more there are."""
    if faults:
        more = len(faults) - _MOST_FAULTS
        rest = [f"{where}: {more} more such faults"] if more > 0 else []
        raise SessionError(*faults.messages[:_MOST_FAULTS], *rest)


def _checked_rows(
    sheet: Sheet, names: Sequence[str], where: str, columns: Mapping[str, Key]
) -> list[Row]:
    """Check every row; `names` are the columns of the sheet, "" for one that is skipped."""
    faults = Faults()
    long = [row for row in sheet.rows if any(row[1][len(names) :])]
    if long:
        _refuse_long(long, sheet, where, faults)
    mark = _decimal_mark(sheet, names, columns)
    rows = [
        Row(number, _values(cells, names, columns, mark, f"{where}: row {number}", faults))
        for number, cells in sheet.rows
        if not any(cells[len(names) :])
    ]
    _raise_some(faults, where)
    return rows


def _refuse_long(
    long: Sequence[tuple[int, list[str]]], sheet: Sheet, where: str, faults: Faults
) -> None:
    """Note rows with more cells than the header; raise where decimal commas alone explain them."""
    numbers = [str(number) for number, _ in long]
    more = f" and {len(long) - 3} more" if len(long) > 3 else ""
    rows = f"row {numbers[0]}" if len(long) == 1 else f"rows {', '.join(numbers[:3])}{more}"
    most = max(len(cells) for _, cells in long)
    text = f"{most} cells, the header has {len(sheet.header)}"
    figures = [cell for _, cells in long for cell in cells if NUMBER.fullmatch(cell)]
    if len(long) > 1 and sheet.delimiter == "," and not any("." in cell for cell in figures):
        raise SessionError(
            f"{where}: {rows}: {text}; their numbers have a decimal comma: part the cells by "
            "semicolons or tabs, or write decimal points"
        )
    faults.add(
        f"{where}: {rows}",
        f"{text}; where numbers have a decimal comma the cells must be parted by semicolons or "
        "tabs",
    )


def _decimal_mark(sheet: Sheet, names: Sequence[str], columns: Mapping[str, Key]) -> str:
    """Return the mark that most numbers of the file have where not all have the same, or both."""
    figures = [
        cell
        for _, cells in sheet.rows
        for name, cell in zip(names, cells, strict=False)
        if name and columns[name].kind == "number" and NUMBER.fullmatch(cell)
    ]
    commas = sum("," in cell for cell in figures)
    return (
        "," if commas and 2 * commas >= sum("." in cell or "," in cell for cell in figures) else "."
    )


def _values(
    cells: Sequence[str],
    names: Sequence[str],
    columns: Mapping[str, Key],
    mark: str,
    where: str,
    faults: Faults,
) -> dict[str, Any]:
    """Check the cells of one row; a blank cell of an optional column takes its default."""
    found = dict(zip(names, cells, strict=False))
    values: dict[str, Any] = {}
    for name, key in columns.items():
        text = found.get(name, "")
        try:
            if text:
                values[name] = _cell(key, text, mark)
            elif key.required:
                raise Refused(f"{name} is blank, {need(key)} is needed")
            else:
                values[name] = key.default
        except Refused as refusal:
            faults.add(where, str(refusal))
    return values


def _cell(key: Key, text: str, mark: str) -> Any:
    """Return the value of one cell."""
    if key.kind in ("number", "whole"):
        return checked(key, _figure(key, text, mark))
    if key.kind == "choice":
        return checked(key, text.casefold())
    if not text.isprintable():
        raise Refused(f"{key.name} is {shown(text)}, a name on one line is needed")
    return text


def _figure(key: Key, text: str, mark: str) -> float:
    """Return the number that a cell holds."""
    digits = text.replace("\N{MINUS SIGN}", "-")
    if not NUMBER.fullmatch(digits):
        figure = worked_out(text, key.unit)
        hint = f"; {text} is {figure} {symbol(key.unit)}".rstrip() if figure else ""
        raise Refused(f"{key.name} is {shown(text)}, {needed(key)} is needed{hint}")
    if ("." if mark == "," else ",") in digits:
        way = "comma" if mark == "," else "point"
        raise Refused(
            f"{key.name} is {shown(text)}, but other cells of this file have a decimal {way}; "
            "write all numbers one way"
        )
    return float(digits.replace(",", "."))
