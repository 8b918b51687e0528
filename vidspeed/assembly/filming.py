"""The frames of every solved pass for its pictures: as the scan kept them, else decoded again."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import Executor
from dataclasses import replace

import numpy as np

from vidspeed.assembly.passes import Pass
from vidspeed.clip.footage import film_from
from vidspeed.clip.rows import film
from vidspeed.clip.shown import readout_row
from vidspeed.errors import ClipError, MotionError, WorkerError
from vidspeed.geometry.course import drawing
from vidspeed.geometry.lens import project
from vidspeed.motion.account import speeds_from
from vidspeed.motion.flight import Flight, clip_times
from vidspeed.values import Bools, ClipView, CourseDrawing, Floats, Problem, Session
from vidspeed.values.pictured import Filmed, Lane

PLACES = 800
BEYOND = 0.08  # of the course, before and after it
LEAST_FLOWN = 0.02  # of the course, before a speed is stated


def film_passes(
    session: Session, passes: Sequence[Pass], views: Sequence[ClipView], pool: Executor
) -> tuple[tuple[Filmed, ...], tuple[Problem, ...]]:
    """Return the frames of every pass in every clip that was decoded for it, and what failed.

    A picture that cannot be made harms no figure: it is a warning of that clip.
    """
    clips = {clip.name: clip for clip in session.clips if not clip.track}
    lanes = [
        (lane, _is_darker(row.flight, lane))
        for row in passes
        if row.flight is not None and any(lit.clip in clips for lit in row.flight.lit)
        for lane in lanes_of(row.flight, row.result.label, views, session=session)
        if lane.clip in clips
    ]
    kept = [_from_scan(lane, views) for lane, _ in lanes]
    jobs = [
        None
        if there is not None
        else pool.submit(
            film,
            session.path_of(clips[lane.clip]),
            lane,
            darker=darker,
            rate_hz=clips[lane.clip].rate_hz,
        )
        for (lane, darker), there in zip(lanes, kept, strict=True)
    ]
    filmed: list[Filmed] = []
    problems: list[Problem] = []
    for (lane, _), there, job in zip(lanes, kept, jobs, strict=True):
        try:
            if there is not None:
                filmed.append(there)
            elif job is not None:
                filmed.append(job.result())
        except (ClipError, WorkerError, MemoryError) as error:
            message = f"the pictures of pass {lane.label} could not be made: {error}"
            problems.append(Problem(level="warn", where=lane.clip, message=message))
    return tuple(filmed), tuple(problems)


def _is_darker(flight: Flight, lane: Lane) -> bool:
    """Tell whether the craft is darker than what is behind it in the clip of a lane."""
    lit = next(row for row in flight.lit if row.clip == lane.clip)
    return bool(np.median(lit.track.peak) < 0.0)


def _from_scan(lane: Lane, views: Sequence[ClipView]) -> Filmed | None:
    """Return a pass's frames from what its clip's scan kept, None where that is not enough."""
    view = next(row for row in views if (row.clip, row.camera) == (lane.clip, lane.camera))
    return None if view.facts is None else film_from(view.footage, lane, view.facts.size_px)


def lanes_of(
    flight: Flight,
    label: str,
    views: Sequence[ClipView],
    *,
    speeds: bool = True,
    session: Session | None = None,
) -> list[Lane]:
    """Return where each clip of a pass shows its path, in order of the pass's clips.

    Empty where the path turns back before a gate. Without `speeds` those so far are NaN: they
    take longer to work out than all the rest. With the `session` its course is drawn for each.
    """
    sizes = {
        (view.camera, view.clip): (view.facts.size_px, view.facts.rotation_deg)
        for view in views
        if view.facts is not None
    }
    margin = BEYOND * flight.length_m
    x_m = np.linspace(-margin, flight.length_m + margin, PLACES)
    try:
        times_s = flight.times_at(x_m)
        nothing = np.full(len(x_m), np.nan)
        so_far = _so_far(flight, x_m) if speeds else (nothing, nothing)
    except MotionError:
        return []
    lanes = []
    for order, lit in enumerate(flight.lit):
        camera = lit.stand.camera
        seen_as = sizes.get((camera.name, lit.clip), (camera.image_size_px, 0))
        lane = _lane(flight, order, label, (x_m, times_s), so_far, seen_as)
        if lane is not None and session is not None:
            lane = replace(lane, drawing=_course(session, flight, order))
        lanes.append(lane)
    return [lane for lane in lanes if lane is not None]


def _lane(
    flight: Flight,
    order: int,
    label: str,
    path: tuple[Floats, Floats],
    so_far: tuple[Floats, Floats],
    seen_as: tuple[tuple[int, int], int],
) -> Lane | None:
    """Return where one clip of a pass shows its path, None where it does not."""
    (x_m, times_s), (size_px, rotation_deg) = path, seen_as
    lit, traverse = flight.lit[order], flight.network.traverses[0]
    station = flight.network.stations[traverse.clips[order].station]
    places_m = traverse.smooth(flight.state, times_s)
    line_px = project(places_m, station.pose(flight.state), station.lens_at(flight.state))
    row = readout_row(np.nan_to_num(line_px), size_px, rotation_deg)
    delay_s = station.readout_at(flight.state) * row
    passed_s = clip_times(flight, order, times_s)
    stamps_s = (passed_s - delay_s)[_inside(line_px, size_px)]
    if not len(stamps_s):
        return None
    gates_s = clip_times(flight, order, flight.gate_times_s)
    return Lane(
        label=label,
        clip=lit.clip,
        camera=lit.stand.camera.name,
        length_m=flight.length_m,
        x_m=x_m,
        passed_s=passed_s,
        line_px=line_px,
        delay_s=delay_s,
        from_s=float(stamps_s.min()) - lit.stand.interval_s,
        to_s=float(stamps_s.max()) + lit.stand.interval_s,
        gates_s=(float(gates_s[0]), float(gates_s[1])),
        so_far_mps=so_far[0],
        so_far_u_mps=so_far[1],
    )


def _course(session: Session, flight: Flight, order: int) -> CourseDrawing:
    """Return the course as the camera of a clip saw it, which may have been moved before."""
    station = flight.network.stations[flight.network.traverses[0].clips[order].station]
    pose, lens = station.pose(flight.state), station.lens_at(flight.state)
    return drawing(session.course, session.flight_line, pose, lens)


def _so_far(flight: Flight, x_m: Floats) -> tuple[Floats, Floats]:
    """Return the speed (n,) from the gate that was passed first to places, and its u (n,).

    NaN before a fiftieth of the course is flown; after the other gate that of the whole course.
    """
    first = 0.0 if flight.direction > 0.0 else flight.length_m
    flown = np.clip(flight.direction * (x_m - first), 0.0, flight.length_m)
    ends = first + flight.direction * flown
    begun = flown > LEAST_FLOWN * flight.length_m
    speed, u = np.full(len(x_m), np.nan), np.full(len(x_m), np.nan)
    speed[begun], gradients = speeds_from(flight, first, ends[begun])
    u[begun] = np.linalg.norm(flight.sensitivities(gradients.T), axis=0)
    return speed, u


def _inside(line_px: Floats, size_px: tuple[int, int]) -> Bools:
    with np.errstate(invalid="ignore"):
        return np.asarray(((line_px > -0.5) & (line_px < np.array(size_px) - 0.5)).all(axis=1))
