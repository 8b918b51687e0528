"""What is known of a lens: from a lens file with its covariance, or from the figures inline."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from vidspeed.errors import SessionError
from vidspeed.session.cells import decoded
from vidspeed.session.check import Faults, Taken, take
from vidspeed.session.keys import keys_of
from vidspeed.values import Floats, Lens

PARAMETERS = ("fx_px", "fy_px", "cx_px", "cy_px", "k1", "k2", "p1", "p2", "k3")
INLINE = ("focal_px", "focal_u_px", "centre_px", "centre_u_px", "k1", "k1_u")
_FOCAL_U = 0.03  # of the focal length, where its uncertainty is left out
_CENTRE_U = 0.02  # of the width


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
    try:
        data = path.read_bytes()
    except OSError as error:
        raise SessionError(f"{path.name}: cannot be read: {error.strerror}") from None
    return parse_lens(data, path.name)


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
