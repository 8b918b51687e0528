"""What single changes would bring a session: each is tried by the solver, none is a rule."""

from __future__ import annotations

from collections.abc import Iterator, Sequence, Set
from dataclasses import replace

import numpy as np

from vidspeed.assembly.forecast import forecast, forecast_clip, line_place, relative_U95
from vidspeed.errors import VidspeedError
from vidspeed.geometry.aim import aimed, inside
from vidspeed.geometry.lens import project
from vidspeed.motion.stand import Stand
from vidspeed.values import (
    Advice,
    FlightLine,
    Floats,
    Marker,
    PassResult,
    Pick,
    Problem,
    Session,
    Sync,
)

BETTER_LINE_M = 0.1  # the flight line that advice tries: flown along a taut string or between poles
TAPED_U_M = 0.05  # a lens whose place was measured from two markers by tape and level
POLE_M = 4.0  # what a telescopic pole carries a marker to
AS_IT_IS = "as it is"


def advice(session: Session, stands: Sequence[Stand]) -> tuple[Advice, ...]:
    """Return what a pass gets as it is, then with each single change, best first."""
    rows = [_tried(change, other, others) for change, other, others in _changes(session, stands)]
    return (
        _tried(AS_IT_IS, session, stands),
        *sorted(rows, key=lambda row: row.relative_U95 or np.inf),
    )


def best_change(rows: Sequence[Advice]) -> Advice | None:
    """Return the change that helps most, None where none helps."""
    now = next((row.relative_U95 for row in rows if row.change == AS_IT_IS), None)
    changes = (row for row in rows if row.change != AS_IT_IS and row.relative_U95 is not None)
    best = next(changes, None)
    if best is None or best.relative_U95 is None:
        return None
    return best if now is None or best.relative_U95 < now else None


def would_help(
    session: Session, passes: Sequence[PassResult], rows: Sequence[Advice], cameras: Set[str]
) -> list[Problem]:
    """Say which single change would help most, where a pass is less sure than wanted.

    Of passes that all of the `cameras` measured: `rows` foretell these, and what another lacks is
    the camera that did not.
    """
    widths = [
        100.0 * relative_U95(row)
        for row in passes
        if row.speed_mps is not None and {one.camera for one in row.crossings} == cameras
    ]
    best = best_change(rows)
    if not widths or max(widths) <= session.wanted_U95_percent:
        return []
    if best is None or best.relative_U95 is None or 100.0 * best.relative_U95 >= max(widths):
        return []
    message = (
        f"a pass is known to {max(widths):.2g} % (U95), {session.wanted_U95_percent:g} % is "
        f"wanted; of single changes this would help most: {best.change}, "
        f"{100.0 * best.relative_U95:.2g} %"
    )
    return [Problem(level="warn", where="session.toml", message=message)]


def _tried(change: str, session: Session, stands: Sequence[Stand]) -> Advice:
    try:
        return Advice(change=change, relative_U95=relative_U95(forecast(session, stands)))
    except VidspeedError:
        return Advice(change=change, relative_U95=None)


def _changes(
    session: Session, stands: Sequence[Stand]
) -> Iterator[tuple[str, Session, list[Stand]]]:
    """Yield each change in words, with the session and the stands that it would make."""
    if len(stands) > 1:
        for stand in stands:
            yield f'camera "{stand.camera.name}" alone', session, [stand]
    for change, position_m in _second_places(session, stands[0]):
        what = "a second camera" if len(stands) == 1 else f'"{stands[0].camera.name}" and one'
        yield f"{what} {change}", session, [stands[0], _imagined(session, stands[0], position_m)]
    if session.flight_line.stated and _loose(session.flight_line):
        yield (
            f"flight line known to {BETTER_LINE_M:g} m, sideways and up",
            replace(session, flight_line=_better(session.flight_line)),
            list(stands),
        )
    yield from _taped(session, stands)
    yield from _raised(session, stands)
    if len(stands) > 1 and not session.syncs:
        yield "a flash in the picture of every camera, timed to a frame", *_flashed(session, stands)


def _loose(line: FlightLine) -> bool:
    """Tell whether the flight line is known less well than advice could make it."""
    return max(line.offset_u_m, line.height_u_m) > BETTER_LINE_M


def _better(line: FlightLine) -> FlightLine:
    return replace(
        line,
        offset_u_m=min(line.offset_u_m, BETTER_LINE_M),
        height_u_m=min(line.height_u_m, BETTER_LINE_M),
        offset_shared_u_m=None,
        height_shared_u_m=None,
    )


