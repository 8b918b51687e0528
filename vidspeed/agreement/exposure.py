"""The exposure of a clip, from its streaks: how long, whether it changes, whether it was stated so.

A light's place belongs to the middle of its exposure, its stamp to a moment of the frame that
nobody states: the start, the middle or the end of the exposure. With a constant exposure the
time between is constant and drops out. Where the exposure changes from frame to frame it does
not: times are then wrong by r (e - mean e) with one unknown r for the camera, somewhere between
-1/2 (the stamp is the end) and +1/2 (it is the start).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from vidspeed.agreement.streak import Streaks, picture_velocity, streaks
from vidspeed.motion.budget import budget_rows
from vidspeed.motion.coverage import coverage_factor
from vidspeed.motion.flight import Flight, Lit
from vidspeed.values import Bools, Check, Clip, CrossCheck, Floats, Input, PassResult, Value

LEAST_STREAKS = 6
MOSTLY = 0.6  # share of the used lights that must be streaks, not points
# Streaks are too long by -0.2 to 0.7 times (0.15 px + 2 u), u from the fit, in clips with glare
# and a soft shoulder, dark to bright; by -1.0 to 0.3 times where the sensor clips hard and a coder
# eats a streak's faint ends (two simulators that share nothing). Common to a clip.
END_PX, END_FITS = 0.15, 2.0
EXCESS = (0.15, 0.45)
LEAST_U_PX = 0.02
BLUR_PX2 = 0.6  # over its length: how far a streak is off for a blur of 1 px that is 5 % wider
LEAST_LENGTH_PX = 1.0  # that is taken for it there
EVEN = 0.015  # what the lengths of a constant exposure drift over a pass, as a share
LIKELY = 1.5  # standard uncertainties from which a change is carried, though not yet told
SURE = 3.0  # standard uncertainties beyond which a difference is said to be one
PLAIN_DRIFT = 0.05  # a change of less than this share of the exposure is not worth a word
REFERENCE_U = float(np.sqrt(1.0 / 6.0))  # of r: -1/2, 0 and +1/2, equally likely
PLAIN_PX = 6.0  # a streak so long is never taken for a point
LAMPS = (
    "lamps of the craft that run together make streaks longer, too: if it carries several, state "
    "lamp_u_m, how far any of them lies beside the point whose path is meant"
)
DIFFERS = 2.58  # standard uncertainties between stated and seen: one in a hundred by chance


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Exposure(Value):
    """The exposure of a clip during a pass.

    `exposure_s` is its mean over the pass; `drift_s` how much longer it is at the last used light
    than at the first, by a straight line; `course_s` (n,) how far above its mean it was at each
    used light, smoothed. All by the clip's own seconds.
    """

    clip: str
    camera: str
    exposure_s: float
    exposure_u_s: float
    drift_s: float
    drift_u_s: float
    course_s: Floats
    streak_px: float
    interval_s: float

    @property
    def changes(self) -> bool:
        """Tell whether the exposure surely changes during the pass."""
        least = max(SURE * self.drift_u_s, PLAIN_DRIFT * self.exposure_s)
        return abs(self.drift_s) > least

    @property
    def may_change(self) -> bool:
        """Tell whether a change of the exposure is likely enough to be carried."""
        return abs(self.drift_s) > max(LIKELY * self.drift_u_s, PLAIN_DRIFT * self.exposure_s)

    @property
    def overlong(self) -> bool:
        """Tell whether the streaks are surely longer than the way from frame to frame."""
        beyond = self.exposure_s - 1.02 * self.interval_s
        return beyond > SURE * self.exposure_u_s


def exposures(flight: Flight) -> list[Exposure | None]:
    """Return the exposure of each clip of a solved pass; None where the streaks do not tell."""
    return [exposure_of(streaks(flight, order)) for order in range(len(flight.lit))]


def exposure_of(seen: Streaks) -> Exposure | None:
    """Return the exposure that streaks show; None where too few lights are streaks.

    A streak is exposure times speed long, and a little more. What is not known of that excess is
    carried, so that a lamp that slows down in the picture or grows brighter is not surely exposed
    longer.
    """
    whole = np.isfinite(seen.length_px) & np.isfinite(seen.length_u_px)
    if whole.sum() < LEAST_STREAKS or whole.mean() < MOSTLY:
        return None
    time = seen.time_s[whole]
    middle, span = float(seen.time_s.mean()), float(np.ptp(seen.time_s))
    tau = (time - middle) / span
    line, spread = _fitted(seen, whole, tau, 1)
    bent, _ = _fitted(seen, whole, tau, 3 if whole.sum() >= 12 else 1)
    course = np.vander((seen.time_s - middle) / span, len(bent), increasing=True) @ bent
    reach = float(np.ptp((seen.time_s - middle) / span))
    return Exposure(
        clip=seen.clip,
        camera=seen.camera,
        exposure_s=float(line[0]),
        exposure_u_s=float(np.sqrt(spread[0, 0])),
        drift_s=float(reach * line[1]),
        drift_u_s=float(reach * np.hypot(np.sqrt(spread[1, 1]), EVEN * line[0])),
        course_s=np.asarray(course - course.mean()),
        streak_px=float(np.median(seen.length_px[whole])),
        interval_s=seen.interval_s,
    )


def _fitted(seen: Streaks, whole: Bools, tau: Floats, degree: int) -> tuple[Floats, Floats]:
    """Return a polynomial of the exposure in `tau` and its covariance.

    The excess, and a steady change of it through the pass, are taken as they usually are: the
    streaks themselves hardly tell them from an exposure. What is open of them widens, and
    so does what is open of the blur s: a short streak L looks sqrt(s^2 + L^2/12) wide.
    """
    speed = (seen.speed_px_s / seen.held)[whole]
    u = np.maximum(seen.length_u_px[whole], LEAST_U_PX)
    usual = float(np.median(u))
    excess = END_PX + END_FITS * np.clip(u, 0.5 * usual, 2.0 * usual)
    powers = np.vander(tau, degree + 1, increasing=True)
    length = seen.length_px[whole] - EXCESS[0] * excess
    fitted, spread, gain = _robust(speed[:, None] * powers, length, u)
    blur_px = np.full(len(tau), BLUR_PX2 / max(float(np.median(length)), LEAST_LENGTH_PX))
    for open_px in (EXCESS[1] * excess, EXCESS[1] * excess * 2.0 * tau, blur_px):
        effect = gain @ open_px
        spread = spread + np.outer(effect, effect)
    return fitted, spread


def _robust(basis: Floats, value: Floats, u: Floats) -> tuple[Floats, Floats, Floats]:
    """Return coefficients, covariance and gain (by the values) of a fit that few do not pull.

    Huber's weights (P. J. Huber, Ann. Math. Statist. 35 (1964) 73-101); a scatter larger than
    stated widens.
    """
    weight, scale = np.ones_like(value), 1.0
    for _ in range(8):
        pulled = basis.T * (weight / u**2)
        inverse = np.linalg.inv(pulled @ basis)
        gain = inverse @ pulled
        fitted = gain @ value
        off = np.abs(value - basis @ fitted) / u
        scale = max(1.0, float(np.median(off)) / 0.6745)
        weight = np.minimum(1.0, 1.5 * scale / np.maximum(off, 1e-12))
    return np.asarray(fitted), np.asarray(inverse * scale**2), np.asarray(gain)


def check_exposure(
    found: Sequence[Exposure | None], clips: Sequence[Clip], flight: Flight
) -> Check:
    """Return the check row `exposure` of a pass: its clips, in the order of `found`."""
    rows = [
        _said(seen, clip) if seen is not None else _unseen(streaks(flight, order), clip)
        for order, (seen, clip) in enumerate(zip(found, clips, strict=True))
    ]
    rows = [_with_jump(row, lit) for row, lit in zip(rows, flight.lit, strict=True)]
    several = len(rows) > 1
    details = [
        f"{clip.name}: {said}" if several else said
        for (_, said), clip in zip(rows, clips, strict=True)
    ]
    fine = all(good for good, _ in rows)
    return Check(name="exposure", status="ok" if fine else "warn", detail="; ".join(details))


def _with_jump(row: tuple[bool, str], lit: Lit) -> tuple[bool, str]:
    """Add to what is said of a clip's exposure that it may have jumped, where it may."""
    if lit.step is None:
        return row
    at_s = float(lit.track.time_s[np.searchsorted(lit.track.frame, lit.step.frame)])
    return False, (
        f"{row[1]}; the lamp's light, or its place along its way, jumps at {at_s:.2f} s (automatic "
        "exposure, or gain), and with it perhaps the time between stamp and mid-exposure: that is "
        "one more unknown of the solution; lock the exposure next time"
    )


