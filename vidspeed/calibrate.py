"""Calibrate a session before anything has flown: is it ready, and if not, what would mend it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from vidspeed.assembly.advice import advice, best_change
from vidspeed.assembly.cameras import Cameras, calibrate_all
from vidspeed.assembly.carried import beside_course, failing, far_gate
from vidspeed.assembly.forecast import forecast, gates_missing, relative_U95
from vidspeed.assembly.reading import read_session
from vidspeed.clip.still import read_picture
from vidspeed.errors import VidspeedError
from vidspeed.geometry.course import drawing
from vidspeed.motion.stand import Stand
from vidspeed.motion.trust import trust
from vidspeed.record.figures import calibration_picture
from vidspeed.values import Advice, CameraFit, Failing, PassResult, Problem, Session, Trusted, Value

CHECK_WITHIN = 2.0  # standard uncertainties that check markers may be off, RMS of a camera


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Readiness(Value):
    """What calibration found; `pictures` are PNG bytes by file name."""

    session: Session
    cameras: tuple[CameraFit, ...]
    forecast: PassResult | None
    advice: tuple[Advice, ...]
    failing: tuple[Failing, ...]
    pictures: dict[str, bytes]
    trust: tuple[Trusted, ...] = ()

    @property
    def ready(self) -> bool:
        """Tell whether nothing is failing."""
        return not self.failing


def calibrate(folder: Path) -> Readiness:
    """Calibrate the session in `folder`; nothing is written.

    Raises VidspeedError where the session is wrong or no camera can be calibrated.
    """
    session = read_session(folder)
    cameras = calibrate_all(session)
    stands = [stand for stand, _ in cameras.stands.values()]
    fits = [fit for _, fit in cameras.stands.values()]
    found = [_failing(problem) for problem in cameras.problems]
    found += _gates_missing(session, stands)
    found += _checks_off(fits)
    found += _layouts(fits)
    predicted, failed = _forecast(session, stands)
    found += failed
    changes = advice(session, stands)
    if predicted is not None:
        found += _too_wide(session, predicted, changes)
    return Readiness(
        session=session,
        cameras=tuple(fits),
        forecast=predicted,
        advice=changes,
        failing=tuple(found),
        pictures=_pictures(session, cameras),
        trust=_trust(session, stands, predicted),
    )


def _failing(problem: Problem) -> Failing:
    row = failing(problem.message)
    if problem.where.startswith("camera") and problem.where not in row.item:
        return replace(row, item=f"{problem.where}: {row.item}")
    return row


def _trust(
    session: Session, stands: Sequence[Stand], predicted: PassResult | None
) -> tuple[Trusted, ...]:
    try:
        return trust(session, stands, predicted)
    except VidspeedError:
        return ()


def _gates_missing(session: Session, stands: Sequence[Stand]) -> list[Failing]:
    """Name each gate in no camera's picture, or why: that the markers stand beside the course."""
    beside = beside_course(session)
    if beside is not None:
        return [beside]
    return [
        far_gate(session, name, x_m)
        or Failing(
            item=f"the {name} gate is in no camera's picture at flying height",
            mend="aim at the middle of the course, move back, or zoom out; then pick again",
        )
        for name, x_m in gates_missing(session, stands)
    ]


def _checks_off(fits: Sequence[CameraFit]) -> list[Failing]:
    """Name the cameras whose check markers are not where the fit puts them.

    The verdict is on all coordinates of a camera together: one coordinate beyond twice its
    standard uncertainty is nothing unusual among many.
    """
    return [
        Failing(
            item=f'camera "{fit.camera}": check markers are off by {fit.check_rms_of_u:.1f} times '
            f"their standard uncertainties (RMS, at most {CHECK_WITHIN:g}): {_each_check(fit)}",
            mend="measure and pick them again; if it stays, doubt the other markers or their u_m",
        )
        for fit in fits
        if fit.check_rms_of_u is not None and fit.check_rms_of_u > CHECK_WITHIN
    ]


def _each_check(fit: CameraFit) -> str:
    return ", ".join(
        f'"{row.name}" {row.residual_m:.3f} m on the ground, {row.normalised:.1f} times'
        for row in fit.markers
        if row.use == "check"
    )


def _layouts(fits: Sequence[CameraFit]) -> list[Failing]:
    """Turn what calibration points out about markers and layout into failing items."""
    return [_failing(problem) for fit in fits for problem in fit.problems]


def _forecast(session: Session, stands: Sequence[Stand]) -> tuple[PassResult | None, list[Failing]]:
    try:
        return forecast(session, stands), []
    except VidspeedError as error:
        return None, [failing(message) for message in error.messages]


def _too_wide(session: Session, predicted: PassResult, changes: Sequence[Advice]) -> list[Failing]:
    """Say where a pass would be less sure than wanted, and which change would help most."""
    percent = 100.0 * relative_U95(predicted)
    if percent <= session.wanted_U95_percent:
        return []
    best = best_change(changes)
    mend = "state the figures of the largest budget row better"
    if best is not None and best.relative_U95 is not None and 100.0 * best.relative_U95 < percent:
        mend = f"{best.change} would give {100.0 * best.relative_U95:.2g} %"
    row = predicted.budget[0]
    return [
        Failing(
            item=f"a pass would be known to {percent:.2g} % (U95), "
            f"{session.wanted_U95_percent:g} % is wanted; {row.source} ({row.owner}) rules it",
            mend=mend,
        )
    ]


def _pictures(session: Session, cameras: Cameras) -> dict[str, bytes]:
    """Draw each camera's still with picks, re-projected markers, course line and gates."""
    pictures = {}
    for name, (_, fit) in cameras.stands.items():
        reference = session.camera(name).reference
        still = None if reference is None else read_picture(Path(session.folder) / reference)
        lines = drawing(session.course, session.flight_line, fit.pose, fit.lens)
        pictures[f"{name}.png"] = calibration_picture(still, fit, lines)
    return pictures
