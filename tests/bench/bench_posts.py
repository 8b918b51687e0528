"""Pictures of a post with a coded board on it, at a stated size, and where its middle truly is."""

from __future__ import annotations

from fractions import Fraction

import cv2
import numpy as np
from scipy.spatial.transform import Rotation

from tests.geometry.charted import developed, paint, sheet
from vidspeed.clip.still import still
from vidspeed.clip.write import even_stamps, write_clip
from vidspeed.geometry.chart import runs
from vidspeed.geometry.codes import cells, how_many
from vidspeed.geometry.lens import project_camera

LENS = np.array([1480.0, 1481.0, 162.0, 118.0, -0.05, 0.02, 0.0004, -0.0003, 0.0])
SIZE = (320, 240)
SIDE_M = 0.15
FRAMES = 12


def post(rng, family, side_px):
    """Return a picture (240, 320), the number on the board, and its middle (2,) in pixels."""
    signal, number, middle = drawn(rng, family, side_px)
    return developed(signal, rng, rng.uniform(1.0, 4.0)), number, middle


def filmed(rng, family, side_px, path):
    """Return the same as `post`, but of a still that is made of an encoded clip."""
    signal, number, middle = drawn(rng, family, side_px)
    noise = rng.uniform(1.0, 4.0)
    frames = [developed(signal, rng, noise) for _ in range(FRAMES)]
    write_clip(path, iter(frames), stamps=even_stamps(FRAMES, Fraction(60)),
               crf=int(rng.integers(16, 27)), preset="ultrafast")  # fmt: skip
    return still(path, at_s=None), number, middle


def drawn(rng, family, side_px):
    """Return linear signal (240, 320), the number on the board, and its middle (2,) in pixels."""
    number = int(rng.integers(how_many(family)))
    dark = cells(family, number)
    cell = SIDE_M / len(dark)
    finer = int(np.clip(np.ceil(3.0 * side_px / len(dark)), 8, 40))
    bitmap = sheet(runs(dark) * cell, (SIDE_M, SIDE_M), finer / cell, cell)
    lean = Rotation.from_euler(
        "zxy", [rng.normal(0, 4), rng.normal(0, 10), rng.uniform(-40, 40)], degrees=True
    ).as_matrix()
    depth = LENS[0] * SIDE_M / side_px * np.sqrt(abs(lean[2, 2]))
    at = np.array([rng.uniform(100, 220), rng.uniform(90, 150)])
    middle = depth * np.append((at - LENS[2:4]) / LENS[:2], 1.0)
    shift = middle - lean[:, :2] @ np.array([SIDE_M / 2, SIDE_M / 2])
    signal = _ground(rng)
    paint(signal, bitmap, finer / cell, np.array([-cell, -cell]), lean, shift, LENS,
          rng.uniform(0.5, 1.1))  # fmt: skip
    light = rng.uniform(0.35, 1.0)
    return signal * light, number, project_camera(middle[None], LENS)[0]


def _ground(rng):
    """Return a textured background: grass, patches, something dark behind."""
    height, width = SIZE[1], SIZE[0]
    signal = np.full((height, width), 0.2)
    for sigma, strength in ((1.5, 0.03), (6.0, 0.05), (30.0, 0.08)):
        field = cv2.GaussianBlur(rng.standard_normal((height, width)), (0, 0), sigma)
        signal += strength * field / field.std()
    return np.clip(signal, 0.02, 0.9)
