"""What pictures of a pass are made of: its frames laid out along the course, and all in one."""

from __future__ import annotations

from dataclasses import dataclass

from vidspeed.values.base import Floats, Picture, Value
from vidspeed.values.placed import CourseDrawing


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lane(Value):
    """Where a clip shows the path of a pass, m places of it, and when.

    `line_px` (m, 2) is the path in the picture at `x_m` (m,) on the course, NaN where it is behind
    the camera. `passed_s` (m,) is when the craft was there, by the clip's own clock, and `delay_s`
    (m,) how much later than a frame's stamp the row at that place is read.
    `from_s` and `to_s` bound the stamps of the frames that show it. `gates_s` is `passed_s` at the
    start and the finish gate. `so_far_mps` and `so_far_u_mps` (m,) are the speed from the gate that
    was passed first to each place and its standard uncertainty, NaN before it. `drawing` is the
    course as the camera saw it in this clip, by the pose that the solution has for it.
    """

    label: str  # of the pass
    clip: str
    camera: str
    length_m: float  # of the course
    x_m: Floats
    passed_s: Floats
    line_px: Floats
    delay_s: Floats
    from_s: float
    to_s: float
    gates_s: tuple[float, float]
    so_far_mps: Floats
    so_far_u_mps: Floats
    drawing: CourseDrawing | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Filmed(Value):
    """The frames of one pass in one clip: n rows of m places, and all frames in one picture.

    `rows` (n, m) uint8 holds for each frame the level that differs most from the background,
    across a few pixels to both sides of the path. `packed` (k,) uint8 is a JPEG or PNG file, which
    takes little memory, of the brightest value of each pixel over these frames (the darkest, where
    the craft is darker than what is behind it). The top-left pixel of that picture is `corner_px`
    in the picture frame, and each of its pixels stands for `step` x `step` of the clip's.
    """

    lane: Lane
    time_s: Floats  # (n,) stamps
    rows: Picture
    packed: Picture
    corner_px: tuple[int, int]
    step: int = 1
    darker: bool = False
