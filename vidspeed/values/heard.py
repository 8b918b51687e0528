"""What a clip's sound says: a craft that flies by, as heard, and the picture of the sound."""

from __future__ import annotations

from dataclasses import dataclass

from vidspeed.values.base import Bools, Floats, Value

USUAL_SOUND_MPS = (340.3, 6.0)  # 15 °C, and not known to 10 K
USUAL_WIND_U_MPS = 4.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Around(Value):
    """What is known beside a sound: the air, and how a craft may speed up and bend its way.

    `wind_mps` blows in the direction of flight; from start to finish where it is that of all
    passes.
    """

    sound_mps: float = USUAL_SOUND_MPS[0]
    sound_u_mps: float = USUAL_SOUND_MPS[1]
    wind_mps: float = 0.0
    wind_u_mps: float = USUAL_WIND_U_MPS
    accel_u_mps2: float = 10.0
    bend_u_mps2: float = 3.0
    sound_assumed: bool = False
    wind_assumed: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Flyby(Value):
    """A source of sound on its way past a listener, at the moment when it is closest.

    `moment_s` is when it is there (not when that is heard) on the clock of the sound track,
    `distance_m` how far away. `slope_per_s` is by what share its pitch rises in a second. It
    speeds up by `accel_mps2`; `bend_mps2` is its acceleration away from the listener. The air
    moves with `wind_mps` in the direction of flight, sound in it at `sound_mps`.
    """

    speed_mps: float
    distance_m: float
    moment_s: float
    slope_per_s: float = 0.0
    accel_mps2: float = 0.0
    bend_mps2: float = 0.0
    wind_mps: float = 0.0
    sound_mps: float = 343.2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Told(Value):
    """What a sound alone says of a fly-by, whatever was known beforehand of air and acceleration.

    With d the change from `at` (7,) in the logarithms of speed (m/s) and closest distance (m), the
    moment (s), the acceleration along and away (m/s²), the wind in the direction of flight and the
    speed of sound (m/s), -2 log likelihood is d^T `information` d + 2 `slope`^T d but for a
    constant. `dof` are those of the tones' scatter, None where they scatter no more than noise
    explains. `half_s` is half of how long it was heard.
    """

    at: Floats
    information: Floats
    slope: Floats
    half_s: float
    dof: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Heard(Value):
    """A fly-by fitted to k tones in n short windows of a sound track.

    `covariance` (8, 8) is that of the numbers of `flyby`, in their order. `tones_hz` (k,) are the
    pitches at the craft at the closest moment. `time_s` (n,) are the windows' middles, `seen_hz`
    (n, k) what was heard there (NaN: nothing to speak of), `used` (n, k) whether it was used,
    `fit_hz` (n, k) what the fit says. `scatter` is how many times more than their own
    uncertainty the tones scatter, `level_db` the tones' power over the noise's in a window's bin.
    """

    flyby: Flyby
    covariance: Floats
    tones_hz: Floats
    time_s: Floats
    seen_hz: Floats
    used: Bools
    fit_hz: Floats
    scatter: float
    level_db: float
    heard_s: tuple[float, float]  # from when to when the tones were heard
    told: Told | None = None

    @property
    def speed_mps(self) -> float:
        """Return the speed along the path when the craft is closest."""
        return self.flyby.speed_mps

    @property
    def speed_u_mps(self) -> float:
        """Return the standard uncertainty of the speed."""
        return float(self.covariance[0, 0] ** 0.5)

    @property
    def distance_u_m(self) -> float:
        """Return the standard uncertainty of the closest distance."""
        return float(self.covariance[1, 1] ** 0.5)

    @property
    def moment_u_s(self) -> float:
        """Return the standard uncertainty of the closest moment."""
        return float(self.covariance[2, 2] ** 0.5)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Listened(Value):
    """What listening to a clip gave: every fly-by, in order of time; without one, `reason`.

    `level_db` (n, m) is the sound's power over the noise around it at `time_s` (n,) and
    `frequency_hz` (m,).
    """

    file: str
    heard: tuple[Heard, ...]
    reason: str
    time_s: Floats
    frequency_hz: Floats
    level_db: Floats
    notes: tuple[str, ...] = ()
