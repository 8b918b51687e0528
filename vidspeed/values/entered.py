"""What the user wrote, read and checked: course, markers, cameras, clips, session."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date as Date
from datetime import datetime
from pathlib import Path
from typing import Literal

from vidspeed.values.base import Floats, Value
from vidspeed.values.onboard import Onboard
from vidspeed.values.surveyed import Measured, Surveyed, SurveyFactor

# Of a rolling shutter that is not stated; of phones up to 33 ms are published (Oth et al. 2013).
MOST_READOUT_S = 0.035


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Course(Value):
    """The measured straight line between two gates: x = 0 and x = `length_m`."""

    length_m: float
    length_u_m: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Marker(Value):
    """A surveyed point. `xyz_m` (3,) in the course frame, `u_m` of each coordinate."""

    name: str
    xyz_m: Floats
    u_m: float
    use: Literal["fit", "check"] = "fit"
    board: int | None = None  # number of the coded board whose middle it is


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pick(Value):
    """Where a marker is seen: `xy_px` (2,), `u_px` of each coordinate, which may be assumed."""

    name: str
    xy_px: Floats
    u_px: float
    assumed: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FlightLine(Value):
    """What is known beforehand of the path of one pass; the `_u` are of one pass.

    `offset_m` and `height_m` are the mean y and z between the gates. `stated` is False when the
    session left the flight line out (several cameras only): offset and height are then free.
    The `*_shared_u_m` are None where the session leaves the split unknown.
    """

    offset_m: float
    offset_u_m: float
    height_m: float
    height_u_m: float
    drift_u_m: float
    climb_u_m: float
    weave_u_m: float
    accel_u_mps2: Floats  # (3,) along x, y, z
    offset_shared_u_m: float | None = None
    height_shared_u_m: float | None = None
    stated: bool = True
    assumed: frozenset[str] = frozenset()  # keys that were left out, e.g. "weave_u_m"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lens(Value):
    """The camera's inner geometry and what is known of it.

    `parameters` (9,) are fx, fy, cx, cy (pixels), k1, k2, p1, p2, k3 in the order of OpenCV.
    Knowledge of them is `factor` (9, m): parameters = `parameters` + factor @ eta, where eta are
    m independent standard normal unknowns named by `names` (m,). A parameter without a column
    that touches it is exact. `focal_free`: nothing is known of the focal length; the markers
    must carry it, the first two `parameters` are then only a place to begin (image width) and
    no column of `factor` touches them.
    """

    image_size_px: tuple[int, int]
    parameters: Floats
    factor: Floats
    names: tuple[str, ...]  # "focal length", "centre x", "centre y", "k1"; or "lens 1" ...
    focal_free: bool = False
    assumed: frozenset[str] = frozenset()  # names that the session did not state
    file: str | None = None
    focus: Literal["near", "field"] = "field"  # near: not as in the field, focal length open


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Clock(Value):
    """What a clock file says of a camera in one video mode; None where it was not measured.

    `clock_ppm`: true seconds in a million seconds of the stamps, less a million (above 0: the
    camera's clock is slow). `clock_u_ppm` is of the day, `age_u_ppm` what has come since.
    """

    date: Date
    image_size_px: tuple[int, int]
    clock_ppm: float | None = None
    clock_u_ppm: float = 0.0
    age_u_ppm: float = 5.0
    drift_ppm_per_min: float | None = None
    drift_u_ppm_per_min: float = 0.0
    readout_s: float | None = None
    readout_u_s: float = 0.0
    stamped_rate_hz: float | None = None  # frames a second by the stamps
    clip: str | None = None
    note: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Planned(Value):
    """Where a camera will stand and what it will look at, metres; None: left to the plan.

    `from_m` and `to_m` (3,) are the corners of the room in which a search may move it.
    """

    position_m: Floats
    aim_m: Floats | None
    exposure_s: float | None
    pick_u_px: float
    light_u_px: float
    from_m: Floats | None
    to_m: Floats | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Camera(Value):
    """One fixed position of one camera with one lens setting, as the session states it.

    `readout_s` None: not known; it is then rectangular from 0 to the frame interval at the
    capture rate, at most 35 ms.
    """

    name: str
    image_size_px: tuple[int, int]
    lens: Lens
    picks: tuple[Pick, ...]
    readout_s: float | None
    readout_u_s: float
    clock_u_ppm: float
    clock_ppm: float = 0.0  # true seconds in a million seconds of the stamps, less a million
    reference: str | None = None
    position_m: Floats | None = None
    position_u_m: float | None = None
    rate_hz: float | None = None  # the rate it will film at; used by forecasts only
    picks_file: str | None = None
    clock_file: str | None = None
    planned: Planned | None = None  # where it will stand, before there are picks
    sound_late_s: float = 0.0  # by how much the sound of its clips is behind the picture
    sound_late_u_s: float | None = None  # None: not known
    assumed: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Choice(Value):
    """A light that the user points at: `xy_px` (2,) in the frame at `time_s`."""

    time_s: float
    xy_px: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Clip(Value):
    """One recorded clip as the session names it (paths relative to the session folder)."""

    file: str | None
    camera: str
    flight: str | None = None
    pass_label: str | None = None
    rate_hz: float | None = None
    exposure_s: float | None = None
    exposure_u_s: float | None = None
    recorded: datetime | None = None
    setup: str | None = None
    expect_none: bool = False
    choose: tuple[Choice, ...] = ()  # lights that belong to the craft
    track: str | None = None
    dismiss: tuple[Choice, ...] = ()  # false lights, which no solution uses
    path: str | None = None  # where it lies; None: in the session folder
    lost: str | None = None  # why it was not found where it was looked for
    heard: str | None = None  # what was heard before, as results keep it

    @property
    def name(self) -> str:
        """Return the file by which messages and results name the clip."""
        return self.file if self.file is not None else str(self.track)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sync(Value):
    """One event seen or heard in several clips: `time_s`, `time_u_s` (n,), a clip each."""

    clips: tuple[str, ...]
    time_s: Floats
    time_u_s: Floats
    kind: Literal["flash", "sound"] = "flash"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Log(Value):
    """A record made on board, n rows along its own time: places, or else speeds.

    `x_m` (n,) is along the course from the start gate; `x_u_m`, `time_u_s` and `speed_u_mps` (n,)
    are of each row by itself. `common_u` is what all rows have in common, as a part of the speed.
    """

    file: str
    time_s: Floats
    time_u_s: Floats
    x_m: Floats | None
    x_u_m: Floats
    speed_mps: Floats | None
    speed_u_mps: Floats
    common_u: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Proof(Value):
    """A lamp held still at a surveyed place: `place_m` (3,), `u_m` of each coordinate.

    `time_s` None: all the time that the clip runs. `xy_px` (2,) says which light it is. With a
    `log` the lamp was driven along the course instead: x of `place_m` says nothing then.
    """

    clip: str
    place_m: Floats
    u_m: float
    time_s: float | None = None
    xy_px: Floats | None = None
    log: Log | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Air(Value):
    """The air over the course; None where nothing was measured."""

    temperature_c: float | None = None
    temperature_u_c: float = 2.0
    pressure_hpa: float | None = None
    pressure_u_hpa: float = 3.0
    humidity_pct: float | None = None
    humidity_u_pct: float = 15.0
    wind_along_mps: float = 0.0
    wind_u_mps: float = 4.0
    assumed: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Craft(Value):
    """The craft: passes outside `speed_mps` (low, high) are not taken for it."""

    name: str | None = None
    speed_mps: tuple[float, float] = (150.0 / 3.6, 600.0 / 3.6)
    expected_mps: float | None = None  # for forecasts; None: the middle of the range
    lamp_u_m: float = 0.0
    assumed: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MarkRules(Value):
    """What `[mark]` states; None: no such rule. `passes` and `setup` say which passes count."""

    earlier_mps: float | None = None
    earlier_u_mps: float = 0.0
    margin_percent: float = 0.0
    passes: tuple[str, ...] | None = None
    setup: str | None = None
    flights: Literal["any", "same", "different"] = "any"
    within_s: float | None = None  # from entering in the first pass to leaving in the second
    height_m: tuple[float, float] | None = None  # lowest and highest at both gates
    most_dive_m: float | None = None  # height lost over `approach_m` before the first gate
    approach_m: float | None = None  # None: as far as was seen
    most_wind_mps: float | None = None
    density_kgm3: float | None = None  # air that the mark is also stated for


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class InputFile(Value):
    """A file that the results rest on: path relative to the session folder, and its hash."""

    file: str
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Session(Value):
    """One day at one course, read and checked. `folder` is the session folder as a string."""

    folder: str
    title: str
    date: Date | None
    place: str | None
    timezone: str | None
    course: Course
    markers: tuple[Marker, ...]
    flight_line: FlightLine
    air: Air | None
    craft: Craft
    cameras: tuple[Camera, ...]
    clips: tuple[Clip, ...]
    syncs: tuple[Sync, ...]
    mark: MarkRules | None
    wanted_U95_percent: float
    inputs: tuple[InputFile, ...]  # session.toml, markers, picks, lens files, reference stills
    covariance_m2: Floats | None = None  # (3 m, 3 m) of the markers, beside the scale
    measured: Measured | None = None  # tapes or satellites; markers and course follow from them
    surveyed: Surveyed | None = None  # ... adjusted
    survey: SurveyFactor | None = None  # None: each marker by itself, the scale by length_u_m
    proofs: tuple[Proof, ...] = ()
    onboard: tuple[Onboard, ...] = ()
    use_sound: bool = False  # the sound of the clips takes part in the solution

    def camera(self, name: str) -> Camera:
        """Return the camera of that name; KeyError where there is none (the reader checked)."""
        for camera in self.cameras:
            if camera.name == name:
                return camera
        raise KeyError(name)

    def path_of(self, clip: Clip) -> Path:
        """Return where the file of a clip lies."""
        return Path(clip.path) if clip.path is not None else Path(self.folder) / str(clip.file)
