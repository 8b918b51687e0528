"""What the lights say of how frames were made: merged exposures, a rate or a playback that changes.

A night mode may average two or more exposures into a frame: the lamp is then there twice, or its
streak is longer than the way to the next frame. An automatic frame rate halves the rate when
the light fails. Both keep their stamps true. A clip whose middle part is stored for slow playback
does not: the lamp's speed in the picture then changes at once, as no craft's does.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from vidspeed.agreement.exposure import Exposure
from vidspeed.motion.flight import Flight, take
from vidspeed.values import Check, Floats, Track, Value

OTHER_RATE = 1.4  # a step longer by this factor is another rate, in a run of so many frames:
LEAST_RUN = 4
LEAST_BOTH = 6  # frames in which two tracks are seen, at least, to be one lamp twice
BOTH_SHARE = 0.6
BESIDE_PX = 4.0  # of the one track's path, where the other's lights lie
GAPPED, PLAIN_SNR = 0.72, 8.0  # brightness within a streak over its bright parts; whole ones 0.8
FAINT_SNR, FAINT_GAPPED = 3.5, 0.4  # the same for faint lights, whose parts scatter
ASLANT_RAD = 0.2  # between streak and way
STEADY_LAG = 0.15  # scatter of the lag between the two, over the lag
NEARLY = 0.99  # of the next: rounding decides nothing before all of it is asked
JUMP = 1.7  # factor by which a lamp's speed in the picture changes at once, at least:
JUMP_SURE = 4.0  # after so many standard uncertainties of both speeds are given away
JUMP_LIGHTS = 6  # on each side of it
JUMP_GAP_S = 0.35  # between the two sides
JUMP_PX = 12.0  # off the straight way on
JUMP_ROUGH_PX, JUMP_ROUGH = 0.5, 0.1  # scatter about each side's steady motion; steps of a frame


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RateChange(Value):
    """From `time_s` on, frames follow each other after `after_s` instead of `before_s`."""

    time_s: float
    before_s: float
    after_s: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SpeedJump(Value):
    """At `time_s` the lamp's speed in the picture changes at once by `factor`."""

    time_s: float
    factor: float

    def words(self) -> str:
        """Return what to tell of it."""
        faster = self.factor > 1.0
        ratio = self.factor if faster else 1.0 / self.factor
        return (
            f"at {self.time_s:.2f} s a light goes on along its way {ratio:.2g} times as "
            f"{'fast' if faster else 'slowly'} at once, which no craft can: part of the clip is "
            "stored for slow playback, or its stamps are wrong there; cut out the part with the "
            "pass and give it rate_hz, its capture rate"
        )


def check_frames(
    flight: Flight, found: Sequence[Exposure | None], tracks: Sequence[Sequence[Track]]
) -> Check:
    """Return the check row `frames` of a pass; `tracks` are all that moved in each of its clips."""
    said = []
    for order, (lit, seen) in enumerate(zip(flight.lit, found, strict=True)):
        used = take(lit.track, flight.used[order])
        words = [*_overlong(seen), *_dashed(used), *_twice(used, tracks[order]), *_other_rate(used)]
        several = len(flight.lit) > 1
        said += [f"{lit.clip}: {word}" if several else word for word in words]
    if not said:
        detail = "each shows the lamp once, at one rate"
        return Check(name="frames", status="ok", detail=detail)
    return Check(name="frames", status="warn", detail="; ".join(said))


def _overlong(seen: Exposure | None) -> list[str]:
    if seen is None or not seen.overlong:
        return []
    return [
        f"the streaks are {seen.exposure_s / seen.interval_s:.2f} times as long as the way to the "
        "next frame, which one exposure cannot be: exposures are merged (a night mode) or frames "
        "are made up between others; film with such modes off"
    ]


def _dashed(used: Track) -> list[str]:
    if not dashed(used):
        return []
    return [
        "the streaks have gaps: exposures are merged into a frame (a night mode), the lamp goes on "
        "and off faster than the frames, or several lamps run together (then state lamp_u_m); the "
        "middle of the whole is taken"
    ]


def dashed(track: Track) -> bool:
    """Tell whether the streaks of a track are dark in between."""
    if track.fill is None:
        return False
    return any(
        there.sum() >= LEAST_BOTH and np.median(track.fill[there]) < most
        for least, most in ((PLAIN_SNR, GAPPED), (FAINT_SNR, FAINT_GAPPED))
        for there in [np.isfinite(track.fill) & (track.snr >= least)]
    )


