"""What a key is: its name, its unit, what it may hold, and what is taken where it is left out."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Literal

Kind = Literal[
    "text", "path", "date", "moment", "number", "whole", "choice", "yes or no", "table", "tables"
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Key:
    """One key of session.toml, one column of a CSV file or one key of a lens file.

    `count` None is a single value, 0 a list of any length, n a list of n. The bounds hold for
    each number. `default` is what the reader takes where the key is left out (None: nothing, or
    something that depends on other keys); `left_out` says so in words. `beside` is a key that must
    be stated too. `example` is TOML text.
    """

    table: str
    name: str
    kind: Kind
    meaning: str
    example: str
    unit: str = ""
    above: float | None = None
    least: float | None = None
    most: float | None = None
    count: int | None = None
    choices: tuple[str, ...] = ()
    required: bool = False
    default: Any = None
    left_out: str = ""
    beside: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """One table of session.toml; `many` tables are written with double brackets."""

    name: str
    meaning: str
    many: bool = False
    required: bool = False


def key(name: str, kind: Kind, meaning: str, example: str, **more: Any) -> Key:
    """Describe a key whose table is filled in by `of`."""
    return Key(table="", name=name, kind=kind, meaning=meaning, example=example, **more)


def number(name: str, unit: str, meaning: str, example: str, **more: Any) -> Key:
    """Describe a number with its unit."""
    return key(name, "number", meaning, example, unit=unit, **more)


def u_of(name: str, unit: str, what: str, example: str, **more: Any) -> Key:
    """Describe a standard uncertainty: a number that is not negative."""
    return number(name, unit, f"standard uncertainty of {what}", example, least=0.0, **more)


def of(table: str, *keys: Key) -> tuple[Key, ...]:
    """Put keys into a table."""
    return tuple(replace(each, table=table) for each in keys)
