"""A made-up outcome for the tests of what is recorded: two cameras, three passes, one empty clip.

Nothing here is solved; the figures only have to be consistent and of the right kind.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np

from vidspeed.clip.still import packed
from vidspeed.values import (
    BudgetRow,
    Camera,
    CameraFit,
    Check,
    Clip,
    ClipFacts,
    ClipView,
    Course,
    CourseDrawing,
    Craft,
    CrossCheck,
    Crossing,
    FlightLine,
    Input,
    InputFile,
    Lens,
    Mark,
    MarkerResidual,
    MarkRules,
    Outcome,
    PassResult,
    Pose,
    Problem,
    Profile,
    Session,
    Sighted,
    Track,
)
from vidspeed.values.pictured import Filmed, Lane

WIDTH, HEIGHT = 640, 360


def track(seed: int = 1, count: int = 24) -> Track:
    random = np.random.default_rng(seed)
    x = np.linspace(40.0, 600.0, count) + random.normal(0.0, 0.3, count)
    y = 150.0 + 0.02 * x + random.normal(0.0, 0.3, count)
    streak = np.full(count, 7.5)
    streak[:3] = np.nan
    cov = np.zeros((count, 2, 2))
    cov[:, 0, 0], cov[:, 1, 1] = 0.09 + 0.01 * random.random(count), 0.04
    cov[:, 0, 1] = cov[:, 1, 0] = 0.01
    return Track(
        frame=np.arange(31, 31 + count, dtype=np.int64),
        time_s=31 / 59.94 + np.arange(count) * 1001.0 / 60000.0,
        xy_px=np.column_stack([x, y]),
        cov_px2=cov,
        row=y / HEIGHT,
        time_u_s=np.full(count, 1e-5),
        streak_px=streak,
        streak_u_px=streak / 10.0,
        streak_angle_rad=np.full(count, 0.02),
        peak=90.0 + random.random(count),
        snr=30.0 + random.random(count),
        fill=streak / 9.0,
    )


def sighted(clip: str, camera: str, seed: int = 1) -> Sighted:
    seen = track(seed)
    used = np.ones(len(seen), dtype=bool)
    used[[0, 7]] = False
    residual = np.random.default_rng(seed + 50).normal(0.0, 0.3, (len(seen), 2))
    return Sighted(
        clip=clip,
        camera=camera,
        track=seen,
        used=used,
        residual_px=residual,
        normalised=np.hypot(*residual.T) / 0.3,
        x_m=np.linspace(-6.0, 88.0, len(seen)),
        noise_scale=1.1,
        correlation=0.1,
    )


SOURCES = (
    ("flight-line offset", "pass", "B", False, 0.5, "m", 0.9),
    ("flight-line height", "pass", "B", False, 3.0, "m", -0.2),
    ("focal length", "camera north", "B", False, 15.0, "px", 0.12),
    ("read-out", "camera north", "B", True, 0.003, "s", 0.03),
    ("scale", "session", "B", False, 0.00025, "1", 0.026),
)


def measured(
    label: str,
    speed_mps: float,
    direction: str,
    *,
    clips: tuple[str, ...] = (),
    cameras: tuple[str, ...] = ("north",),
    dof: float | None = None,
) -> PassResult:
    clips = clips or (f"clips/pass-{label}.mp4",)
    inputs = [
        Input(
            owner=f"pass {label}" if owner == "pass" else owner,
            name=source,
            source=source,
            kind=kind,
            assumed=assumed,
            input_u=input_u,
            unit=unit,
            split_unknown=source.startswith("flight-line"),
        )
        for source, owner, kind, assumed, input_u, unit, _ in SOURCES
    ]
    inputs.append(
        Input(
            owner=f"pass {label}",
            name="lights",
            source="light positions",
            kind="A",
            assumed=False,
            input_u=0.3,
            unit="px",
        )
    )
    signed = np.array([row[-1] for row in SOURCES] + [0.15])
    u = float(np.sqrt(np.sum(signed**2)))
    budget = tuple(
        BudgetRow(
            source=item.source,
            owner=item.owner,
            kind=item.kind,
            assumed=item.assumed,
            input_u=item.input_u,
            unit=item.unit,
            contribution_mps=abs(float(value)),
            share=float(value) ** 2 / u**2,
        )
        for item, value in zip(inputs, signed, strict=True)
    )
    x = np.linspace(0.0, 80.0, 17)
    seed = sum(map(ord, label))
    return PassResult(
        label=label,
        flight="1",
        setup="tail 3",
        clips=clips,
        status="measured",
        direction=direction,  # type: ignore[arg-type]
        speed_mps=speed_mps,
        speed_u_mps=u,
        speed_U95_mps=2.0 * u,
        coverage_factor=2.0,
        dof=dof,
        interval95_mps=(speed_mps - 2.0 * u, speed_mps + 2.0 * u),
        stretch_m=(-5.0, 86.0),
        crossings=tuple(
            Crossing(clip=clip, camera=camera, time_in_s=0.6 + number, time_out_s=1.3 + number)
            for number, (clip, camera) in enumerate(zip(clips, cameras, strict=True))
        ),
        profile=Profile(
            x_m=x, speed_mps=speed_mps + 0.02 * (x - 40.0), speed_u_mps=u + 0.001 * (x - 40.0) ** 2
        ),
        budget=budget,
        inputs=tuple(inputs),
        sensitivities_mps=signed,
        sightings=tuple(
            sighted(clip, camera, seed) for clip, camera in zip(clips, cameras, strict=True)
        ),
        checks=(
            Check(name="linear", status="ok", detail="the mean moves by 0.01 u"),
            Check(name="clock", status="warn", detail="stamps are 1 ms apart"),
        ),
        cross_checks=(
            CrossCheck(name="streak", speed_mps=speed_mps + 1.0, speed_u_mps=2.0, e_n=0.24),
        ),
    )


def camera(name: str) -> Camera:
    lens = Lens(
        image_size_px=(WIDTH, HEIGHT),
        parameters=np.array([500.0, 500.0, 319.5, 179.5, 0, 0, 0, 0, 0]),
        factor=np.zeros((9, 0)),
        names=(),
    )
    return Camera(
        name=name,
        image_size_px=(WIDTH, HEIGHT),
        lens=lens,
        picks=(),
        readout_s=0.012,
        readout_u_s=0.003,
        clock_u_ppm=50.0,
    )


def camera_fit(name: str) -> CameraFit:
    random = np.random.default_rng(9)
    markers = []
    for number in range(9):
        seen = np.array([60.0 + 65.0 * number, 210.0 + 30.0 * (number % 3)])
        left = random.normal(0.0, 0.5, 2)
        markers.append(
            MarkerResidual(
                name=f"m{number + 1}",
                use="check" if number == 4 else "fit",
                picked_px=seen + left,
                projected_px=seen,
                residual_px=left,
                residual_m=0.05 * float(np.hypot(*left)),
                u_m=0.03,
                normalised=float(np.abs(left).max() / 0.5),
                u_px=np.full(2, 0.5),
            )
        )
    return CameraFit(
        camera=name,
        pose=Pose(
            camera_from_course=np.array([[1.0, 0, 0], [0, 0, -1.0], [0, 1.0, 0]]),
            position_m=np.array([40.0, -60.0, 1.7]),
        ),
        lens=np.array([500.0, 500.0, 319.5, 179.5, 0.01, 0, 0, 0, 0]),
        position_u_m=np.array([0.02, 0.03, 0.01]),
        focal_u_px=2.5,
        rms_px=0.46,
        check_rms_m=0.021,
        markers=tuple(markers),
        problems=(),
    )


def drawing() -> CourseDrawing:
    x = np.linspace(-60.0, 700.0, 9)
    return CourseDrawing(
        course_line_px=np.column_stack([x, np.full(9, 240.0)]),
        flight_line_px=np.column_stack([x, np.full(9, 160.0)]),
        gates_px=(
            np.array([[70.0, 240.0], [70.0, 120.0]]),
            np.array([[560.0, 240.0], [560.0, 120.0]]),
        ),
    )


def view(clip: str, camera_name: str, seed: int = 1) -> ClipView:
    random = np.random.default_rng(seed)
    still = np.clip(random.normal(24.0, 3.0, (HEIGHT, WIDTH)), 0, 255).astype(np.uint8)
    bright = still.copy()
    seen = track(seed)
    for x, y in seen.xy_px:
        bright[int(y) - 1 : int(y) + 2, int(x) - 4 : int(x) + 5] = 240
    facts = ClipFacts(
        file=clip,
        size_px=(WIDTH, HEIGHT),
        rotation_deg=0,
        codec="h264",
        bit_depth=8,
        frames=120,
        duration_s=2.0,
        interval_s=1001.0 / 60000.0,
        time_base_s=1.0 / 60000.0,
        stamp_u_s=4.8e-6,
        has_sound=True,
        sha256="ab" * 32,
        notes=("2 frames repeat the one before",),
    )
    return ClipView(
        clip=clip, camera=camera_name, facts=facts, brightest=bright, still=still, tracks=(seen,)
    )


def filmed(label: str, clip: str, camera_name: str, *, reverse: bool = False) -> Filmed:
    """A craft at 111.7 m/s along an 80 m course, a row every 20 ms, read from top to bottom."""
    x = np.linspace(-6.4, 86.4, 300)
    passed = 0.6 + (80.0 - x if reverse else x) / 111.7
    line = np.column_stack([np.linspace(30.0, 610.0, 300), np.full(300, 160.0)])
    delay = 0.012 * line[:, 1] / HEIGHT
    times = 0.53 + 0.02 * np.arange(44)
    rows = np.full((len(times), len(x)), 40, dtype=np.uint8)
    for row, at in zip(rows, times, strict=True):
        row[np.abs(passed - delay - at) * 111.7 < 0.6] = 220
    whole = np.full((HEIGHT, WIDTH), 40, dtype=np.uint8)
    whole[158:163, 30:610:15] = 230
    speed = np.where(x < 1.6, np.nan, 111.7)
    lane = Lane(
        label=label, clip=clip, camera=camera_name, length_m=80.0, x_m=x, passed_s=passed,
        line_px=line, delay_s=delay, from_s=0.53, to_s=1.4,
        gates_s=(float(np.interp(0.0, x, passed)), float(np.interp(80.0, x, passed))),
        so_far_mps=speed, so_far_u_mps=np.where(x < 1.6, np.nan, 3.0 - 0.02 * np.clip(x, 0, 80)),
    )  # fmt: skip
    return Filmed(lane=lane, time_s=times, rows=rows, packed=packed(whole), corner_px=(0, 0))


def session(folder: Path | str, *, clips: tuple[tuple[str, str], ...]) -> Session:
    return Session(
        folder=str(folder),
        title="Evening passes",
        date=date(2026, 9, 12),
        place="Low Moor airstrip",
        timezone=None,
        course=Course(length_m=80.0, length_u_m=0.02),
        markers=(),
        flight_line=FlightLine(
            offset_m=0.0,
            offset_u_m=0.5,
            height_m=4.0,
            height_u_m=3.0,
            drift_u_m=0.5,
            climb_u_m=3.0,
            weave_u_m=0.02,
            accel_u_mps2=np.array([10.0, 3.0, 3.0]),
        ),
        air=None,
        craft=Craft(name="Skein 2"),
        cameras=(camera("north"), camera("south")),
        clips=tuple(Clip(file=clip, camera=name) for clip, name in clips),
        syncs=(),
        mark=MarkRules(earlier_mps=105.0, earlier_u_mps=0.5, margin_percent=1.0),
        wanted_U95_percent=2.5,
        inputs=(),
    )


def outcome(folder: Path | str) -> Outcome:
    one = measured("1", 111.7, "forward", dof=21.4)
    two = measured(
        "2",
        104.2,
        "reverse",
        clips=("clips/pass-2.mp4", "clips/south-2.mp4"),
        cameras=("north", "south"),
    )
    three = replace(
        measured("3", 99.0, "forward"),
        status="partial",
        stretch_m=(12.0, 66.0),
        crossings=(),
    )
    empty = PassResult(label="4", flight=None, setup=None, clips=("clips/dark.mp4",), status="none")
    clips = (
        ("clips/pass-1.mp4", "north"),
        ("clips/pass-2.mp4", "north"),
        ("clips/south-2.mp4", "south"),
        ("clips/pass-3.mp4", "north"),
        ("clips/dark.mp4", "north"),
    )
    variance = float(one.speed_u_mps or 0.0) ** 2
    covariance = np.full((3, 3), variance - 0.15**2) + 0.15**2 * np.eye(3)
    return Outcome(
        session=session(folder, clips=clips),
        inputs=(
            InputFile(file="session.toml", sha256="11" * 32),
            InputFile(file="clips/pass-1.mp4", sha256="22" * 32),
        ),
        cameras=(camera_fit("north"), camera_fit("south")),
        clips=tuple(view(clip, name, seed) for seed, (clip, name) in enumerate(clips)),
        passes=(one, two, three, empty),
        covariance_labels=("1", "2", "3"),
        covariance=covariance,
        mark=Mark(
            passes=("1", "2"),
            speed_mps=107.95,
            speed_u_mps=0.94,
            speed_U95_mps=1.85,
            coverage_factor=1.96,
            speed_from_mean_time_mps=107.82,
            selected_from=(1, 1),
            left_out=(("3", "partial"), ("4", "no pass in the clip")),
            beats_probability=0.9498,
            beats_at_95=False,
        ),
        problems=(Problem(level="warn", where="clips/dark.mp4", message="no pass was found"),),
        drawing={"north": drawing(), "south": drawing()},
        filmed=(
            filmed("1", "clips/pass-1.mp4", "north"),
            filmed("2", "clips/south-2.mp4", "south", reverse=True),
        ),
    )
