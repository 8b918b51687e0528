"""The errors of a track's lights: as measured on rendered clips, or normal as stated.

Measured: a random stretch of one clip in light_errors.csv gives a track its errors and its stated
uncertainties together, in order of time, turned along the motion; what one clip cannot fill goes
on with another of the same codec. A coder's drag (drag.py) belongs to the motion and not to the
stretch: it is taken out of every clip's errors and put into the track by the track's own motion,
by an amount that some slow clip of the codec had, one for all tracks of a camera. What the ideal
solver is told of them is not what they state but how large they truly are: the stated sizes times
a factor for the clip, and how neighbours hang together, both from the true errors. A clip has few
lights, so its factor leans on its codec's as if that were `LEAN` more lights.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np
from bench_truth import Floats

FILE = Path(__file__).with_name("light_errors.csv")
COLUMNS = (
    "clip",
    "codec",
    "crf",
    "along_px",
    "across_px",
    "along_u_px",
    "across_u_px",
    "step_x_px",
    "step_y_px",
)
LEAN = 20
SLOW_PX = (14.0, 18.0)  # a frame: a drag in full below the first, none above the second
USUAL_PX = 0.05  # prior of a drag
LEAST_SLOW = 20  # lights of a clip that tell its drag
CAMERA_CODECS = ("h264", "hevc", "mjpeg")
SHARES = (0.75, 0.15, 0.1)  # as in the cases through video


@dataclass(frozen=True, slots=True, kw_only=True)
class Sequence:
    """The lights of one clip, n of them: errors and stated uncertainties, along and across.

    `step_px` (n, 2) is the true motion in the picture, x and y, pixels a frame.
    """

    clip: str
    codec: str
    crf: int
    error_px: Floats  # (n, 2)
    u_px: Floats  # (n, 2)
    step_px: Floats  # (n, 2)


@dataclass(frozen=True, slots=True, kw_only=True)
class Noise:
    """The errors of n lights (n, 2) along and across the motion, what is stated, what is true.

    `alike` (n, 2): the true correlation of a light's error with that of one 0, 1, 2 ... further on.
    `drag_px` (n, 2): what a coder's drag adds along x and y of the picture, `drag_true_px` (n, 2)
    one standard deviation of it, `drag_u_px` what the track states of its size.
    """

    kind: str
    error_px: Floats
    stated_u_px: Floats
    true_u_px: Floats
    alike: Floats
    drag_px: Floats
    drag_true_px: Floats
    drag_u_px: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Coder:
    """What a camera stores its clips with: a codec, and its drag (2,) along x and y, pixels."""

    codec: str
    drag_px: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Pool:
    """The clips of a codec without their drag, and what is true of them.

    `factors`: of each clip's u (2,). `alike` (m, 2): correlations. `drags_px` (d, 2): the drag
    along x and y of every slow clip; none where the codec has none.
    """

    clips: list[Sequence]
    factors: list[Floats]
    alike: Floats
    drags_px: Floats


def normal_noise(
    rng: np.random.Generator, along_px: float, across_px: float, understated: float, count: int
) -> Noise:
    """Draw normal errors of sizes that vary from light to light; the stated u may be too small."""
    size = np.exp(0.3 * rng.standard_normal(count))
    true = size[:, None] * np.array([along_px, across_px])
    return Noise(
        kind="normal",
        error_px=true * rng.standard_normal((count, 2)),
        stated_u_px=true / understated,
        true_u_px=true,
        alike=np.eye(count, 1) * np.ones(2),
        drag_px=np.zeros((count, 2)),
        drag_true_px=np.zeros((count, 2)),
        drag_u_px=0.0,
    )


def draw_coder(rng: np.random.Generator) -> Coder:
    """Draw a codec and what its drag is along x and y."""
    codec = str(rng.choice(CAMERA_CODECS, p=SHARES))
    drags = pool()[codec].drags_px
    amount = drags[rng.integers(len(drags))] if len(drags) else np.zeros(2)
    return Coder(codec=codec, drag_px=amount)


def measured_noise(rng: np.random.Generator, step_px: Floats, coder: Coder) -> Noise:
    """Draw a stretch of a measured clip for a track that moves by `step_px` (n, 2) a frame."""
    from vidspeed.clip.coding import drag_u_px

    count, codec = len(step_px), coder.codec
    found = pool()[codec]
    clips, factors, alike = found.clips, found.factors, found.alike
    held, typical = drag_shape(step_px), np.zeros(2)
    if len(found.drags_px):
        typical = np.sqrt(np.mean(found.drags_px**2, axis=0))
    long = [k for k, clip in enumerate(clips) if len(clip.error_px) >= count]
    error, u, true = [], [], []
    left = count
    while left > 0:
        k = int(rng.choice(long if long else len(clips)))
        begin = int(rng.integers(max(len(clips[k].error_px) - left, 0) + 1))
        part = slice(begin, begin + left)
        error.append(clips[k].error_px[part])
        u.append(clips[k].u_px[part])
        true.append(u[-1] * factors[k])
        left -= len(error[-1])
    return Noise(
        kind=f"measured {codec}",
        error_px=np.concatenate(error),
        stated_u_px=np.concatenate(u),
        true_u_px=np.concatenate(true),
        alike=np.concatenate([alike, np.zeros((count, 2))])[:count],
        drag_px=held * coder.drag_px,
        drag_true_px=held * typical,
        drag_u_px=drag_u_px(codec) if len(found.drags_px) else 0.0,
    )


def drag_shape(step_px: Floats) -> Floats:
    """Return how one pixel of drag moves lights (n, 2) that move by `step_px` (n, 2) a frame.

    Along each axis against the part of a whole pixel; less and less where the light is fast.
    """
    part = step_px - np.rint(step_px)
    pace = np.linalg.norm(step_px, axis=1)
    return np.asarray(-np.sign(part) * np.interp(pace, SLOW_PX, (1.0, 0.0))[:, None])


def without_drag(one: Sequence) -> tuple[Sequence, Floats | None]:
    """Return a clip without its drag, and the drag (2,) along x and y; None where it is too fast.

    Fitted to errors over u, with the usual size of a drag as a prior.
    """
    pace = np.linalg.norm(one.step_px, axis=1)
    if len(pace) < LEAST_SLOW or not np.median(pace) < SLOW_PX[0]:
        return one, None
    way = one.step_px / pace[:, None]
    axes = np.stack([way, np.column_stack([-way[:, 1], way[:, 0]])], axis=1)  # (n, 2, 2)
    moved = axes * drag_shape(one.step_px)[:, None, :]
    rows = np.concatenate([(moved / one.u_px[:, :, None]).reshape(-1, 2), np.eye(2) / USUAL_PX])
    told = np.concatenate([(one.error_px / one.u_px).ravel(), np.zeros(2)])
    size = np.linalg.lstsq(rows, told, rcond=None)[0]
    return replace(one, error_px=one.error_px - moved @ size), size


@cache
def pool() -> dict[str, Pool]:
    """Return by codec the clips with the factor of each one's u and the correlations.

    The correlation of lights k apart is the sum of products of such pairs over the sum of all
    squares, so that it is that of a process (positive definite) and fades out with few pairs.
    """
    sequences = read()
    found = {}
    for codec in CAMERA_CODECS:
        clips = [one for one in sequences if one.codec == codec]
        drags: list[Floats] = []
        if codec == "h264":
            parted = [without_drag(one) for one in clips]
            clips = [one for one, _ in parted]
            drags = [size for _, size in parted if size is not None]
        scores = [one.error_px / one.u_px for one in clips]
        mean = np.mean(np.concatenate(scores) ** 2, axis=0)
        factors = [np.sqrt((np.sum(z**2, axis=0) + LEAN * mean) / (len(z) + LEAN)) for z in scores]
        level = [z / factor for z, factor in zip(scores, factors, strict=True)]
        longest = max(len(z) for z in level)
        products = np.zeros((longest, 2))
        for z in level:
            for k in range(len(z)):
                products[k] += np.sum(z[k:] * z[: len(z) - k], axis=0)
        found[codec] = Pool(
            clips=clips,
            factors=factors,
            alike=products / products[0],
            drags_px=np.array(drags).reshape(-1, 2),
        )
    return found


def write(sequences: list[Sequence], path: Path, made_by: str) -> None:
    """Write the sequences and the command that makes the file.

    Three digits a number, and nothing finer than a ten-thousandth of a pixel; four of a step.
    """
    with path.open("w", encoding="utf-8", newline="") as file:
        file.write(f"# made by: {made_by}\n")
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(COLUMNS)
        for one in sequences:
            for error, u, step in zip(one.error_px, one.u_px, one.step_px, strict=True):
                numbers = [f"{round(float(value), 4):.3g}" for value in (*error, *u)]
                steps = [f"{round(float(value), 3):.5g}" for value in step]
                writer.writerow([one.clip, one.codec, one.crf, *numbers, *steps])


def read(path: Path = FILE) -> list[Sequence]:
    """Read the sequences."""
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    clips: dict[str, list[dict[str, str]]] = {}
    for row in rows:
        clips.setdefault(row["clip"], []).append(row)
    return [
        Sequence(
            clip=name,
            codec=part[0]["codec"],
            crf=int(part[0]["crf"]),
            error_px=np.array([[float(row[c]) for c in COLUMNS[3:5]] for row in part]),
            u_px=np.array([[float(row[c]) for c in COLUMNS[5:7]] for row in part]),
            step_px=np.array([[float(row.get(c, "nan")) for c in COLUMNS[7:9]] for row in part]),
        )
        for name, part in clips.items()
    ]
