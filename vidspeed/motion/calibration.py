"""A camera from its markers: the adjustment without passes, and what is left of each marker."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from vidspeed.errors import CalibrationError, MotionError
from vidspeed.geometry.lens import camera_points
from vidspeed.geometry.pose import Guess, guesses
from vidspeed.motion.adjust import Adjustment, adjust
from vidspeed.motion.build import build
from vidspeed.motion.misread import explained
from vidspeed.motion.network import Network
from vidspeed.motion.stand import Stand
from vidspeed.motion.station import Station, look
from vidspeed.motion.unknowns import State
from vidspeed.values import Camera, CameraFit, Floats, MarkerResidual, Problem, Session

SAME_COST = 9.0  # a second pose within this much of the best chi-square is as good
APART = 0.02  # of the way to the course's origin: poses nearer to each other are one, found twice
MOST_FOCAL_U = 0.15  # a free focal length known worse than this is not carried by the markers


def calibrate_camera(
    session: Session, camera: Camera, interval_s: float
) -> tuple[Stand, CameraFit]:
    """Fit one camera to its picks; return where flights may begin from, and the account of it.

    Raises CalibrationError where markers and picks do not fix the camera.
    """
    where = f'camera "{camera.name}"'
    try:
        tried = _solutions(session, camera, interval_s)
    except CalibrationError as error:
        why = explained(session, camera, interval_s, float("inf"))
        if why is None:
            raise
        raise CalibrationError(f"{where}: {why}") from error
    _, network, state, adjustment = tried[0]
    fit = camera_fit(network, network.stations[0], state, adjustment)
    if camera.lens.focal_free and fit.focal_u_px > MOST_FOCAL_U * fit.lens[0]:
        raise CalibrationError(
            f"{where}: focal_px is left out and the markers fix it only to "
            f"{100.0 * fit.focal_u_px / fit.lens[0]:.0f} %, at most {100 * MOST_FOCAL_U:.0f} % is "
            "allowed; state focal_px, or add markers nearer, farther and on poles"
        )
    return _settled(camera, state, network.stations[0], interval_s), _with_twin(fit, tried)


def _solutions(
    session: Session, camera: Camera, interval_s: float
) -> list[tuple[float, Network, State, Adjustment]]:
    """Return the adjustments of a camera with their chi-squares, the best first.

    Raises CalibrationError where there is none.
    """
    tried = []
    for guess in guesses(camera, session.markers):
        stand = _stand(camera, guess, interval_s)
        try:
            network, state = build(session, [stand], [])
            state, adjustment = adjust(network, state)
        except MotionError:
            continue
        tried.append((adjustment.cost, network, state, adjustment))
    if not tried:
        raise CalibrationError(
            f'camera "{camera.name}": the picks and the markers do not fix the camera'
            + (
                "; state focal_px, or add markers off the plane of the others (some on poles)"
                if camera.lens.focal_free
                else "; add markers, some off the line and some on poles, and compare the names"
            )
        )
    return sorted(tried, key=lambda row: row[0])


def _stand(camera: Camera, guess: Guess, interval_s: float) -> Stand:
    return Stand(
        camera=camera,
        pose=guess.pose,
        lens_deviates=np.zeros(camera.lens.factor.shape[1]),
        focal_log=float(np.log(guess.focal_ratio)),
        interval_s=interval_s,
    )


def _settled(camera: Camera, state: State, station: Station, interval_s: float) -> Stand:
    """Return the stand that a solved state gives."""
    return Stand(
        camera=camera,
        pose=station.pose(state),
        lens_deviates=state.theta[station.lens],
        focal_log=0.0 if station.focal is None else float(state.theta[station.focal][0]),
        interval_s=interval_s,
    )


def _with_twin(fit: CameraFit, tried: list[tuple[float, Network, State, Adjustment]]) -> CameraFit:
    """Add a problem where a second, different pose explains the picks about as well."""
    best = tried[0][2].theta[tried[0][1].stations[0].position]
    for cost, network, state, _ in tried[1:]:
        place = state.theta[network.stations[0].position]
        apart = float(np.linalg.norm(place - best))
        if cost < tried[0][0] + SAME_COST and apart > APART * (1.0 + np.linalg.norm(best)):
            problem = Problem(
                level="warn",
                where=f'camera "{fit.camera}"',
                message=(
                    f"a second position, {apart:.1f} m away, explains the picks about equally "
                    "well; add markers off the plane of the others (on poles), or state position_m"
                ),
            )
            return replace(fit, problems=(*fit.problems, problem))
    return fit


def camera_fit(
    network: Network, station: Station, state: State, adjustment: Adjustment
) -> CameraFit:
    """Return the account of one station of an adjusted network."""
    camera, covariance = station.camera, adjustment.covariance
    lens = station.lens_at(state)
    residuals = _marker_residuals(network, station, state, covariance)
    fitted = [row for row in residuals if row.use == "fit"]
    held = [row for row in residuals if row.use == "check"]
    return CameraFit(
        camera=camera.name,
        pose=station.pose(state),
        lens=lens,
        position_u_m=np.sqrt(np.diag(covariance)[station.position]),
        focal_u_px=_focal_u_px(station, covariance, lens),
        rms_px=float(np.sqrt(np.mean([row.residual_px @ row.residual_px for row in fitted]))),
        check_rms_m=_rms([row.residual_m for row in held]),
        check_rms_of_u=_rms([row.residual_px / row.u_px for row in held]),
        markers=tuple(residuals),
        problems=(),
    )


def _rms(values: Sequence[float] | Sequence[Floats]) -> float | None:
    """Return the root mean square of all numbers, None where there is none."""
    return float(np.sqrt(np.mean(np.square(np.array(values))))) if values else None


def _focal_u_px(station: Station, covariance: Floats, lens: Floats) -> float:
    """Return the standard uncertainty of fx after the fit."""
    row = np.zeros(len(covariance))
    row[station.lens] = station.camera.lens.factor[0]
    if station.focal is not None:
        row[station.focal] = lens[0]
    return float(np.sqrt(row @ covariance @ row))


def _marker_residuals(
    network: Network, station: Station, state: State, covariance: Floats
) -> list[MarkerResidual]:
    """Return what is left of each marker picked in a station, fitted or held out.

    The residual is against the marker *as surveyed*, so it holds pick and survey error. Its
    covariance is theirs less the fitted camera's for a fitted marker (K. Moffitt, E. Mikhail,
    Photogrammetry, appendix on residuals), plus the camera's for one held out.
    """
    index = {marker.name: number for number, marker in enumerate(network.markers)}
    own = [*range(station.position.start, station.turn.stop)]
    own += [] if station.focal is None else [station.focal.start]
    own += list(range(station.lens.start, station.lens.stop))
    camera_covariance = covariance[np.ix_(own, own)]
    rows = []
    for pick in station.camera.picks:
        marker = network.markers[index[pick.name]]
        seen = look(station, state, marker.xyz_m[None, :])
        slopes = [-seen.by_point[0], seen.by_turn[0]]
        slopes += [] if station.focal is None else [seen.by_focal[0]]
        by_camera = np.hstack([*slopes, seen.by_lens[0]])
        survey = network.marker_slopes(seen.by_point[0], index[pick.name])
        entered = pick.u_px**2 * np.eye(2) + survey @ survey.T
        fitted = by_camera @ camera_covariance @ by_camera.T
        shared = by_camera @ covariance[own, network.markers_at] @ survey.T
        held_out = fitted + shared + shared.T
        spread = entered + (held_out if marker.use == "check" else -fitted)
        left = pick.xy_px - seen.pixels[0]
        allowed = np.sqrt(np.maximum(np.diag(spread), 1e-4 * np.diag(entered)))
        depth = camera_points(marker.xyz_m[None, :], station.pose(state))[0, 2]
        metres = float(depth / station.lens_at(state)[0])
        rows.append(
            MarkerResidual(
                name=marker.name,
                use=marker.use,
                picked_px=pick.xy_px,
                projected_px=seen.pixels[0],
                residual_px=left,
                residual_m=float(np.linalg.norm(left)) * metres,
                u_m=float(np.max(allowed)) * metres,
                normalised=float(np.max(np.abs(left) / allowed)),
                u_px=allowed,
            )
        )
    return rows
