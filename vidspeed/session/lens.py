"""What is known of a lens: from a lens file with its covariance, or from the figures inline.

A lens file holds for one picture size, one zoom and one focus. A smaller copy of the whole picture
is allowed for where the session says so; a lens that was not focused as in the field has its focal
length left open by 2 %.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from vidspeed.errors import SessionError
from vidspeed.session.cells import decoded
from vidspeed.session.check import Faults, Refused, Taken, shown, take
from vidspeed.session.keys import keys_of
from vidspeed.session.paths import Files, read_whole
from vidspeed.session.storage import is_storage, parse_storage
from vidspeed.values import Floats, Lens

PARAMETERS = ("fx_px", "fy_px", "cx_px", "cy_px", "k1", "k2", "p1", "p2", "k3")
INLINE = ("focal_px", "focal_u_px", "centre_px", "centre_u_px", "k1", "k1_u")
STATED_U = ("focal_u_px", "centre_u_px", "k1_u")  # what a storage file leaves to the session
_FOCAL_U = 0.03  # of the focal length, where its uncertainty is left out
_CENTRE_U = 0.02  # of the width
_REFOCUS_U = 0.02  # of the focal length, where the lens was focused otherwise than in the field
_SIDE_PX = 1.0  # that a scaled picture's sides may be off, for rounding


def lens_of(camera: Taken, where: str, files: Files, faults: Faults) -> Lens | None:
    """Return the lens of a camera's keys, None where a fault was found."""
    if "lens" not in camera.given:
        return _inline_of(camera, where, faults)
    file = camera.values.get("lens")
    if file is None:
        return None
    clash = set(INLINE) - (set(STATED_U) if is_storage(file) else set())
    both = sorted(camera.given & clash, key=INLINE.index)
    if both:
        faults.add(where, f"lens and {', '.join(both)} are given; keep the file or the figures")
    try:
        data = files.read(file)
        lens = _stored_lens(data, file, camera) if is_storage(file) else parse_lens(data, file)
    except Refused as refusal:
        faults.add(where, f"lens {refusal}")
        return None
    except SessionError as error:
        faults.messages.extend(error.messages)
        return None
    focus = camera.values.get("lens_focus", lens.focus)
    lens = refocused(lens) if focus == "near" else lens
    return _at_size(lens, file, camera, where, faults)


def _inline_of(camera: Taken, where: str, faults: Faults) -> Lens | None:
    """Return the lens of the figures that a camera states."""
    if "focal_u_px" in camera.given and "focal_px" not in camera.given:
        faults.add(where, "focal_u_px is given without focal_px; state both or neither")
        return None
    stated = camera.given & {"image_size_px", *INLINE}
    good = stated <= camera.values.keys() and "image_size_px" in stated
    return inline_lens(camera) if good else None


def refocused(lens: Lens) -> Lens:
    """Return a lens whose focal length is open by 2 %, one factor for both axes.

    Focusing nearer moves the glass away from the sensor: the focal length in pixels grows, by
    focal length over distance and by what the lens's design adds; the rest hardly changes.
    """
    column = np.zeros((9, 1))
    column[0:2, 0] = _REFOCUS_U * lens.parameters[0:2]
    own = [number for number, name in enumerate(lens.names) if name == "focal length"]
    column[:, 0] = np.hypot(column[:, 0], lens.factor[:, own].sum(axis=1))
    rest = [number for number in range(len(lens.names)) if number not in own]
    return replace(
        lens,
        factor=np.hstack([column, lens.factor[:, rest]]),
        names=("focal length", *(lens.names[number] for number in rest)),
        assumed=lens.assumed | {"focal length"},
        focus="near",
    )


