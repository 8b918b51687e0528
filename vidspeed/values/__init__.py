"""What flows through the house: frozen values, with the unit in the name.

Arrays are float64 unless said otherwise and read-only. Frames, units and words are those of the
contract (README.md, "Frames and units"): the course frame in metres, the picture frame in
pixels with (0, 0) at the centre of the top-left pixel of the picture as it is shown, time in
seconds. Every `_u` is a standard uncertainty (k = 1).
"""

from vidspeed.values.base import (
    Bools,
    Floats,
    Ints,
    Picture,
    Value,
    jsonable,
)
from vidspeed.values.entered import (
    Air,
    Camera,
    Choice,
    Clip,
    Clock,
    Course,
    Craft,
    FlightLine,
    InputFile,
    Lens,
    Marker,
    MarkRules,
    Pick,
    Session,
    Sync,
)
from vidspeed.values.kept import (
    ClipView,
    Mark,
    Outcome,
)
from vidspeed.values.placed import (
    CameraFit,
    CourseDrawing,
    MarkerResidual,
    Movement,
    Pose,
    Problem,
)
from vidspeed.values.seen import (
    ClipFacts,
    Scan,
    Strip,
    Sway,
    Track,
)
from vidspeed.values.solved import (
    BudgetRow,
    Check,
    CrossCheck,
    Crossing,
    Input,
    PassResult,
    Profile,
    Sighted,
)
from vidspeed.values.surveyed import (
    Gain,
    Level,
    Measured,
    SatelliteFix,
    Surveyed,
    SurveyFactor,
    SurveyInput,
    SurveyTest,
    Tape,
    Taped,
)
from vidspeed.values.trusted import Trusted

__all__ = [
    "Air",
    "Bools",
    "BudgetRow",
    "Camera",
    "CameraFit",
    "Check",
    "Choice",
    "Clip",
    "ClipFacts",
    "ClipView",
    "Clock",
    "Course",
    "CourseDrawing",
    "Craft",
    "CrossCheck",
    "Crossing",
    "FlightLine",
    "Floats",
    "Gain",
    "Input",
    "InputFile",
    "Ints",
    "Lens",
    "Level",
    "Mark",
    "MarkRules",
    "Marker",
    "MarkerResidual",
    "Measured",
    "Movement",
    "Outcome",
    "PassResult",
    "Pick",
    "Picture",
    "Pose",
    "Problem",
    "Profile",
    "SatelliteFix",
    "Scan",
    "Session",
    "Sighted",
    "Strip",
    "SurveyFactor",
    "SurveyInput",
    "SurveyTest",
    "Surveyed",
    "Sway",
    "Sync",
    "Tape",
    "Taped",
    "Track",
    "Trusted",
    "Value",
    "jsonable",
]
