"""What the passes of two evenings have in common, input by input.

Within a session an input is known by owner and name. Between two sessions a name is not enough:
the posts may have been surveyed again, a camera of the same name may have been set up elsewhere.

- The survey is the same where every file of it and the length are: its markers and its scale are
  then wrong alike on both evenings.
- A lens is the same where both cameras of a name use one lens file; a read-out, where they use
  one clock file; picks, where the picks file and the survey are the same.
- Picks of another file, taped camera places and events that link clips belong to one evening.
- Of everything else (a tape's scale in another survey, a focal length that was typed in, the rate
  of a clock that ages, habits of a coder) nobody can say. It counts as common to both evenings or
  as independent, whichever makes the figure that is asked for less sure.

The paths of passes and their lights are each pass's own.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from vidspeed.values import Camera, Floats, Input, PassResult, Session, Value

Common = Literal["same", "open", "apart"]
SURVEY = ("marker survey", "survey scale", "tape scale")
OF_THE_DAY = ("picks", "camera position", "sync")
SAME_LENGTH = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Flown(Value):
    """A pass, the session it belongs to, and what its speed is multiplied by."""

    result: PassResult
    session: Session
    scale: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Joint(Value):
    """The errors of measurement of n passes as independent unit errors.

    `moved` (n, m) is by how much each of m moves each pass; `open_` holds pairs of columns
    (n, 2), one for each evening, of which nobody knows whether they are one error or two.
    `own` (n,) is the variance of what each pass shares with no other.
    """

    moved: Floats
    open_: tuple[Floats, ...]
    own: Floats

    @property
    def covariance(self) -> Floats:
        """Return the covariance (n, n), what is open taken as common to both evenings."""
        total = self.moved @ self.moved.T
        for pair in self.open_:
            both = pair.sum(axis=1)
            total = total + np.outer(both, both)
        return np.asarray(total)

    def variance(self, weights: Floats) -> float:
        """Return the variance of a weighted sum, weights (n,): what is open, the less sure way."""
        total = float(np.sum((weights @ self.moved) ** 2))
        for pair in self.open_:
            each = weights @ pair
            total += max(float(each.sum() ** 2), float(each @ each))
        return total


def joint(passes: Sequence[Flown]) -> list[Joint]:
    """Return the joint errors of passes of one session or two, under each reading of the line.

    A flight line whose split is not stated is one error of all passes of its evening, or one of
    each pass; the second reading is left out where nothing is open.
    """
    split = any(entry.split_unknown for row in passes for entry in row.result.inputs)
    return [_joint(passes, common) for common in ((True, False) if split else (True,))]


def _joint(passes: Sequence[Flown], line_common: bool) -> Joint:
    homes = list(dict.fromkeys(row.session.folder for row in passes))
    sessions = {row.session.folder: row.session for row in passes}
    columns: dict[tuple[str, str, str], Floats] = {}
    open_: dict[tuple[str, str], Floats] = {}
    for at, row in enumerate(passes):
        home = homes.index(row.session.folder)
        assert row.result.sensitivities_mps is not None
        pairs = zip(row.result.inputs, row.result.sensitivities_mps, strict=True)
        for entry, value in pairs:
            place = _place(entry, str(home), line_common)
            kind = _between(entry, sessions) if place[1].startswith(("session", "camera")) else None
            if len(homes) == 1 or kind is None or kind == "apart":
                column = columns.setdefault(place, np.zeros(len(passes)))
                column[at] += row.scale * float(value)
            elif kind == "same":
                column = columns.setdefault(("both", *place[1:]), np.zeros(len(passes)))
                column[at] += row.scale * float(value)
            else:
                two = open_.setdefault(place[1:], np.zeros((len(passes), 2)))
                two[at, home] += row.scale * float(value)
    moved = np.column_stack([*columns.values()]) if columns else np.zeros((len(passes), 0))
    alone = np.count_nonzero(moved, axis=0) == 1
    return Joint(
        moved=moved,
        open_=tuple(open_.values()),
        own=np.sum(moved[:, alone] ** 2, axis=1),
    )


def _place(entry: Input, home: str, line_common: bool) -> tuple[str, str, str]:
    """Return whose input it is: of which evening, which owner, under which name."""
    if entry.split_unknown and line_common:
        return home, "line", entry.name
    return home, entry.owner, entry.name


def _between(entry: Input, sessions: Mapping[str, Session]) -> Common:
    """Tell whether an input of a session or a camera is the same on two evenings."""
    if len(sessions) != 2:
        return "apart"
    one, other = sessions.values()
    if entry.source in OF_THE_DAY:
        return "same" if entry.source == "picks" and _same_picks(entry, one, other) else "apart"
    if entry.owner == "session" and entry.source in SURVEY:
        if same_survey(one, other):
            return "same"
        return "apart" if entry.source == "marker survey" else "open"
    if entry.source in ("lens file", "read-out"):
        file = "lens" if entry.source == "lens file" else "clock"
        return "same" if _same_file(entry, one, other, file) else "open"
    return "open"


def same_survey(one: Session, other: Session) -> bool:
    """Tell whether two sessions rest on one survey: equal length, equal figures throughout."""
    lengths = (one.course, other.course)
    if abs(lengths[0].length_m - lengths[1].length_m) > SAME_LENGTH:
        return False
    if lengths[0].length_u_m != lengths[1].length_u_m:
        return False
    markers = [
        [(row.name, row.u_m, tuple(row.xyz_m.tolist())) for row in session.markers]
        for session in (one, other)
    ]
    return markers[0] == markers[1]


def _cameras(entry: Input, one: Session, other: Session) -> list[Camera]:
    """Return the camera that owns an input as each session states it."""
    name = entry.owner.removeprefix("camera ")
    return [row for session in (one, other) for row in session.cameras if row.name == name]


def _same_file(entry: Input, one: Session, other: Session, kind: str) -> bool:
    cameras = _cameras(entry, one, other)
    if len(cameras) != 2:
        return False
    files = [row.lens.file if kind == "lens" else row.clock_file for row in cameras]
    return _same_bytes(files, one, other)


def _same_bytes(files: Sequence[str | None], one: Session, other: Session) -> bool:
    """Tell whether two files of two sessions hold the same bytes."""
    hashes = [
        next((item.sha256 for item in session.inputs if item.file == file), None)
        for file, session in zip(files, (one, other), strict=True)
    ]
    return hashes[0] is not None and hashes[0] == hashes[1]


def _same_picks(entry: Input, one: Session, other: Session) -> bool:
    cameras = _cameras(entry, one, other)
    files = [row.picks_file for row in cameras]
    return len(cameras) == 2 and _same_bytes(files, one, other) and same_survey(one, other)
