"""Moments of a clip at which a picture stands still: for what somebody holds up to the camera."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np

from vidspeed.clip.background import to_eight_bits
from vidspeed.clip.read import ClipReader
from vidspeed.values import Picture

MOST = 90  # stretches of a clip, at most
LEAST_STEP_S = 0.2  # length of one, at least
SHARP_ENOUGH = 0.8  # of the sharpest frame near by: of those the stillest is taken
SMALL_PX = 480  # width at which sharpness and stillness are judged


@dataclass(slots=True)
class Moment:
    """A frame with the one before it, how sharp it is and how much changed between the two."""

    time_s: float
    before: Picture
    picture: Picture
    sharpness: float
    change: float


def still_moments(reader: ClipReader) -> Iterator[Moment]:
    """Yield the stillest of the sharp frames of each short stretch of a clip, in order of time.

    Pictures are luma (h, w) of eight bits. Of each stretch two frames at the most are held.
    """
    step_s = max((reader.header.duration_s or 0.0) / MOST, LEAST_STEP_S)
    before: Picture | None = None
    small_before: Picture | None = None
    stretch: list[Moment] = []
    begun_s: float | None = None
    for frame in reader.frames():
        picture = to_eight_bits(frame.luma)
        small = _small(picture)
        if before is not None and small_before is not None:
            stretch.append(_moment(frame.time_s, before, picture, small_before, small))
            stretch = _worth_keeping(stretch)
        before, small_before = picture, small
        begun_s = frame.time_s if begun_s is None else begun_s
        if frame.time_s - begun_s >= step_s:
            yield from stretch[:1]
            stretch, begun_s = [], frame.time_s
    yield from stretch[:1]


def _small(picture: Picture) -> Picture:
    scale = min(1.0, SMALL_PX / picture.shape[1])
    return np.asarray(
        cv2.resize(picture, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), np.uint8
    )


def _moment(
    time_s: float, before: Picture, picture: Picture, small_before: Picture, small: Picture
) -> Moment:
    return Moment(
        time_s=time_s,
        before=before,
        picture=picture,
        sharpness=float(cv2.Laplacian(small, cv2.CV_32F).var()),
        change=float(np.mean(cv2.absdiff(small, small_before))),
    )


def _worth_keeping(stretch: list[Moment]) -> list[Moment]:
    """Keep the stillest of the sharp frames and the sharpest one, so that few are in memory."""
    best = max(moment.sharpness for moment in stretch)
    sharp = [moment for moment in stretch if moment.sharpness >= SHARP_ENOUGH * best]
    stillest = min(sharp, key=lambda moment: moment.change)
    sharpest = max(sharp, key=lambda moment: moment.sharpness)
    return [stillest] if stillest is sharpest else [stillest, sharpest]
