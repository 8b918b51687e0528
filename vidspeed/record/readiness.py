"""What the terminal shows of a calibration and of a demonstration."""

from __future__ import annotations

from collections.abc import Sequence

from rich.table import Table
from rich.text import Text

from vidspeed.record.units import bare_speed_text, percent_text, speed_text, unit_named
from vidspeed.values import CameraFit, PassResult

FORECAST_ROWS = 4


def marker_table(fit: CameraFit) -> Table:
    """Return what is left of each marker of a camera, in pixels and on the ground."""
    table = Table(title=Text(f'camera "{fit.camera}"'), title_justify="left")
    table.add_column("marker")
    table.add_column("use")
    for name in ("right px", "down px", "on the ground m", "of its u"):
        table.add_column(name, justify="right")
    for row in fit.markers:
        table.add_row(
            Text(row.name),
            row.use,
            f"{row.residual_px[0]:+.2f}",
            f"{row.residual_px[1]:+.2f}",
            f"{row.residual_m:.3f}",
            f"{row.normalised:.1f}",
        )
    return table


def camera_table(fits: Sequence[CameraFit]) -> Table:
    """Return where each camera stands and its focal length, with standard uncertainties."""
    table = Table(title=Text("cameras (± is one standard uncertainty)"), title_justify="left")
    for name in ("camera", "x m", "y m", "z m", "focal px", "RMS px", "check markers m"):
        table.add_column(name, justify="left" if name == "camera" else "right")
    for fit in fits:
        place = zip(fit.pose.position_m, fit.position_u_m, strict=True)
        table.add_row(
            Text(fit.camera),
            *(f"{value:.2f} ± {u:.2f}" for value, u in place),
            f"{fit.lens[0]:.1f} ± {fit.focal_u_px:.1f}",
            f"{fit.rms_px:.2f}",
            _check_text(fit),
        )
    return table


def _check_text(fit: CameraFit) -> str:
    """Return the RMS of the check markers on the ground, and in their own uncertainties."""
    if fit.check_rms_m is None:
        return "none"
    of_u = "" if fit.check_rms_of_u is None else f" ({fit.check_rms_of_u:.1f} u)"
    return f"{fit.check_rms_m:.3f}{of_u}"


def forecast_text(result: PassResult, unit: str) -> str:
    """Return what a pass at the expected speed would be known to, and what rules it."""
    assert result.speed_mps is not None
    assert result.speed_U95_mps is not None
    relative = percent_text(result.speed_U95_mps / result.speed_mps)
    speed = speed_text(result.speed_mps, result.speed_U95_mps, unit_named(unit))
    rows = ", ".join(
        f"{row.source} ({row.owner}) {percent_text(row.share)}"
        for row in result.budget[:FORECAST_ROWS]
    )
    return f"a pass would be known as {speed} ({relative}, U95); of the variance: {rows}"


def truth_table(rows: Sequence[tuple[str, float, PassResult | None]], unit: str) -> Table:
    """Return measured beside true: label, true speed, result of each pass."""
    spoken = unit_named(unit)
    table = Table(title=Text(f"measured beside true, {spoken.label}"), title_justify="left")
    for name in ("pass", "true", "measured ± U95", "error", "inside"):
        table.add_column(name, justify="left" if name in ("pass", "inside") else "right")
    for label, true_mps, result in rows:
        true = true_mps * spoken.per_mps
        if result is None or result.speed_mps is None or result.interval95_mps is None:
            table.add_row(Text(label), f"{true:.3f}", "–", "–", "–")
            continue
        error = (result.speed_mps - true_mps) * spoken.per_mps
        assert result.speed_U95_mps is not None
        low, high = result.interval95_mps
        inside = "yes" if low <= true_mps <= high else "no"
        shown = bare_speed_text(result.speed_mps, result.speed_U95_mps, spoken)
        table.add_row(Text(label), f"{true:.3f}", shown, f"{error:+.3f}", inside)
    return table


def advice_table(rows: Sequence[tuple[str, float | None]]) -> Table:
    """Return what single changes would bring."""
    table = Table(title=Text("the same pass, as it is and with one change"), title_justify="left")
    table.add_column("change")
    table.add_column("U95", justify="right")
    for change, relative in rows:
        table.add_row(Text(change), "–" if relative is None else percent_text(relative))
    return table
