"""Proof on the ground: lamps held still at surveyed places, and drives past the cameras.

The places are known without the cameras, so that what the cameras make of them is an error that
nobody worked out: of each place in metres, and of the distance of two in per cent, which is the
error of a speed along that stretch.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

import numpy as np

from vidspeed.assembly.cameras import Cameras
from vidspeed.assembly.drive import prove_drives
from vidspeed.assembly.gather import Looked
from vidspeed.assembly.ground import Located, Sighting, located
from vidspeed.clip.still import read_picture, still
from vidspeed.errors import ClipError, VidspeedError
from vidspeed.geometry.beacons import Beacons, beacons
from vidspeed.geometry.lens import project
from vidspeed.motion.stand import Stand
from vidspeed.values import (
    Bools,
    Floats,
    Picture,
    Problem,
    Proof,
    Proven,
    ProvenDistance,
    ProvenPlace,
    Session,
    Value,
)

REACH = 0.06  # of the picture's width: how far from where it should be a lamp is looked for
SAME_PX = 4.0  # a light this near to one of the reference still is not the lamp
BY_HAND_PX, BY_HAND_U_PX = 12.0, 1.0  # a light this near to the stated one is it; else it is taken
LEAST_HELD_PX = 0.1  # standard uncertainty of a lamp's place beside its fit: a pole sways
ODD = 3.0  # a normalised error above this is said


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Proofs(Value):
    """What the lamps prove, None where there is no [[proof]] or no lamp was found."""

    proven: Proven | None
    problems: tuple[Problem, ...]


def prove(session: Session, cameras: Cameras, clips: Sequence[Looked]) -> Proofs:
    """Compare every lamp of `[[proof]]` with where it was held, and every drive with its log."""
    places, problems = _places(session, cameras, clips)
    driven = prove_drives(session, cameras, clips)
    problems += driven.problems
    if not places and not driven.drives:
        return Proofs(proven=None, problems=tuple(problems))
    still = _proven(session, places) if places else Proven(places=(), distances=())
    proven = replace(still, drives=driven.drives)
    return Proofs(proven=proven, problems=(*problems, *_odd(proven)))


def _places(
    session: Session, cameras: Cameras, clips: Sequence[Looked]
) -> tuple[list[list[tuple[Proof, Sighting]]], list[Problem]]:
    """Return where lamps that were held still are seen, a list for each place."""
    looked = {row.clip.name: row for row in clips}
    places: list[list[tuple[Proof, Sighting]]] = []
    problems: list[Problem] = []
    for proof in session.proofs:
        row = looked[proof.clip]
        if proof.log is not None or row.view.still is None:
            continue  # that it could not be read is said already
        stand = row.stand or cameras.stands[row.clip.camera][0]
        try:
            seen = _seen(session, proof, row, stand)
        except VidspeedError as error:
            problems.append(Problem(level="error", where=proof.clip, message=str(error)))
            continue
        _place_of(places, proof).append((proof, seen))
    return [rows for rows in places if rows], problems


def _place_of(
    places: list[list[tuple[Proof, Sighting]]], proof: Proof
) -> list[tuple[Proof, Sighting]]:
    """Return the sightings of the place that a proof names; a new list for a new place."""
    for rows in places:
        if np.array_equal(rows[0][0].place_m, proof.place_m):
            return rows
    places.append([])
    return places[-1]


def _seen(session: Session, proof: Proof, row: Looked, stand: Stand) -> Sighting:
    """Return where a clip shows the lamp.

    Raises ClipError where none or several lights may be it.
    """
    picture = row.view.still
    assert picture is not None and row.clip.file is not None
    if proof.time_s is not None:
        picture = still(session.path_of(row.clip), at_s=proof.time_s)
    xy_px, u_px = _light(session, proof, picture, stand)
    return Sighting(
        stand=stand, xy_px=xy_px, u_px=float(np.hypot(u_px, LEAST_HELD_PX)), clip=proof.clip
    )


def _light(session: Session, proof: Proof, picture: Picture, stand: Stand) -> tuple[Floats, float]:
    """Return the lamp's place in the picture (2,) and its standard uncertainty."""
    found = beacons(picture)
    if proof.xy_px is not None:
        return _stated(proof.xy_px, found)
    where = _in_words(proof.place_m)
    should = project(proof.place_m[None, :], stand.pose, stand.lens())[0]
    if not np.all(np.isfinite(should)):
        raise ClipError(f"the place {where} is behind the camera; compare x_m, y_m and z_m")
    near = np.linalg.norm(found.xy_px - should, axis=1) < REACH * picture.shape[1]
    near &= ~_known(session, stand, found)
    count = int(near.sum())
    if count == 1:
        return found.xy_px[near][0], float(found.u_px[near][0])
    there = "; ".join(f"({x:.1f}, {y:.1f})" for x, y in found.xy_px[near][:6])
    raise ClipError(
        f"{count} lights near ({should[0]:.0f}, {should[1]:.0f}) px, where a lamp at {where} "
        f"should be{': ' + there if count else ''}; "
        + ("say which it is by x_px and y_px" if count else "give x_px and y_px where it is")
    )


