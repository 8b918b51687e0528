"""Hold figures against figures: which are the same to the byte, which to 1e-9, which are not.

A figure is a number with a path through its file. Speeds, and whatever else is in metres a second,
are judged against the largest speed of the session: what is within 1e-9 of it cannot be told apart
by anybody. Other numbers are judged against the largest of their unit in the same part of a file;
shares of a variance and forecasts, which magnify what is left of the last digits, to 1e-6.
"""

from __future__ import annotations

import csv
import io
import math
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Literal

from vidspeed.errors import PackError
from vidspeed.values import Value

SAME = 1e-9
MAGNIFIED = {"share": 1e3, "relative_U95": 1e3, "largest_share": 1e3}  # over SAME: 1e-6
SPEEDS = ("_mps", "_kmh", "_mph", "_kn")
UNITS = (*SPEEDS, "_m", "_s", "_px", "_rad")
Leaf = str | int | float | bool | None
Path = tuple[str, ...]
Verdict = Literal["byte", "close", "off"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Off(Value):
    """One figure that does not agree: where, what the pack says, what was found again."""

    where: str
    packed: Leaf
    again: Leaf


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Part(Value):
    """A part of the results: how many figures and words, and how well they agree.

    `worst` is the largest difference over its scale (0: all to the byte).
    """

    name: str
    count: int
    worst: float
    off: tuple[Off, ...]

    @property
    def verdict(self) -> Verdict:
        """Return how the whole part agrees."""
        return "off" if self.off else "byte" if self.worst == 0.0 else "close"


def leaves(value: Any, at: Path = ()) -> Iterator[tuple[Path, Leaf]]:
    """Yield every number and text of a structure with its path.

    Examples
    --------
    >>> list(leaves({"passes": [{"pass": "7", "dof": 3.5}]}))
    [(('passes', '7', 'pass'), '7'), (('passes', '7', 'dof'), 3.5)]
    """
    if isinstance(value, Mapping):
        for key, item in value.items():
            yield from leaves(item, (*at, str(key)))
    elif isinstance(value, list):
        names = [_name(item) for item in value]
        times = Counter(names)
        for number, item in enumerate(value):
            own = names[number]
            named = own is not None and times[own] == 1
            yield from leaves(item, (*at, own if named and own is not None else str(number + 1)))
    else:
        yield at, value


def _name(item: object) -> str | None:
    """Return by what an item of a list is called."""
    if not isinstance(item, Mapping):
        return None
    name = item.get("pass", item.get("name"))
    return name if isinstance(name, str) else None


def rows_of(data: bytes) -> list[dict[str, Leaf]]:
    """Return a CSV file as rows of numbers and texts; PackError where it is none."""
    reader = csv.DictReader(io.StringIO(data.decode("utf-8", "replace"), newline=""))
    try:
        return [{str(key): _cell(text) for key, text in row.items()} for row in reader]
    except csv.Error as error:
        raise PackError(f"a file of results cannot be read as CSV: {error}") from None


def _cell(text: object) -> Leaf:
    """Return a number where a cell holds one."""
    try:
        return float(str(text))
    except ValueError:
        return str(text)


def compare(name: str, packed: Any, again: Any, *, speed_mps: float, extra: bool = True) -> Part:
    """Compare two structures figure by figure.

    Parameters
    ----------
    speed_mps
        The largest speed that was measured again, from which the tolerance of speeds follows;
        what a stranger states has no say in any tolerance.
    extra
        What only the second has counts as a difference.
    """
    first, second = dict(leaves(packed)), dict(leaves(again))
    scales = _scales(second, speed_mps)
    worst, off = 0.0, []
    for at, value in first.items():
        apart = _apart(value, second[at], scales.get(_kind(at), 1.0)) if at in second else math.inf
        worst = max(worst, apart)
        if apart > SAME:
            off.append(Off(where=" ".join(at), packed=value, again=second.get(at)))
    missing = [at for at in second if at not in first] if extra else []
    off += [Off(where=" ".join(at), packed=None, again=second[at]) for at in missing]
    return Part(name=name, count=len(first), worst=worst, off=tuple(off))


def _apart(one: Leaf, other: Leaf, scale: float) -> float:
    """Return the difference of two figures over a scale; infinite where words differ."""
    if type(one) is type(other) and one == other:
        return 0.0
    if not _is_number(one) or not _is_number(other):
        return math.inf
    return abs(float(one or 0.0) - float(other or 0.0)) / scale


def _is_number(value: Leaf) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value)


def _kind(at: Path) -> str:
    """Return the unit of a figure, or else its key; of a nameless one that of its list."""
    key = next((key for key in reversed(at) if not key.isdigit()), "")
    return next((unit for unit in UNITS if key.endswith(unit)), key)


def _scales(figures: Mapping[Path, Leaf], speed_mps: float) -> dict[str, float]:
    """Return what each kind of figure is judged against."""
    largest: dict[str, float] = {}
    for at, value in figures.items():
        if _is_number(value):
            kind = _kind(at)
            largest[kind] = max(largest.get(kind, 0.0), abs(float(value or 0.0)))
    return {kind: _scale(kind, most, speed_mps) for kind, most in largest.items()}


def _scale(kind: str, most: float, speed_mps: float) -> float:
    """Return the scale of one kind: see the module."""
    if kind in MAGNIFIED:
        return MAGNIFIED[kind]
    if kind in SPEEDS:
        return max(most, speed_mps)
    if kind == "matrix":  # of (m/s)^2: as its square roots
        return 2.0 * math.sqrt(most) * speed_mps if most else 1.0
    return most or 1.0 if kind in UNITS else max(most, 1.0)
