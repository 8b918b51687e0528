"""Two picks whose names were exchanged: one mistake that spoils a whole fit."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import combinations

import numpy as np

from vidspeed.chance import chi2_isf
from vidspeed.errors import CalibrationError, MotionError
from vidspeed.geometry.pose import Guess, guesses
from vidspeed.motion.adjust import adjust
from vidspeed.motion.build import build
from vidspeed.motion.stand import Stand
from vidspeed.values import Camera, Session

TRIED = 3  # of the exchanges that promise most, so many are adjusted
BETTER = 25.0  # by which chi-square must fall
PLAUSIBLE = 1e-4  # probability of a misfit below which the exchange does not explain it


def exchanged_picks(
    session: Session, camera: Camera, interval_s: float, cost: float
) -> tuple[str, str] | None:
    """Return two markers whose picks, exchanged, explain a camera that does not fit otherwise.

    `cost` is the chi-square as picked, infinite where nothing fitted. Every pair is tried with
    the closed-form poses, the best are adjusted. None with a free focal length, which would
    explain much.
    """
    use = {marker.name: marker.use for marker in session.markers}
    at = [number for number, pick in enumerate(camera.picks) if use[pick.name] == "fit"]
    limit = float(chi2_isf(PLAUSIBLE, max(2 * len(at) - 6, 1)))
    if cost <= limit or camera.lens.focal_free:
        return None
    promising = sorted(_guessed(session, camera, at), key=lambda row: row[2].rms_px)[:TRIED]
    wanted = min(limit, cost - BETTER)
    for first, second, guess in promising:
        if _cost(session, _exchanged(camera, first, second), guess, interval_s) < wanted:
            return camera.picks[first].name, camera.picks[second].name
    return None


def _guessed(session: Session, camera: Camera, at: list[int]) -> Iterator[tuple[int, int, Guess]]:
    """Yield every pair with the best closed-form pose once its picks are exchanged."""
    for first, second in combinations(at, 2):
        try:
            yield first, second, guesses(_exchanged(camera, first, second), session.markers)[0]
        except CalibrationError:
            continue


def _exchanged(camera: Camera, first: int, second: int) -> Camera:
    picks = list(camera.picks)
    picks[first] = replace(camera.picks[first], name=camera.picks[second].name)
    picks[second] = replace(camera.picks[second], name=camera.picks[first].name)
    return replace(camera, picks=tuple(picks))


def _cost(session: Session, camera: Camera, guess: Guess, interval_s: float) -> float:
    """Return chi-square of a camera fitted from a first pose; infinite where it does not settle."""
    stand = Stand(
        camera=camera,
        pose=guess.pose,
        lens_deviates=np.zeros(camera.lens.factor.shape[1]),
        focal_log=float(np.log(guess.focal_ratio)),
        interval_s=interval_s,
    )
    try:
        network, state = build(session, [stand], [])
        return adjust(network, state)[1].cost
    except MotionError:
        return float("inf")