def _stated(xy_px: Floats, found: Beacons) -> tuple[Floats, float]:
    """Return the light nearest to the stated one, or what was stated where there is none."""
    if len(found.u_px):
        away = np.linalg.norm(found.xy_px - xy_px, axis=1)
        nearest = int(np.argmin(away))
        if away[nearest] < BY_HAND_PX:
            return found.xy_px[nearest], float(found.u_px[nearest])
    return xy_px, BY_HAND_U_PX


def _known(session: Session, stand: Stand, found: Beacons) -> Bools:
    """Tell which lights (n,) shine in the reference still too, or stand where a marker does."""
    fixed = [pick.xy_px for pick in stand.camera.picks]
    if stand.camera.reference is not None:
        picture = read_picture(Path(session.folder) / stand.camera.reference)
        fixed += list(beacons(picture).xy_px)
    apart = np.linalg.norm(found.xy_px[:, None] - np.array(fixed)[None, :], axis=2)
    return np.asarray(apart.min(axis=1) < SAME_PX)


def _in_words(place_m: Floats) -> str:
    return "({:g}, {:g}, {:g}) m".format(*place_m)


def _proven(session: Session, places: Sequence[Sequence[tuple[Proof, Sighting]]]) -> Proven:
    """Locate the lamps, and compare."""
    proofs = [rows[0][0] for rows in places]
    surveyed = np.array([proof.place_m for proof in proofs])
    u_m = np.array([max(proof.u_m for proof, _ in rows) for rows in places])
    found = located(session, surveyed, u_m, [[seen for _, seen in rows] for rows in places])
    shown = [
        ProvenPlace(
            clips=tuple(seen.clip for _, seen in rows),
            cameras=tuple(seen.stand.camera.name for _, seen in rows),
            place_m=surveyed[number],
            found_m=surveyed[number] + found.error_m[number],
            error_m=found.error_m[number],
            error_u_m=np.sqrt(np.diag(found.block(number))),
            normalised=_normalised(found.error_m[number], found.block(number)),
        )
        for number, rows in enumerate(places)
    ]
    return Proven(places=tuple(shown), distances=tuple(_distances(surveyed, found)))


def _normalised(error_m: Floats, covariance_m2: Floats) -> float:
    """Return the root mean square of an error's independent parts over their u."""
    values, vectors = np.linalg.eigh(covariance_m2)
    free = values > 1e-9 * values.max()
    parts = (vectors.T @ error_m)[free] / np.sqrt(values[free])
    return float(np.sqrt(np.mean(parts**2)))


def _distances(surveyed_m: Floats, found: Located) -> list[ProvenDistance]:
    """Return the errors of the distances of neighbours along the course, and of the ends."""
    order = [int(number) for number in np.argsort(surveyed_m[:, 0], kind="stable")]
    pairs = list(pairwise(order))
    if len(order) > 2:
        pairs.append((order[0], order[-1]))
    return [_distance(surveyed_m, found, *pair) for pair in pairs]


def _distance(surveyed_m: Floats, found: Located, first: int, second: int) -> ProvenDistance:
    """Return the error of one distance: the part of both places' errors along their line."""
    apart = surveyed_m[second] - surveyed_m[first]
    distance_m = float(np.linalg.norm(apart))
    along = np.zeros(3 * len(surveyed_m))
    along[3 * second : 3 * second + 3] = apart / distance_m
    along[3 * first : 3 * first + 3] = -apart / distance_m
    error_m = float(along @ found.error_m.ravel())
    u_m = float(np.sqrt(along @ found.covariance_m2 @ along))
    return ProvenDistance(
        first=first,
        second=second,
        distance_m=distance_m,
        error_percent=100.0 * error_m / distance_m,
        error_u_percent=100.0 * u_m / distance_m,
        normalised=error_m / u_m,
    )


def _odd(proven: Proven) -> list[Problem]:
    """Say which places and distances lie farther off than what was stated allows."""
    found = [
        Problem(
            level="warn",
            where=", ".join(row.clips),
            message=f"the lamp at {_in_words(row.place_m)} is "
            f"seen {float(np.linalg.norm(row.error_m)):.3f} m from there, {row.normalised:.1f} of "
            "the standard uncertainties of what was stated; compare its place, the markers and "
            "their picks",
        )
        for row in proven.places
        if row.normalised > ODD
    ]
    return found + [
        Problem(
            level="warn",
            where="proof",
            message=f"a distance of {row.distance_m:.2f} m on the flight line is seen wrong by "
            f"{row.error_percent:+.2f} % (u {row.error_u_percent:.2f} %): so would a speed be",
        )
        for row in proven.distances
        if abs(row.normalised) > ODD
    ]
