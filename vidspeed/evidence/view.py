"""What the terminal shows of a pack that was measured again."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from rich.table import Table
from rich.text import Text

from vidspeed.evidence.figures import Off, Part
from vidspeed.evidence.recheck import Rechecked
from vidspeed.record.units import Unit, bare_speed_text

STYLES = {"byte": "", "close": "", "off": "bold red"}
MOST_TOLD = 8  # differences that are named


def speed_table(found: Rechecked, unit: Unit) -> Table:
    """Return the speeds as the pack states them, and as they were found again."""
    table = Table(title="measured again", title_justify="left")
    table.add_column("figure")
    table.add_column(f"in the pack, {unit.label} ± U95", justify="right", no_wrap=True)
    table.add_column("again", justify="right", no_wrap=True)
    table.add_column("difference, m/s", justify="right", no_wrap=True)
    for name, packed, again in found.speeds:
        cells = (name, _speed(packed, unit), _speed(again, unit), _difference(packed, again))
        table.add_row(*(Text(_one_line(cell)) for cell in cells))
    return table


def part_table(found: Rechecked) -> Table:
    """Return how well each part of the results agrees."""
    table = Table(title="figure by figure", title_justify="left")
    table.add_column("part")
    table.add_column("figures and words", justify="right")
    table.add_column("agree")
    for part in found.parts:
        cells = (part.name, str(part.count), agreement(part))
        table.add_row(*(Text(_one_line(cell), style=STYLES[part.verdict]) for cell in cells))
    return table


def agreement(part: Part) -> str:
    """Return in words how well a part agrees."""
    if part.off:
        return f"{len(part.off)} differ"
    return "to the byte" if part.worst == 0.0 else f"to {part.worst:.1e}"


def differences(found: Rechecked) -> Iterator[str]:
    """Yield a line for each figure that differs, the first of them."""
    told = [(part, off) for part in found.parts for off in part.off]
    for part, off in told[:MOST_TOLD]:
        yield _one_line(f"differs: {part.name}: {off.where}: {_both(off)}")
    if len(told) > MOST_TOLD:
        yield f"differs: {len(told) - MOST_TOLD} more"


def _both(off: Off) -> str:
    """Return what the pack says and what was found."""
    packed = "nothing" if off.packed is None else f"{off.packed}"
    again = "nothing" if off.again is None else f"{off.again}"
    return f"the pack says {packed[:160]}, measured again it is {again[:160]}"


def notes(found: Rechecked) -> Iterator[str]:
    """Yield what a reader must know beside the figures, each in one line."""
    yield from (_one_line(line) for line in (*_notes(found), *found.open_))


def _notes(found: Rechecked) -> Iterator[str]:
    tracks = [row.clip for row in found.sources if row.kind == "track"]
    nothing = [row.clip for row in found.sources if row.kind == "nothing"]
    if tracks:
        yield (
            f"{len(tracks)} of {len(found.sources)} clips were measured again from their tracks: "
            "where the lights were is taken from the pack; the clips themselves (--clips FOLDER) "
            "would tell"
        )
    if nothing:
        yield f"not here, and no pass came from them: {', '.join(nothing[:6])}"
    if found.beside:
        yield f"the list that witnesses sign does not name {', '.join(found.beside[:6])}"
    for error in found.errors:
        yield f"could not be measured then: {error}"
    other = [
        f"{key} {value} (here {found.now.get(key, 'none')})"
        for key, value in found.measured_with.items()
        if found.now.get(key) != value
    ]
    if other:
        yield f"measured with {', '.join(other)}; to the byte only the same give the same figures"


def verdict(found: Rechecked) -> str:
    """Return the last line."""
    count = sum(part.count for part in found.parts)
    if not found.agrees:
        differ = sum(len(part.off) for part in found.parts)
        return f"Does not agree: {differ} of {count} figures and words differ"
    how = "to the byte" if found.worst == 0.0 else f"to {max(found.worst, 1e-16):.1e} or better"
    left = f"; {len(found.open_)} passes could not be measured again" if found.open_ else ""
    return f"Agrees: every hash, and {count} figures and words {how}{left}"


def _speed(row: Mapping[str, Any] | None, unit: Unit) -> str:
    """Return "402.31 ± 0.76", a dash where there is no figure."""
    if row is None:
        return "–"
    speed, wide = row.get("speed_mps"), row.get("speed_U95_mps")
    if not isinstance(speed, (int, float)) or not isinstance(wide, (int, float)):
        return "–"
    return bare_speed_text(float(speed), float(wide), unit)


def _difference(packed: Mapping[str, Any], again: Mapping[str, Any] | None) -> str:
    """Return the difference of two speeds in metres a second."""
    old, new = packed.get("speed_mps"), (again or {}).get("speed_mps")
    if not isinstance(old, (int, float)) or not isinstance(new, (int, float)):
        return "–"
    return "0" if old == new else f"{new - old:+.1e}"


def _one_line(text: str) -> str:
    """Return the text without line breaks and control characters."""
    return "".join(char if char.isprintable() else " " for char in text)
