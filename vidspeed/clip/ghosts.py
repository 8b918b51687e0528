"""Drop the ghosts that a codec makes of a craft.

At low bit rates a frame keeps faint remains of its neighbours' lights, at or near the
neighbours' places; a chain of such remains follows the craft it comes from.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from vidspeed.values import Track

NEAR_PX = 24.0  # a coding block and a half
FRAMES = 8  # a ghost may stay for so long
FAINT = 0.2  # of the brightness of the light it comes from
MOST = 0.6  # share of a track's lights that make it a ghost


def without_ghosts(tracks: Sequence[Track]) -> list[Track]:
    """Return the tracks that are no ghost of a stronger one."""
    return [
        track
        for track in tracks
        if not any(_is_ghost(track, other) for other in tracks if other is not track)
    ]


def _is_ghost(track: Track, other: Track) -> bool:
    """Say whether most lights of a track lie where a far brighter one is or was."""
    apart = np.linalg.norm(track.xy_px[:, None] - other.xy_px[None], axis=2)
    later = track.frame[:, None] - other.frame[None]
    fainter = np.abs(track.peak[:, None]) < FAINT * np.abs(other.peak[None])
    near = (apart < NEAR_PX) & (later >= -FRAMES // 2) & (later <= FRAMES) & fainter
    return bool(near.any(axis=1).mean() >= MOST)
