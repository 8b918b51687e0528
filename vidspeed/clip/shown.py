"""Give the picture as it is shown: the decoder's luma, turned and mirrored as the file asks."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vidspeed.values import Floats

Luma = NDArray[Any]  # uint8, or uint16 in levels of ten bits

TURNS = {
    90: cv2.ROTATE_90_COUNTERCLOCKWISE,
    180: cv2.ROTATE_180,
    270: cv2.ROTATE_90_CLOCKWISE,
}
LUMA_FIRST = ("gray", "gray10le", "gray12le", "gray16le", "nv12", "nv21", "p010le")


def display_of(matrix: bytes | None) -> tuple[float, bool]:
    """Return the counter-clockwise turn in degrees, [0, 360), and whether the picture is mirrored.

    Parameters
    ----------
    matrix
        The display matrix as FFmpeg keeps it: nine 32 bit integers a b u c d v x y w, by which a
        point (p, q) of the stored picture, q down, is shown at (a p + c q + x, b p + d q + y)
        (ISO/IEC 14496-12, 6.2.2). None: shown as it is stored. A mirrored picture is first
        flipped left to right, then turned.

    Examples
    --------
    >>> one = 1 << 16
    >>> display_of(np.array([-one, 0, 0, 0, one, 0, 0, 0, 1 << 30], "=i4").tobytes())
    (0.0, True)
    """
    if matrix is None:
        return 0.0, False
    a, b, _, c, d = np.frombuffer(matrix, dtype="=i4")[:5].astype(float)
    mirrored = bool(a * d - b * c < 0)
    if mirrored:
        a, b = -a, -b
    return float(-np.degrees(np.arctan2(b, a))) % 360.0, mirrored


def turned(luma: Luma, rotation_deg: int, mirrored: bool = False) -> Luma:
    """Flip a stored picture left to right if asked, then turn it counter-clockwise by 90s."""
    if not rotation_deg and not mirrored:
        return luma
    flipped = cv2.flip(luma, 1) if mirrored else luma
    turn = TURNS.get(rotation_deg % 360)
    return np.asarray(flipped if turn is None else cv2.rotate(flipped, turn))


def readout_row(xy_px: Floats, size_px: tuple[int, int], rotation_deg: int) -> Floats:
    """Return where in the read-out (n,), 0 to 1, the row of each light (n, 2) lies.

    The sensor is read along the rows of the stored picture; `xy_px` and `size_px` (width,
    height) are of the picture as shown, `rotation_deg` is the counter-clockwise turn between.
    A mirrored picture was flipped within its rows before the turn, which changes no row.

    Examples
    --------
    >>> readout_row(np.array([[100.0, 270.0]]), (1920, 1080), 0)
    array([0.25])
    >>> readout_row(np.array([[270.0, 100.0]]), (1080, 1920), 90)
    array([0.25])
    """
    width, height = size_px
    row = {
        0: xy_px[:, 1] / height,
        90: xy_px[:, 0] / width,
        180: (height - 1 - xy_px[:, 1]) / height,
        270: (width - 1 - xy_px[:, 0]) / width,
    }[rotation_deg % 360]
    return np.clip(row, 0.0, 1.0)


def has_luma(kind: Any) -> bool:
    """Say whether a decoder's pixel format holds luma in its first plane."""
    if kind.is_rgb or kind.has_palette:
        return False
    return bool(kind.is_planar) or kind.name in LUMA_FIRST


def luma_of(frame: Any) -> Luma:
    """Return the Y plane (h, w) of a decoded frame, which it keeps alive; of colours, their grey.

    It is read-only, and no copy where the file holds levels of eight bits, or of ten in two bytes.
    """
    kind = frame.format
    if not has_luma(kind):
        frame = frame.reformat(format="gray")
        kind = frame.format
    line, plane = frame.planes[0].line_size, memoryview(frame.planes[0])
    bits = kind.components[0].bits
    if bits == 8:
        rows8 = np.frombuffer(plane, np.uint8).reshape(frame.height, line)
        return _kept(rows8[:, : frame.width])
    order = ">" if kind.is_big_endian else "<"
    rows = np.frombuffer(plane, np.dtype(f"{order}u2")).reshape(frame.height, line // 2)
    shift = 6 if kind.name.startswith("p010") else bits - 10
    levels = rows[:, : frame.width]
    if shift == 0 and levels.dtype == np.uint16:
        return _kept(levels)
    return (levels >> shift if shift >= 0 else levels << -shift).astype(np.uint16)


def _kept(levels: Luma) -> Luma:
    """Return levels that nobody may write to: the decoder makes other frames from them."""
    levels.flags.writeable = False
    return levels
