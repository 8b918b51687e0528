"""Check a table of a scene against the kinds of value that its keys may have."""

from __future__ import annotations

import difflib
import math
from collections.abc import Callable, Mapping
from datetime import date as Date
from fractions import Fraction
from typing import Any

import numpy as np

from vidspeed.errors import SceneError

Kind = Callable[[Any], Any]
Rules = Mapping[str, tuple[Kind, Any]]  # kind and default by key
REQUIRED = object()


def taken(raw: Any, where: str, table: Rules) -> dict[str, Any]:
    """Check a table against its kinds; return a value for every key that it may have."""
    if not isinstance(raw, Mapping):
        raise SceneError(f"{where}: is {raw!r}; a table is needed")
    for key in raw:
        if key not in table:
            near = difflib.get_close_matches(key, table, n=1, cutoff=0.0)
            raise SceneError(f'{where}: unknown key "{key}"; the nearest known one is "{near[0]}"')
    return {key: _value(raw, where, key, *rule) for key, rule in table.items()}


def _value(raw: Mapping[str, Any], where: str, key: str, kind: Kind, default: Any) -> Any:
    if key not in raw:
        if default is REQUIRED:
            raise SceneError(f'{where}: "{key}" is missing; give it')
        return default
    try:
        return kind(raw[key])
    except (ValueError, TypeError, ZeroDivisionError) as error:
        raise SceneError(f"{where}: {key} is {raw[key]!r}; {error}") from error


# --- kinds of values: each returns the value or raises ValueError with what is allowed --------


def number(value: Any) -> float:
    """Take a finite number."""
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        raise ValueError("a number is needed")
    return float(value)


def above_zero(value: Any) -> float:
    """Take a number above 0."""
    if number(value) <= 0.0:
        raise ValueError("a number above 0 is needed")
    return float(value)


def not_negative(value: Any) -> float:
    """Take a number not below 0."""
    if number(value) < 0.0:
        raise ValueError("a number not below 0 is needed")
    return float(value)


def share(value: Any) -> float:
    """Take a number from 0 to below 1."""
    if not 0.0 <= number(value) < 1.0:
        raise ValueError("a number from 0 to below 1 is needed")
    return float(value)


def whole(value: Any) -> int:
    """Take a whole number."""
    if isinstance(value, bool) or not isinstance(value, int):
        raise ValueError("a whole number is needed")
    return value


def count(value: Any) -> int:
    """Take a whole number not below 0."""
    if whole(value) < 0:
        raise ValueError("a whole number not below 0 is needed")
    return int(value)


def from_one(value: Any) -> int:
    """Take a whole number from 1."""
    if whole(value) < 1:
        raise ValueError("a whole number from 1 is needed")
    return int(value)


def text(value: Any) -> str:
    """Take a text with something in it."""
    if not isinstance(value, str) or not value.strip():
        raise ValueError("a text is needed")
    return value


def cell_text(value: Any) -> str:
    """Take a text that can be a cell of a CSV file as it is."""
    if any(sign in text(value) for sign in ',;"\t\r\n') or value.strip() != value:
        raise ValueError("a text without commas, semicolons, quotes and outer spaces is needed")
    return str(value)


def file_text(value: Any) -> str:
    """Take a text that can be part of a file's name."""
    if not all(sign.isalnum() or sign in "-_" for sign in text(value)):
        raise ValueError("it names files: letters, digits, - and _ only")
    return str(value)


def flag(value: Any) -> bool:
    """Take true or false."""
    if not isinstance(value, bool):
        raise ValueError("true or false is needed")
    return value


def day(value: Any) -> Date:
    """Take a date."""
    if type(value) is not Date:
        raise ValueError("a date like 2026-09-12 is needed")
    return value


def rate(value: Any) -> Fraction:
    """Take a rate as a number or as text like "60000/1001"."""
    rate = Fraction(value) if isinstance(value, str) else Fraction(str(above_zero(value)))
    if rate <= 0:
        raise ValueError('a rate like 60 or "60000/1001" is needed')
    return rate


def numbers(count: int, item: Kind = number) -> Kind:
    """Return the kind of a list of so many numbers."""

    def kind(value: Any) -> Any:
        if not isinstance(value, list) or len(value) != count:
            raise ValueError(f"a list of {count} numbers is needed")
        return np.array([item(part) for part in value])

    return kind


def series(value: Any) -> Any:
    """Take a list of at least two numbers, each above the one before."""
    if not isinstance(value, list) or len(value) < 2:
        raise ValueError("a list of at least two numbers is needed")
    taken = np.array([number(part) for part in value])
    if np.any(np.diff(taken) <= 0.0):
        raise ValueError("numbers that increase are needed")
    return taken


def rows(count: int) -> Kind:
    """Return the kind of a list of lists of so many numbers."""
    one = numbers(count)

    def kind(value: Any) -> Any:
        if not isinstance(value, list) or not value:
            raise ValueError(f"a list of lists of {count} numbers is needed")
        return np.array([one(part) for part in value])

    return kind


def pair(item: Kind) -> Kind:
    """Return the kind of a list of two."""

    def kind(value: Any) -> Any:
        if not isinstance(value, list) or len(value) != 2:
            raise ValueError("a list of two numbers is needed")
        return (item(value[0]), item(value[1]))

    return kind


def even(value: Any) -> int:
    """Take an even number of pixels."""
    if whole(value) < 16 or value % 2:
        raise ValueError("an even number of pixels from 16 is needed")
    return int(value)


def one_of(*allowed: str) -> Kind:
    """Return the kind of one of the texts allowed."""

    def kind(value: Any) -> Any:
        if value not in allowed:
            raise ValueError(f"allowed are {', '.join(allowed)}")
        return value

    return kind


def some_of(*allowed: str) -> Kind:
    """Return the kind of a list of texts allowed."""

    def kind(value: Any) -> frozenset[str]:
        if not isinstance(value, list) or not set(value) <= set(allowed):
            raise ValueError(f"a list is needed; allowed are {', '.join(sorted(allowed))}")
        return frozenset(value)

    return kind


def names(value: Any) -> tuple[str, ...]:
    """Take a list of texts."""
    if not isinstance(value, list):
        raise ValueError("a list of names is needed")
    return tuple(text(item) for item in value)


def table(value: Any) -> Any:
    """Take a table."""
    if not isinstance(value, Mapping):
        raise ValueError("a table is needed")
    return value


def tables(value: Any) -> Any:
    """Take a list of at least one table."""
    if not isinstance(value, list) or not value:
        raise ValueError("a list of tables is needed")
    return value
