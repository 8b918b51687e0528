"""Drop the ghosts that a codec and a lens make of a craft.

At low bit rates a frame keeps faint remains of its neighbours' lights, at or near the
neighbours' places; a chain of such remains follows the craft it comes from. Light that is
thrown to and fro between the glasses of a lens makes a fainter image of a bright lamp, mirrored
about the middle of the picture.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from vidspeed.values import Track

NEAR_PX = 24.0  # a coding block and a half
FRAMES = 8  # a ghost may stay for so long
FAINT = 0.2  # of the brightness of the light it comes from
FLARE_NEAR, FLARE_FAINT = 0.04, 0.6  # of the width, from the mirrored place; of the brightness
MOST = 0.6  # share of a track's lights that make it a ghost


def without_ghosts(tracks: Sequence[Track], size_px: tuple[int, int]) -> list[Track]:
    """Return the tracks that are no ghost of a stronger one; `size_px` (width, height)."""
    return [
        track
        for track in tracks
        if not any(
            _is_ghost(track, other) or _is_flare(track, other, size_px)
            for other in tracks
            if other is not track
        )
    ]


def _is_flare(track: Track, other: Track, size_px: tuple[int, int]) -> bool:
    """Say whether a track is mostly that of a brighter one, mirrored about the picture's middle."""
    _, mine, theirs = np.intersect1d(track.frame, other.frame, return_indices=True)
    if len(mine) < MOST * len(track):
        return False
    mirrored = np.array(size_px) - 1.0 - other.xy_px[theirs]
    off = track.xy_px[mine] - mirrored
    fainter = np.abs(track.peak[mine]) < FLARE_FAINT * np.abs(other.peak[theirs])
    near = np.linalg.norm(off, axis=1) < FLARE_NEAR * size_px[0]
    return bool(np.sum(near & fainter) >= MOST * len(track))


def _is_ghost(track: Track, other: Track) -> bool:
    """Say whether most lights of a track lie where a far brighter one is or was."""
    apart = np.linalg.norm(track.xy_px[:, None] - other.xy_px[None], axis=2)
    later = track.frame[:, None] - other.frame[None]
    fainter = np.abs(track.peak[:, None]) < FAINT * np.abs(other.peak[None])
    near = (apart < NEAR_PX) & (later >= -FRAMES // 2) & (later <= FRAMES) & fainter
    return bool(near.any(axis=1).mean() >= MOST)
