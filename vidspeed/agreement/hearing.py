"""Listen to a sound track: is there a craft that flies by, how fast, how near, and when."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import combinations, pairwise
from typing import NamedTuple

import numpy as np

from vidspeed.agreement.arrival import heard_moment, pitch
from vidspeed.agreement.doppler import Fitted, fit
from vidspeed.agreement.spectra import WINDOW_S, Spectra, spectra
from vidspeed.agreement.tails import several
from vidspeed.agreement.tones import (
    IDLE_SCORE,
    Candidate,
    Followed,
    candidates,
    follow,
    tones_along,
)
from vidspeed.errors import MotionError
from vidspeed.values import Around, Bools, Floats, Flyby, Heard, Listened, Value

ROOM_S = 1.6  # what is listened to about the moment, to either side
BLOCK_S = 12.0  # of a long sound, looked at by itself
AT_ONCE_S = 0.6  # two craft nearer in time than this cannot be told apart
FIRST_HZ = (120.0, 100.0)  # how far one tone may be off where a curve has it
THEN_HZ = (80.0, 60.0, 60.0)  # ... and all tones where the fit before has them
LONG_S, LONG_REACH_HZ = 0.05, 36.0  # windows for the last rounds, where tones are steady enough
STEADY = 1.4  # times the power over noise in windows twice as long; 2 in a steady tone
LEAST_S = 0.3  # of sound
LEAST_SIDE_S = 0.15  # with a tone that are needed on either side of the moment
LEAST_POWER = 2.8  # mean power over noise on the fitted curve, in windows used
LEAST_SHARE = 0.45  # of the windows from the first used to the last
FALL_S, LEAST_FALL = 0.35, 0.6  # so near the moment this share of the windows must have a tone
MOST_U = 0.2  # of the speed
MOST_SCATTER, MOST_WAVER = 3.0, 0.004  # in u, and as a share of the pitch: only both are too much
RIVAL = 0.4  # share of the best one's evidence from which another is a rival
SAME_S, SAME_PART = 0.15, 0.1
NOTHING = "no tone stands out of the noise whose pitch falls as of a craft that flies by"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fitting(Value):
    """A candidate that was fitted: what was followed, the fit, and how much speaks for it.

    `predicted_hz` (n, k) is where tones were looked for in the windows.
    """

    followed: Followed
    predicted_hz: Floats
    fitted: Fitted
    evidence: float


def hear(
    samples: Floats,
    rate_hz: float,
    start_s: float,
    *,
    around: Around | None = None,
    within_s: tuple[float, float] | None = None,
    speed_mps: tuple[float, float] | None = None,
    file: str = "",
) -> Listened:
    """Look for craft that fly by in samples (n,), the first of which is of `start_s`.

    Parameters
    ----------
    around
        What is known of the air and the path; left out: 15 °C to 10 K, wind to 4 m/s.
    within_s
        From when to when the closest moment may be heard: of one craft at most.
    speed_mps
        The craft's range of speeds; what flies by outside it is not taken for the craft.
    """
    about = around or Around()
    first = 0
    if within_s is not None:
        first = max(0, round((within_s[0] - ROOM_S - start_s) * rate_hz))
        last = max(0, round((within_s[1] + ROOM_S - start_s) * rate_hz))
        samples = samples[first:last]
    sound = _Sound(samples, rate_hz, start_s + first / rate_hz)
    seen = spectra(samples, rate_hz, sound.start_s)
    heard: list[Heard] = []
    reasons: list[str] = []
    for window_s in _blocks(sound, within_s):
        found, reason = _heard(sound, seen, about, window_s, speed_mps)
        heard += found
        reasons += [reason] if reason else []
    return Listened(
        file=file,
        heard=tuple(sorted(heard, key=lambda row: row.flyby.moment_s)),
        reason="" if heard else (reasons or [NOTHING])[0],
        time_s=seen.time_s,
        frequency_hz=seen.frequency_hz,
        level_db=10.0 * np.log10(np.maximum(seen.over_noise, 1e-2)),
    )


class _Sound(NamedTuple):
    """Samples (n,), and when the first of them was recorded."""

    samples: Floats
    rate_hz: float
    start_s: float


def _blocks(sound: _Sound, within_s: tuple[float, float] | None) -> list[tuple[float, float]]:
    """Return stretches of time in which to look for the closest moment, one after the other."""
    end_s = sound.start_s + len(sound.samples) / sound.rate_hz
    if within_s is not None:
        return [within_s]
    count = max(1, int(np.ceil((end_s - sound.start_s) / BLOCK_S)))
    edges = np.linspace(sound.start_s, end_s, count + 1).tolist()
    return list(pairwise(edges))


def _heard(
    sound: _Sound,
    heard_spectra: Spectra,
    around: Around,
    within_s: tuple[float, float],
    speed_mps: tuple[float, float] | None,
) -> tuple[list[Heard], str]:
    """Return the fly-bys of a stretch of time, or why there is none."""
    time_s = heard_spectra.time_s
    near = (time_s > within_s[0] - ROOM_S) & (time_s < within_s[1] + ROOM_S)
    seen = replace(heard_spectra, time_s=time_s[near], over_noise=heard_spectra.over_noise[near])
    rough = [
        begun
        for candidate in candidates(seen, around.sound_mps, within_s)
        if (begun := _begun(sound, candidate, around)) is not None
    ]
    found = [
        whole
        for start in _apart(sorted(rough, key=lambda row: -row.evidence))
        if (whole := _fitting(sound, seen, start, around)) is not None
    ]
    followed = [row for row in found if _not_followed(row) is None]
    if not followed:
        return [], next((text for row in found if (text := _not_followed(row))), NOTHING)
    apart = _apart(sorted(followed, key=lambda row: -row.evidence))
    faults = [
        _elsewhere(row, within_s)
        or _not_the_craft(row.fitted, speed_mps)
        or several(row.fitted, row.followed, row.predicted_hz, around)
        for row in apart
    ]
    good = [row for row, fault in zip(apart, faults, strict=True) if fault is None]
    if not good:
        return [], faults[0] or NOTHING
    for row, other in combinations(good, 2):
        if abs(_moment(row) - _moment(other)) < AT_ONCE_S:
            return [], _rival_words(row, other)
    return [_as_heard(row) for row in good], ""


def _moment(found: Fitting) -> float:
    """Return when the closest moment is heard."""
    return heard_moment(found.fitted.flyby)


def _apart(found: list[Fitting]) -> list[Fitting]:
    """Return the fits (the best first) that are of different sounds, those that matter.

    What lives on the same windows and pitches as a better fit is a worse description of that.
    """
    kept: list[Fitting] = []
    for row in found:
        if not kept or (
            min(_beside(row, other) for other in kept) > RIVAL * kept[0].evidence
            and not any(_same(row, other) for other in kept)
        ):
            kept.append(row)
    return kept


def _begun(sound: _Sound, candidate: Candidate, around: Around) -> Fitting | None:
    """Follow a candidate's one tone and fit it; None where it comes to nothing."""
    flyby, tones = candidate.flyby, np.array([candidate.tone_hz])
    found = None
    for reach_hz in FIRST_HZ:
        found = _turn(sound, flyby, tones, reach_hz, WINDOW_S, around)
        if found is None:
            return None
        flyby, tones = found.fitted.flyby, found.fitted.tones_hz
    return found


