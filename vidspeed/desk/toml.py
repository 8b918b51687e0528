"""The text of session.toml changed key by key: comments, order and blank lines stay.

`vidspeed new` writes every key as a comment; a key that is stated takes the place of its comment,
one that is taken away becomes a comment again. Whatever is done to the lines, what they then say
is compared with what was meant before it is used.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import Item

from vidspeed.errors import SessionError
from vidspeed.session.keys import TABLES, TOP, keys_of
from vidspeed.session.tomlfile import parsed, session_keys

_MARK = "vidspeed-desk-mark"
_MANY = {table.name for table in TABLES if table.many}
_COMMENTED_HEAD = re.compile(r"\s*#\s?\[")


def read(text: str) -> dict[str, Any]:
    """Return what the text says; SessionError where it is not TOML."""
    return parsed(text, "session.toml", session_keys())


def entries(data: Mapping[str, Any], table: str) -> list[dict[str, Any]]:
    """Return the tables of one name; `table` "": the keys before the first table."""
    found = data if table == TOP else data.get(table, [])
    items = found if isinstance(found, list) else [found]
    return [item for item in items if isinstance(item, dict)]


def put(text: str, table: str, number: int, values: Mapping[str, object]) -> str:
    """Return the text with keys of a table set; None takes a key away.

    `table` "" holds the keys before the first table. `number` counts tables of one name from 0;
    one more than there are is added. Raises SessionError where it cannot be done.
    """
    if table != TOP and number >= len(entries(read(text), table)):
        text = _with_table(text, table)
    for name, value in values.items():
        text = _put(text, table, number, name, value)
    return text


def take_away(text: str, table: str, number: int) -> str:
    """Return the text without one of the tables of a name; of the only one, comments stay."""
    data = read(text)
    only = len(entries(data, table)) == 1
    if only:
        del data[table]
    else:
        del data[table][number]
    lines, head, end = _region(text, table, number)
    said = [at for at in range(head, end) if _says(lines[at])]
    if only:
        for at in said:
            lines[at] = f"# {lines[at]}"
    else:
        del lines[head : said[-1] + 1]
    changed = "".join(lines)
    return changed if _means(changed, data) else _removed(text, table, number, data)


def _put(text: str, table: str, number: int, name: str, value: object) -> str:
    """Set one key, or take it away."""
    wanted = read(text)
    home = entries(wanted, table)[number]
    there = name in home
    if value is None and not there:
        return text
    if value is None:
        del home[name]
        tried = _commented(text, table, number, name)
    else:
        item = _item(value)
        home[name] = item.unwrap()
        tried = iter(()) if there else _placed(text, table, number, name, item)
    for changed in tried:
        if _means(changed, wanted):
            return changed
    document = _document(text)
    if value is None:
        del _home(document, table, number)[name]
    else:
        _home(document, table, number)[name] = _item(value)
    return _checked(document.as_string(), wanted)


def _item(value: Any) -> Item:
    """Return a value as it is written, on one line: tables in braces."""
    if isinstance(value, dict):
        table = tomlkit.inline_table()
        table.update({name: _item(each) for name, each in value.items()})
        return table
    if isinstance(value, list | tuple) and not isinstance(value, Item):
        array = tomlkit.array()
        array.extend(_item(each) for each in value)
        return array
    item: Item = tomlkit.item(value)
    return item


def _placed(text: str, table: str, number: int, name: str, item: Item) -> Iterator[str]:
    """Yield the text with a new key: at its comment, behind its neighbours, behind all others."""
    lines, head, end = _region(text, table, number)
    line = f"{name} = {item.as_string()}\n"
    for at in range(head + 1, end):
        if re.match(rf"\s*#\s?{re.escape(name)}\s*=", lines[at]):
            yield "".join([*lines[:at], line, *lines[at + 1 :]])
            break
    names = list(keys_of(table))
    for before in reversed(names[: names.index(name)] if name in names else []):
        for at in range(head + 1, end):
            if re.match(rf"\s*{re.escape(before)}\s*=", lines[at]):
                yield "".join([*lines[: at + 1], line, *lines[at + 1 :]])
    last = max((at for at in range(head + 1, end) if _says(lines[at])), default=head)
    yield "".join([*lines[: last + 1], line, *lines[last + 1 :]])


def _commented(text: str, table: str, number: int, name: str) -> Iterator[str]:
    """Yield the text with a key's line as a comment."""
    lines, head, end = _region(text, table, number)
    for at in range(head + 1, end):
        if re.match(rf"\s*{re.escape(name)}\s*=", lines[at]):
            yield "".join([*lines[:at], f"# {lines[at]}", *lines[at + 1 :]])


