"""Check what was written against the table of keys, and word what is wrong with it."""

from __future__ import annotations

import difflib
import json
import math
from collections.abc import Iterable, Mapping
from datetime import date as Date
from datetime import datetime
from typing import Any, NamedTuple

from vidspeed.session.keys import SESSION_KEYS, Key, keys_of
from vidspeed.session.units import dated, symbol, worked_out


class Refused(Exception):
    """A value is not what its key needs; the text completes "KEY is VALUE, "."""


class Faults:
    """All that is wrong with a session, collected so that it can be mended in one go."""

    def __init__(self) -> None:
        self.messages: list[str] = []

    def add(self, where: str, text: str) -> None:
        """Note one fault; `where` is file, table and name as far as they are known."""
        self.messages.append(" ".join(f"{where}: {text}".splitlines()))

    def __len__(self) -> int:
        return len(self.messages)


class Taken(NamedTuple):
    """A table that was checked: its good values with constant defaults, and which were stated."""

    values: dict[str, Any]
    given: frozenset[str]

    def left_out(self, *names: str) -> frozenset[str]:
        """Return those of the names that the user did not state."""
        return frozenset(names) - self.given


def take(table: str, raw: Mapping[str, object], where: str, faults: Faults) -> Taken:
    """Check one table: unknown keys, missing keys, and the value of every key."""
    known = keys_of(table)
    values: dict[str, Any] = {}
    given = frozenset(raw) | meant(raw, known)
    for name in raw:
        if name not in known:
            faults.add(where, unknown("key", name, known) + _elsewhere(name, table))
    for name, key in known.items():
        if name in raw and key.beside and key.beside not in given:
            faults.add(where, f"{name} is given without {key.beside}; state both or neither")
        if name in raw:
            try:
                values[name] = checked(key, raw[name])
            except Refused as refusal:
                faults.add(where, str(refusal))
        elif key.required and name not in given:
            faults.add(where, missing(key))
        elif key.default is not None:
            values[name] = key.default
    return Taken(values, given)


def unknown(what: str, name: str, known: Iterable[str]) -> str:
    """Word that a name is not known, with the nearest that is."""
    names = list(known)
    near = _nearest(name, names)
    if near:
        return f"unknown {what} {shown(name)}; the nearest known is {near[0]}"
    nearest = difflib.get_close_matches(name, names, n=1, cutoff=0.0)[0]
    return f"unknown {what} {shown(name)}; the nearest known is {nearest}, of {', '.join(names)}"


def _nearest(name: str, known: Iterable[str]) -> list[str]:
    """Return, in a list, the known name that a near one was meant for; an empty one if none is."""
    return difflib.get_close_matches(name.casefold(), list(known), n=1, cutoff=0.6)


def meant(found: Iterable[str], known: Iterable[str]) -> set[str]:
    """Return the known names that unknown ones are misspellings of: those are not missing, too."""
    names = list(known)
    return {near for name in found if name not in names for near in _nearest(name, names)}


def _elsewhere(name: str, table: str) -> str:
    """Say to which other table of session.toml a key belongs, if it does to one."""
    places = [key.table for key in SESSION_KEYS if key.name == name]
    if table.endswith(" file") or len(places) != 1:
        return ""
    return f"; {name} belongs " + (f"to {places[0]}" if places[0] else "before the first table")


def missing(key: Key) -> str:
    """Word that a key is missing, and what belongs there."""
    what = f"{key.meaning}, {needed(key)}"
    return f"{key.name} is missing; {what}, for example {key.name} = {key.example}"


def shown(value: object) -> str:
    """Return what was found as one short line."""
    if isinstance(value, int) and not isinstance(value, bool) and abs(value) > 10**20:
        return "a whole number of more than 20 digits"
    if isinstance(value, (datetime, Date)):
        return value.isoformat()
    if isinstance(value, float) and not math.isfinite(value):
        return str(value)
    if isinstance(value, (list, tuple)):
        parts = [shown(item) for item in value[:4]]
        return f"[{', '.join(parts)}{', ...' if len(value) > 4 else ''}]"
    if isinstance(value, Mapping):
        return "a table"
    text = json.dumps(value, ensure_ascii=False, default=str)
    text = "".join(letter if letter.isprintable() else "?" for letter in text)
    return text if len(text) <= 60 else text[:50] + '..."'


