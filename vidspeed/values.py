"""What flows through the house: frozen values, with the unit in the name.

Arrays are float64 unless said otherwise and read-only. Frames, units and words are those of the
contract (README.md, "Frames and units"): the course frame in metres, the picture frame in
pixels with (0, 0) at the centre of the top-left pixel of the picture as it is shown, time in
seconds. Every `_u` is a standard uncertainty (k = 1).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from datetime import date as Date
from datetime import datetime
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Picture = NDArray[np.uint8]


class Value:
    """Base of the values: makes every array read-only when the value is made."""

    __slots__ = ()

    def __post_init__(self) -> None:
        """Freeze the arrays."""
        for item in fields(self):  # type: ignore[arg-type]
            value = getattr(self, item.name)
            if isinstance(value, np.ndarray) and value.flags.writeable:
                frozen = value.copy()
                frozen.flags.writeable = False
                object.__setattr__(self, item.name, frozen)


# --- what the user wrote -------------------------------------------------------------------


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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pick(Value):
    """Where a marker is seen: `xy_px` (2,), `u_px` of each coordinate."""

    name: str
    xy_px: Floats
    u_px: float


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
    reference: str | None = None
    position_m: Floats | None = None
    position_u_m: float | None = None
    rate_hz: float | None = None  # the rate it will film at; used by forecasts only
    assumed: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Choice(Value):
    """A light that the user says is the craft."""

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
    choose: tuple[Choice, ...] = ()
    track: str | None = None

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
    """What `[mark]` states."""

    earlier_mps: float | None = None
    earlier_u_mps: float = 0.0
    margin_percent: float = 0.0


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

    def camera(self, name: str) -> Camera:
        """Return the camera of that name; KeyError where there is none (the reader checked)."""
        for camera in self.cameras:
            if camera.name == name:
                return camera
        raise KeyError(name)


# --- what the camera saw -------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ClipFacts(Value):
    """What a clip's file says of itself; `size_px` (width, height) as shown after rotation."""

    file: str
    size_px: tuple[int, int]
    rotation_deg: int  # counter-clockwise turn from the stored to the shown picture: 0 90 180 270
    codec: str
    bit_depth: int
    frames: int  # decoded
    duration_s: float
    interval_s: float  # median time between frames
    time_base_s: float
    stamp_u_s: float  # standard uncertainty of one stamp from its quantisation
    has_sound: bool
    sha256: str
    notes: tuple[str, ...] = ()  # dropped, repeated, uneven, backward stamps: a sentence each


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Track(Value):
    """Lights of successive frames that belong together, n of them, in order of time.

    `time_s` is the frame's stamp before any correction. `cov_px2` (n, 2, 2) is the covariance of
    `xy_px` from the pixel noise alone. `row` (n,) from 0 to 1 says where in the read-out the
    light's row lies. `time_u_s` (n,) is what the stamp's quantisation leaves open. The streak
    columns are NaN where a light is a point or the fit does not give them.
    """

    frame: Ints
    time_s: Floats
    xy_px: Floats
    cov_px2: Floats
    row: Floats
    time_u_s: Floats
    streak_px: Floats  # length of the streak, end to end
    streak_u_px: Floats
    streak_angle_rad: Floats  # picture frame, from +x towards +y
    peak: Floats  # height above the background in luma levels, negative where darker
    snr: Floats  # peak over the noise of a pixel

    def __len__(self) -> int:
        return len(self.time_s)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Strip(Value):
    """Where in the picture a craft can be, and how fast: `polygon_px` (n, 2), px/s (low, high)."""

    polygon_px: Floats
    speed_px_s: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scan(Value):
    """All that one decode of a clip gives.

    `brightest` and `still` (h, w) uint8: the brightest value of each pixel over the clip, and
    its median background. `crops` are not kept here; figures draw on `brightest`.
    """

    facts: ClipFacts
    tracks: tuple[Track, ...]
    brightest: Picture
    still: Picture


# --- where it was seen from ----------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pose(Value):
    """Where a camera stands and how it looks.

    `camera_from_course` (3, 3) turns course axes into camera axes (x right, y down, z forward);
    `position_m` (3,) is the lens in the course frame.
    """

    camera_from_course: Floats
    position_m: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MarkerResidual(Value):
    """What is left of one marker after the fit.

    `residual_px` (2,) is picked less re-projected; `residual_m` its size on the ground (across
    the line of sight at the marker); `normalised` is the largest coordinate over its own
    standard uncertainty.
    """

    name: str
    use: Literal["fit", "check"]
    picked_px: Floats
    projected_px: Floats
    residual_px: Floats
    residual_m: float
    u_m: float  # standard uncertainty of residual_m's larger direction
    normalised: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CameraFit(Value):
    """A calibrated camera: best estimate, and what is left of each marker."""

    camera: str
    pose: Pose
    lens: Floats  # (9,) fitted parameters
    position_u_m: Floats  # (3,)
    focal_u_px: float
    rms_px: float
    check_rms_m: float | None
    markers: tuple[MarkerResidual, ...]
    problems: tuple[Problem, ...]


