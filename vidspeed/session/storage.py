"""Read a lens from OpenCV's own storage (YAML or XML), as its calibration programs write it.

Such a file says nothing of how well the lens is known: the session states that, or the contract's
figures are assumed. Only the few nodes of a lens are read, and not by OpenCV: its reader takes the
whole process down over some damaged files.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import PurePosixPath
from typing import NamedTuple
from xml.etree import ElementTree

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
MOST_PX = 65536


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
    if len(data) > MOST_BYTES:
        raise SessionError(f"{where}: {len(data)} bytes, more than a lens takes; name a lens file")
    text = decoded(data, where)
    nodes = _xml_nodes(text, where) if text.lstrip().startswith("<") else _yaml_nodes(text)
    matrix, bends = _first(nodes, MATRIX), _first(nodes, BENDS)
    fisheye = any(_number(nodes, name) for name in ("fisheye_model", "fisheye"))
    if matrix is None or bends is None:
        raise SessionError(
            f"{where}: holds no lens; camera_matrix and distortion_coefficients are needed, as "
            "OpenCV's calibration programs write them"
        )
    parameters = _parameters(matrix, bends, where, fisheye)
    width, height = (_number(nodes, name) for name in ("image_width", "image_height"))
    good = 0 < width <= MOST_PX and 0 < height <= MOST_PX
    return Stored(parameters, (int(width), int(height)) if good else None)


class Node(NamedTuple):
    """One named node: its text, or a matrix as the texts of its rows, columns and numbers."""

    rows: str
    cols: str
    text: str


_YAML_MATRIX = re.compile(
    r"^[ \t]*(?P<name>\w+)[ \t]*:[ \t]*!!opencv-matrix[ \t]*\n"
    r"[ \t]*rows[ \t]*:(?P<rows>[^\n]*)\n[ \t]*cols[ \t]*:(?P<cols>[^\n]*)\n"
    r"[ \t]*dt[ \t]*:[^\n]*\n[ \t]*data[ \t]*:[ \t]*\[(?P<text>[^\]]*)\]",
    re.MULTILINE,
)
_YAML_ND_MATRIX = re.compile(  # how OpenCV 5 writes a plain list
    r"^[ \t]*(?P<name>\w+)[ \t]*:[ \t]*!!opencv-nd-matrix[ \t]*\n"
    r"[ \t]*sizes[ \t]*:[ \t]*\[(?P<rows>[^\],\n]*)\][ \t]*\n"
    r"[ \t]*dt[ \t]*:[^\n]*\n[ \t]*data[ \t]*:[ \t]*\[(?P<text>[^\]]*)\]",
    re.MULTILINE,
)
_YAML_NUMBER = re.compile(r"^[ \t]*(\w+)[ \t]*:[ \t]*([-+.0-9eE]+)[ \t]*$", re.MULTILINE)


def _yaml_nodes(text: str) -> dict[str, Node]:
    """Return the plain numbers and the matrices of a YAML storage by name."""
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    nodes = {name: Node("", "", value) for name, value in _YAML_NUMBER.findall(text)}
    for found in _YAML_MATRIX.finditer(text):
        nodes[found["name"]] = Node(found["rows"], found["cols"], found["text"])
    for found in _YAML_ND_MATRIX.finditer(text):
        nodes[found["name"]] = Node(found["rows"], "1", found["text"])
    return nodes


def _xml_nodes(text: str, where: str) -> dict[str, Node]:
    """Return the plain numbers and the matrices of an XML storage by name."""
    if "<!" in text:
        raise SessionError(f"{where}: declares a document type, which OpenCV's storage does not")
    try:
        root = ElementTree.fromstring(text)
    except (ElementTree.ParseError, ValueError) as error:
        raise SessionError(f"{where}: cannot be read as OpenCV's storage: {error}") from None
    return {
        node.tag: Node(
            node.findtext("rows", node.findtext("sizes", "")),
            node.findtext("cols", "1"),
            node.findtext("data", ""),
        )
        if node.find("data") is not None
        else Node("", "", node.text or "")
        for node in root
    }


def _first(nodes: dict[str, Node], names: Sequence[str]) -> Floats | None:
    """Return the first of the named matrices that is there and whole."""
    for name in names:
        node = nodes.get(name)
        if node is None or not node.rows.strip():
            continue
        try:
            rows, cols = int(node.rows), int(node.cols)
            numbers = [_plain(part) for part in re.split(r"[\s,]+", node.text) if part]
        except ValueError:
            continue
        if rows > 0 and cols > 0 and rows * cols == len(numbers):
            return np.array(numbers).reshape(rows, cols)
    return None


def _plain(text: str) -> float:
    """Return a number as OpenCV writes it: `.Nan`, `-.Inf` and `1.` too."""
    return float(text.replace(".Nan", "nan").replace(".NaN", "nan").replace(".Inf", "inf"))


def _number(nodes: dict[str, Node], name: str) -> float:
    """Return a plain number of the file, 0 where there is none."""
    node = nodes.get(name)
    try:
        value = float(node.text) if node is not None and not node.rows else 0.0
    except ValueError:
        return 0.0
    return value if np.isfinite(value) else 0.0


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
