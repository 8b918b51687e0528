"""What the ideal solver is given: how large a track's errors are, what is stated of a lens."""

from __future__ import annotations

from typing import Any

import numpy as np
from bench_cameras import LENS_NAMES
from bench_scene import Case, TrueCamera
from bench_truth import Floats


def light_covariance(track: dict[str, Floats], motion_px_s: Floats) -> Floats:
    """Return the true covariance (2 n, 2 n) of a track's lights, x and y in turn.

    Each light's from its root, and by how far two are apart in the track; what rounds the
    stamps is added along the motion, a coder's drag along both axes of the picture.
    """
    count = len(motion_px_s)
    apart = np.abs(np.subtract.outer(np.arange(count), np.arange(count)))
    total = np.zeros((count, 2, count, 2))
    for part in "ab":
        root = np.column_stack([track[f"root_x{part}_px"], track[f"root_y{part}_px"]])
        total += np.einsum("kl,ki,lj->kilj", track[f"alike_{part}"][apart], root, root)
    for k in range(count):
        moved = track["time_u_s"][k] * motion_px_s[k]
        total[k, :, k, :] += np.outer(moved, moved)
    for axis, name in enumerate(("drag_x_px", "drag_y_px")):
        if name in track:
            total[:, axis, :, axis] += np.outer(track[name], track[name])
    return total.reshape(2 * count, 2 * count)


def lens_residuals(case: Case, stated: dict[str, Any], camera: TrueCamera, lens: Floats) -> Floats:
    """Return what is stated of a lens less the lens, over its u."""
    if "lens" in stated:
        content = case.lens_files[stated["lens"]]
        told = np.array([content[name] for name in LENS_NAMES])
        root = np.linalg.cholesky(np.array(content["covariance"]))
        return np.linalg.solve(root, told - lens)
    width, height = camera.size_px
    centre = np.array(stated.get("centre_px", [(width - 1) / 2.0, (height - 1) / 2.0]))
    rows = [(centre - lens[2:4]) / stated.get("centre_u_px", 0.02 * width)]
    rows.append(np.array([(stated.get("k1", 0.0) - lens[4]) / stated.get("k1_u", 0.1)]))
    if "focal_px" in stated:
        u = stated.get("focal_u_px", 0.03 * stated["focal_px"])
        rows.append(np.array([(stated["focal_px"] - lens[0]) / u]))
    return np.concatenate(rows)