def scaled(lens: Lens, size_px: tuple[int, int], scale: float) -> Lens:
    """Return the lens of a picture that is the whole picture made `scale` times as large.

    Examples
    --------
    >>> lens = Lens(image_size_px=(400, 200), factor=np.zeros((9, 0)), names=(),
    ...             parameters=np.array([300.0, 300.0, 199.5, 99.5, 0, 0, 0, 0, 0]))
    >>> scaled(lens, (200, 100), 0.5).parameters[:4].tolist()
    [150.0, 150.0, 99.5, 49.5]
    """
    parameters, factor = lens.parameters.copy(), lens.factor.copy()
    parameters[0:2] *= scale
    parameters[2:4] = (parameters[2:4] + 0.5) * scale - 0.5  # (0, 0) is the middle of a pixel
    factor[0:4] *= scale
    return replace(lens, image_size_px=size_px, parameters=parameters, factor=factor)


def _at_size(lens: Lens, file: str, camera: Taken, where: str, faults: Faults) -> Lens:
    """Return the lens for the camera's own picture size, or note why it does not hold for it."""
    size = camera.values.get("image_size_px")
    if size is None:
        return lens
    width, height = lens.image_size_px
    scale = camera.values.get("lens_scale")
    if scale is not None:
        if max(abs(width * scale - size[0]), abs(height * scale - size[1])) <= _SIDE_PX:
            return scaled(lens, size, scale)
        faults.add(
            where,
            f"lens_scale is {scale:g}, which makes {width * scale:g} x {height * scale:g} of the "
            f"{width} x {height} of {file}, but image_size_px is {shown(size)}; it is for the "
            "whole picture made smaller or larger, nothing cropped",
        )
        return lens
    if (width, height) == size:
        return lens
    ratio = size[0] / width
    what = f"image_size_px is {shown(size)}, but {file} is of a picture of {width, height}"
    what = f"{what.replace('(', '[').replace(')', ']')}; "
    if abs(height * ratio - size[1]) <= _SIDE_PX:
        what += (
            f"if this video mode shows exactly the same view, only {ratio:.6g} times as large "
            f"(compare the edges of two stills), state lens_scale = {ratio:.6g}; if it is cropped "
            "or zoomed, film the chart in this mode"
        )
    else:
        what += (
            "the proportion of the sides differs, so one is cropped; film the chart in this mode"
        )
    faults.add(where, what)
    return lens


def _stored_lens(data: bytes, file: str, camera: Taken) -> Lens:
    """Return a lens of OpenCV's storage; how well it is known the camera states, or is assumed."""
    stored = parse_storage(data, file)
    size = stored.size_px or camera.values.get("image_size_px")
    if size is None:
        raise SessionError(f"{file}: does not say its picture size; state image_size_px")
    focal = float(stored.parameters[0])
    values = camera.values
    columns = (
        ("focal length", (0, 1), values.get("focal_u_px", _FOCAL_U * focal), "focal_u_px"),
        ("centre x", (2,), values.get("centre_u_px", _CENTRE_U * size[0]), "centre_u_px"),
        ("centre y", (3,), values.get("centre_u_px", _CENTRE_U * size[0]), "centre_u_px"),
        ("k1", (4,), values["k1_u"], "k1_u"),
    )
    factor = np.zeros((9, len(columns)))
    for column, (_, rows, size_u, _key) in enumerate(columns):
        factor[list(rows), column] = size_u
    return Lens(
        image_size_px=size,
        parameters=stored.parameters,
        factor=factor,
        names=tuple(name for name, *_ in columns),
        assumed=frozenset(name for name, *_, key in columns if key not in camera.given),
        file=file,
    )


def inline_lens(taken: Taken) -> Lens:
    """Make a lens of what `[[camera]]` states; `taken` holds a checked `image_size_px`."""
    values = taken.values
    width, height = values["image_size_px"]
    focal_px = values.get("focal_px")
    centre = values.get("centre_px", ((width - 1) / 2, (height - 1) / 2))
    centre_u = values.get("centre_u_px", _CENTRE_U * width)
    columns: list[tuple[str, dict[int, float]]] = [
        ("centre x", {2: centre_u}),
        ("centre y", {3: centre_u}),
        ("k1", {4: values["k1_u"]}),
    ]
    if focal_px is not None:
        focal_u = values.get("focal_u_px", _FOCAL_U * focal_px)
        columns.insert(0, ("focal length", {0: focal_u, 1: focal_u}))
    factor = np.zeros((9, len(columns)))
    for column, (_, touches) in enumerate(columns):
        for row, size in touches.items():
            factor[row, column] = size
    start = float(width) if focal_px is None else focal_px
    return Lens(
        image_size_px=(width, height),
        parameters=np.array([start, start, *centre, values["k1"], 0.0, 0.0, 0.0, 0.0]),
        factor=factor,
        names=tuple(name for name, _ in columns),
        focal_free=focal_px is None,
        assumed=_assumed(taken),
    )