def _fitting(sound: _Sound, seen: Spectra, start: Fitting, around: Around) -> Fitting | None:
    """Look for all tones of a fly-by, follow and fit them, in turns; None if that fails."""
    found = start
    for reach_hz in THEN_HZ:
        flyby, tones = found.fitted.flyby, found.fitted.tones_hz
        middle = heard_moment(flyby)
        more = tones_along(seen, flyby, (middle - ROOM_S, middle + ROOM_S))
        tones = more if len(more) else tones
        turned = _turn(sound, flyby, tones, reach_hz, WINDOW_S, around)
        if turned is None:
            return None
        found = turned
    longer = found
    for _ in range(3):
        best = longer.fitted
        again = _turn(sound, best.flyby, best.tones_hz, LONG_REACH_HZ, LONG_S, around)
        if again is None or _level(again) < STEADY * _level(found):
            return found
        longer = again
    return longer


def _level(found: Fitting) -> float:
    """Return the usual power over noise of a fit's tones."""
    return float(np.median(found.followed.at_fit[found.fitted.used]))


def _turn(
    sound: _Sound,
    flyby: Flyby,
    tones_hz: Floats,
    reach_hz: float,
    window_s: float,
    around: Around,
) -> Fitting | None:
    """Follow tones about a fly-by and fit them; None where too little is heard."""
    samples, rate_hz, start_s = sound
    middle = heard_moment(flyby)
    size = round(window_s * rate_hz)
    low = max(0, size * round((middle - ROOM_S - start_s) / window_s))  # windows stay in place
    high = max(0, round((middle + ROOM_S - start_s) * rate_hz))
    piece, begin_s = samples[low:high], start_s + low / rate_hz
    if len(piece) < LEAST_S * rate_hz:
        return None
    followed = follow(piece, rate_hz, begin_s, flyby, tones_hz, reach_hz, window_s)
    predicted = np.outer(pitch(flyby, followed.time_s), tones_hz)
    try:
        fitted = fit(flyby, tones_hz, followed, predicted, around)
    except (MotionError, np.linalg.LinAlgError):
        return None
    return Fitting(
        followed=followed,
        predicted_hz=predicted,
        fitted=fitted,
        evidence=_evidence(followed, fitted.used) * window_s / WINDOW_S,
    )


