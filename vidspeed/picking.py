"""Pick markers without clicking: coded boards by day, lamps on the markers after dark."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from vidspeed.assembly.reading import read_session
from vidspeed.clip.still import read_picture
from vidspeed.errors import CalibrationError, SessionError
from vidspeed.geometry.beacons import beacons
from vidspeed.geometry.coded import find_coded
from vidspeed.geometry.constellation import (
    LEAST,
    SURE,
    Course3d,
    Lights,
    Naming,
    name_lights,
    rivals,
)
from vidspeed.geometry.pose import guesses
from vidspeed.session.rules import FEWEST
from vidspeed.values import Camera, Marker, Pick, Picture, Pose, Session, Value

FREE_FOCAL_U = 0.15  # of a focal length of which nothing is known


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Picked(Value):
    """Picks of one camera, the file that they belong into, and what should be said of them."""

    picks: tuple[Pick, ...]
    file: Path
    notes: tuple[str, ...]


def pick_boards(
    folder: Path,
    camera_name: str,
    still: Path,
    *,
    family: str = "4x4_50",
    codes: Mapping[str, int] | None = None,
) -> Picked:
    """Pick the coded boards in a still; the marker is the middle of its board.

    `codes` says which number stands on which marker; left out, the column `board` of the markers
    does.

    Raises
    ------
    SessionError
        Where the session, the camera, the still or a marker's name is wrong.
    CalibrationError
        Where no marker has a board, or none is found.
    """
    session, camera, picture = _opened(folder, camera_name, still)
    wanted = _wanted(session.markers, codes)
    found = {row.number: row for row in find_coded(picture, family, wanted)}
    picks = [
        Pick(name=name, xy_px=found[number].xy_px, u_px=found[number].u_px)
        for number, name in wanted.items()
        if number in found
    ]
    if not picks:
        raise CalibrationError(
            f"{still.name}: none of the {len(wanted)} coded boards is seen; they need {family} "
            "codes at least 12 pixels wide, sharp, with a light border"
        )
    lost = [name for number, name in wanted.items() if number not in found]
    return Picked(picks=tuple(picks), file=_file(folder, camera), notes=_unseen(lost))


def pick_lamps(folder: Path, camera_name: str, still: Path) -> Picked:
    """Pick the lamps on the markers in a still after dark, told apart by geometry alone.

    A camera that has picks is taken to stand where these put it; else every way of naming the
    lights is weighed.

    Raises
    ------
    SessionError
        Where the session, the camera or the still is wrong.
    CalibrationError
        Where no naming is believed, or several are; with what would decide it.
    """
    session, camera, picture = _opened(folder, camera_name, still)
    seen = beacons(picture)
    lights = Lights(xy_px=seen.xy_px, u_px=seen.u_px)
    if len(lights.xy_px) < LEAST:
        raise CalibrationError(
            f"{still.name}: {len(lights.xy_px)} lights are seen, at least {LEAST} are needed; "
            "put lamps on more markers"
        )
    namings = name_lights(lights, _known(session, camera), _first(session, camera))
    best = _believed(namings, session.markers, still.name)
    picks = [
        Pick(name=marker.name, xy_px=lights.xy_px[number], u_px=float(lights.u_px[number]))
        for marker, number in zip(session.markers, best.light, strict=True)
        if number >= 0
    ]
    lost = [m.name for m, number in zip(session.markers, best.light, strict=True) if number < 0]
    stands = ", ".join(f"{part:.1f}" for part in best.pose.position_m)
    notes = (f"the camera then stands at about ({stands}) m", *_unseen(lost))
    return Picked(picks=tuple(picks), file=_file(folder, camera), notes=notes)


def _opened(folder: Path, name: str, still: Path) -> tuple[Session, Camera, Picture]:
    """Return session, camera and still; refuse a still of another size than the clips'."""
    session = read_session(folder, unpicked=True)
    try:
        camera = session.camera(name)
    except KeyError:
        known = ", ".join(f'"{each.name}"' for each in session.cameras)
        raise SessionError(f'session.toml: no camera is named "{name}"; there is {known}') from None
    picture = read_picture(still)
    size = (picture.shape[1], picture.shape[0])
    if size != camera.image_size_px:
        raise SessionError(
            f"{still.name}: the picture is {size[0]} x {size[1]}, camera {name!r} states "
            f"image_size_px {list(camera.image_size_px)}; make it with vidspeed still CLIP"
        )
    return session, camera, picture


