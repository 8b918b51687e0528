"""Fields of a form, made from the table of keys: what they are called, show and give back."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable, Mapping
from datetime import date, datetime
from typing import Any

import tomlkit

from vidspeed.session.check import Refused, checked
from vidspeed.session.keys import Key

EDITED = ("table", "tables")  # kinds that are not written in one field
YES = {"yes": True, "no": False}
_UNITS = {
    "m", "ms", "s", "px", "mps", "mps2", "kmh", "c", "hpa", "pct", "percent", "hz", "ppm", "min",
    "kgm3", "deg",
}  # fmt: skip
_LIST = re.compile(r"[,;\n]")


def label_of(key: Key) -> str:
    """Return what a field is called: the key's name without its unit.

    Examples
    --------
    >>> from vidspeed.session.keys import keys_of
    >>> [label_of(keys_of("course")[name]) for name in ("length_m", "length_u_m")]
    ['length', 'length, standard uncertainty']
    """
    parts = key.name.split("_")
    if len(parts) > 1 and parts[-1] in _UNITS:
        parts = parts[:-1]
    if parts == ["u"]:
        return "standard uncertainty"
    if "u" not in parts[1:]:
        return " ".join(parts)
    parts.remove("u")
    return f"{' '.join(parts)}, standard uncertainty"


def help_of(key: Key) -> str:
    """Return what a key means, an example, and what is taken where it is left out."""
    example = re.sub(r'[\[\]"]', "", key.example)
    said = key.meaning if key.kind in EDITED else f"{key.meaning}; for example {example}"
    if key.left_out and not key.required:
        said += f"; left out: {key.left_out}"
    return said[:1].upper() + said[1:]


def text_of(key: Key, value: object) -> str:
    """Return a stated value as its field shows it; "" for none.

    Examples
    --------
    >>> from vidspeed.session.keys import keys_of
    >>> text_of(keys_of("camera")["image_size_px"], [1920, 1080])
    '1920, 1080'
    """
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list):
        return ", ".join(text_of(key, item) for item in value)
    if isinstance(value, date | datetime):
        return value.isoformat()
    return str(value)


def value_of(key: Key, text: str) -> Any:
    """Return what a field says as it is written into session.toml; None where it is blank.

    Raises
    ------
    vidspeed.session.check.Refused
        As the reader of the session would.
    """
    text = text.strip()
    if not text:
        return None
    if key.count is None:
        value = _one(key, text)
    else:
        value = tomlkit.array()
        value.extend(_one(key, part.strip()) for part in _LIST.split(text) if part.strip())
    checked(key, value.unwrap() if hasattr(value, "unwrap") else value)
    return value


def _one(key: Key, text: str) -> Any:
    """Return one value, or the text itself where it is not what the key needs."""
    if key.kind in ("number", "whole"):
        return _number(text.replace("\N{MINUS SIGN}", "-"), text)
    if key.kind == "yes or no":
        return YES.get(text.casefold(), text)
    try:
        if key.kind == "date":
            return date.fromisoformat(text)
        if key.kind == "moment":
            return datetime.fromisoformat(text)
    except ValueError:
        pass
    return text


def _number(plain: str, text: str) -> Any:
    """Return a number as it was typed, 80.00 with its noughts; a decimal comma as a point."""
    if re.fullmatch(r"[+-]?\d+,\d+", plain) and not re.fullmatch(r"[+-]?[1-9]\d{0,2},\d{3}", plain):
        plain = plain.replace(",", ".")
    try:
        if isinstance(tomllib.loads(f"x = {plain}").get("x"), int | float):
            return tomlkit.parse(f"x = {plain}")["x"]
    except (ValueError, RecursionError):
        pass
    return text


def typed(keys: Iterable[Key], texts: Mapping[str, str]) -> tuple[dict[str, Any], dict[str, str]]:
    """Return what fields say, by key, and what is wrong with those that say something wrong."""
    values: dict[str, Any] = {}
    wrong: dict[str, str] = {}
    for key in keys:
        if key.name in texts:
            try:
                values[key.name] = value_of(key, texts[key.name])
            except Refused as refusal:
                wrong[key.name] = str(refusal)
    return values, wrong
