"""What keeps a session from being ready: cameras with too few markers, gates far from all."""

from __future__ import annotations

import numpy as np

from vidspeed.geometry.aim import inside
from vidspeed.geometry.course import drawing
from vidspeed.motion.stand import Stand
from vidspeed.session.rules import FEWEST
from vidspeed.values import Failing, Session


def failing(message: str) -> Failing:
    """Return a message as what is failing and what would mend it."""
    item, _, mend = message.partition("; ")
    return Failing(item=item, mend=mend or "see the picture of each camera")


def too_few(session: Session, stand: Stand) -> Failing | None:
    """Say that a camera sees fewer markers than a session needs, None where it sees enough."""
    fitted = {marker.name for marker in session.markers if marker.use == "fit"}
    seen = sum(pick.name in fitted for pick in stand.camera.picks)
    if seen >= FEWEST:
        return None
    return Failing(
        item=f'camera "{stand.camera.name}": {seen or "none"} of the {len(fitted)} markers with '
        f"use = fit would be in its picture, at least {FEWEST} are needed",
        mend=_where_to_put_some(session, stand),
    )


def _where_to_put_some(session: Session, stand: Stand) -> str:
    lines = drawing(session.course, session.flight_line, stand.pose, stand.lens())
    there = inside(lines.course_line_px, stand.camera.image_size_px)
    if not np.any(there):
        return (
            "nor is any of the course line: aim it at the course (aim_m) or move it back "
            "(position_m), and put markers into its picture"
        )
    x_m = np.linspace(0.0, session.course.length_m, len(there))[there]
    return (
        f"put markers into its picture, which holds the course line from x = {x_m[0]:.0f} to "
        f"{x_m[-1]:.0f} m, some off the line and some on poles; or aim it elsewhere (aim_m), move "
        "it back (position_m) or zoom out (focal_px)"
    )


def gates(session: Session) -> tuple[tuple[str, float], tuple[str, float]]:
    """Return name and x of both gates."""
    return ("start", 0.0), ("finish", session.course.length_m)


def beside_course(session: Session) -> Failing | None:
    """Say that most markers do not stand between the gates, None where they do."""
    length_m = session.course.length_m
    middle_m = float(np.median([marker.xyz_m[0] for marker in session.markers]))
    if 0.0 <= middle_m <= length_m:
        return None
    gate = "before the start gate" if middle_m < 0.0 else "beyond the finish gate"
    return Failing(
        item=f"most markers stand {gate}: x_m of the middle one is {middle_m:g}, on a course of "
        f"length_m = {length_m:g} m",
        mend="compare length_m with the x_m of the markers: both are in metres, and x counts from "
        "the start gate",
    )


def far_gate(session: Session, name: str, x_m: float) -> Failing | None:
    """Say that no marker stands in the gate's half of the course, None where one does."""
    length_m = session.course.length_m
    away_m = min(abs(marker.xyz_m[0] - x_m) for marker in session.markers)
    if away_m <= length_m / 2.0:
        return None
    return Failing(
        item=f"the {name} gate stands at x = {x_m:g} m, and no marker within {away_m:.0f} m of "
        f"it, on a course of length_m = {length_m:g} m",
        mend="compare length_m with the x_m of the markers: both are in metres, and x counts from "
        "the start gate",
    )