# --- how the craft moved -------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Input(Value):
    """One thing that was entered or seen, as an observation with a standard uncertainty.

    `owner` is "session", "camera NAME" or "pass LABEL"; (owner, name) identifies it across
    passes. `source` is the row of the budget it belongs to. `split`: "shared if unknown" marks
    the part of the flight line whose split the session left open.
    """

    owner: str
    name: str
    source: str
    kind: Literal["A", "B"]
    assumed: bool
    input_u: float
    unit: str
    split_unknown: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BudgetRow(Value):
    """One row of the budget: `contribution_mps` is a root of squares, `share` of the variance."""

    source: str
    owner: str
    kind: str
    assumed: bool
    input_u: float | None
    unit: str
    contribution_mps: float
    share: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Check(Value):
    """One check of a pass."""

    name: str
    status: Literal["ok", "warn", "fail"]
    detail: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CrossCheck(Value):
    """Another estimate of the same speed; `e_n` is the difference over U95 of the difference."""

    name: str
    speed_mps: float
    speed_u_mps: float
    e_n: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Profile(Value):
    """Speed along x at places along the course, (n,) each; standard uncertainties."""

    x_m: Floats
    speed_mps: Floats
    speed_u_mps: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Crossing(Value):
    """When a clip's own clock saw the craft at the first and the second gate that it passed."""

    clip: str
    camera: str
    time_in_s: float
    time_out_s: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sighted(Value):
    """The lights of one clip as the solution used them: the track, and what is left of it.

    `used` (n,) bool; `residual_px` (n, 2) seen less computed; `normalised` (n,) distance in
    units of its own standard uncertainty; `x_m` (n,) where on the course the solution puts each.
    """

    clip: str
    camera: str
    track: Track
    used: Bools
    residual_px: Floats
    normalised: Floats
    x_m: Floats
    noise_scale: float  # sqrt(q), how much the pixel noise had to be widened
    correlation: float  # lag-one correlation of the residuals that was allowed for


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PassResult(Value):
    """One traverse of the course, or a clip without one (`status` "none": numbers None).

    `sensitivities_mps` (m,) holds, for each of `inputs`, the signed change of the speed for one
    standard uncertainty of that input: its squares add up to `speed_u_mps` squared.
    """

    label: str
    flight: str | None
    setup: str | None
    clips: tuple[str, ...]
    status: Literal["measured", "partial", "none"]
    direction: Literal["forward", "reverse"] | None = None
    speed_mps: float | None = None
    speed_u_mps: float | None = None
    speed_U95_mps: float | None = None
    coverage_factor: float | None = None
    dof: float | None = None  # None: infinite, or Monte Carlo
    method: Literal["first order", "monte carlo"] = "first order"
    interval95_mps: tuple[float, float] | None = None
    stretch_m: tuple[float, float] | None = None
    crossings: tuple[Crossing, ...] = ()
    profile: Profile | None = None
    path_m: Floats | None = None  # (n, 3) course frame, at profile.x_m, for plan views
    budget: tuple[BudgetRow, ...] = ()
    inputs: tuple[Input, ...] = ()
    sensitivities_mps: Floats | None = None
    sightings: tuple[Sighted, ...] = ()
    checks: tuple[Check, ...] = ()
    cross_checks: tuple[CrossCheck, ...] = ()
    recorded: datetime | None = None


# --- what people ask, and what is kept -----------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Problem(Value):
    """A row of `problems`."""

    level: Literal["warn", "error"]
    where: str
    message: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Mark(Value):
    """The session's figure from two opposite passes."""

    passes: tuple[str, str]
    speed_mps: float
    speed_u_mps: float
    speed_U95_mps: float
    coverage_factor: float
    speed_from_mean_time_mps: float
    selected_from: tuple[int, int]  # forward, reverse
    left_out: tuple[tuple[str, str], ...]  # (pass, why)
    beats_probability: float | None = None
    beats_at_95: bool | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ClipView(Value):
    """A clip's picture, for people: what `Scan` saw, None for a clip given as a track."""

    clip: str
    camera: str
    facts: ClipFacts | None
    brightest: Picture | None
    still: Picture | None
    tracks: tuple[Track, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Outcome(Value):
    """Everything that `vidspeed run` found: what `vidspeed.record` writes and shows."""

    session: Session
    inputs: tuple[InputFile, ...]  # the session's and every clip's
    cameras: tuple[CameraFit, ...]
    clips: tuple[ClipView, ...]
    passes: tuple[PassResult, ...]
    covariance_labels: tuple[str, ...]
    covariance: Floats  # (n, n) in (m/s)^2, input by input
    mark: Mark | None
    problems: tuple[Problem, ...]
    drawing: Mapping[str, CourseDrawing] = field(default_factory=dict)  # by camera name


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CourseDrawing(Value):
    """The course as one camera sees it, in pixels, so that a figure needs no geometry.

    Each line is (n, 2), NaN where it is behind the camera. `gates` has two lines each (start,
    finish): posts from the ground to above the flight line.
    """

    course_line_px: Floats
    flight_line_px: Floats
    gates_px: tuple[Floats, Floats]


def jsonable(value: Any) -> Any:
    """Return a plain structure of dicts, lists, strings and numbers; NaN and infinity are None.

    Examples
    --------
    >>> jsonable({"a": np.array([1.0, np.nan])})
    {'a': [1.0, None]}
    """
    if isinstance(value, Mapping):
        return {str(key): jsonable(item) for key, item in value.items()}
    if isinstance(value, np.ndarray):
        return jsonable(value.tolist())
    if isinstance(value, (list, tuple, frozenset)):
        return [jsonable(item) for item in value]
    if isinstance(value, np.generic):
        return jsonable(value.item())
    if isinstance(value, (Date, datetime)):
        return value.isoformat()
    return None if isinstance(value, float) and not np.isfinite(value) else value
