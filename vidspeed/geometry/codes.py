"""Families of coded squares (ArUco, AprilTag) as OpenCV holds them: names, cells, corners."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np

from vidspeed.errors import CalibrationError, OptionError
from vidspeed.values import Bools

FAMILIES = (
    "4x4_50",
    "4x4_100",
    "5x5_50",
    "5x5_100",
    "6x6_50",
    "6x6_100",
    "apriltag_16h5",
    "apriltag_25h9",
    "apriltag_36h11",
)


def dictionary(family: str) -> Any:
    """Return OpenCV's dictionary of a family.

    Raises OptionError where no family has that name.
    """
    if family not in FAMILIES:
        raise OptionError(
            f"--family is {family!r}, no family of codes; allowed are {', '.join(FAMILIES)}"
        )
    return cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, f"DICT_{family.upper()}"))


def how_many(family: str) -> int:
    """Return how many codes a family has.

    Examples
    --------
    >>> how_many("4x4_50")
    50
    """
    return len(dictionary(family).bytesList)


def cells(family: str, number: int) -> Bools:
    """Return which cells of a code are dark (n, n), its dark border of one cell included.

    Raises CalibrationError where the family has no such code.
    """
    book = dictionary(family)
    if not 0 <= number < len(book.bytesList):
        raise CalibrationError(
            f"code {number} is none of {family}; allowed are 0 to {len(book.bytesList) - 1}"
        )
    across = int(book.markerSize) + 2
    picture = np.asarray(cv2.aruco.generateImageMarker(book, number, across))
    return np.asarray(picture < 128)
