"""Stored for slow playback, and nobody said so: what light says against a clip's stamps.

A clip filmed at 240 frames a second and stored at 30 plays eight times too slowly. Its stamps
then give an eighth of the speed. A stated exposure tells: streak length over travel is the
exposure as a share of the frame interval, whatever the interval is. Without it only a speed that
no craft of the session has tells.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from vidspeed.agreement.exposure import SURE, Exposure
from vidspeed.values import Clip, Craft, Track, Value

USUAL_HZ = (50.0, 60.0, 100.0, 120.0, 180.0, 200.0, 240.0, 300.0, 480.0, 500.0, 960.0, 1000.0)
FACTORS = (1.5, 2.0, 3.0, 4.0, 6.0, 8.0, 12.0, 16.0, 24.0, 32.0)  # that are tried
SURELY_SLOWER = 1.5  # times, below which a wrong exposure is likelier than slow playback
# What streaks are surely too long by, at least. A light counts as a streak from about the width of
# its blur on: of truly shorter ones the long half is seen, and a wide or a bright lamp adds to it.
SURELY_LONGER_PX = 2.0
NEAR_HZ = 0.12  # a usual rate is named if it lies this near, as a share


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Slow(Value):
    """A clip plays from `low` to `high` times slower than it was filmed, if it does so at all."""

    low: float
    high: float
    interval_s: float

    def rates_hz(self) -> list[float]:
        """Return the usual capture rates that would explain it; the likeliest one if none does."""
        stored = 1.0 / self.interval_s
        bounds = stored * self.low * (1.0 - NEAR_HZ), stored * self.high * (1.0 + NEAR_HZ)
        usual = [rate for rate in USUAL_HZ if bounds[0] <= rate <= bounds[1]]
        return usual or [float(f"{stored * (self.low + self.high) / 2.0:.3g}")]


def slow_by_exposure(seen: Exposure, clip: Clip) -> Slow | None:
    """Return how much too slowly a clip plays by its stated exposure, None where it need not.

    `rate_hz`, where it is stated, decides: None. Streaks longer than the way from frame to frame
    have another reason, since at every rate they are. Short ones must be too long by more than
    what a lamp's width can do.
    """
    if clip.exposure_s is None or clip.rate_hz is not None or seen.overlong:
        return None
    u, stated_u = SURE * seen.exposure_u_s, SURE * (clip.exposure_u_s or 0.0)
    low = (seen.exposure_s - u) / (clip.exposure_s + stated_u)
    if low < SURELY_SLOWER or seen.streak_px * (1.0 - 1.0 / low) < SURELY_LONGER_PX:
        return None
    ratio = seen.exposure_s / clip.exposure_s
    u_ratio = ratio * (
        seen.exposure_u_s / seen.exposure_s + (clip.exposure_u_s or 0.0) / clip.exposure_s
    )
    return Slow(low=ratio - u_ratio, high=ratio + u_ratio, interval_s=seen.interval_s)


def denied_by_exposure(seen: Exposure, clip: Clip, slow: Slow) -> bool:
    """Tell whether the streaks are surely too short for a clip that plays so slowly."""
    if clip.exposure_s is None:
        return False
    u, stated_u = SURE * seen.exposure_u_s, SURE * (clip.exposure_u_s or 0.0)
    return seen.exposure_s + u < slow.low * max(clip.exposure_s - stated_u, 0.0)


def denied_by_speed(craft: Craft, speed_mps: float, slow: Slow) -> bool:
    """Tell whether what flies at `speed_mps` would be too fast for the craft if it plays so slowly.

    Then something else made the streaks long: lamps that run together, or a wrong exposure.
    """
    return speed_mps * slow.low > craft.speed_mps[1]


def slow_by_speed(craft: Craft, speed_mps: float, interval_s: float) -> Slow:
    """Return how much too slowly a clip plays if what flies in it at `speed_mps` is the craft."""
    low, high = craft.speed_mps
    return Slow(low=max(low / speed_mps, FACTORS[0]), high=high / speed_mps, interval_s=interval_s)


def exposure_words(seen: Exposure, clip: Clip, slow: Slow) -> str:
    """Return what to tell of a clip whose streaks are too long for the stated exposure."""
    assert clip.exposure_s is not None
    return (
        f"by the stamps the streaks last {1e3 * seen.exposure_s:.3g} ms, exposure_ms says "
        f"{1e3 * clip.exposure_s:.3g} ms: {seen.exposure_s / clip.exposure_s:.2g} times less; "
        f"the clip was stored for slow playback, or exposures are merged (a night mode), or "
        f"exposure_ms is wrong; give the clip rate_hz: its capture rate ({_listed(slow)} would "
        f"fit), or {1.0 / slow.interval_s:.6g} if its stamps are right; no speed is given until "
        "then"
    )


def speed_words(slow: Slow, speed_mps: float) -> str:
    """Return what to tell of a clip in which the craft flies only if time runs faster."""
    return (
        f"at the clip's stamps nothing flies like the craft, but a light does at "
        f"{3.6 * speed_mps:.3g} km/h, {slow.low:.2g} to {slow.high:.2g} times too slow; if the "
        f"clip was stored for slow playback, give it rate_hz, its capture rate ({_listed(slow)} "
        'would fit); if that is not the craft, and the clip holds no pass, say expect = "none"'
    )


def _listed(slow: Slow) -> str:
    return " or ".join(f"{rate:g}" for rate in slow.rates_hz())


def faster(track: Track, factor: float) -> Track:
    """Return a track as if its clip had been filmed `factor` times faster than its stamps say."""
    interval_s = None if track.interval_s is None else track.interval_s / factor
    return replace(
        track,
        time_s=track.time_s / factor,
        time_u_s=track.time_u_s / factor,
        interval_s=interval_s,
    )