def _assumed(taken: Taken) -> frozenset[str]:
    """Return the names of the unknowns whose prior the session did not state in full."""
    stated_by = {
        "focal length": ("focal_px", "focal_u_px"),
        "centre x": ("centre_px", "centre_u_px"),
        "centre y": ("centre_px", "centre_u_px"),
        "k1": ("k1", "k1_u"),
    }
    return frozenset(
        name
        for name, keys in stated_by.items()
        if taken.left_out(*keys) and not (name == "focal length" and "focal_px" not in taken.given)
    )


def read_lens(path: Path) -> Lens:
    """Read a lens file.

    Raises
    ------
    SessionError
        Where the file cannot be read, a key is missing or wrong, or the covariance is none.
    """
    return parse_lens(read_whole(path), path.name)


def parse_lens(data: bytes, where: str) -> Lens:
    """Turn the bytes of a lens file into a lens; `where` names the file."""
    try:
        raw = json.loads(decoded(data, where))
    except (ValueError, RecursionError) as error:
        raise SessionError(f"{where}: cannot be read as JSON: {error}") from None
    if not isinstance(raw, Mapping):
        raise SessionError(f"{where}: holds no lens; vidspeed lens writes such a file")
    faults = Faults()
    known = keys_of("lens file")
    taken = take("lens file", {key: raw[key] for key in known if key in raw}, where, faults)
    factor = _factor(raw.get("covariance"), where, faults)
    if faults:
        raise SessionError(*faults.messages)
    width, height = taken.values["image_size_px"]
    return Lens(
        image_size_px=(width, height),
        parameters=np.array([taken.values[name] for name in PARAMETERS]),
        factor=factor,
        names=tuple(f"lens {number + 1}" for number in range(factor.shape[1])),
        file=where,
        focus=taken.values.get("focus", "field"),
    )


def _factor(raw: Any, where: str, faults: Faults) -> Floats:
    """Return the factor (9, m) of a covariance: covariance = factor @ factor.T.

    The eigenvectors are those of the correlations, because pixels and coefficients differ by
    many powers of ten; directions without variance are dropped.
    """
    covariance = _matrix(raw)
    if covariance is None:
        faults.add(where, "covariance is not 9 rows of 9 numbers in the order of the parameters")
        return np.zeros((9, 0))
    variance = np.diag(covariance)
    scale = np.sqrt(np.where(variance > 0.0, variance, 1.0))
    correlation = covariance / np.outer(scale, scale)
    if np.any(variance < 0.0) or np.any(np.abs(correlation - correlation.T) > 1e-6):
        faults.add(where, "covariance is not symmetric with variances of at least 0")
        return np.zeros((9, 0))
    values, vectors = np.linalg.eigh((correlation + correlation.T) / 2.0)
    if values[0] < -1e-6:
        faults.add(
            where,
            f"covariance has the negative eigenvalue {values[0]:.3g} (of the correlations); "
            "no uncertainty gives that, write the file again with vidspeed lens",
        )
    kept = values > 1e-12
    return np.asarray(scale[:, None] * vectors[:, kept] * np.sqrt(values[kept]))


def _matrix(raw: Any) -> Floats | None:
    """Return nine rows of nine finite numbers as an array, or None."""
    rows = raw if isinstance(raw, list) and len(raw) == 9 else []
    numbers = [item for row in rows if isinstance(row, list) and len(row) == 9 for item in row]
    plain = all(isinstance(item, (int, float)) and not isinstance(item, bool) for item in numbers)
    if len(numbers) != 81 or not plain or not all(abs(item) <= 1e30 for item in numbers):
        return None
    return np.array(numbers, dtype=np.float64).reshape(9, 9)