def needed(key: Key, found: object = None) -> str:
    """Return in words what a key needs; an upper bound only where it is near or overstepped.

    Examples
    --------
    >>> needed(keys_of("camera")["focal_px"])
    'a number above 0 in pixels'
    >>> needed(keys_of("camera")["image_size_px"], [99999, 2])
    'a list of 2 whole numbers each above 0 and at most 65536 in pixels'
    """
    if key.kind in ("number", "whole"):
        return _numbers_needed(key, _oversteps(key, found))
    if key.kind == "choice":
        return " or ".join(shown(choice) for choice in key.choices)
    words = {
        "text": "a text in quotation marks",
        "path": "the name of a file in the session folder",
        "date": "a date without quotation marks (year-month-day)",
        "moment": "a date and time without quotation marks (like 2026-09-12T21:40:05)",
        "yes or no": "true or false without quotation marks",
        "table": "a table of its own",
        "tables": "a list of tables in braces",
    }[key.kind]
    return f"a list, each {words}" if key.count is not None else words


def _oversteps(key: Key, found: object) -> bool:
    """Say whether any number found is beyond the upper bound, or the bound is near anyway."""
    if key.most is None or key.most <= 1000:
        return key.most is not None
    numbers = found if isinstance(found, (list, tuple)) else [found]
    return any(isinstance(item, (int, float)) and item > key.most for item in numbers)


def _numbers_needed(key: Key, with_high: bool) -> str:
    whole = "whole " if key.kind == "whole" else ""
    many = {None: f"a {whole}number", 0: f"a list of {whole}numbers"}
    text = many.get(key.count, f"a list of {key.count} {whole}numbers")
    low = f"above {key.above:.12g}" if key.above is not None else ""
    low = f"at least {key.least:.12g}" if key.least is not None else low
    high = f"at most {key.most:.12g}" if with_high else ""
    bounds = " and ".join(part for part in (low, high) if part)
    each = "each " if bounds and key.count is not None else ""
    unit = f" in {key.unit}" if key.unit else ""
    return f"{text} {each}{bounds}".rstrip() + unit


def checked(key: Key, value: object) -> Any:
    """Return the value as its key needs it (numbers as float or int, lists as tuples).

    Raises
    ------
    Refused
        With the key, what was found, what is needed and how to mend it.
    """
    if key.count is None:
        return _one(key, value, value)
    if not isinstance(value, (list, tuple)) or (key.count and len(value) != key.count):
        raise Refused(_wrong(key, value))
    return tuple(_one(key, item, value) for item in value)


def _one(key: Key, value: object, whole: object) -> Any:
    if key.kind in ("number", "whole"):
        return _number(key, value, whole)
    if key.kind in ("text", "path"):
        return _text(key, value, whole)
    fits = {
        "date": isinstance(value, Date) and not isinstance(value, datetime),
        "moment": isinstance(value, datetime),
        "choice": isinstance(value, str) and value in key.choices,
        "yes or no": isinstance(value, bool),
        "table": isinstance(value, dict),
        "tables": isinstance(value, list) and all(isinstance(item, dict) for item in value),
    }[key.kind]
    if not fits:
        raise Refused(_wrong(key, whole, _hint(key, value)))
    return value


def _number(key: Key, value: object, whole: object) -> float | int:
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise Refused(_wrong(key, whole, _hint(key, value)))
    small = abs(value) <= 1e300  # false for NaN, infinity and integers beyond a float
    if not small or not in_bounds(key, float(value)):
        raise Refused(_wrong(key, whole))
    if key.kind == "whole":
        if float(value) != int(value):
            raise Refused(_wrong(key, whole))
        return int(value)
    return float(value)


def in_bounds(key: Key, value: float) -> bool:
    """Say whether a finite number lies within the key's bounds."""
    return (
        (key.above is None or value > key.above)
        and (key.least is None or value >= key.least)
        and (key.most is None or value <= key.most)
    )


def _text(key: Key, value: object, whole: object) -> str:
    if not isinstance(value, str):
        quoted = f'{key.name} = "{shown(value)}"'
        plain = isinstance(value, (int, float)) and not isinstance(value, bool)
        raise Refused(_wrong(key, whole, f"write {quoted}" if plain else ""))
    if not value.strip() or not value.isprintable():
        raise Refused(f"{key.name} is {shown(value)}, {needed(key)} that can be seen is needed")
    return value.strip()


def _hint(key: Key, value: object) -> str:
    """Return the figure that a text with a unit stands for, or the date, as the line to write."""
    if not isinstance(value, str):
        return ""
    if key.kind in ("date", "moment"):
        date = dated(value, moment=key.kind == "moment")
        return f"write {key.name} = {date}" if date else ""
    if key.kind != "number":
        return ""
    figure = worked_out(value, key.unit)
    if figure is None:
        return ""
    if key.count is not None:
        return f"{shown(value)} is {figure} {symbol(key.unit)}".rstrip()
    equal = f"{value.strip()} is {figure} {symbol(key.unit)}".rstrip()
    return f"{equal}: write {key.name} = {figure}"


def _wrong(key: Key, value: object, hint: str = "") -> str:
    mend = hint or f"for example {key.name} = {key.example}"
    return f"{key.name} is {shown(value)}, {needed(key, value)} is needed; {mend}"
