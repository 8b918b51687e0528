"""Read TOML as people type it: a line that cannot be read is shown, with what would mend it.

The parser tells at which line it gave up, in words of its own: the line is looked at again, and a
mend is named where the line can be read with it, or what its key needs.
"""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, NamedTuple

from vidspeed.errors import SessionError
from vidspeed.session.check import Faults, Refused, checked, shown, unknown
from vidspeed.session.keys import TABLES, TOP, Key, keys_of

Known = Mapping[str, Mapping[str, Key]]  # the keys of each table, by names

_MANY = {table.name for table in TABLES if table.many}
_MOST_FAULTS = 12
_MOST_LETTERS = 1_000_000  # parsed again to find where a statement begins
_TYPESET = str.maketrans(
    dict.fromkeys("“”„‟«»″", '"')
    | dict.fromkeys("‘’‚‛′", "'")
    | {"−": "-", "–": "-", "\u00a0": " "}
)
_LINE = re.compile(r"at line (\d+)")
_PAIR = re.compile(r"([A-Za-z0-9_-]+)\s*=\s*(.*)")
_LOOSE = re.compile(r"([A-Za-z0-9_-]+)\s*(?::=|==|:)?\s*(.+)")
_HEADER = re.compile(r"(\[{1,2})\s*([^\[\]\"'=]+?)\s*\]{1,2}")


class _Place(NamedTuple):
    """Where a text cannot be read: all its lines, and the one that is meant."""

    lines: Sequence[str]
    at: int

    @property
    def line(self) -> str:
        """Return the line as it was written, without a remark behind it."""
        return re.split(r"\s#", f" {self.lines[self.at]}")[0].strip()

    def above(self) -> Iterator[tuple[int, str]]:
        """Yield the lines above with their numbers, the nearest first."""
        for at in range(self.at - 1, -1, -1):
            yield at + 1, self.lines[at].strip()

    @property
    def table(self) -> str:
        """Return the name of the table that the line stands in."""
        headers = (_HEADER.match(line) for _, line in self.above())
        return next((header[2] for header in headers if header), TOP)


def session_keys() -> dict[str, dict[str, Key]]:
    """Return the keys of session.toml by their tables."""
    names = (TOP, *(table.name for table in TABLES), "camera.planned")
    return {name: keys_of(name) for name in names}


def parsed(text: str, where: str, known: Known) -> dict[str, Any]:
    """Return what a TOML text holds; `where` names the file, `known` are the keys of its tables.

    Raises
    ------
    SessionError
        With the line as it was written and a mend, for each line that cannot be read.
    """
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    faults = Faults()
    while len(faults) < _MOST_FAULTS:
        try:
            raw = tomllib.loads("\n".join(lines))
        except RecursionError:
            raise SessionError(f"{where}: lists or tables are nested too deep") from None
        except ValueError as error:
            alone = _told(error, lines, where, known, faults)
            if alone is None:
                break
            lines[alone] = ""  # what stands below is looked at, too
        else:
            if not faults:
                return raw
            break
    raise SessionError(*faults.messages)


def _told(
    error: ValueError, lines: Sequence[str], where: str, known: Known, faults: Faults
) -> int | None:
    """Note what is wrong; return the line's index where the lines below can be read without it."""
    stopped = _line_of(error, lines)
    place = _Place(lines, _begin(lines, stopped))
    mend = _mend(place, known)
    if mend is None:
        place = _Place(lines, stopped)
        mend = f"cannot be read as TOML: {error}{_advice(place)}"
    line = f", {_cut(place.line)}" if place.line else ""
    faults.add(f"{where}: line {place.at + 1}{line}", mend)
    goes_on = place.at != stopped or place.line.endswith((",", "[", "{", "("))
    return None if goes_on or not _PAIR.match(place.line) else stopped


def _line_of(error: ValueError, lines: Sequence[str]) -> int:
    """Return the index of the line at which the parser gave up: the last one where it is silent."""
    found = _LINE.search(str(error))
    return min(int(found[1]), len(lines)) - 1 if found else len(lines) - 1


def _begin(lines: Sequence[str], stopped: int) -> int:
    """Return the line at which the statement begins: all above it can be read."""
    steps = _MOST_LETTERS // (1 + sum(map(len, lines)))
    for at in range(stopped, max(-1, stopped - steps), -1):
        if lines[at].strip() and _reads("\n".join(lines[:at])):
            return at
    return stopped


def _reads(text: str) -> bool:
    try:
        tomllib.loads(text)
    except (ValueError, RecursionError):
        return False
    return True


