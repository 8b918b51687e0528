"""A calibrated camera as a pass begins with it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vidspeed.values import Camera, Floats, Pose, Value


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stand(Value):
    """Where a camera begins: pose, deviates of its lens, logarithm of a free focal length's ratio.

    `interval_s` is the frame interval at its capture rate.
    """

    camera: Camera
    pose: Pose
    lens_deviates: Floats
    focal_log: float
    interval_s: float

    def lens(self) -> Floats:
        """Return the nine lens parameters (9,)."""
        values = self.camera.lens.parameters + self.camera.lens.factor @ self.lens_deviates
        values[0:2] *= np.exp(self.focal_log)
        return np.asarray(values)
