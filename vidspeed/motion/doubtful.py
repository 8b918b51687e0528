"""Markers and picks that do not fit the others, as problems that a person can mend."""

from __future__ import annotations

from collections.abc import Sequence

from vidspeed.errors import MotionError
from vidspeed.geometry.pose import upright
from vidspeed.motion.adjust import adjust
from vidspeed.motion.build import build
from vidspeed.motion.misread import explained
from vidspeed.motion.stand import Stand
from vidspeed.motion.trust import trust
from vidspeed.values import Problem, Session, Trusted


def doubtful(session: Session, stands: Sequence[Stand]) -> tuple[Problem, ...]:
    """Return a problem for each marker that is named, or for one mistake that explains all."""
    mistaken = [problem for stand in stands for problem in _mistaken(session, stand)]
    if mistaken:
        return tuple(mistaken)
    try:
        return tuple(_told([row for row in trust(session, stands) if row.named]))
    except MotionError:
        return ()


def _mistaken(session: Session, stand: Stand) -> list[Problem]:
    """Return the problem of a mistake with which a camera would fit, if there is one."""
    camera = stand.camera
    try:
        network, state = build(session, [stand], [])
        cost = adjust(network, state)[1].cost
    except MotionError:
        return []
    if not upright(stand.pose):
        cost = float("inf")  # markers in a plane, mirrored, look alike from below
    message = explained(session, camera, stand.interval_s, cost)
    if message is None:
        return []
    return [Problem(level="warn", where=f'camera "{camera.name}"', message=message)]


def _told(named: Sequence[Trusted]) -> list[Problem]:
    """Return a problem a marker, the most improbable first."""
    groups: dict[str, list[Trusted]] = {}
    for row in sorted(named, key=lambda row: -abs(row.normalised or 0.0)):
        groups.setdefault(row.marker, []).append(row)
    names = list(groups)
    return [_problem(name, groups[name], [other for other in names if other != name])
            for name in names]  # fmt: skip


def _problem(name: str, rows: Sequence[Trusted], others: Sequence[str]) -> Problem:
    worst = rows[0]
    cameras = sorted({row.camera for row in rows if row.camera is not None})
    where = f'camera "{cameras[0]}"' if len(cameras) == 1 else "calibration"
    blame = [f'its pick in camera "{camera}"' for camera in cameras]
    blame += ["its survey"] if any(row.camera is None for row in rows) else []
    least = " or ".join(
        f"{row.detectable:.2g} {row.unit}"
        for row in {row.unit: row for row in reversed(rows)}.values()
        if row.detectable is not None
    )
    also = f" (or else {_names(others)} is wrong)" if others else ""
    return Problem(
        level="warn",
        where=where,
        message=(
            f'marker "{name}" lies {abs(worst.normalised or 0.0):.1f} standard deviations from '
            f"where the others put it{also}, an error from {least} on would be named; compare "
            f"{' and '.join(blame)}, and its name"
        ),
    )


def _names(names: Sequence[str]) -> str:
    return " or ".join(f'"{name}"' for name in names)