def _mend(place: _Place, known: Known) -> str | None:
    """Return what is wrong with a line and would mend it, None where that cannot be told."""
    line = place.line
    plain = line.translate(_TYPESET)
    if plain != line and _reads(plain):
        return f"quotation marks, minus signs and spaces must be plain ones; write {plain}"
    if _reads(line):
        return _twice(place, known)
    return (
        _unclosed(place)
        or _backslash(line)
        or _joined(line)
        or _value(place, known)
        or _loose(place, known)
    )


def _twice(place: _Place, known: Known) -> str | None:
    """Say what a line that is right by itself has in common with one above."""
    header, pair = _HEADER.match(place.line), _PAIR.match(place.line)
    for number, line in place.above():
        there = _HEADER.match(line)
        if header and there and there[2] == header[2]:
            several = header[2] in _MANY or header[2] not in known
            return _table_twice(header, there, (place.at + 1, number), several)
        if pair and there:
            return None
        other = _PAIR.match(line) if pair else None
        if pair and other and other[1] == pair[1]:
            return f"{pair[1]} is in line {number} too; keep one"
    return None


def _table_twice(
    header: re.Match[str], there: re.Match[str], numbers: tuple[int, int], several: bool
) -> str:
    """Say that a table is there twice, and how it is written where there may be several."""
    name = header[2]
    if not several:
        return f"[{name}] is in line {numbers[1]} too; put the keys of both under one [{name}]"
    wrong = [number for row, number in zip((header, there), numbers, strict=True) if row[1] == "["]
    lines = f"line{'s' * (len(wrong) > 1)} {' and '.join(map(str, sorted(wrong)))}"
    return (
        f"line {numbers[1]} is {there[0]}; where there may be several, two brackets are needed "
        f"each time: write [[{name}]] in {lines}"
    )


def _unclosed(place: _Place) -> str | None:
    """Say which mark is missing at the end or at the beginning of a line."""
    line = place.line
    ends = ('"', "'", "]", "]]", "}", "}]") if _ends_here(place) else ('"', "'")
    for end in ends:
        if _reads(line + end):
            return f"a closing {end} is missing; write {line}{end}"
    for start in ("[", "[[") if line.endswith("]") else ():
        if _reads(start + line):
            return f"an opening {start} is missing; write {start}{line}"
    return None


def _ends_here(place: _Place) -> bool:
    """Say whether the line below begins a statement of its own."""
    below = (line.strip() for line in place.lines[place.at + 1 :])
    first = next((line for line in below if line and not line.startswith("#")), "[")
    return first.startswith("[") or _PAIR.match(first) is not None


def _backslash(line: str) -> str | None:
    turned = line.replace("\\", "/")
    if turned != line and _reads(turned):
        return f"write paths with /, not with a backslash: {turned}"
    return None


def _joined(line: str) -> str | None:
    """Say that several statements stand in one line."""
    parts = re.split(r"[,;]?\s+(?=[A-Za-z0-9_-]+\s*=)", line)
    if len(parts) > 1 and all(map(_reads, parts)):
        return f"each key needs a line of its own; write {parts[1]} into the next line"
    return None


def _value(place: _Place, known: Known) -> str | None:
    """Say what the key needs, by the table of keys."""
    pair = _PAIR.fullmatch(place.line)
    key = known.get(place.table, {}).get(pair[1]) if pair else None
    if pair is None or key is None:
        return None
    value = pair[2].strip(" \"'")
    try:
        checked(key, value)
    except Refused as refusal:
        return str(refusal).removeprefix(f"{key.name} is {shown(value)}, ")
    return f"a text in quotation marks is needed; write {key.name} = {_quoted(value)}"


def _quoted(value: str) -> str:
    return json.dumps(value, ensure_ascii=False)


def _loose(place: _Place, known: Known) -> str | None:
    """Say that = is missing between a key and its value, or that a key is no key."""
    keys = known.get(place.table, {})
    pair = _LOOSE.fullmatch(place.line)
    if pair and pair[1] in keys and not _PAIR.match(place.line):
        meant = f"{pair[1]} = {pair[2]}"
        meant = meant if _reads(meant) else f"for example {pair[1]} = {keys[pair[1]].example}"
        return f"one = belongs between a key and its value; write {meant}"
    name = place.line.partition("=")[0].strip()
    wrong = name not in keys and name != place.line and not name.startswith("[")
    return unknown("key", name, keys) if keys and name and wrong else None


def _advice(place: _Place) -> str:
    """Return what holds for every value."""
    if not _PAIR.match(place.line) or _reads(place.line):
        return ""
    return "; a number stands alone, with a decimal point, and a text in quotation marks"


def _cut(line: str) -> str:
    """Return a line as messages show it."""
    text = "".join(letter if letter.isprintable() else "?" for letter in line)
    return text if len(text) <= 80 else text[:70] + "..."