def _unseen(lights: Streaks, clip: Clip) -> tuple[bool, str]:
    """Return whether lights that are no streaks may be none, and a sentence."""
    stated_px = (clip.exposure_s or 0.0) * float(np.median(lights.speed_px_s))
    points = float(np.mean(~np.isfinite(lights.length_px)))
    if stated_px > PLAIN_PX and points > MOSTLY:
        return False, (
            f"by exposure_ms the streaks would be {stated_px:.0f} px long, and the lights are "
            "points: exposure_ms is too long, or the clip plays faster than it was filmed"
        )
    return True, "the lights are points, or too few are streaks, and tell no exposure"


def _said(seen: Exposure, clip: Clip) -> tuple[bool, str]:
    """Return whether all is well with a clip's exposure, and a sentence."""
    said = f"{1e3 * seen.exposure_s:.2f} ms (u {1e3 * seen.exposure_u_s:.2f} ms) by the streaks"
    good = True
    if clip.exposure_s is not None:
        off = deviation(seen, clip)
        agrees = abs(off) <= DIFFERS
        good = good and agrees
        verdict = "as stated" if agrees else "not as stated"
        said += f", {verdict} ({1e3 * clip.exposure_s:.2f} ms)"
        if off > DIFFERS:
            said += f"; {LAMPS}"
    if seen.changes:
        good = False
        first, last = (seen.exposure_s + side * seen.drift_s / 2.0 for side in (-1.0, 1.0))
        said += (
            f"; it changes during the pass, from {1e3 * first:.2f} to {1e3 * last:.2f} ms "
            "(automatic exposure), and with it the time between stamp and mid-exposure: the "
            "budget's row `exposure` is what that leaves open; lock the exposure next time"
        )
    else:
        said += "; steady"
    return good, said


