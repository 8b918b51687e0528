"""What measuring a lens is made of: the chart, its views, and the lens that they give."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from vidspeed.values.base import Floats, Value

CODE_SHARE = 0.7  # of a square, the side of the codes of a ChArUco chart where it is not stated


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Chart(Value):
    """A flat chart of dark and light squares with `columns` x `rows` inner corners.

    `family` names the codes of a ChArUco chart and `code_m` is their side; both are None on a
    plain chessboard. Corner (i, j) lies at (i, j) * `square_m`, i along the columns.
    """

    columns: int
    rows: int
    square_m: float
    family: str | None = None
    code_m: float | None = None

    @property
    def kind(self) -> Literal["charuco", "chessboard"]:
        """Return what kind of chart it is."""
        return "chessboard" if self.family is None else "charuco"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class View(Value):
    """One picture of a chart: `plane_m` (n, 2) on the chart, `xy_px` (n, 2) where they are seen.

    `source` is the file, `time_s` the frame's stamp in it (None for a still), `blur_px` the
    width (one sigma) of the edges next to the corners, NaN where it was not looked at.
    """

    name: str
    source: str
    time_s: float | None
    plane_m: Floats
    xy_px: Floats
    blur_px: float = float("nan")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LensTrial(Value):
    """One lens model that was tried: RMS of the fit, and of views that were held out of it."""

    terms: tuple[str, ...]
    rms_px: float
    held_out_px: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Flatness(Value):
    """How far a chart seems bowed: the largest difference of heights over it, and its u.

    `focal_error_percent` is how much too long the focal length comes out with the chart taken for
    flat. `bowed`: no flat chart looks so.
    """

    sag_m: float
    sag_u_m: float
    focal_error_percent: float
    bowed: bool


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LensFit(Value):
    """A measured lens.

    `parameters` (9,) and `covariance` (9, 9) are in the order of OpenCV (fx, fy, cx, cy, k1, k2,
    p1, p2, k3); what was not fitted has rows of zeros. `terms` are the distortions that were
    fitted, `distance_m` (3,) the least, median and largest distance of the chart. `widening` is
    how much larger the standard uncertainties are than independent corners would give.
    """

    image_size_px: tuple[int, int]
    parameters: Floats
    covariance: Floats
    rms_px: float
    views: int
    terms: tuple[str, ...]
    trials: tuple[LensTrial, ...]
    distance_m: Floats
    widening: float
    focus: Literal["near", "field"] | None = None
    flatness: Flatness | None = None
