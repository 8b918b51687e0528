"""One mistake in what was written that explains picks which do not fit: columns, signs, units."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from vidspeed.motion.swapped import exchanged_picks, fitted, least_wanted, upright_guess
from vidspeed.values import Camera, Floats, Session, Value

TRIED = 6  # of the ways that promise most, so many are adjusted
UNITS = {"millimetres": 0.001, "centimetres": 0.01, "feet": 0.3048}
COLUMNS = {"x_m": [0], "y_m": [1], "z_m": [2], "x_m and y_m": [0, 1]}
FOCAL_PICKS = 6  # from so many on, a wrong focal length is told from a wrong pick


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reading(Value):
    """A way to read a marker's coordinates: as `turned` (3, 3) @ xyz + `moved_m` (3,)."""

    words: str
    turned: Floats
    moved_m: Floats

    def of(self, session: Session) -> Session:
        """Return the session with its markers read so."""
        markers = tuple(
            replace(marker, xyz_m=self.turned @ marker.xyz_m + self.moved_m)
            for marker in session.markers
        )
        return replace(session, markers=markers)


def explained(session: Session, camera: Camera, interval_s: float, cost: float) -> str | None:
    """Return the mistake with which a camera's picks, at chi-square `cost`, would fit; or None.

    `cost` is infinite where nothing fitted. None with a free focal length, which would explain
    much.
    """
    wanted = least_wanted(session, camera, cost)
    if wanted is None or camera.lens.focal_free:
        return None
    pair = exchanged_picks(session, camera, interval_s, wanted)
    if pair is not None:
        return (
            f'the picks of "{pair[0]}" and "{pair[1]}" look exchanged: with each other\'s names '
            "everything fits; mend the names in the picks"
        )
    read = _read_otherwise(session, camera, interval_s, wanted)
    focal = None if read else _focal_wrong(session, camera, interval_s, wanted)
    if not (read or focal) or _one_is_off(session, camera, interval_s):
        return None
    if read:
        return (
            f"the markers' coordinates look wrong: with {' or '.join(read)} everything fits; mend "
            "them: x_m counts from the start gate along the course, y_m to the left of it, z_m up, "
            "all in metres"
        )
    return focal


def _one_is_off(session: Session, camera: Camera, interval_s: float) -> bool:
    """Tell whether a camera fits once a single pick is left out: that explains it more simply."""
    begun = []
    for left in camera.picks:
        without = replace(camera, picks=tuple(pick for pick in camera.picks if pick is not left))
        guess = upright_guess(without, session)
        if guess is not None:
            begun.append((without, guess))
    begun.sort(key=lambda row: row[1].rms_px)
    return any(
        least_wanted(session, without, fitted(session, without, guess, interval_s)[0]) is None
        for without, guess in begun[:TRIED]
    )


def _readings(length_m: float) -> Iterator[Reading]:
    """Yield the ways in which coordinates are often written wrongly."""
    still, far = np.zeros(3), np.array([length_m, 0.0, 0.0])
    exchanged = np.array([[0.0, 1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])
    yield Reading(words="x_m and y_m exchanged", turned=exchanged, moved_m=still)
    for words, signs, moved_m in (
        ("x_m counted from the other gate", [-1.0, 1.0, 1.0], far),
        ("y_m of the other sign", [1.0, -1.0, 1.0], still),
        ("z_m of the other sign", [1.0, 1.0, -1.0], still),
    ):
        yield Reading(words=words, turned=np.diag(signs), moved_m=moved_m)
    for name, columns in COLUMNS.items():
        for unit, metres in UNITS.items():
            scale = np.ones(3)
            scale[columns] = metres
            yield Reading(words=f"{name} in {unit}", turned=np.diag(scale), moved_m=still)


def _read_otherwise(
    session: Session, camera: Camera, interval_s: float, wanted: float
) -> list[str]:
    """Return how the markers' coordinates may be read so that a camera fits; nothing if measured.

    Mirrored one way or another, markers look the same: those ways are kept that leave markers at
    both gates.
    """
    if session.measured is not None:
        return []
    length_m = session.course.length_m
    read = {reading.words: reading.of(session) for reading in _readings(length_m)}
    begun = {words: upright_guess(camera, other) for words, other in read.items()}
    off_px = {words: guess.rms_px for words, guess in begun.items() if guess is not None}
    promising = sorted(off_px, key=lambda words: off_px[words])[:TRIED]
    fits = [
        words
        for words, guess in begun.items()
        if words in promising
        and guess is not None
        and fitted(read[words], camera, guess, interval_s)[0] < wanted
    ]
    there = [words for words in fits if _at_both_gates(read[words])]
    return there or fits


def _at_both_gates(session: Session) -> bool:
    """Tell whether markers stand in the halves of both gates."""
    x_m = np.array([marker.xyz_m[0] for marker in session.markers])
    length_m = session.course.length_m
    return all(np.min(np.abs(x_m - gate_m)) <= length_m / 2.0 for gate_m in (0.0, length_m))


def _focal_wrong(session: Session, camera: Camera, interval_s: float, wanted: float) -> str | None:
    """Say with which focal length a camera fits, None where with none or where chance could."""
    lens = camera.lens
    if len(camera.picks) < FOCAL_PICKS:
        return None
    parameters, factor = lens.parameters.copy(), lens.factor.copy()
    parameters[0:2], factor[0:2] = lens.image_size_px[0], 0.0
    free = replace(
        camera, lens=replace(lens, parameters=parameters, factor=factor, focal_free=True)
    )
    guess = upright_guess(free, session)
    if guess is None:
        return None
    cost, focal_px = fitted(session, free, guess, interval_s)
    if cost >= wanted:
        return None
    stated = "focal_px" if lens.file is None else f"the focal length in {lens.file}"
    return (
        f"{stated} looks wrong: it is {lens.parameters[0]:.5g}, with {focal_px:.0f} everything "
        "fits; it is in pixels of this picture: in millimetres, times the picture's width in "
        "pixels over the sensor's in millimetres"
    )
