"""Read a lens from OpenCV's own storage (YAML or XML), as its calibration programs write it.

Such a file says nothing of how well the lens is known: the session states that, or the contract's
figures are assumed.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import PurePosixPath
from typing import Any, NamedTuple

import numpy as np

from vidspeed.errors import SessionError
from vidspeed.session.cells import decoded
from vidspeed.values import Floats

ENDINGS = (".yml", ".yaml", ".xml")
MATRIX = ("camera_matrix", "cameraMatrix", "Camera_Matrix", "camera_Matrix", "M1", "K1", "K")
BENDS = (
    "distortion_coefficients",
    "Distortion_Coefficients",
    "distCoeffs",
    "dist_coeffs",
    "D1",
    "D",
)
MOST_BYTES = 1 << 20


class Stored(NamedTuple):
    """What a storage file holds: nine parameters (9,), and the picture size where it is stated."""

    parameters: Floats
    size_px: tuple[int, int] | None


def is_storage(file: str) -> bool:
    """Tell by a file's name whether it is OpenCV's storage.

    Examples
    --------
    >>> is_storage("lenses/out_camera_data.xml"), is_storage("lens.json")
    (True, False)
    """
    return PurePosixPath(file).suffix.lower() in ENDINGS


def parse_storage(data: bytes, where: str) -> Stored:
    """Turn the bytes of a storage file into a lens; `where` names the file.

    Raises
    ------
    SessionError
        Where it cannot be read, holds no lens, or a lens of another model.
    """
    import cv2

    if len(data) > MOST_BYTES:
        raise SessionError(f"{where}: {len(data)} bytes, more than a lens takes; name a lens file")
    text = decoded(data, where)
    try:
        flags = cv2.FILE_STORAGE_READ | cv2.FILE_STORAGE_MEMORY
        store = cv2.FileStorage(text, flags)
        nodes = {name: _node(store, names) for name, names in _WANTED.items()}
        fisheye = any(_number(store, name) for name in ("fisheye_model", "fisheye"))
        size = tuple(_number(store, name) for name in ("image_width", "image_height"))
        store.release()
    except (cv2.error, SystemError, UnicodeError) as error:
        reason = str(getattr(error, "err", "") or error).strip().splitlines()[-1:]
        raise SessionError(
            f"{where}: cannot be read as OpenCV's storage: {''.join(reason)}"
        ) from None
    if nodes["matrix"] is None or nodes["bends"] is None:
        raise SessionError(
            f"{where}: holds no lens; camera_matrix and distortion_coefficients are needed, as "
            "OpenCV's calibration programs write them"
        )
    parameters = _parameters(nodes["matrix"], nodes["bends"], where, fisheye)
    width, height = (int(side or 0) for side in size)
    return Stored(parameters, (width, height) if width > 0 and height > 0 else None)


_WANTED = {"matrix": MATRIX, "bends": BENDS}


def _node(store: Any, names: Sequence[str]) -> Floats | None:
    """Return the first of the named matrices that is there."""
    for name in names:
        node = store.getNode(name)
        if not node.empty() and node.isMap():
            matrix = node.mat()
            if matrix is not None:
                return np.asarray(matrix, dtype=np.float64)
    return None


def _number(store: Any, name: str) -> float:
    """Return a plain number of the file, 0 where there is none."""
    node = store.getNode(name)
    return float(node.real()) if node.isInt() or node.isReal() else 0.0


def _parameters(matrix: Floats, bends: Floats, where: str, fisheye: bool) -> Floats:
    """Return fx, fy, cx, cy, k1, k2, p1, p2, k3, or refuse another model."""
    bends = bends.ravel()
    if fisheye:
        raise SessionError(
            f"{where}: a lens of the fisheye model, which is not known here; "
            "measure it with vidspeed lens, or film in a video mode with a narrower view"
        )
    good = matrix.shape == (3, 3) and bool(np.all(np.isfinite(matrix)))
    if not good or min(matrix[0, 0], matrix[1, 1]) <= 0.0 or abs(matrix[0, 1]) > 1e-6:
        raise SessionError(
            f"{where}: camera_matrix is no 3 x 3 matrix with focal lengths above 0 and no skew"
        )
    if len(bends) not in (4, 5, 8, 12, 14) or not np.all(np.isfinite(bends)):
        raise SessionError(
            f"{where}: {len(bends)} distortion coefficients; 4 or 5 (k1, k2, p1, p2, k3) are needed"
        )
    if np.any(bends[5:] != 0.0):
        raise SessionError(
            f"{where}: a lens with {len(bends)} distortion coefficients (rational or tilted "
            "model); 5 (k1, k2, p1, p2, k3) are known here: calibrate with those, or with "
            "vidspeed lens"
        )
    five = np.zeros(5)
    five[: min(len(bends), 5)] = bends[:5]
    return np.array([matrix[0, 0], matrix[1, 1], matrix[0, 2], matrix[1, 2], *five])
