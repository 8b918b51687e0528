"""What was heard, for people: a table, and the picture of the sound with the fit drawn in."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from rich.table import Table

from vidspeed.record.canvas import ORANGE, SKY, YELLOW, chart, png
from vidspeed.record.units import bare_speed_text, unit_named, with_uncertainty
from vidspeed.saving import save
from vidspeed.values import Floats, Heard, Listened

K = 2.0  # coverage factor of what is shown
MOST_COLUMNS = 1500
MOST_ROWS = 700
LOUDEST_DB = 18.0


def listen_table(found: Listened, unit: str) -> Table:
    """Return a table of what flew by: speed, closest distance, moment, tones."""
    spoken = unit_named(unit)
    table = Table(title="heard flying by (± at k = 2, about 95 %)")
    heads = (f"speed, {spoken.label}", "closest, m", "closest at, s", "tones at the craft, Hz")
    for name in (*heads, "over noise, dB"):
        table.add_column(name, justify="right")
    for row in found.heard:
        table.add_row(
            bare_speed_text(row.speed_mps, K * row.speed_u_mps, spoken),
            " ± ".join(with_uncertainty(row.flyby.distance_m, K * row.distance_u_m)),
            " ± ".join(with_uncertainty(row.flyby.moment_s, K * row.moment_u_s)),
            ", ".join(f"{tone:.0f}" for tone in np.sort(row.tones_hz)),
            f"{row.level_db:.0f}",
        )
    return table


def listen_notes(found: Listened) -> list[str]:
    """Return what a reader should know of it, a line each."""
    notes = [f"{found.file}: {note}" for note in found.notes]
    notes += [
        f"{found.file}: at {row.flyby.moment_s:.2f} s the tones waver {row.scatter:.1f} times as "
        "much as the noise lets them; the uncertainty is widened by that"
        for row in found.heard
        if row.scatter > 1.5
    ]
    if not found.heard:
        notes.append(f"{found.file}: {found.reason}")
    return notes


def write_listen(found: Listened, path: Path) -> None:
    """Write the picture of a sound. Raises ResultsError where that fails."""
    save(path, listen_figure(found), mend="name another place with --out")


def listen_figure(found: Listened) -> bytes:
    """Draw the sound's power over the noise around it, what was followed in it, and the fit."""
    figure, axes = chart(5.0)
    if found.level_db.size:
        time_s, frequency_hz, level_db = _coarse(found)
        axes.pcolormesh(
            time_s, frequency_hz / 1000.0, level_db.T, cmap="gray", vmin=0.0, vmax=LOUDEST_DB,
            shading="nearest", rasterized=True,
        )  # fmt: skip
        axes.set_ylim(frequency_hz[0] / 1000.0, _top_hz(found) / 1000.0)
        axes.set_xlim(time_s[0], time_s[-1])
    for number, row in enumerate(found.heard):
        _draw(axes, row, first=number == 0)
    axes.set_xlabel("time in the clip, s")
    axes.set_ylabel("pitch as heard, kHz")
    if found.heard:
        axes.legend(loc="upper right", fontsize=8)
    else:
        axes.set_title("no craft is heard flying by", fontsize=10)
    return png(figure)


def _draw(axes: Axes, row: Heard, *, first: bool) -> None:
    """Draw the windows that were followed, the fit through them, and the closest moment."""
    seen = np.where(row.used, row.seen_hz, np.nan) / 1000.0
    for tone in range(len(row.tones_hz)):
        named = first and tone == 0
        axes.plot(
            row.time_s, seen[:, tone], ls="", marker="o", ms=3.5, mfc="none", mew=0.7, color=SKY,
            label="followed" if named else None,
        )  # fmt: skip
        axes.plot(
            row.time_s, row.fit_hz[:, tone] / 1000.0, color=ORANGE, lw=1.0,
            label="fit" if named else None,
        )  # fmt: skip
    late_s = row.flyby.distance_m / row.flyby.sound_mps
    axes.axvline(
        row.flyby.moment_s + late_s, color=YELLOW, lw=0.8, ls=":",
        label="closest, as heard" if first else None,
    )  # fmt: skip


def _top_hz(found: Listened) -> float:
    """Return up to where the picture is drawn: all that was followed, at least 6 kHz."""
    tops = [float(np.nanmax(row.fit_hz)) for row in found.heard if row.fit_hz.size]
    return min(float(found.frequency_hz[-1]), max([6000.0, *(1.15 * top for top in tops)]))


def _coarse(found: Listened) -> tuple[Floats, Floats, Floats]:
    """Return time, pitch and level with no more columns and rows than a picture can show."""
    by, of = (
        max(1, -(-size // most))
        for size, most in zip(found.level_db.shape, (MOST_COLUMNS, MOST_ROWS), strict=True)
    )
    return found.time_s[::by], found.frequency_hz[::of], found.level_db[::by, ::of]
