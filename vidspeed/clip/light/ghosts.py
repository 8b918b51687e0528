"""Drop the ghosts that a codec, a camera's averaging and a lens make of a craft.

At low bit rates a frame keeps faint remains of its neighbours' lights, at or near the
neighbours' places; a chain of such remains follows the craft it comes from. A phone that takes
noise out of its pictures by averaging them over time keeps a share of each frame's lamp in the
next ones, in its very place: a whole flight of it, a frame or two late. Light that is
thrown to and fro between the glasses of a lens makes a fainter image of a bright lamp, mirrored
about the middle of the picture.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from vidspeed.clip.light.lamp import Light
from vidspeed.values import Bools, Floats, Ints, Track

NEAR_PX = 24.0  # a coding block and a half
FRAMES = 8  # a ghost may stay for so long
FAINT = 0.2  # of the brightness of the light it comes from
FLARE_NEAR, FLARE_FAINT = 0.04, 0.6  # of the width, from the mirrored place; of the brightness
REMAINS_PX, REMAINS_FAINT = 3.0, 0.75  # from the very place of a light, and of its brightness
LATE = (1, 2)  # frames by which what averaging keeps of a lamp follows it
LAMP, SEEN = 7, 0.6  # lights of a lamp that leaves remains; share of frames in which one is seen
STEADY, PAST = 0.15, 3.0  # frames: what passes another keeps so near a curve, and goes so far
MOST = 0.6  # share of a track's lights that make it a ghost

_Table = tuple[Ints, Floats, Floats]  # frames (n,), places (n, 2) and brightness (n,) of lights


def without_ghosts(tracks: Sequence[Track], size_px: tuple[int, int]) -> list[Track]:
    """Return the tracks that are no ghost of a stronger one; `size_px` (width, height)."""
    return [
        track
        for track in tracks
        if not any(
            _is_ghost(track, other) or _trails(track, other) or _is_flare(track, other, size_px)
            for other in tracks
            if other is not track
        )
    ]


def without_remains(lamps: Sequence[Sequence[Light]]) -> list[list[Light]]:
    """Return lamps without the lights that are what a coder kept of a brighter lamp's.

    Such a light lies in the very place of one of a few frames before or after. A chain may run
    from remains to a craft, and would then have a speed that is neither's. A lamp that is seen in
    most frames is none, even where it follows another.
    """
    tables = [_table(lamp) for lamp in lamps]
    kept = []
    for lamp, table in zip(lamps, tables, strict=True):
        mine = np.ones(len(lamp), dtype=bool)
        for other in tables:
            if other is not table and len(other[0]) >= LAMP and len(lamp):
                mine &= ~_remains(table, other)
        kept.append([light for light, stays in zip(lamp, mine, strict=True) if stays])
    return kept


def _table(lamp: Sequence[Light]) -> _Table:
    """Return the lights of a lamp as arrays."""
    frame = np.array([light.spot.frame for light in lamp], dtype=np.int64)
    xy = np.array([light.xy_px for light in lamp])
    return frame, xy, np.abs([light.peak for light in lamp])


def _remains(lamp: _Table, other: _Table) -> Bools:
    """Say which lights (n,) of a lamp may be remains of another's."""
    (frame, xy, peak), (theirs, there, bright) = lamp, other
    later = frame[:, None] - theirs[None]
    near = np.linalg.norm(xy[:, None] - there[None], axis=2) < REMAINS_PX
    near &= (later != 0) & (later >= -FRAMES // 2) & (later <= FRAMES)
    found = np.asarray(np.any(near & (peak[:, None] < REMAINS_FAINT * bright[None]), axis=1))
    if not found.any():
        return found
    often = float(np.sum(found)) / (int(np.ptp(frame[found])) + 1)
    return np.zeros_like(found) if often >= SEEN and found.mean() >= MOST else found


def _is_flare(track: Track, other: Track, size_px: tuple[int, int]) -> bool:
    """Say whether a track is mostly that of a brighter one, mirrored about the picture's middle.

    A lamp that is white over much is far brighter than any that is not, whatever its peak.
    """
    _, mine, theirs = np.intersect1d(track.frame, other.frame, return_indices=True)
    if len(mine) < MOST * len(track):
        return False
    mirrored = np.array(size_px) - 1.0 - other.xy_px[theirs]
    off = track.xy_px[mine] - mirrored
    fainter = np.abs(track.peak[mine]) < FLARE_FAINT * np.abs(other.peak[theirs])
    if other.wide and not track.wide:
        fainter[:] = True
    near = np.linalg.norm(off, axis=1) < FLARE_NEAR * size_px[0]
    return bool(np.sum(near & fainter) >= MOST * len(track))


def _is_ghost(track: Track, other: Track) -> bool:
    """Say whether most lights of a track lie where a far brighter one is or was."""
    apart = np.linalg.norm(track.xy_px[:, None] - other.xy_px[None], axis=2)
    later = track.frame[:, None] - other.frame[None]
    fainter = np.abs(track.peak[:, None]) < FAINT * np.abs(other.peak[None])
    near = (apart < NEAR_PX) & (later >= -FRAMES // 2) & (later <= FRAMES) & fainter
    return bool(near.any(axis=1).mean() >= MOST) and not _goes_past(track, other)


def _goes_past(track: Track, other: Track) -> bool:
    """Say whether a track steadily falls behind another, or draws ahead: what flies by itself.

    Asked is by how many frames of the other's way it is behind. Remains stay as far behind, or jump
    from frame to frame.
    """
    frame, mine, theirs = np.intersect1d(track.frame, other.frame, return_indices=True)
    if len(frame) < LAMP:
        return False
    way = np.gradient(other.xy_px[theirs], frame, axis=0)
    off = other.xy_px[theirs] - track.xy_px[mine]
    behind = np.sum(off * way, axis=1) / np.maximum(np.sum(way**2, axis=1), 1e-9)
    line = np.polynomial.Polynomial.fit(frame, behind, 2)
    smooth = float(np.std(behind - line(frame))) < STEADY
    return smooth and abs(float(line(frame[-1]) - line(frame[0]))) > PAST


def _trails(track: Track, other: Track) -> bool:
    """Say whether most lights of a track lie in the places of a brighter one some frames before.

    Two equal exposures merged into a frame are no such trail, nor is a lamp at another distance.
    """
    return any(_late(track, other, frames) >= MOST for frames in LATE)


def _late(track: Track, other: Track, frames: int) -> float:
    """Return the share of a track's lights that are fainter ones of another's, `frames` later."""
    _, mine, theirs = np.intersect1d(track.frame - frames, other.frame, return_indices=True)
    near = np.linalg.norm(track.xy_px[mine] - other.xy_px[theirs], axis=1) < REMAINS_PX
    fainter = np.abs(track.peak[mine]) < REMAINS_FAINT * np.abs(other.peak[theirs])
    return float(np.sum(near & fainter)) / len(track)
