"""What the terminal shows of how far markers and picks are checked."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from rich.table import Table
from rich.text import Text

from vidspeed.record.units import Unit
from vidspeed.values import Trusted

Group = tuple[str, str | None, bool]
STEP_M, STEP_PX = 0.1, 1.0  # an error in a direction that nothing checks is shown at this size


def marker_trust_table(rows: Sequence[Trusted], unit: Unit) -> Table:
    """Return for each marker and direction the error that would be named, and its harm below."""
    chosen = [row for row in rows if row.what == "marker"]
    return _table(
        chosen,
        ("x", "y", "z"),
        unit,
        f"markers: the smallest error that would be named (with 95 %) → what it does to a pass, "
        f"{unit.label}",
    )


def pick_trust_table(rows: Sequence[Trusted], unit: Unit) -> Table:
    """Return for each pick the error that would be named, and its harm below that."""
    chosen = [row for row in rows if row.what == "pick"]
    return _table(
        chosen,
        ("right", "down"),
        unit,
        f"picks: the smallest error that would be named (with 95 %) → what it does to a pass, "
        f"{unit.label}",
    )


def _table(rows: Sequence[Trusted], axes: Sequence[str], unit: Unit, title: str) -> Table:
    table = Table(title=Text(title), title_justify="left")
    for name in ("marker", "camera", *axes):
        table.add_column(name, justify="left" if name in ("marker", "camera") else "right")
    groups: dict[Group, list[Trusted]] = {}
    for row in rows:
        groups.setdefault((row.marker, row.camera, row.held_out), []).append(row)
    for (marker, camera, held_out), found in groups.items():
        cells = [_cell(_best(row for row in found if row.axis == axis), unit) for axis in axes]
        name = f"{marker} (check)" if held_out else marker
        table.add_row(Text(name), Text(camera or "all"), *cells)
    return table


def _best(rows: Iterable[Trusted]) -> Trusted:
    """Return the row of the best check: of a check marker each camera has one of its own."""
    return min(rows, key=lambda row: row.detectable or float("inf"))


def _cell(row: Trusted, unit: Unit) -> Text:
    style = "bold red" if row.named else ""
    if row.detectable is None:
        return Text(f"nothing checks it{_unchecked(row, unit)}", style=style)
    size = f"{row.detectable:.3f} m" if row.unit == "m" else f"{row.detectable:.1f} px"
    if row.held_out or row.speed_mps is None:
        return Text(f"{size} → {'0' if row.held_out else '–'}", style=style)
    return Text(f"{size} → {row.speed_mps * unit.per_mps:+.3f}", style=style)


def _unchecked(row: Trusted, unit: Unit) -> str:
    """Return what an error of a usual size would do in a direction that nothing checks."""
    if row.held_out or row.speed_per_unit_mps is None:
        return ""
    step = STEP_M if row.unit == "m" else STEP_PX
    effect = row.speed_per_unit_mps * step * unit.per_mps
    return f" ({step:g} {row.unit} → {effect:+.3f})"
