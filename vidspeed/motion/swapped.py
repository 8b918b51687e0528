"""Two picks whose names were exchanged: one mistake that spoils a whole fit."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import combinations

import numpy as np

from vidspeed.chance import chi2_isf
from vidspeed.errors import CalibrationError, MotionError
from vidspeed.geometry.pose import Guess, guesses, upright
from vidspeed.motion.adjust import adjust
from vidspeed.motion.build import build
from vidspeed.motion.stand import Stand
from vidspeed.values import Camera, Session

TRIED = 3  # of the exchanges that promise most, so many are adjusted
BETTER = 25.0  # by which chi-square must fall
PLAUSIBLE = 1e-4  # probability of a misfit below which the exchange does not explain it


def least_wanted(session: Session, camera: Camera, cost: float) -> float | None:
    """Return the chi-square below which another reading explains a camera; None where it fits."""
    use = {marker.name: marker.use for marker in session.markers}
    count = sum(use[pick.name] == "fit" for pick in camera.picks)
    limit = float(chi2_isf(PLAUSIBLE, max(2 * count - 6, 1)))
    return None if cost <= limit else min(limit, cost - BETTER)


def exchanged_picks(
    session: Session, camera: Camera, interval_s: float, wanted: float
) -> tuple[str, str] | None:
    """Return two markers whose picks, exchanged, explain a camera that does not fit otherwise.

    `wanted` is the chi-square that has to be reached. Every pair is tried with the closed-form
    poses, the best are adjusted.
    """
    use = {marker.name: marker.use for marker in session.markers}
    at = [number for number, pick in enumerate(camera.picks) if use[pick.name] == "fit"]
    promising = sorted(_guessed(session, camera, at), key=lambda row: row[2].rms_px)[:TRIED]
    for first, second, guess in promising:
        if fitted(session, _exchanged(camera, first, second), guess, interval_s)[0] < wanted:
            return camera.picks[first].name, camera.picks[second].name
    return None


def _guessed(session: Session, camera: Camera, at: list[int]) -> Iterator[tuple[int, int, Guess]]:
    """Yield every pair with the best closed-form pose once its picks are exchanged."""
    for first, second in combinations(at, 2):
        guess = upright_guess(_exchanged(camera, first, second), session)
        if guess is not None:
            yield first, second, guess


def upright_guess(camera: Camera, session: Session) -> Guess | None:
    """Return the best first pose of a camera that does not stand on its head, None without one."""
    try:
        found = guesses(camera, session.markers)
    except CalibrationError:
        return None
    return next((guess for guess in found if upright(guess.pose)), None)


def _exchanged(camera: Camera, first: int, second: int) -> Camera:
    picks = list(camera.picks)
    picks[first] = replace(camera.picks[first], name=camera.picks[second].name)
    picks[second] = replace(camera.picks[second], name=camera.picks[first].name)
    return replace(camera, picks=tuple(picks))


def fitted(
    session: Session, camera: Camera, guess: Guess, interval_s: float
) -> tuple[float, float]:
    """Return chi-square and focal length, pixels, of a camera fitted from a first pose.

    Chi-square is infinite where it does not settle.
    """
    stand = Stand(
        camera=camera,
        pose=guess.pose,
        lens_deviates=np.zeros(camera.lens.factor.shape[1]),
        focal_log=float(np.log(guess.focal_ratio)),
        interval_s=interval_s,
    )
    try:
        network, state = build(session, [stand], [])
        state, adjustment = adjust(network, state)
    except MotionError:
        return float("inf"), float("nan")
    return adjustment.cost, float(network.stations[0].lens_at(state)[0])
