"""The errors of a track's lights: as measured on rendered clips, or normal as stated.

Measured: a random stretch of one clip in light_errors.csv gives a track its errors and its stated
uncertainties together, in order of time, turned along the motion; what one clip cannot fill goes
on with another of the same codec. What the ideal solver is told of them is not what they state
but how large they truly are: the stated sizes times a factor for the clip, and how neighbours
hang together, both from the true errors. A clip has few lights, so its factor leans on its
codec's as if that were `LEAN` more lights.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from bench_truth import Floats

FILE = Path(__file__).with_name("light_errors.csv")
COLUMNS = ("clip", "codec", "crf", "along_px", "across_px", "along_u_px", "across_u_px")
LEAN = 20
CAMERA_CODECS = ("h264", "hevc", "mjpeg")
SHARES = (0.75, 0.15, 0.1)  # as in the cases through video


@dataclass(frozen=True, slots=True, kw_only=True)
class Sequence:
    """The lights of one clip, n of them: errors and stated uncertainties, along and across."""

    clip: str
    codec: str
    crf: int
    error_px: Floats  # (n, 2)
    u_px: Floats  # (n, 2)


@dataclass(frozen=True, slots=True, kw_only=True)
class Noise:
    """The errors of n lights (n, 2) along and across the motion, what is stated, what is true.

    `alike` (n, 2): the true correlation of a light's error with that of one 0, 1, 2 ... further on.
    """

    kind: str
    error_px: Floats
    stated_u_px: Floats
    true_u_px: Floats
    alike: Floats


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
    )


def measured_noise(rng: np.random.Generator, count: int) -> Noise:
    """Draw a stretch of a measured clip."""
    codec = str(rng.choice(CAMERA_CODECS, p=SHARES))
    clips, factors, alike = pool()[codec]
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
    )


@cache
def pool() -> dict[str, tuple[list[Sequence], list[Floats], Floats]]:
    """Return by codec the clips, the factor (2,) of each one's u, and the correlations (m, 2).

    The correlation of lights k apart is the sum of products of such pairs over the sum of all
    squares, so that it is that of a process (positive definite) and fades out with few pairs.
    """
    sequences = read()
    found = {}
    for codec in CAMERA_CODECS:
        clips = [one for one in sequences if one.codec == codec]
        scores = [one.error_px / one.u_px for one in clips]
        mean = np.mean(np.concatenate(scores) ** 2, axis=0)
        factors = [np.sqrt((np.sum(z**2, axis=0) + LEAN * mean) / (len(z) + LEAN)) for z in scores]
        level = [z / factor for z, factor in zip(scores, factors, strict=True)]
        longest = max(len(z) for z in level)
        products = np.zeros((longest, 2))
        for z in level:
            for k in range(len(z)):
                products[k] += np.sum(z[k:] * z[: len(z) - k], axis=0)
        found[codec] = (clips, factors, products / products[0])
    return found


def write(sequences: list[Sequence], path: Path) -> None:
    """Write the sequences and the command that makes the file.

    Three digits a number, and nothing finer than a ten-thousandth of a pixel.
    """
    with path.open("w", encoding="utf-8", newline="") as file:
        file.write("# made by: python tests/bench/bench_errors.py\n")
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(COLUMNS)
        for one in sequences:
            for error, u in zip(one.error_px, one.u_px, strict=True):
                numbers = (f"{round(float(value), 4):.3g}" for value in (*error, *u))
                writer.writerow([one.clip, one.codec, one.crf, *numbers])


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
        )
        for name, part in clips.items()
    ]