def _second_places(session: Session, first: Stand) -> list[tuple[str, Floats]]:
    """Return places where a camera might stand beside the first, with a name each."""
    x, y, z = first.pose.position_m
    line_y, _ = line_place(session)
    away = y - line_y
    choices = {
        "on the opposite side": np.array([x, line_y - away, z]),
        "on the same side, a third farther away": np.array([x, line_y + 4.0 * away / 3.0, z]),
        "at the same place, 4 m higher": np.array([x, y, z + 4.0]),
    }
    return [
        (f"{name}, at ({place[0]:.0f}, {place[1]:.0f}, {place[2]:.1f}) m", place)
        for name, place in choices.items()
    ]


def _imagined(session: Session, first: Stand, position_m: Floats) -> Stand:
    """Return a camera like the first one elsewhere, with the markers that it would see picked."""
    y, z = line_place(session)
    pose = aimed(position_m, np.array([session.course.length_m / 2.0, y, z]))
    camera = replace(first.camera, name="second", picks=(), position_m=None, position_u_m=None)
    stand = replace(first, camera=camera, pose=pose)
    picks = markers_seen(stand, session.markers, _usual_u_px(first))
    return replace(stand, camera=replace(camera, picks=picks))


def _usual_u_px(stand: Stand) -> float:
    return float(np.median([pick.u_px for pick in stand.camera.picks]))


def markers_seen(stand: Stand, markers: Sequence[Marker], u_px: float) -> tuple[Pick, ...]:
    """Return the picks of those markers that a camera has in its picture."""
    seen = project(np.array([marker.xyz_m for marker in markers]), stand.pose, stand.lens())
    there = inside(seen, stand.camera.image_size_px)
    return tuple(
        Pick(name=marker.name, xy_px=xy_px, u_px=u_px)
        for marker, xy_px, within in zip(markers, seen, there, strict=True)
        if within
    )


def _taped(session: Session, stands: Sequence[Stand]) -> Iterator[tuple[str, Session, list[Stand]]]:
    """Measure the place of every camera by tape."""
    if all(stand.camera.position_m is not None for stand in stands):
        return
    taped = [
        stand
        if stand.camera.position_m is not None
        else replace(
            stand,
            camera=replace(stand.camera, position_m=stand.pose.position_m, position_u_m=TAPED_U_M),
        )
        for stand in stands
    ]
    whose = "the camera's place" if len(stands) == 1 else "the cameras' places"
    yield f"{whose} taped to {TAPED_U_M:g} m", session, taped


def _raised(
    session: Session, stands: Sequence[Stand]
) -> Iterator[tuple[str, Session, list[Stand]]]:
    """Put poles at the markers next to both gates and to the middle of the course."""
    fitted = [marker for marker in session.markers if marker.use == "fit"]
    length_m = session.course.length_m
    feet = {
        min(fitted, key=lambda marker: abs(marker.xyz_m[0] - x_m) + abs(marker.xyz_m[1])).name
        for x_m in (0.0, length_m / 2.0, length_m)
    }
    poles = tuple(
        replace(
            marker,
            name=f"{marker.name} on a pole",
            xyz_m=np.array([*marker.xyz_m[:2], marker.xyz_m[2] + POLE_M]),
        )
        for marker in fitted
        if marker.name in feet
    )
    with_poles = [
        replace(
            stand,
            camera=replace(
                stand.camera,
                picks=(*stand.camera.picks, *markers_seen(stand, poles, _usual_u_px(stand))),
            ),
        )
        for stand in stands
    ]
    names = ", ".join(sorted(feet))
    change = f"markers on poles {POLE_M:g} m higher at {names}"
    yield change, replace(session, markers=(*session.markers, *poles)), with_poles


def _flashed(session: Session, stands: Sequence[Stand]) -> tuple[Session, list[Stand]]:
    """Let every camera see one flash, and each know the frame that it was in."""
    clips = [forecast_clip(stand) for stand in stands]
    flash = Sync(
        clips=tuple(clip.name for clip in clips),
        time_s=np.zeros(len(clips)),
        time_u_s=np.array([stand.interval_s / np.sqrt(12.0) for stand in stands]),
    )
    return replace(session, clips=(*session.clips, *clips), syncs=(flash,)), list(stands)