def _evidence(followed: Followed, cells: Bools) -> float:
    """Return how much speaks for a fit: the logarithms of power over noise where it has tones."""
    plain = np.log(np.minimum(followed.at_fit, 60.0) + 0.5) - IDLE_SCORE
    return float(plain[cells].sum())


def _beside(rival: Fitting, best: Fitting) -> float:
    """Return what speaks for a rival in cells that the best fit's tones do not explain."""
    time_s = rival.followed.time_s
    known = np.outer(pitch(best.fitted.flyby, time_s), best.fitted.tones_hz)
    off = np.abs(rival.predicted_hz[:, :, None] - known[:, None, :]).min(axis=2)
    own = max(_evidence(rival.followed, rival.fitted.used), 1e-9)
    apart = _evidence(rival.followed, rival.fitted.used & (off > 3.0 / WINDOW_S))
    return rival.evidence * apart / own


def _not_followed(found: Fitting) -> str | None:
    """Return why the tones are too faint or too short to tell anything."""
    result, followed = found.fitted, found.followed
    moment = heard_moment(result.flyby)
    rows = np.any(result.used, axis=1)
    time_s = followed.time_s[rows]
    step_s = float(np.median(np.diff(followed.time_s)))
    before, after = step_s * (time_s < moment).sum(), step_s * (time_s > moment).sum()
    if min(before, after) < LEAST_SIDE_S:
        return (
            "a tone is heard, but not long enough both before and after the craft is closest: its "
            "pitch alone does not tell a speed"
        )
    between = (followed.time_s >= time_s[0]) & (followed.time_s <= time_s[-1])
    falling = np.abs(followed.time_s - moment) < FALL_S  # where the pitch falls, and is loudest
    power = float(np.mean(followed.at_fit[result.used]))
    if (
        power < LEAST_POWER
        or float(np.mean(rows[between])) < LEAST_SHARE
        or not np.any(falling)
        or float(np.mean(rows[falling])) < LEAST_FALL
    ):
        return NOTHING
    waver = float(np.sqrt(np.nanmean((result.off * followed.u_hz / found.predicted_hz) ** 2)))
    if result.forced or (result.scatter > MOST_SCATTER and waver > MOST_WAVER):
        return "a tone is heard, but its pitch does not change as of a craft that flies straight by"
    return None


def _elsewhere(found: Fitting, within_s: tuple[float, float] | None) -> str | None:
    """Return that a sound is of another moment than the craft's."""
    moment = heard_moment(found.fitted.flyby)
    if within_s is not None and not within_s[0] <= moment <= within_s[1]:
        return "a tone is heard, but its source is not closest when the craft is"
    return None


def _not_the_craft(result: Fitted, speed_mps: tuple[float, float] | None) -> str | None:
    """Return why a fit does not tell a craft's speed."""
    speed = result.flyby.speed_mps
    u = float(np.sqrt(result.covariance[0, 0]))
    if not u < MOST_U * speed:
        return f"a tone is heard, but it tells the speed to {100.0 * u / speed:.0f} % only"
    if speed_mps is not None and not speed_mps[0] - 2 * u <= speed <= speed_mps[1] + 2 * u:
        return f"a tone is heard, but of something that flies at {3.6 * speed:.0f} km/h"
    return None


def _same(one: Fitting, other: Fitting) -> bool:
    """Tell whether two fits are of one fly-by."""
    a, b = one.fitted.flyby, other.fitted.flyby
    late = abs(heard_moment(a) - heard_moment(b))
    u = np.hypot(*(np.sqrt(row.fitted.covariance[0, 0]) for row in (one, other)))
    near = max(SAME_PART * b.speed_mps, 3.0 * float(u))
    return bool(late < SAME_S and abs(a.speed_mps - b.speed_mps) < near)


def _rival_words(best: Fitting, rival: Fitting) -> str:
    a, b = best.fitted.flyby, rival.fitted.flyby
    return (
        f"two sounds of craft that fly by are heard, at {heard_moment(a):.2f} s with "
        f"{3.6 * a.speed_mps:.0f} km/h and at {heard_moment(b):.2f} s with "
        f"{3.6 * b.speed_mps:.0f} km/h; say when the craft passes"
    )


def _as_heard(found: Fitting) -> Heard:
    result, followed = found.fitted, found.followed
    seen = np.where(followed.used, found.predicted_hz + followed.off_hz, np.nan)
    rows = np.any(result.used, axis=1)
    return Heard(
        flyby=result.flyby,
        covariance=result.covariance,
        tones_hz=result.tones_hz,
        time_s=followed.time_s,
        seen_hz=seen,
        used=result.used,
        fit_hz=np.outer(pitch(result.flyby, followed.time_s), result.tones_hz),
        scatter=result.scatter,
        level_db=float(10.0 * np.log10(np.median(followed.level[result.used]))),
        heard_s=(float(followed.time_s[rows][0]), float(followed.time_s[rows][-1])),
        told=result.told,
    )
