"""A scene: everything that decides what synthetic cameras will see, and what is said of it.

The world is built in course metres. A scene holds the true figures; the standard uncertainties
beside them say how far what the session states may lie from the truth (`disturb` names which of
these are drawn, the others are stated exactly).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date as Date
from fractions import Fraction
from typing import Literal

import numpy as np

from vidspeed.clip.write import CodecName
from vidspeed.values import Air, Course, Craft, FlightLine, Floats, Marker, Pose, Value

DISTURBANCES = frozenset(
    {
        "scale",  # the course's true length
        "markers",  # surveyed places
        "picks",
        "lens",
        "readout",
        "exposure",
        "clock",
        "position",  # taped place of a camera
        "line",  # offset and height of each pass
        "slope",  # drift and climb
        "accel",  # acceleration and jerk
        "weave",
        "lamp",
    }
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Look(Value):
    """How a camera sees light. Signals are linear, 1 is where the sensor saturates.

    `lamp_signal` is the signal at the middle of the lamp's image where the lamp stands still at
    `reference_m` through one exposure. A spot is a Gaussian of standard deviation `spot_px`
    (before the pixel's own width), with `halo_share` of its light in a second one of `halo_px`.
    `full_well_e` electrons make the signal 1 and give the shot noise. `blink_hz` above 0: the
    lamp is lit for `blink_duty` of each cycle, and the middle of one lit part is at mid-course.
    `flicker` is the depth of a sine of `flicker_hz` in its light. `body_m` above 0: the craft is a
    dark disc of this diameter that hides what is behind it, beside its lamp.

    Around it: `flare_share` of the lamp's light appears once more, mirrored about the lens's
    centre and blurred; `wet_share` from below the ground, as on a wet field. `glare` is the signal
    that it lays over the whole picture as a veil, at most, near the axis. The tripod shakes by
    up to `shake_px` at about `shake_hz`. From `gain_s` after mid-course on, everything is `gain`
    times as bright. `clouds` and `wind` are the contrast of clouds that drift and of grass that
    moves. `pole_px` is the column and width of something dark before everything else.
    `hot_pixels` of the sensor are bright or flicker.
    """

    background: Literal["day", "dusk", "dark"] = "dark"
    lamp_signal: float = 4.0
    reference_m: float = 60.0
    spot_px: float = 1.2
    halo_px: float = 5.0
    halo_share: float = 0.03
    full_well_e: float = 6000.0
    read_noise_e: float = 3.0
    marker_signal: float = 0.3
    blink_hz: float = 0.0
    blink_duty: float = 0.5
    full_range: bool = False
    flicker: float = 0.0
    flicker_hz: float = 100.0
    body_m: float = 0.0
    flare_share: float = 0.0
    wet_share: float = 0.0
    glare: float = 0.0
    shake_px: float = 0.0
    shake_hz: float = 2.0
    gain: float = 1.0
    gain_s: float = 0.0
    clouds: float = 0.0
    wind: float = 0.0
    pole_px: tuple[float, float] = (0.0, 0.0)
    hot_pixels: int = 0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StaticLamp(Value):
    """A lamp that stands still at `xyz_m` (3,); `signal` as `Look.lamp_signal`."""

    xyz_m: Floats
    signal: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OtherLight(Value):
    """A light that is not the craft's: at `xyz_m` (n, 3) at `at_s` (n,), evenly in between.

    `at_s` are seconds from mid-course of the pass that a clip shows; it is dark before the first
    and after the last. `signal`, `spot_px`, blinking, flicker and `glare` as in `Look`, its own.
    """

    xyz_m: Floats
    at_s: Floats
    signal: float
    spot_px: float | None = None
    blink_hz: float = 0.0
    blink_duty: float = 0.5
    flicker: float = 0.0
    flicker_hz: float = 100.0
    glare: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SceneCamera(Value):
    """A camera: where it truly stands, how it films, and how well the session knows it.

    `lens`, `lens_u` (9,) in the order of `Lens.parameters`. `clock_ppm` None: drawn from
    `clock_u_ppm`, or 0; true time elapsed is stamps times (1 + ppm/1e6). Row r of the stored
    picture is exposed from stamp + readout * r / rows, for `exposure_s`. `stored_rate_hz`: the
    clip is stored for slow playback at that rate. `unstated` holds what the session leaves out:
    "focal", "focal_u", "centre", "k1", "readout", "exposure", "clock".

    `exposure_to_s`: the exposure changes evenly from `exposure_s` at the clip's beginning to this
    at its end, a lamp's streak being as bright throughout; with `exposure_jump_s` it changes at
    once, so long after mid-course, and everything else is brighter or darker by it. `stamp_at` is
    the moment of the first row's exposure that the stamp names. `stamps` "halved": from the clip's
    middle only every second frame is taken. `dropped` and `repeated` are shares of the frames that
    are missing, or show the one before again. `merged` exposures are averaged into a frame, each
    `merge_s` after the one before; the last is the frame's own.
    """

    name: str
    position_m: Floats
    aim_m: Floats
    image_size_px: tuple[int, int]
    lens: Floats
    lens_u: Floats
    rate_hz: Fraction
    exposure_s: float
    readout_s: float
    readout_u_s: float
    exposure_u_s: float = 0.0
    roll_deg: float = 0.0
    clock_ppm: float | None = None
    clock_u_ppm: float = 50.0
    pick_u_px: float = 0.5
    position_u_m: float | None = None
    stored_rate_hz: Fraction | None = None
    stamps: Literal["steady", "uneven", "halved"] = "steady"
    rotation_deg: int = 0
    codec: CodecName = "h264"
    crf: int = 18
    preset: str = "ultrafast"  # libx264 keeps most of the noise with it, as phones do
    suffix: str = ".mp4"
    look: Look = field(default_factory=Look)
    unstated: frozenset[str] = frozenset()
    exposure_to_s: float | None = None
    exposure_jump_s: float | None = None
    stamp_at: Literal["start", "middle", "end"] = "start"
    dropped: float = 0.0
    repeated: float = 0.0
    merged: int = 1
    merge_s: float = 0.0

    @property
    def stored_size_px(self) -> tuple[int, int]:
        """Return (width, height) of the picture as it is stored, before the rotation tag."""
        width, height = self.image_size_px
        return (height, width) if self.rotation_deg % 180 else (width, height)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ScenePass(Value):
    """One traverse. `speed_mps` is the speed along x at mid-course, in course metres a second.

    What is None is drawn from the flight line where `disturb` says so, else as the flight line
    states it (drift, climb and acceleration 0). `cameras` None: all of them film it.
    """

    label: str
    direction: Literal["forward", "reverse"]
    speed_mps: float
    flight: str | None = None
    setup: str | None = None
    offset_m: float | None = None
    height_m: float | None = None
    drift_m: float | None = None
    climb_m: float | None = None
    accel_mps2: Floats | None = None
    cameras: tuple[str, ...] | None = None
    clip_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scene(Value):
    """A day at a course. `clip_s` is how long each clip runs about mid-course."""

    title: str
    seed: int
    course: Course
    markers: tuple[Marker, ...]
    flight_line: FlightLine
    cameras: tuple[SceneCamera, ...]
    passes: tuple[ScenePass, ...]
    craft: Craft = field(default_factory=Craft)
    air: Air | None = None
    lamps: tuple[StaticLamp, ...] = ()
    others: tuple[OtherLight, ...] = ()
    disturb: frozenset[str] = DISTURBANCES
    clip_s: float = 1.4
    date: Date | None = None
    place: str | None = None


def pose_of(camera: SceneCamera) -> Pose:
    """Return where the camera stands and how it looks: at `aim_m`, rolled clockwise."""
    ahead = _unit(camera.aim_m - camera.position_m)
    right = _unit(np.cross(ahead, np.array([0.0, 0.0, 1.0])))
    down = np.cross(ahead, right)
    roll = np.radians(camera.roll_deg)
    rows = [
        np.cos(roll) * right + np.sin(roll) * down,
        np.cos(roll) * down - np.sin(roll) * right,
        ahead,
    ]
    return Pose(camera_from_course=np.array(rows), position_m=camera.position_m)


def _unit(vector: Floats) -> Floats:
    return np.asarray(vector / np.linalg.norm(vector))
