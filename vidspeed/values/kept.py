"""What people ask and what is kept: the mark and the outcome of a run."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from vidspeed.values.answered import Mark
from vidspeed.values.base import Floats, Picture, Value
from vidspeed.values.entered import InputFile, Session
from vidspeed.values.pictured import Filmed
from vidspeed.values.placed import CameraFit, CourseDrawing, Problem
from vidspeed.values.proved import Proven
from vidspeed.values.seen import ClipFacts, Footage, Track
from vidspeed.values.solved import PassResult


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ClipView(Value):
    """A clip's picture, for people: what `Scan` saw, None for a clip given as a track."""

    clip: str
    camera: str
    facts: ClipFacts | None
    brightest: Picture | None
    still: Picture | None
    tracks: tuple[Track, ...]
    footage: tuple[Footage, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Advice(Value):
    """A change, and the U95 over speed that a pass would get with it (None: cannot be solved)."""

    change: str
    relative_U95: float | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Failing(Value):
    """One thing that keeps a session from being ready, and what would mend it."""

    item: str
    mend: str


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
    no_mark: str | None = None  # why there is no mark, where rules kept it from being formed
    drawing: Mapping[str, CourseDrawing] = field(default_factory=dict)  # by camera name
    proof: Proven | None = None  # None: not proved on the ground
    advice: tuple[Advice, ...] = ()  # the same pass as it is, then with single changes
    filmed: tuple[Filmed, ...] = ()  # for pictures: the frames of each pass in each of its clips
