"""Passes and sessions for the tests of answers: stated figures, nothing solved."""

from __future__ import annotations

import numpy as np

from vidspeed.answer.mark import decide
from vidspeed.values import (
    Air,
    Camera,
    Clip,
    Course,
    Craft,
    Crossing,
    FlightLine,
    Heights,
    Input,
    InputFile,
    Lens,
    Marker,
    MarkRules,
    PassResult,
    Session,
)


def choose_mark(passes, labels, covariance, rules=None):
    """Return the mark where no time of day and no air is known, None where there is none."""
    return decide(passes, labels, covariance, rules).mark


def entry(owner, name, source="focal length", *, split_unknown=False) -> Input:
    return Input(
        owner=owner, name=name, source=source, kind="B", assumed=False, input_u=1.0, unit="1",
        split_unknown=split_unknown,
    )  # fmt: skip


def flown(
    label,
    speed,
    direction="forward",
    *,
    u=0.1,
    shared=(),
    status="measured",
    dof=None,
    flight=None,
    setup=None,
    times=(1.0, 2.0),
    clip=None,
    heights=None,
) -> PassResult:
    """Return a pass with `u` of its own and `shared` rows of (input, sensitivity)."""
    rows = [*shared, (entry(f"pass {label}", "lights", "light positions"), u)]
    signed = np.array([value for _, value in rows])
    total = float(np.linalg.norm(signed))
    clip = clip or f"{label}.mp4"
    return PassResult(
        label=label,
        flight=flight,
        setup=setup,
        clips=(clip,),
        status=status,
        direction=direction,
        speed_mps=speed,
        speed_u_mps=total,
        speed_U95_mps=1.96 * total,
        coverage_factor=1.96,
        dof=dof,
        crossings=(Crossing(clip=clip, camera="north", time_in_s=times[0], time_out_s=times[1]),),
        inputs=tuple(item for item, _ in rows),
        sensitivities_mps=signed,
        heights=heights,
    )


def level(height=5.0, u=0.1, *, lost=0.0, lost_u=0.1, seen=40.0) -> Heights:
    """Return heights of a pass that loses `lost` on a straight way of `seen` metres to the gate."""
    before = np.linspace(0.0, seen, 9) if seen else np.zeros(0)
    return Heights(
        height_in_m=height, height_in_u_m=u, height_out_m=height, height_out_u_m=u, climb_m=0.0,
        climb_u_m=u, before_m=before, above_m=lost * before / max(seen, 1.0),
        above_u_m=np.where(before > 0.0, lost_u, 0.0),
    )  # fmt: skip


def lens(file=None) -> Lens:
    return Lens(
        image_size_px=(640, 360), parameters=np.zeros(9), factor=np.zeros((9, 0)), names=(),
        file=file,
    )  # fmt: skip


def camera(name="north", *, lens_file=None, clock_file=None, picks_file="picks.csv") -> Camera:
    return Camera(
        name=name, image_size_px=(640, 360), lens=lens(lens_file), picks=(), readout_s=0.0,
        readout_u_s=0.0, clock_u_ppm=50.0, picks_file=picks_file, clock_file=clock_file,
    )  # fmt: skip


def session(
    name="day",
    *,
    length_m=80.0,
    marker_x=1.0,
    air: Air | None = None,
    cameras=(),
    clips: tuple[Clip, ...] = (),
    mark: MarkRules | None = None,
    hashes=(),
) -> Session:
    """Return a session in the folder `name`; `hashes` are pairs of a file and its hash."""
    return Session(
        folder=name, title=name, date=None, place=None, timezone=None,
        course=Course(length_m=length_m, length_u_m=0.02),
        markers=(Marker(name="A", xyz_m=np.array([marker_x, 2.0, 0.0]), u_m=0.02),),
        flight_line=FlightLine(
            offset_m=0.0, offset_u_m=1.0, height_m=4.0, height_u_m=1.0, drift_u_m=1.0,
            climb_u_m=1.0, weave_u_m=0.02, accel_u_mps2=np.ones(3),
        ),
        air=air, craft=Craft(), cameras=tuple(cameras), clips=clips, syncs=(), mark=mark,
        wanted_U95_percent=1.0,
        inputs=tuple(InputFile(file=file, sha256=digest) for file, digest in hashes),
    )  # fmt: skip
