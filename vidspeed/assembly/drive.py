"""Proof by a drive: a lamp carried along the course, measured as a pass and held against its log.

The drive goes through the solver of the passes, with the line that it was driven on in place of
the flight line. A car does not drive as smoothly as a craft flies, and its speed between the
gates asks only when it passed them: the lights next to the gates are used, and a path that is
free in place and speed at both.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from vidspeed.agreement.log import logged, usual_speed_mps
from vidspeed.assembly.cameras import Cameras
from vidspeed.assembly.gather import Looked
from vidspeed.errors import ClipError, VidspeedError
from vidspeed.motion.choose import one_pass
from vidspeed.motion.sift import Seen
from vidspeed.motion.stand import Stand
from vidspeed.motion.start import sketch
from vidspeed.values import (
    Bools,
    Clip,
    Craft,
    FlightLine,
    Log,
    PassResult,
    Problem,
    Proof,
    ProvenDrive,
    Session,
    Track,
    Value,
)

FACTOR = 2.0  # a light slower or faster than the log by more than this is not the drive
BESIDE_GATE_S = 0.3  # lights no farther than this from a gate are used
UNEVEN = 2.0  # acceleration along x in v2 / length: it may as well stop or double its speed
BEND = 8.0  # a path that sags by u between the gates has the acceleration 8 u / time2
WEAVE = 0.5  # part of u_m that changes along the line
ODD = 3.0  # a normalised error above this is said


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Drives(Value):
    """What drives prove, and what is wrong with others."""

    drives: tuple[ProvenDrive, ...]
    problems: tuple[Problem, ...]


def drive_of(session: Session, clip: Clip) -> Proof | None:
    """Return the drive that a clip shows, None for every other clip."""
    return next(
        (row for row in session.proofs if row.clip == clip.name and row.log is not None), None
    )


def driven(session: Session, clip: Clip) -> Session:
    """Return the session as a clip must be looked at: with line and speed of its drive, if any."""
    proof = drive_of(session, clip)
    return session if proof is None else _as_driven(session, proof)


def _as_driven(session: Session, proof: Proof) -> Session:
    """Return the session with the lamp's line and speed in place of the craft's."""
    assert proof.log is not None
    length_m, usual = session.course.length_m, usual_speed_mps(proof.log)
    _, y_m, z_m = proof.place_m
    bend_mps2 = BEND * proof.u_m * (usual / length_m) ** 2
    line = FlightLine(
        offset_m=float(y_m),
        offset_u_m=proof.u_m,
        height_m=float(z_m),
        height_u_m=proof.u_m,
        drift_u_m=proof.u_m,
        climb_u_m=proof.u_m,
        weave_u_m=WEAVE * proof.u_m,
        accel_u_mps2=np.array([UNEVEN * usual**2 / length_m, bend_mps2, bend_mps2]),
        offset_shared_u_m=0.0,
        height_shared_u_m=0.0,
    )
    craft = Craft(name=proof.log.file, speed_mps=(usual / FACTOR, usual * FACTOR))
    return replace(session, flight_line=line, craft=craft)


def prove_drives(session: Session, cameras: Cameras, clips: Sequence[Looked]) -> Drives:
    """Measure every drive with all cameras that filmed it, and compare it with its log."""
    looked = {row.clip.name: row for row in clips if row.interval_s is not None}
    groups: dict[str, list[Proof]] = {}
    for proof in session.proofs:
        if proof.log is not None and proof.clip in looked:
            groups.setdefault(proof.log.file, []).append(proof)
    drives, problems = [], []
    for proofs in groups.values():
        rows = [looked[proof.clip] for proof in proofs]
        try:
            drives.append(_drive(_as_driven(session, proofs[0]), cameras, rows, proofs[0].log))
        except VidspeedError as error:
            where = ", ".join(proof.clip for proof in proofs)
            problems.append(Problem(level="error", where=where, message=str(error)))
    return Drives(drives=tuple(drives), problems=(*problems, *map(_said, filter(_odd, drives))))


def _drive(
    session: Session, cameras: Cameras, rows: Sequence[Looked], log: Log | None
) -> ProvenDrive:
    """Measure one drive and compare.

    Raises VidspeedError where it was not seen past both gates, or the log does not hold it.
    """
    assert log is not None
    found = one_pass(session, [_seen(session, cameras, row) for row in rows], "drive").result
    if found.status != "measured":
        raise ClipError(
            "the drive was not seen past both gates; film it from before the first until after "
            "the second"
        )
    return _compared(session, found, log)


def _compared(session: Session, found: PassResult, log: Log) -> ProvenDrive:
    assert found.speed_mps is not None and found.speed_u_mps is not None
    assert found.profile is not None
    length_m = session.course.length_m
    told = logged(
        log,
        length_m=length_m,
        duration_s=length_m / found.speed_mps,
        profile=found.profile,
        forward=found.direction == "forward",
    )
    percent = 100.0 / told.speed_mps
    error, u = found.speed_mps - told.speed_mps, np.hypot(found.speed_u_mps, told.speed_u_mps)
    return ProvenDrive(
        clips=found.clips,
        cameras=tuple(row.camera for row in found.crossings),
        log=log.file,
        speed_mps=found.speed_mps,
        speed_u_mps=found.speed_u_mps,
        log_speed_mps=told.speed_mps,
        log_speed_u_mps=told.speed_u_mps,
        error_percent=percent * error,
        error_u_percent=float(percent * u),
        normalised=float(error / u),
        sightings=found.sightings,
    )


def _seen(session: Session, cameras: Cameras, row: Looked) -> Seen:
    """Return a clip with the lights of its tracks that lie next to the gates."""
    common = cameras.stands[row.clip.camera][0]
    stand = common if row.stand is None else replace(row.stand, interval_s=common.interval_s)
    tracks = [_part(track, _near_gates(session, track, stand)) for track in row.view.tracks]
    return Seen(clip=row.clip, stand=stand, tracks=tuple(tracks))


def _near_gates(session: Session, track: Track, stand: Stand) -> Bools:
    """Tell which lights (n,) are seen within a short time of one at a gate; all, where none is."""
    line, length_m = session.flight_line, session.course.length_m
    readout_s = stand.camera.readout_s or 0.0
    laid = sketch(track, stand, (line.offset_m, line.height_m), length_m, readout_s)
    near = np.zeros(len(track), dtype=bool)
    for gate_m in (0.0, length_m):
        away = np.abs(laid.x_m - gate_m)
        if np.any(np.isfinite(away)):
            at_s = track.time_s[int(np.nanargmin(away))]
            near |= np.abs(track.time_s - at_s) <= BESIDE_GATE_S
    return near


def _part(track: Track, kept: Bools) -> Track:
    """Return some lights of a track."""
    return replace(
        track,
        **{
            name: getattr(track, name)[kept]
            for name in (
                "frame", "time_s", "xy_px", "cov_px2", "row", "time_u_s", "streak_px",
                "streak_u_px", "streak_angle_rad", "peak", "snr",
            )
        },
        fill=None if track.fill is None else track.fill[kept],
    )  # fmt: skip


def _odd(row: ProvenDrive) -> bool:
    return abs(row.normalised) > ODD


def _said(row: ProvenDrive) -> Problem:
    """Say that a drive was measured otherwise than its log has it."""
    return Problem(
        level="warn",
        where=", ".join(row.clips),
        message=f"the drive was measured at {3.6 * row.speed_mps:.2f} km/h, its log {row.log} says "
        f"{3.6 * row.log_speed_mps:.2f} km/h: {row.error_percent:+.2f} % (u "
        f"{row.error_u_percent:.2f} %); compare the survey, the picks, rate_hz, and the log",
    )