def aslant(track: Track) -> bool:
    """Tell whether the streaks of a track do not lie along its way: lamps beside each other."""
    velocity = np.gradient(track.xy_px, track.time_s, axis=0)
    way = np.arctan2(velocity[:, 1], velocity[:, 0])
    off = track.streak_angle_rad - way
    off = np.abs((off[np.isfinite(off)] + 0.5 * np.pi) % np.pi - 0.5 * np.pi)  # either way round
    return bool(len(off) >= LEAST_BOTH and np.median(off) > ASLANT_RAD)


def _twice(used: Track, tracks: Sequence[Track]) -> list[str]:
    for other in tracks:
        lag_s = seen_again(used, other)
        if lag_s is not None:
            side = "behind" if lag_s < 0.0 else "ahead"
            return [
                f"the lamp is there a second time in each frame, {1e3 * abs(lag_s):.1f} ms "
                f"{side}: two exposures merged into a frame (a night mode), or a second lamp on "
                "the craft; the speed is that of one of them"
            ]
    return []


def _other_rate(used: Track) -> list[str]:
    change = rate_change(used)
    if change is None:
        return []
    return [
        f"the time between frames changes from {1e3 * change.before_s:.2f} to "
        f"{1e3 * change.after_s:.2f} ms at {change.time_s:.2f} s (automatic frame rate); the "
        "stamps are taken as they are"
    ]


def rate_change(track: Track) -> RateChange | None:
    """Return where the rate of the frames changes within a track for good, or for a while.

    A single long step is a dropped frame and none.
    """
    steps = np.diff(track.time_s) / np.maximum(np.diff(track.frame), 1)
    for at in range(LEAST_RUN, len(steps) - LEAST_RUN + 1):
        before, after = steps[at - LEAST_RUN : at], steps[at : at + LEAST_RUN]
        apart = before.max() * OTHER_RATE < after.min() or after.max() * OTHER_RATE < before.min()
        if apart:
            return RateChange(
                time_s=float(track.time_s[at]),
                before_s=float(np.median(before)),
                after_s=float(np.median(after)),
            )
    return None


def seen_again(track: Track, other: Track) -> float | None:
    """Return by how much time another track runs ahead of this one, None where it is not the same.

    Both are then one lamp twice in each frame: on one path, at one lag.
    """
    if other is track or len(track) < LEAST_BOTH:
        return None
    if other.frame.max() < track.frame.min() or other.frame.min() > track.frame.max():
        return None  # another pass: of a long clip nearly all are
    mine = np.isin(track.frame, other.frame)
    if mine.sum() < max(LEAST_BOTH, BOTH_SHARE * len(track)):
        return None
    theirs = np.isin(other.frame, track.frame)
    place = other.xy_px[theirs]
    moment, beside = _when_there(track, place)
    inside = np.isfinite(moment)
    if inside.sum() < LEAST_BOTH or np.median(beside[inside]) > BESIDE_PX:
        return None
    lag = (moment - other.time_s[theirs])[inside]
    middle = float(np.median(lag))
    scatter = 1.4826 * float(np.median(np.abs(lag - middle)))
    return middle if abs(middle) > 1e-9 and scatter <= STEADY_LAG * abs(middle) else None


def _when_there(track: Track, place: Floats) -> tuple[Floats, Floats]:
    """Return when a track was nearest to places (n, 2) and how far off; NaN beyond its ends."""
    way = track.xy_px[-1] - track.xy_px[0]
    along = way / np.linalg.norm(way)
    progress = track.xy_px @ along
    order = np.argsort(progress)
    at = place @ along
    outside = (at < progress[order[0]]) | (at > progress[order[-1]])
    x, y, time = (
        np.interp(at, progress[order], column[order])
        for column in (track.xy_px[:, 0], track.xy_px[:, 1], track.time_s)
    )
    beside = np.hypot(place[:, 0] - x, place[:, 1] - y)
    return np.where(outside, np.nan, time), beside


def speed_jumps(tracks: Sequence[Track]) -> list[SpeedJump]:
    """Return where a lamp goes on along its way at another speed at once, in order of time.

    Within a track, or from the end of one to the beginning of another.
    """
    found = [jump for track in tracks for jump in _within(track)]
    for first in tracks:
        for second in tracks:
            gap_s = float(second.time_s[0] - first.time_s[-1])
            if 0.0 < gap_s <= JUMP_GAP_S and min(len(first), len(second)) >= JUMP_LIGHTS:
                jump = _jump(first, -JUMP_LIGHTS, None, second, 0, JUMP_LIGHTS)
                found += [] if jump is None else [jump]
    return sorted(found, key=lambda jump: jump.time_s)


