"""Make a still of a clip to pick markers on, and read and write such pictures."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np

from vidspeed.clip.background import to_eight_bits
from vidspeed.clip.read import ClipReader, Frame
from vidspeed.errors import ClipError, ResultsError
from vidspeed.saving import save
from vidspeed.values import Picture

FRAMES = 15  # that the mean is made of, at most
LATEST_S = 1e6  # no clip lasts eleven days; a seek that far would overflow
SHARP = 0.7  # least sharpness of a frame, as a share of the sharpest one's


def still(path: Path, *, at_s: float | None) -> Picture:
    """Return the mean (h, w) uint8 of the sharp frames around a moment, as shown.

    Parameters
    ----------
    at_s
        The moment by the clip's own stamps; None: the middle of the clip.

    Raises
    ------
    ClipError
        Where the clip cannot be read or the moment lies outside it.
    """
    if at_s is not None and not abs(at_s) < LATEST_S:
        raise ClipError(
            f"{path.name}: {at_s:g} s is no moment of a clip; give seconds, such as 1.5"
        )
    with ClipReader(path, from_s=at_s) as reader:
        duration_s = reader.header.duration_s
    moment_s = at_s if at_s is not None else 0.5 * (duration_s or 0.0)
    frames = _around(path, moment_s)
    if at_s is not None:
        _check_moment(path, frames, at_s)
    sharpness = np.array([_sharpness(frame) for frame in frames])
    kept = [f for f, s in zip(frames, sharpness, strict=True) if s >= SHARP * sharpness.max()]
    total = np.zeros(frames[0].luma.shape, np.float32)
    for frame in kept:
        total += frame.luma
    scale = 1.0 if frames[0].luma.dtype == np.uint8 else 0.25
    return np.asarray(np.rint(total * (scale / len(kept))).clip(0, 255), np.uint8)


def write_still(path_out: Path, picture: Picture) -> None:
    """Write a picture (h, w) uint8 as a PNG file.

    Raises
    ------
    ResultsError
        Where the file cannot be written.
    """
    if path_out.suffix.lower() != ".png":
        raise ResultsError(f"{path_out}: a still is a PNG file; give a name that ends in .png")
    save(path_out, png_bytes(picture))


def png_bytes(picture: Picture) -> bytes:
    """Return a picture (h, w) uint8 as the bytes of a PNG file."""
    done, data = cv2.imencode(".png", picture)
    if not done:
        raise ResultsError("the picture cannot be stored as PNG")
    return bytes(data.tobytes())


def packed(picture: Picture) -> Picture:
    """Return a picture (h, w) uint8 as a PNG file (k,) uint8, held instead of it."""
    return np.frombuffer(png_bytes(picture), np.uint8)


def unpacked(packed: Picture) -> Picture:
    """Return the grey levels (h, w) uint8 of a PNG or JPEG file (k,) uint8 of our own."""
    return np.asarray(cv2.imdecode(packed, cv2.IMREAD_GRAYSCALE), np.uint8)


def read_picture(path: Path) -> Picture:
    """Return a picture file (PNG, JPEG or the like) as grey levels (h, w) uint8.

    Raises
    ------
    ClipError
        Where the file is missing or is no picture.
    """
    try:
        data = np.frombuffer(path.read_bytes(), np.uint8)
    except OSError as error:
        raise ClipError(f"{path.name}: cannot be read: {error.strerror}") from error
    flags = cv2.IMREAD_GRAYSCALE | cv2.IMREAD_IGNORE_ORIENTATION
    try:
        picture = cv2.imdecode(data, flags) if data.size else None
    except cv2.error:  # more pixels than OpenCV takes
        raise ClipError(f"{path.name}: this picture is too large; a frame is needed") from None
    if picture is None:
        raise ClipError(f"{path.name}: this is not a picture; a PNG or JPEG file is needed")
    return np.asarray(picture, np.uint8)


def _around(path: Path, moment_s: float) -> list[Frame]:
    """Return up to `FRAMES` frames nearest to a moment."""
    near: list[Frame] = []
    with ClipReader(path, from_s=max(0.0, moment_s - 1.0)) as reader:
        for frame in reader.frames():
            near.append(frame)
            if len(near) > FRAMES:
                farther = moment_s - near[0].time_s < frame.time_s - moment_s
                near.pop(-1 if farther else 0)
                if farther:
                    break
    return near


def _check_moment(path: Path, frames: list[Frame], at_s: float) -> None:
    """Refuse a moment that the clip does not cover."""
    first_s, last_s = frames[0].time_s, frames[-1].time_s
    slack_s = max(0.5 * (last_s - first_s), 0.05)
    if not first_s - slack_s <= at_s <= last_s + slack_s:
        raise ClipError(
            f"{path.name}: {at_s:g} s is outside the clip, whose frames nearest to it are at "
            f"{first_s:.3f} to {last_s:.3f} s"
        )


def _sharpness(frame: Frame) -> float:
    """Return the variance of the Laplacian, which movement and defocus lower."""
    return float(cv2.Laplacian(to_eight_bits(frame.luma), cv2.CV_32F).var())
