"""How the wind shakes a tripod: a shift of the whole picture, a smooth function of time."""

from __future__ import annotations

import numpy as np

from vidspeed.render.scene import Look
from vidspeed.values import Floats


def shake(look: Look, since_s: Floats) -> Floats:
    """Return by how much the stored picture is shifted (n, 2), so long after mid-course.

    Two sines a direction, the second at 1.6 times the frequency; never more than `shake_px`.
    """
    turn = 2.0 * np.pi * look.shake_hz * since_s
    across = 0.7 * np.sin(turn + 0.9) + 0.3 * np.sin(1.6 * turn + 2.0)
    down = 0.6 * np.sin(1.13 * turn) + 0.3 * np.sin(1.7 * turn + 0.5)
    return look.shake_px * np.column_stack([across, down])
