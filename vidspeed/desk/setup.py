"""What is typed into a form, held against the session: by the very reader, before it is written."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from vidspeed.assembly.reading import read_session
from vidspeed.desk.fields import EDITED, text_of, typed
from vidspeed.desk.sources import SESSION, Source, keep, read_source
from vidspeed.desk.toml import entries, put, read, take_away
from vidspeed.errors import SessionError, VidspeedError
from vidspeed.record.names import legal_name
from vidspeed.session.keys import TABLES, TOP, Key, keys_of
from vidspeed.session.read import place


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """What is wrong: beside which field, and what concerns the rest of the session."""

    fields: dict[str, str] = field(default_factory=dict)
    others: tuple[str, ...] = ()


class Form:
    """One table of session.toml while it is typed: what the file says, and what the fields say.

    `number` counts tables of one name; one more than there are is a new one.
    """

    def __init__(self, folder: Path, table: str, number: int = 0) -> None:
        self.folder, self.table = folder, table
        self.source: Source = read_source(folder)
        found = entries(read(self.source.text), table)
        self.number = min(number, len(found))
        self.new = table != TOP and self.number == len(found)
        stated = {} if self.new else found[self.number]
        self.keys: dict[str, Key] = keys_of(table)
        self.stated = {name: text_of(key, stated.get(name)) for name, key in self.keys.items()}
        self.texts = dict(self.stated)

    @property
    def changed(self) -> dict[str, str]:
        """Return the fields that say something else than the file."""
        return {
            name: text
            for name, text in self.texts.items()
            if text.strip() != self.stated[name] and self.keys[name].kind not in EDITED
        }

    def text(self) -> tuple[str, dict[str, str]]:
        """Return session.toml with what was typed, and what is wrong with single fields."""
        values, wrong = typed(self.keys.values(), self.changed)
        values = {**values, **self._named_picks(values)}
        if not values and not self.new:
            return self.source.text, wrong
        return put(self.source.text, self.table, self.number, values), wrong

    def _named_picks(self, values: Mapping[str, Any]) -> dict[str, str]:
        """Return a name for the picks of a new camera, which nobody should have to think of."""
        if not (self.new and self.table == "camera" and "name" in values) or self.texts["picks"]:
            return {}
        return {"picks": f"picks-{legal_name(str(values['name']))}.csv"}

    def judged(self) -> Judged:
        """Say what the reader of the session finds wrong with it as typed."""
        text, wrong = self.text()
        return _sorted(self.folder, text, self.table, self.number, wrong)

    def save(self) -> None:
        """Write what was typed into session.toml.

        Raises SessionError where a field is wrong, or where the file was changed meanwhile.
        """
        text, wrong = self.text()
        if wrong:
            raise SessionError(*(f"not saved: {message}" for message in wrong.values()))
        self._kept(text)

    def remove(self) -> None:
        """Take the table out of session.toml."""
        self._kept(take_away(self.source.text, self.table, self.number))

    def _kept(self, text: str) -> None:
        if text != self.source.text:
            self.source = keep(self.source, text)
        self.new = False
        found = entries(read(text), self.table)
        stated = found[self.number] if self.number < len(found) else {}
        self.stated = {name: text_of(key, stated.get(name)) for name, key in self.keys.items()}
        self.texts.update(self.stated)


def files_there(folder: Path, most: int = 400) -> list[str]:
    """Return the files of a session that a key could name, at most two folders deep."""
    found = []
    for pattern in ("*", "*/*", "*/*/*"):
        for path in sorted(folder.glob(pattern)):
            parts = path.relative_to(folder).parts
            if parts[0] != "results" and not any(part.startswith(".") for part in parts):
                found += [path.relative_to(folder).as_posix()] if path.is_file() else []
    return [name for name in found if name != SESSION][:most]


def faults_of(folder: Path, text: str | None = None) -> tuple[str, ...]:
    """Return what the reader finds wrong with a session; `text` is what session.toml would say."""
    instead = None if text is None else {SESSION: text.encode("utf-8")}
    try:
        read_session(folder, unpicked=True, instead=instead)
    except VidspeedError as error:
        return error.messages
    return ()


def place_of(table: str, number: int, item: Mapping[str, Any]) -> str:
    """Return how the reader's messages begin that concern one table."""
    if table == TOP:
        return SESSION
    many = next(each.many for each in TABLES if each.name == table)
    return place(table, number, item) if many else f"{SESSION}: [{table}]"


def _sorted(folder: Path, text: str, table: str, number: int, wrong: dict[str, str]) -> Judged:
    """Put each of the reader's messages beside the field that it begins with."""
    found = entries(read(text), table)
    begin = f"{place_of(table, number, found[number] if number < len(found) else {})}: "
    fields, others = dict(wrong), []
    for message in faults_of(folder, text):
        rest = message.removeprefix(begin)
        name = rest.partition(" ")[0].rstrip(":;,")
        if rest != message and name in keys_of(table):
            fields.setdefault(name, rest)
        else:
            others.append(message)
    return Judged(fields=fields, others=tuple(others))