def _with_table(text: str, table: str) -> str:
    """Return the text with one more table of a name, empty: at its comment, or behind the last."""
    wanted = read(text)
    many = table in _MANY
    if many:
        wanted.setdefault(table, []).append({})
    else:
        wanted[table] = {}
    head = f"[[{table}]]\n" if many else f"[{table}]\n"
    for changed in (*_table_placed(text, table, head), f"{text.rstrip()}\n\n{head}".lstrip()):
        if _means(changed, wanted):
            return changed
    raise SessionError(
        f"session.toml: a table {head.strip()} cannot be added to it; add it in an editor"
    )


def _table_placed(text: str, table: str, head: str) -> Iterator[str]:
    there = len(entries(read(text), table))
    lines = text.splitlines(keepends=True)
    if there:
        lines, start, end = _region(text, table, there - 1)
        last = max(at for at in range(start, end) if _says(lines[at]))
        yield "".join([*lines[: last + 1], "\n", head, *lines[last + 1 :]])
        return
    for at, line in enumerate(lines):
        if re.fullmatch(rf"#\s?{re.escape(head.strip())}\s*", line):
            yield "".join([*lines[:at], head, *lines[at + 1 :]])


def _region(text: str, table: str, number: int) -> tuple[list[str], int, int]:
    """Return the lines, and between which of them a table stands: its head, and one past its end.

    The end is where a parser puts a new key; what follows a commented table's head is not its own.
    """
    document = _document(text)
    _home(document, table, number)[_MARK] = 1
    marked = document.as_string().splitlines(keepends=True)
    end = next((at for at, line in enumerate(marked) if line.startswith(_MARK)), 0)
    lines = text.splitlines(keepends=True)
    if lines and not lines[-1].endswith("\n"):
        lines[-1] += "\n"
    name = rf"\s*\[+\s*[\"']?{re.escape(table)}[\"']?\s*\]+"
    heads = [at for at in range(end) if table != TOP and re.match(name, lines[at])]
    head = heads[-1] if heads else -1
    first = next((at for at in range(head + 1, end) if _COMMENTED_HEAD.match(lines[at])), end)
    return lines, head, first


def _says(line: str) -> bool:
    """Tell a line that is neither blank nor a comment."""
    return bool(line.strip()) and not line.lstrip().startswith("#")


def _document(text: str) -> tomlkit.TOMLDocument:
    try:
        return tomlkit.parse(text)
    except (TOMLKitError, ValueError, RecursionError) as error:
        raise SessionError(f"session.toml: cannot be read as TOML: {error}") from None


def _home(document: tomlkit.TOMLDocument, table: str, number: int) -> Any:
    """Return the table as the parser holds it."""
    found: Any = document if table == TOP else document[table]
    return found[number] if isinstance(found, list) else found


def _removed(text: str, table: str, number: int, wanted: Mapping[str, Any]) -> str:
    """Return the text without a table, by the parser alone."""
    document = _document(text)
    found: Any = document[table]
    if isinstance(found, list) and len(found) > 1:
        del found[number]
    else:
        del document[table]
    return _checked(document.as_string(), wanted)


def _means(text: str, wanted: Mapping[str, Any]) -> bool:
    try:
        return tomllib.loads(text) == wanted
    except (ValueError, RecursionError):
        return False


def _checked(text: str, wanted: Mapping[str, Any]) -> str:
    if not _means(text, wanted):
        raise SessionError("session.toml: cannot be changed from here; change it in an editor")
    return text
