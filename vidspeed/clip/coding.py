"""What a video coder does to a light that the picture's noise does not show."""

from __future__ import annotations

# Coders whose every frame stands alone: nothing of a frame comes from the one before.
ALONE = frozenset({"mjpeg", "prores", "dnxhd", "dvvideo", "ffv1", "rawvideo", "huffyuv", "png"})
DRAG_PX = 0.045  # H.264: 0.03 px at good quality, 0.045 px at common quality (tests/bench/drag.py)
NO_DRAG = frozenset({"hevc"})  # its errors are alike in neighbouring frames only


def drag_u_px(codec: str) -> float:
    """Return by how much a coder may hold a slow light back, as a standard uncertainty in pixels.

    A coder that was not tried and predicts from frame to frame is taken for H.264.

    Examples
    --------
    >>> drag_u_px("h264"), drag_u_px("mjpeg")
    (0.045, 0.0)
    """
    return 0.0 if codec in ALONE | NO_DRAG else DRAG_PX