def _file(folder: Path, camera: Camera) -> Path:
    """Return the picks file that a camera names."""
    file = camera.picks_file
    if file is None:
        raise SessionError(
            f'session.toml: camera "{camera.name}": picks is missing; name the file to write'
        )
    return folder / file


def _wanted(markers: tuple[Marker, ...], codes: Mapping[str, int] | None) -> dict[int, str]:
    """Return the marker of each code's number."""
    names = [marker.name for marker in markers]
    if codes is None:
        codes = {marker.name: marker.board for marker in markers if marker.board is not None}
    unknown = [name for name in codes if name not in names]
    if unknown:
        raise SessionError(
            f"--codes: no marker is named {unknown[0]!r}; there are {', '.join(names[:12])}"
        )
    if not codes:
        raise CalibrationError(
            "no marker has a coded board; give the numbers in the column board of the markers, "
            "or with --codes A1=0,A2=1"
        )
    wanted: dict[int, str] = {}
    for name, number in codes.items():
        if number in wanted:
            raise SessionError(
                f"board {number} stands on two markers, {wanted[number]!r} and {name!r}; "
                "each marker needs its own"
            )
        wanted[number] = name
    return wanted


def _unseen(names: list[str]) -> tuple[str, ...]:
    return (f"not seen: {', '.join(names)}",) if names else ()


def _known(session: Session, camera: Camera) -> Course3d:
    """Return what the search for a naming knows of markers and camera."""
    lens = camera.lens
    focal_u = FREE_FOCAL_U
    if not lens.focal_free:
        focal_u = float(np.linalg.norm(lens.factor[0]) / lens.parameters[0])
    return Course3d(
        xyz_m=np.array([marker.xyz_m for marker in session.markers]),
        u_m=np.array([marker.u_m for marker in session.markers]),
        lens=lens.parameters,
        focal_u=focal_u,
        size_px=camera.image_size_px,
        position_m=camera.position_m,
        position_u_m=camera.position_u_m or 0.0,
    )


def _first(session: Session, camera: Camera) -> list[Pose]:
    """Return where earlier picks put the camera, nothing where there are too few."""
    use = {marker.name: marker.use for marker in session.markers}
    if sum(use[pick.name] == "fit" for pick in camera.picks) < FEWEST:
        return []
    return [guess.pose for guess in guesses(camera, session.markers)[:2]]


def _believed(namings: list[Naming], markers: tuple[Marker, ...], where: str) -> Naming:
    """Return the one naming that can be believed.

    Raises CalibrationError where chance could have done as well, or another naming.
    """
    if not namings or namings[0].odds < SURE:
        raise CalibrationError(
            f"{where}: no way of naming the lights as markers is surely more than chance; put "
            "lamps on more markers (six or more, some on poles), state position_m and focal_px, or "
            "cover other lights"
        )
    close = rivals(namings)
    if len(close) > 1:
        first, second = close[0], close[1]
        differ = [
            marker.name
            for marker, a, b in zip(markers, first.light, second.light, strict=True)
            if a != b
        ]
        places = " and ".join(
            "(" + ", ".join(f"{part:.0f}" for part in naming.pose.position_m) + ")"
            for naming in (first, second)
        )
        raise CalibrationError(
            f"{where}: {len(close)} ways of naming the lights fit about equally well, from places "
            f"like {places} m; they differ in {', '.join(differ[:8])}; state position_m of the "
            "camera, roughly, or put one more lamp where the layout is not alike from both sides"
        )
    return namings[0]
