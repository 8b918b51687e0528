"""Read a session and settle its survey: markers, course and what is known of them together.

Everything above the rooms reads a session through here. A session that states its markers comes
out as it was read; tapes, levels and satellites are adjusted first.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from vidspeed.errors import SessionError
from vidspeed.geometry.closing import BEYOND, Detour, detours, spans
from vidspeed.geometry.combined import adjust_both
from vidspeed.geometry.gnss import adjust_fixes
from vidspeed.geometry.survey import covariance_factor, survey_factor, surveyed_markers
from vidspeed.geometry.tapes import adjust_tapes
from vidspeed.session.read import read_session as read_entries
from vidspeed.values import Course, Measured, Session, Surveyed

SHOWN = 3  # of distances that contradict others
MOST_SCALE_PPM = 20e3  # by which the metres of a tape may be wrong, where nothing wider is stated


def read_session(
    folder: Path, *, unpicked: bool = False, instead: Mapping[str, bytes] | None = None
) -> Session:
    """Read, check and settle the session in a folder; `unpicked`: cameras may lack picks yet.

    `instead` holds what files of the session are to be taken for, by name.

    Raises
    ------
    SessionError
        With one message for each fault, also where the survey does not fix every point.
    """
    session = read_entries(folder, unpicked=unpicked, instead=instead)
    if session.measured is None:
        return with_covariance(session)
    surveyed = adjust(session.measured)
    faults = unfixed(surveyed)
    if faults:
        raise SessionError(*faults)
    return settled(session, surveyed)


def adjust(measured: Measured) -> Surveyed:
    """Adjust what was measured: tapes and levels, satellites, or satellites and tapes.

    Raises SessionError where no points can have these distances: there is nothing to adjust to.
    """
    faults = _impossible(measured)
    if not faults:
        surveyed = _adjusted(measured)
        faults = _no_tape(surveyed)
    if faults:
        raise SessionError(*faults)
    return surveyed


def _adjusted(measured: Measured) -> Surveyed:
    if measured.taped and measured.fixes:
        return adjust_both(measured)
    return adjust_tapes(measured) if measured.taped else adjust_fixes(measured)


def _impossible(measured: Measured) -> list[str]:
    """Say which distances contradict heights or each other, and which is in all contradictions."""
    steep = [span for span in spans(measured) if span.too_steep]
    if steep:
        return [
            f"survey: {span.row.name} is {span.row.distance_m:.3f} m, but its ends differ in "
            f"height by {span.rise_m:.3f} m; the distance or a height is wrong; measure again"
            for span in steep[:SHOWN]
        ]
    found = detours(measured)
    faults = [_contradiction(detour) for detour in found[:SHOWN]]
    common = [row for row in measured.taped if all(row in detour.rows for detour in found)]
    if len(found) > 1 and len(common) == 1:
        faults.append(
            f"survey: {common[0].name} is in all {len(found)} contradictions; measure it first"
        )
    return faults


def _contradiction(detour: Detour) -> str:
    around = " + ".join(leg.row.name for leg in detour.legs)
    return (
        f"survey: {around}, {detour.around_m:.3f} m on the level, is shorter than "
        f"{detour.span.row.name}, {detour.span.level_m:.3f} m, by {detour.short_m:.3f} m; one of "
        f"the {len(detour.rows)} or a height is wrong, or in another unit; measure again"
    )


def _no_tape(surveyed: Surveyed) -> list[str]:
    """Say which distances fit the rest only if their tape were one that nobody makes."""
    return [
        f'survey: the distances of tape "{row.name}" fit the rest only if its metres are wrong by '
        f"{abs(row.residual) / 1e4:.1f} %, and no tape is by more than {MOST_SCALE_PPM / 1e4:g} %; "
        "look for a distance or a height in another unit, or measure again"
        for row in surveyed.tests
        if row.kind == "scale" and abs(row.residual) > max(MOST_SCALE_PPM, BEYOND * row.u)
    ]


def settled(session: Session, surveyed: Surveyed) -> Session:
    """Return the session with markers and course from its adjusted survey."""
    factor = survey_factor(surveyed)
    return replace(
        session,
        course=Course(length_m=surveyed.length_m, length_u_m=surveyed.length_u_m),
        markers=surveyed_markers(surveyed, factor),
        surveyed=surveyed,
        survey=factor,
    )


def with_covariance(session: Session) -> Session:
    """Return the session with its markers' full covariance, where it states one."""
    if session.covariance_m2 is None:
        return session
    scale_u = session.course.length_u_m / session.course.length_m
    factor = covariance_factor(session.covariance_m2, scale_u)
    return replace(session, survey=factor)


def unfixed(surveyed: Surveyed) -> list[str]:
    """Say which points the survey leaves open: a place, or a side of the course."""
    faults = [
        f'survey: the place of point "{name}" is not fixed; measure it to at least two points '
        "that are, not in one line with it"
        for name in surveyed.loose
    ]
    for group in () if surveyed.loose else surveyed.mirrored:
        some = ", ".join(f'"{surveyed.names[at]}"' for at in group)
        faults.append(
            f"survey: {some} could stand mirrored as well, no distance would change; state the "
            "side of one of them (left or right) in the file of levels, or measure one more "
            "distance across"
        )
    return faults