def deviation(seen: Exposure, clip: Clip) -> float:
    """Return by how many standard uncertainties the seen exposure is above the stated one."""
    assert clip.exposure_s is not None
    return (seen.exposure_s - clip.exposure_s) / float(
        np.hypot(seen.exposure_u_s, clip.exposure_u_s or 0.0)
    )


def streak_speed(
    result: PassResult, found: Sequence[Exposure | None], clips: Sequence[Clip]
) -> CrossCheck | None:
    """Return the speed from streak length over the stated exposure; None without the two.

    It shares the whole geometry with the pass's own speed: they differ by seen over stated
    exposure, and that ratio's uncertainty is the uncertainty of the difference.
    """
    best: tuple[float, float] | None = None
    for seen, clip in zip(found, clips, strict=True):
        if seen is None or not clip.exposure_s:
            continue
        ratio = seen.exposure_s / clip.exposure_s
        relative = np.hypot(
            seen.exposure_u_s / clip.exposure_s,
            ratio * (clip.exposure_u_s or 0.0) / clip.exposure_s,
        )
        if best is None or relative < best[1]:
            best = ratio, float(relative)
    if best is None or result.speed_mps is None or result.speed_u_mps is None:
        return None
    ratio, relative = best
    return CrossCheck(
        name="streak",
        speed_mps=ratio * result.speed_mps,
        speed_u_mps=float(np.hypot(ratio * result.speed_u_mps, relative * result.speed_mps)),
        e_n=(ratio - 1.0) / (1.96 * relative),
    )


def widened(flight: Flight, result: PassResult, found: Sequence[Exposure | None]) -> PassResult:
    """Return a result with what changing exposures leave open of its lights' times.

    The times of a camera's lights are later than solved with by r (e - mean e); r is 0 with the
    standard uncertainty of three equally likely values. To first order a time that is later by d
    is a light that was seen earlier on its way by velocity times d, so the signed sensitivities
    of the lights give that of r. Cameras may be alike in this or not: whichever is larger.
    """
    if result.sensitivities_mps is None or result.speed_u_mps is None:
        return result
    rows = flight.network.light_rows()[0]
    by_camera: dict[str, float] = {}
    for order, seen in enumerate(found):
        if seen is None or not seen.may_change:
            continue
        used = flight.used[order]
        late_s = REFERENCE_U * seen.course_s
        moved_px = -picture_velocity(flight, order)[used] * late_s[:, None]
        white = flight.network.traverses[0].clips[order].white
        pull = np.einsum("nij,nj->ni", white, moved_px).ravel()
        effect = float(result.sensitivities_mps[rows[order]] @ pull)
        by_camera[seen.camera] = by_camera.get(seen.camera, 0.0) + effect
    together = sum(by_camera.values())
    if abs(together) > np.linalg.norm(list(by_camera.values())):
        return _with_input(result, _reference("session"), together)
    for camera, effect in by_camera.items():
        result = _with_input(result, _reference(f"camera {camera}"), effect)
    return result


def _reference(owner: str) -> Input:
    """Return the input that says which moment of a changing exposure a stamp names."""
    return Input(
        owner=owner,
        name="exposure at the stamp",
        source="exposure",
        kind="B",
        assumed=True,
        input_u=REFERENCE_U,
        unit="exposures",
    )


def _with_input(result: PassResult, entry: Input, effect_mps: float) -> PassResult:
    """Add an independent input, of infinite degrees of freedom, to a result's account."""
    assert result.sensitivities_mps is not None
    assert result.speed_mps is not None and result.speed_u_mps is not None
    assert result.interval95_mps is not None and result.coverage_factor is not None
    inputs = (*result.inputs, entry)
    sensitivities = np.append(result.sensitivities_mps, effect_mps)
    u = float(np.hypot(result.speed_u_mps, effect_mps))
    grown = u / result.speed_u_mps
    dof, factor = result.dof, result.coverage_factor
    if result.method == "first order":
        dof = None if dof is None else dof * grown**4  # Welch-Satterthwaite, GUM G.4.1
        factor = coverage_factor(dof)
    low, high = result.interval95_mps
    wider = factor * u / (result.coverage_factor * result.speed_u_mps)
    return replace(
        result,
        speed_u_mps=u,
        speed_U95_mps=factor * u,
        coverage_factor=factor,
        dof=dof,
        interval95_mps=(
            result.speed_mps - wider * (result.speed_mps - low),
            result.speed_mps + wider * (high - result.speed_mps),
        ),
        budget=budget_rows(inputs, sensitivities),
        inputs=inputs,
        sensitivities_mps=sensitivities,
    )
