"""What a run tells of its cameras and passes: which lights were rejected, which method, and why.

Only told (`vidspeed.decisions`): nothing here enters a figure.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from vidspeed.assembly.cameras import Cameras
from vidspeed.decisions import decided, wanted
from vidspeed.values import CameraFit, PassResult, Problem, Session, Sighted

MOST_NAMED = 12  # frames that a sentence names one by one


def tell_cameras(session: Session, cameras: Cameras) -> None:
    """Tell how each camera was calibrated, and which could not be."""
    for _, fit in cameras.stands.values():
        _tell_camera(fit)
    for camera in session.cameras:
        if camera.name not in cameras.stands:
            decided(__name__, f"camera {camera.name} is not used: it could not be calibrated",
                    camera=camera.name, used=False)  # fmt: skip


def _tell_camera(fit: CameraFit) -> None:
    fitted = sum(row.use == "fit" for row in fit.markers)
    checks = len(fit.markers) - fitted
    at = ", ".join(f"{value:.2f}" for value in fit.pose.position_m)
    decided(
        __name__, f"camera {fit.camera} stands at ({at}) m by {fitted} markers, {checks} were held "
        f"out as checks; {fit.rms_px:.2f} px are left, focal length {fit.lens[0]:.1f} px "
        f"(u {fit.focal_u_px:.1f} px)",
        camera=fit.camera, used=True, position_m=fit.pose.position_m, rms_px=fit.rms_px,
        focal_px=float(fit.lens[0]), focal_u_px=fit.focal_u_px, fitted=fitted, checks=checks,
    )  # fmt: skip


def tell_passes(passes: Iterable[PassResult]) -> None:
    """Tell of each pass what was solved, which lights were rejected, and how it was stated."""
    for row in passes if wanted() else ():
        for seen in row.sightings:
            _tell_lights(row.label, seen)
        if row.speed_mps is None:
            decided(__name__, f"pass {row.label} has no speed", label=row.label, status=row.status)
        else:
            _tell_method(row, row.speed_mps, row.speed_u_mps or 0.0)


def _tell_lights(label: str, seen: Sighted) -> None:
    out = [int(frame) for frame in seen.track.frame[~seen.used]]
    named = ", ".join(str(frame) for frame in out[:MOST_NAMED])
    more = f" and {len(out) - MOST_NAMED} more" if len(out) > MOST_NAMED else ""
    rejected = f"those of frames {named}{more} were rejected" if out else "none was rejected"
    decided(
        __name__, f"pass {label}: {int(seen.used.sum())} of {len(seen.used)} lights of {seen.clip} "
        f"are used, {rejected}; noise widened {seen.noise_scale:.2f} times, correlation "
        f"{seen.correlation:.2f}",
        label=label, clip=seen.clip, camera=seen.camera, used=int(seen.used.sum()),
        rejected_frames=out, noise_scale=seen.noise_scale, correlation=seen.correlation,
    )  # fmt: skip


def _tell_method(row: PassResult, speed_mps: float, u_mps: float) -> None:
    why = next((check.detail for check in row.checks if check.name == "linear"), "not looked at")
    decided(
        __name__, f"pass {row.label}: {speed_mps:.3f} m/s, u {u_mps:.3f} m/s, {row.status}, by "
        f"{row.method}: {why}",
        label=row.label, status=row.status, speed_mps=speed_mps, speed_u_mps=u_mps,
        method=row.method, why=why,
    )  # fmt: skip


def tell_problems(problems: Sequence[Problem]) -> None:
    """Tell each problem, so that a log holds them in the place where they are decided."""
    for row in problems:
        decided(__name__, f"{row.level}: {row.where}: {row.message}", problem=row.level,
                subject=row.where)  # fmt: skip