def _within(track: Track) -> list[SpeedJump]:
    """Return the jumps of one track; neighbouring places of one jump count once."""
    found: list[SpeedJump] = []
    last = -JUMP_LIGHTS
    for at in _changes(track):
        jump = _jump(track, at - JUMP_LIGHTS, at, track, at, at + JUMP_LIGHTS)
        if jump is not None and at - last >= JUMP_LIGHTS:
            found.append(jump)
            last = at
    return found


def _changes(track: Track) -> list[int]:
    """Return the lights before and after which the speed differs enough to be looked at."""
    if len(track) < 2 * JUMP_LIGHTS:
        return []
    time_s = sliding_window_view(track.time_s, JUMP_LIGHTS)
    xy = sliding_window_view(track.xy_px, JUMP_LIGHTS, axis=0)
    tau = time_s - time_s.mean(axis=1, keepdims=True)
    speed = np.linalg.norm(np.einsum("nk,nck->nc", tau, xy), axis=1) / np.sum(tau**2, axis=1)
    before, after = speed[:-JUMP_LIGHTS], speed[JUMP_LIGHTS:]
    differ = np.maximum(before, after) > NEARLY * JUMP * np.minimum(before, after)
    return (np.flatnonzero(differ) + JUMP_LIGHTS).tolist()


def _jump(
    first: Track, start: int, stop: int | None, second: Track, begin: int, end: int
) -> SpeedJump | None:
    """Compare the straight motions of two runs of lights."""
    one = _motion(first.time_s[start:stop], first.xy_px[start:stop])
    two = _motion(second.time_s[begin:end], second.xy_px[begin:end])
    speeds = np.linalg.norm(one[1]), np.linalg.norm(two[1])
    if min(speeds) <= 0.0:
        return None
    factor = float(speeds[1] / speeds[0])
    along = one[1] / speeds[0]
    if max(factor, 1.0 / factor) <= JUMP or along @ two[1] < 0.9 * speeds[1]:
        return None
    doubt = _speed_u(first, slice(start, stop), one[2]), _speed_u(second, slice(begin, end), two[2])
    slow, fast = (0, 1) if factor > 1.0 else (1, 0)
    if speeds[fast] - JUMP_SURE * doubt[fast] <= JUMP * (speeds[slow] + JUMP_SURE * doubt[slow]):
        return None
    onward = two[0] - one[0]
    off = abs(float(onward[0] * along[1] - onward[1] * along[0]))
    ahead = float(onward @ along)
    between_s = float(second.time_s[begin:end].mean() - first.time_s[start:stop].mean())
    reached = min(speeds) * between_s * 0.5 <= ahead <= max(speeds) * between_s * 1.5
    rough = max(one[2], two[2]) > JUMP_ROUGH_PX + JUMP_ROUGH * min(speeds) * _step_s(first)
    if off > JUMP_PX or not reached or rough:
        return None
    return SpeedJump(time_s=float(second.time_s[begin]), factor=factor)


def _speed_u(track: Track, run: slice, scatter_px: float) -> float:
    """Return the standard uncertainty of the speed of a run of lights, by what they state and do.

    That of the slope of a least-squares line, from the larger of the places' stated uncertainty
    and the scatter of both coordinates.
    """
    tau = track.time_s[run] - track.time_s[run].mean()
    stated = float(np.median(track.cov_px2[run].trace(axis1=1, axis2=2)) / 2.0)
    count = len(tau)
    seen = scatter_px**2 * count / (2.0 * (count - 2.0))
    return float(np.sqrt(max(stated, seen) / (tau @ tau)))


def _step_s(track: Track) -> float:
    return float(np.median(np.diff(track.time_s)))


def _motion(time_s: Floats, xy_px: Floats) -> tuple[Floats, Floats, float]:
    """Return mean place (2,), velocity (2,) and scatter of a straight steady motion."""
    tau = time_s - time_s.mean()
    velocity = tau @ xy_px / float(tau @ tau)
    middle = xy_px.mean(axis=0)
    left = xy_px - middle - tau[:, None] * velocity
    return middle, velocity, float(np.sqrt(np.mean(np.sum(left**2, axis=1))))
