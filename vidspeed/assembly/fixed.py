"""Whether a clip's camera stood still, and still stands as it was calibrated.

The background of the clip is held against the reference still. What it moved less than half a
pixel is carried as an uncertainty of the picks; what it moved more is taken out of the picks, for
this clip alone, and what is not known of it is carried; where it is not known well enough, the
clip is refused. The camera is then calibrated anew for the clip, with these picks.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from vidspeed.clip.still import read_picture
from vidspeed.decisions import decided
from vidspeed.errors import ClipError
from vidspeed.geometry.bent import BENT_PIECES
from vidspeed.geometry.moved import common_u_px, movement, rezoomed, size_px
from vidspeed.geometry.steady import SHAKE_PX, Steadiness, steadiness
from vidspeed.geometry.turned import carried
from vidspeed.motion.calibration import calibrate_camera
from vidspeed.motion.stand import Stand
from vidspeed.values import (
    Camera,
    CameraFit,
    ClipView,
    Floats,
    Moved,
    Movement,
    Problem,
    Scan,
    Session,
    Value,
)

CORRECT_PX = 0.5  # a movement below this is not corrected
GOOD_PX = 0.5  # a movement that is known worse than this is not corrected either
MOST_OF_WIDTH = 0.05  # the largest movement that is taken for a turn of the same camera
MOST_ZOOM = 0.01
SURE = 3.0  # standard uncertainties by which two clips must differ to be told apart
STABILISATION = "turn video stabilisation off"
NEW_CAMERA = "make a new [[camera]] entry with its own still and picks for this clip"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fixed(Value):
    """A clip's own calibration, None where the camera's holds, and what is to be said."""

    stand: Stand | None = None
    fit: CameraFit | None = None
    moved: Moved | None = None
    problems: tuple[Problem, ...] = ()
    shake_px: float = 0.0  # RMS: of more than nothing its lights are to be steadied


def fixed(session: Session, clip: str, stand: Stand, fit: CameraFit, seen: Scan) -> Fixed:
    """Look at how the background moved, in the clip and since the reference still.

    Raises ClipError where no fixed camera filmed the clip, or where the camera moved and the
    movement is not known well enough.
    """
    problems: list[Problem] = []
    shake_px = 0.0
    if seen.sway is not None:
        judged = steadiness(seen.sway, fit.lens)
        if judged.refused:
            raise ClipError(f"{clip}: {_refusal(judged)}")
        if judged.verdict == "shaken":
            shake_px = judged.rms_px
            if judged.rms_px > SHAKE_PX:
                few = len(seen.sway.places_px) < BENT_PIECES
                problems.append(_shaken(clip, judged, few=few))
        elif judged.verdict == "unknown":
            problems.append(_not_seen(clip, judged))
    camera = stand.camera
    if camera.reference is None:
        return Fixed(problems=tuple(problems), shake_px=shake_px)
    reference = read_picture(Path(session.folder) / camera.reference)
    if reference.shape != seen.still.shape:  # of another size: said elsewhere
        return Fixed(problems=tuple(problems), shake_px=shake_px)
    found = movement(reference, seen.still, fit.lens)
    if found is None:
        return Fixed(problems=(*problems, _not_told(clip, camera.reference)), shake_px=shake_px)
    moved, said = _carried(clip, camera, found, fit.lens)
    own, own_fit = moved_stand(session, stand, fit, moved)
    return Fixed(
        stand=own, fit=own_fit, moved=moved, problems=(*problems, *said), shake_px=shake_px
    )


def moved_stand(
    session: Session, stand: Stand, fit: CameraFit, moved: Moved
) -> tuple[Stand, CameraFit]:
    """Calibrate a camera for one clip, with its picks moved and widened.

    The uncertainty of the movement is common to all picks. As each pick is an input of its own,
    each is widened by the root of their number times it: then it is whole in their mean, and no
    error that all have in common is ever stated too small.
    """
    camera = stand.camera
    use = {marker.name: marker.use for marker in session.markers}
    count = sum(use[pick.name] == "fit" for pick in camera.picks)
    places = carried(np.array([pick.xy_px for pick in camera.picks]), moved.unknowns(), fit.lens)
    picks = tuple(
        replace(pick, xy_px=place, u_px=float(np.hypot(pick.u_px, np.sqrt(count) * moved.u_px)))
        for pick, place in zip(camera.picks, places, strict=True)
    )
    parameters = camera.lens.parameters.copy()
    parameters[0:2] *= moved.zoom
    own = replace(camera, picks=picks, lens=replace(camera.lens, parameters=parameters))
    return calibrate_camera(session, own, stand.interval_s)


def _carried(
    clip: str, camera: Camera, found: Movement, lens: Floats
) -> tuple[Moved, list[Problem]]:
    """Decide whether a movement is corrected or carried as uncertainty, and say it."""
    places = np.array([pick.xy_px for pick in camera.picks])
    off_px = _off_px(found, camera, lens)
    u_px = common_u_px(found, places, lens, corrected=True)
    decided(
        __name__, f"{clip}: its picture lies {off_px:.2f} px (u {u_px:.2f} px) off the still of "
        f"camera {camera.name}; above {CORRECT_PX:g} px that is corrected, if u is below "
        f"{GOOD_PX:g} px",
        clip=clip, camera=camera.name, off_px=off_px, u_px=u_px, zoom=found.zoom,
    )  # fmt: skip
    if off_px <= CORRECT_PX or (u_px > GOOD_PX and off_px <= CORRECT_PX + 2.0 * u_px):
        carried_px = common_u_px(found, places, lens, corrected=False)
        rough = carried_px > 2.0 * GOOD_PX
        return Moved(u_px=carried_px), [_roughly(clip, camera, carried_px)] if rough else []
    told = _told(found, camera, off_px, u_px)
    if abs(found.zoom - 1.0) > MOST_ZOOM:
        raise ClipError(f"{clip}: {told}; the lens was zoomed or focused anew, {NEW_CAMERA}")
    if u_px > GOOD_PX or off_px > MOST_OF_WIDTH * camera.image_size_px[0]:
        raise ClipError(f"{clip}: {told}; that is not known or not small enough to be corrected, "
                        f"{NEW_CAMERA}")  # fmt: skip
    moved = Moved(
        shift_px=(float(found.shift_px[0]), float(found.shift_px[1])),
        turn_rad=found.turn_rad,
        zoom=found.zoom,
        u_px=u_px,
    )
    message = f"{told}; the picks were moved with it for this clip, and widened"
    return moved, [Problem(level="warn", where=clip, message=message)]


def _grid(camera: Camera) -> Floats:
    """Return places all over the picture (n, 2)."""
    width, height = camera.image_size_px
    x, y = np.meshgrid(np.linspace(0.05, 0.95, 7) * width, np.linspace(0.05, 0.95, 5) * height)
    return np.column_stack([x.ravel(), y.ravel()])


def _off_px(found: Movement, camera: Camera, lens: Floats) -> float:
    """Return the RMS distance by which the picture moved."""
    away = size_px(found, _grid(camera), lens)
    away = away[np.all(np.isfinite(away), axis=1)]
    return float(np.sqrt(np.mean(np.sum(away**2, axis=1))))


def _told(found: Movement, camera: Camera, off_px: float, u_px: float) -> str:
    """Say how the picture moved: shift, turn, and zoom where it is more than chance."""
    x, y = found.shift_px
    across = "right" if x > 0 else "left"
    down = "down" if y > 0 else "up"
    what = (
        f"the camera moved since {camera.reference} was taken: the picture lies {off_px:.2g} px "
        f"off (u {u_px:.1g} px by {found.matches} {found.method}), {abs(x):.2f} px {across} and "
        f"{abs(y):.2f} px {down} at its middle, turned by {np.degrees(found.turn_rad):.2f} degrees"
    )
    if rezoomed(found, camera.image_size_px[0]):
        what += f", and zoomed or focused anew by {100.0 * (found.zoom - 1.0):+.2f} %"
    return what


def _not_seen(clip: str, judged: Steadiness) -> Problem:
    why = (
        "too little of the fixed background can be followed (fewer than two lamps or pieces of "
        "lit ground, or too few frames)"
    )
    if judged.rms_px > 0.0:
        why = (
            "what can be followed of the background moves, each piece in its own way (grass or "
            "leaves in the wind?): too little of it stands"
        )
    message = f"{why} to tell whether the camera stood still; leave fixed lamps in the picture"
    return Problem(level="warn", where=clip, message=message)


def _roughly(clip: str, camera: Camera, u_px: float) -> Problem:
    message = (
        f"that the camera stands as in {camera.reference} is known to {u_px:.1g} px only; the "
        "picks were widened by that; leave more fixed lamps or more of the ground in the picture"
    )
    return Problem(level="warn", where=clip, message=message)


def _not_told(clip: str, reference: str) -> Problem:
    message = (
        f"nothing in this clip can be matched with {reference}, so that it is not known whether "
        "the camera moved in between; leave fixed lamps in the picture that both show"
    )
    return Problem(level="warn", where=clip, message=message)


def _shaken(clip: str, judged: Steadiness, *, few: bool) -> Problem:
    message = (
        f"the whole picture shakes, {judged.rms_px:.2g} px RMS (wind on the tripod?); that was "
        "taken out of the lights by what the fixed background shows"
    )
    if few:
        message += f"; so few fixed lamps hardly tell wind from stabilisation: {STABILISATION}"
    return Problem(level="warn", where=clip, message=message)


def _refusal(judged: Steadiness) -> str:
    """Say why a clip was not filmed by a fixed camera."""
    size = f"{judged.size_px:.2g} px"
    when = "" if judged.at_s is None else f" at {judged.at_s:.2f} s"
    if judged.verdict == "jumps":
        return (
            f"the picture jumps by {size}{when}: {STABILISATION}, and leave the tripod alone while "
            "it films"
        )
    if judged.verdict == "drifts":
        return f"the picture drifts by {size} while the clip runs: {STABILISATION}, fix the tripod"
    if judged.verdict == "bent":
        return (
            f"the background moves unlike any turn of a camera, by {size}, differently in the "
            f"corners: {STABILISATION}"
        )
    far = size if judged.at_s is None else f"out of sight{when}"
    return (
        f"the picture wanders {far}: panned or held by hand; put the camera on a tripod and "
        f"{STABILISATION}"
    )


def between_clips(
    session: Session, fits: Sequence[CameraFit], clips: Sequence[ClipView]
) -> list[Problem]:
    """Hold the clips of a camera without a reference against its first clip."""
    problems = []
    for fit in fits:
        camera = session.camera(fit.camera)
        views = [row for row in clips if row.camera == fit.camera and row.still is not None]
        if camera.reference is None and views:
            for view in views[1:]:
                problems += _against(camera, fit.lens, views[0], view)
    return problems


def _against(camera: Camera, lens: Floats, first: ClipView, view: ClipView) -> list[Problem]:
    assert first.still is not None and view.still is not None
    found = movement(first.still, view.still, lens)
    if found is None:
        return []
    off_px = _off_px(found, camera, lens)
    u_px = common_u_px(found, _grid(camera), lens, corrected=True)
    if off_px <= CORRECT_PX + SURE * u_px:
        return []
    message = (
        f"the camera moved between {first.clip} and this clip: the picture lies {off_px:.2g} px "
        "off, and the picks can hold for one of them only; name the still on which they were made "
        "as `reference`"
    )
    return [Problem(level="warn", where=view.clip, message=message)]
