"""Commands for the course: make a session, plan it, survey it, calibrate it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from vidspeed.cli.shell import (
    WRONG_INPUT,
    SessionFolder,
    Unit,
    UnitName,
    app,
    guarded,
    tell_error,
    terminal,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from vidspeed.calibrate import Readiness
    from vidspeed.survey import SurveyReport
    from vidspeed.values import Failing


@app.command()
@guarded
def new(
    folder: Annotated[Path, typer.Argument(help="Folder to make the session in.")],
    shelf: Annotated[
        Path | None, typer.Option(help="Copy lens, clock and site files from this shelf.")
    ] = None,
) -> int:
    """Make a session folder: commented files to fill in, and a sheet to print."""
    from vidspeed.session.scaffold import new_session

    for path in new_session(folder, shelf=shelf):
        typer.echo(path)
    return 0


@app.command()
@guarded
def survey(session: SessionFolder, unit: Unit = UnitName.kmh) -> int:
    """Adjust a course measured by tape or satellite, and say what to measure next."""
    from vidspeed.record.files import write_calibration
    from vidspeed.survey import survey as adjust_survey

    found = adjust_survey(session)
    folder = write_calibration(session, found.pictures, place="survey")
    _print_survey(found, unit.value)
    typer.echo(f"picture: {folder}")
    for message in found.open_:
        tell_error(message)
    for message in found.warnings:
        typer.echo(f"warning: survey: {message}")
    return WRONG_INPUT if found.open_ else 0


def _print_survey(found: SurveyReport, unit: str) -> None:
    from vidspeed.record.surveyview import figure_table, gain_table, point_table, survey_text
    from vidspeed.record.units import unit_named

    console = terminal()
    console.print(point_table(found.surveyed))
    if found.surveyed.tests:
        console.print(figure_table(found.surveyed, found.speeds_mps, unit_named(unit)))
    if found.gains:
        console.print(gain_table(found.gains))
    for line in survey_text(found.surveyed, found.forecast):
        console.print(line, highlight=False)


@app.command()
@guarded
def calibrate(session: SessionFolder, unit: Unit = UnitName.kmh) -> int:
    """Calibrate the course before anything has flown, and say whether it is ready."""
    from vidspeed.calibrate import calibrate as calibrate_session
    from vidspeed.record.files import write_calibration

    found = calibrate_session(session)
    folder = write_calibration(session, found.pictures)
    _print_readiness(found, unit.value)
    typer.echo(f"pictures: {folder}")
    if found.ready:
        typer.echo("ready")
    return _not_ready(found.failing)


def _not_ready(failing: Sequence[Failing]) -> int:
    """Say what is failing; return the exit status."""
    for row in failing:
        tell_error(f"not ready: {row.item}; {row.mend}")
    return WRONG_INPUT if failing else 0


@app.command()
@guarded
def plan(
    session: SessionFolder,
    optimise: Annotated[
        bool,
        typer.Option("--optimise", help="Search for better places within from_m and to_m."),
    ] = False,
    unit: Unit = UnitName.kmh,
) -> int:
    """Forecast a course before the day, from cameras that are only planned."""
    from vidspeed.plan import plan as plan_session
    from vidspeed.record.files import write_calibration
    from vidspeed.record.planview import prospect_table
    from vidspeed.record.readiness import advice_table, forecast_text

    found = plan_session(session, optimise=optimise)
    folder = write_calibration(session, found.pictures, place="plan")
    console = terminal()
    console.print(prospect_table(found.prospects))
    if found.forecast is not None:
        console.print(forecast_text(found.forecast, unit.value), highlight=False)
        console.print(advice_table([(row.change, row.relative_U95) for row in found.advice]))
    typer.echo(f"pictures: {folder}")
    return _not_ready(found.failing)


def _print_readiness(found: Readiness, unit: str) -> None:
    from vidspeed.record.readiness import advice_table, camera_table, forecast_text, marker_table
    from vidspeed.record.trustview import marker_trust_table, pick_trust_table
    from vidspeed.record.units import unit_named

    console = terminal()
    for fit in found.cameras:
        console.print(marker_table(fit))
    console.print(camera_table(found.cameras))
    if found.trust:
        console.print(marker_trust_table(found.trust, unit_named(unit)))
        console.print(pick_trust_table(found.trust, unit_named(unit)))
    if found.forecast is not None:
        console.print(forecast_text(found.forecast, unit), highlight=False)
    console.print(advice_table([(row.change, row.relative_U95) for row in found.advice]))
