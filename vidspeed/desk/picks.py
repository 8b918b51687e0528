"""The picks of one camera while they are made: placed, moved, taken back, kept in their file."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from vidspeed.assembly.cameras import USUAL_RATE_HZ
from vidspeed.assembly.reading import read_session
from vidspeed.desk.sources import hash_of
from vidspeed.errors import SessionError, VidspeedError
from vidspeed.geometry.lens import project
from vidspeed.motion.calibration import calibrate_camera
from vidspeed.saving import save
from vidspeed.session.cells import decoded
from vidspeed.session.picksfile import picks_text
from vidspeed.session.rules import FEWEST
from vidspeed.session.tables import parse_picks
from vidspeed.values import Camera, CameraFit, Floats, Pick, Session

USUAL_U_PX = 0.5  # of a pick made on the page, enlarged

Placed = dict[str, tuple[float, float, float]]  # x, y, u by marker


@dataclass(slots=True)
class Picking:
    """The picks of a camera, and the way back.

    Every change is written to the session's own file at once; a file that somebody else changed
    since is not overwritten.
    """

    folder: Path
    camera: str
    placed: Placed = field(default_factory=dict)
    before: list[Placed] = field(default_factory=list)
    after: list[Placed] = field(default_factory=list)
    seen: str = ""  # hash of the file as it was last read or written

    def __post_init__(self) -> None:
        """Read what is there."""
        self.reload()

    def reload(self) -> None:
        """Read the picks file anew; what could be taken back is forgotten."""
        data = self._data()
        rows = parse_picks(data, self.path.name) if data else ()
        self.placed = {
            pick.name: (float(pick.xy_px[0]), float(pick.xy_px[1]), pick.u_px) for _, pick in rows
        }
        self.before, self.after = [], []
        self.seen = hash_of(data)

    @property
    def path(self) -> Path:
        """Return the picks file of the camera."""
        file = self._entry()[1].picks_file
        if file is None:
            raise SessionError(
                f'session.toml: camera "{self.camera}": picks is missing; name a file for them, '
                f'for example picks = "picks-{self.camera}.csv"'
            )
        return self.folder / file

    def place(self, name: str, x_px: float, y_px: float) -> None:
        """Put the pick of a marker, or move it."""
        session, camera = self._entry()
        if name not in {marker.name for marker in session.markers}:
            raise SessionError(f'no marker is named "{name}"')
        width, height = camera.image_size_px
        x_px = float(np.clip(x_px, -0.5, width - 0.5))
        y_px = float(np.clip(y_px, -0.5, height - 0.5))
        u_px = self.placed[name][2] if name in self.placed else USUAL_U_PX
        self._change({**self.placed, name: (round(x_px, 2), round(y_px, 2), u_px)})

    def remove(self, name: str) -> None:
        """Take a pick away."""
        if name in self.placed:
            self._change({key: place for key, place in self.placed.items() if key != name})

    def undo(self) -> None:
        """Take the last change back."""
        self._step(self.before, self.after)

    def redo(self) -> None:
        """Make the change that was taken back again."""
        self._step(self.after, self.before)

    def _step(self, way: list[Placed], back: list[Placed]) -> None:
        """Go one step along `way`, and remember the way back; nothing where it cannot be kept."""
        if way:
            placed = self.placed
            self._keep(way[-1])
            way.pop()
            back.append(placed)

    def _change(self, placed: Placed) -> None:
        earlier = self.placed
        self._keep(placed)
        self.before.append(earlier)
        self.after = []

    def _keep(self, placed: Placed) -> None:
        """Write the file, whole or not at all; refuse where it is not the one that was read."""
        data = self._data()
        if hash_of(data) != self.seen:
            raise SessionError(
                f"{self.path.name}: was changed by somebody else meanwhile and was left alone; "
                "load this page again to go on from what it holds now"
            )
        old = decoded(data, self.path.name) if data else ""
        text = picks_text(picks_of(placed), old=old).encode("utf-8")
        save(self.path, text, name=self.path.name)
        self.placed, self.seen = placed, hash_of(text)

    def _data(self) -> bytes:
        return self.path.read_bytes() if self.path.is_file() else b""

    def _entry(self) -> tuple[Session, Camera]:
        session = read_session(self.folder, unpicked=True)
        return session, session.camera(self.camera)


def picks_of(placed: Placed) -> tuple[Pick, ...]:
    """Return what was placed as picks."""
    return tuple(
        Pick(name=name, xy_px=np.array([x, y]), u_px=u) for name, (x, y, u) in placed.items()
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitted:
    """What the picks give so far: a fit and where every marker should be, or why there is none."""

    fit: CameraFit | None
    projected: dict[str, tuple[float, float]]
    message: str


def fitted(folder: Path, camera: str, placed: Placed) -> Fitted:
    """Fit the camera to the picks; with too few of them, or bad ones, say what is missing."""
    session = read_session(folder, unpicked=True)
    picks = picks_of(placed)
    use = {marker.name: marker.use for marker in session.markers}
    count = sum(use.get(pick.name) == "fit" for pick in picks)
    if count < FEWEST:
        more = FEWEST - count
        text = f"{more} more {'marker' if more == 1 else 'markers'} to pick before the camera fits"
        return Fitted(fit=None, projected={}, message=text)
    entry = replace(session.camera(camera), picks=picks)
    try:
        _, fit = calibrate_camera(session, entry, 1.0 / (entry.rate_hz or USUAL_RATE_HZ))
    except VidspeedError as error:
        return Fitted(fit=None, projected={}, message=str(error))
    return Fitted(fit=fit, projected=_projected(session, fit, entry), message="")


def _projected(session: Session, fit: CameraFit, camera: Camera) -> dict[str, tuple[float, float]]:
    """Return where each marker should be in the picture, those outside left out."""
    places: Floats = project(
        np.array([marker.xyz_m for marker in session.markers]), fit.pose, fit.lens
    )
    width, height = camera.image_size_px
    return {
        marker.name: (float(x), float(y))
        for marker, (x, y) in zip(session.markers, places, strict=True)
        if -0.5 <= x <= width - 0.5 and -0.5 <= y <= height - 0.5
    }
