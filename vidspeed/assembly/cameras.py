"""The cameras of a session, each calibrated by its own picks."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from vidspeed.assembly.remeasure import survey_warnings
from vidspeed.clip.still import read_picture
from vidspeed.errors import CalibrationError, ClipError
from vidspeed.motion.calibration import calibrate_camera
from vidspeed.motion.doubtful import doubtful
from vidspeed.motion.stand import Stand
from vidspeed.values import Camera, CameraFit, Problem, Session, Value

USUAL_RATE_HZ = 60.0  # taken for a camera of which no clip is known yet


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Cameras(Value):
    """The cameras that could be calibrated, by name, and what is wrong with the others."""

    stands: Mapping[str, tuple[Stand, CameraFit]]
    problems: tuple[Problem, ...]


def calibrate_all(session: Session) -> Cameras:
    """Fit every camera to its picks, and name what of picks and survey does not fit the rest.

    Raises CalibrationError where no camera can be calibrated.
    """
    return with_doubts(session, fit_all(session))


def fit_all(session: Session) -> Cameras:
    """Fit every camera to its picks: all that looking at clips needs.

    Raises CalibrationError where no camera can be calibrated.
    """
    stands, messages = {}, []
    for camera in session.cameras:
        try:
            _refuse_planned(camera)
            _check_still(session, camera)
            stands[camera.name] = calibrate_camera(
                session, camera, 1.0 / (camera.rate_hz or USUAL_RATE_HZ)
            )
        except (CalibrationError, ClipError) as error:
            messages += list(error.messages)
    if not stands:
        raise CalibrationError(*messages)
    problems = tuple(
        Problem(level="error", where="calibration", message=message) for message in messages
    )
    return Cameras(stands=stands, problems=problems)


def with_doubts(session: Session, cameras: Cameras) -> Cameras:
    """Add what of the picks and of the survey does not fit the rest."""
    doubts = doubtful(session, [stand for stand, _ in cameras.stands.values()])
    return replace(cameras, problems=(*cameras.problems, *_survey_off(session), *doubts))


def _survey_off(session: Session) -> list[Problem]:
    """Name what of a survey by tape does not fit the rest of it."""
    if session.surveyed is None or session.measured is None:
        return []
    told = survey_warnings(session.surveyed, session.measured)
    return [Problem(level="warn", where="survey", message=text) for text in told]


def _refuse_planned(camera: Camera) -> None:
    if not camera.picks:
        raise CalibrationError(
            f'session.toml: camera "{camera.name}": it is only planned, no picks are stated; '
            "pick its markers and name the file under picks (`vidspeed plan` forecasts it)"
        )


def _check_still(session: Session, camera: Camera) -> None:
    """Refuse a reference still of another size than the clips': it is no frame of the video."""
    if camera.reference is None:
        return
    height, width = read_picture(Path(session.folder) / camera.reference).shape[:2]
    if (width, height) != camera.image_size_px:
        raise CalibrationError(
            f'{camera.reference}: the picture is {width} x {height}, camera "{camera.name}" states '
            f"image_size_px {list(camera.image_size_px)}; a photograph is not a frame of the "
            "video: make the still with `vidspeed still CLIP`"
        )
