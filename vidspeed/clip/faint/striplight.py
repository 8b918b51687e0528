"""Judge what adds up along a line, and turn it into a track of lights with places of their own."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from vidspeed.clip.coding import ALONE
from vidspeed.clip.faint.strip import across_of, bilinear, stretches
from vidspeed.clip.faint.stripfit import (
    Faint,
    faint_light,
    lamp_image,
    responses,
)
from vidspeed.clip.faint.strippatches import Maps, Patches, patches_along
from vidspeed.clip.faint.strippaths import Line, lines
from vidspeed.clip.light.scatter import OWN_DEGREES, proving, scatter_of, stretched
from vidspeed.clip.read import readout_row
from vidspeed.values import Bools, ClipFacts, Corridor, Floats, Ints, Track, Value

SPANS = 1.1  # of a line's own time, to either side of its middle, that are fitted first
WORTH_MORE = 6.0  # standard deviations of that fit: then the whole corridor is looked at
LOOKED_AT = 3  # lines of a window that are looked at closer
# Standard deviations. A window of 100 frames holds some 5e9 ways that are not alike; noise reaches
# 6 along one of them now and then, and 8 in one window of 300 000 at most.
LEAST_SCORE = 8.0
# Times the best sum in the negative of the picture, which shows what this clip makes by chance: in
# plain noise 4 to 6, more where a coder leaves patches that hang together.
LEAST_LEAD = 1.6
PARTS, LEAST_PART = 3, 0.35  # each part of a way brings this share of what it should, at least
TRIMMED, LEAST_TRIMMED = 0.25, 0.4  # the strongest frames left out, so much of the score is left
# Mean response, standard deviations, in a clip of a coder that predicts: it keeps a lamp in nearly
# all frames or in none, and what else it lets through is a change here and there, large beside a
# noise that it wipes away. Lamps that were there brought 3.6 and more, such changes 2.3 at most.
LEAST_CODED = 2.9
BRIGHTEST, PLAIN_LEVELS = 14.0, 10.0  # response and peak: single frames show it, if it is a craft
GROUP_SCORE = 5.0  # of the frames that give one place
LEAST_GROUP_SCORE = 3.5
FEWEST, MOST = 6, 24  # places of a pass
APART_S = 0.2  # between two places, at most
REACH_PX = 3.0  # of a group's place about the way: the light lies within
LEAST_THERE = 0.5  # of what a group should bring, to be taken for the light
FEWEST_SEEN = 5
STEP_PX = 0.25
NEAR_PX = 1.0  # places around the largest sum through which a parabola is laid
CODED_DEGREES = 1.0  # of freedom that stated errors are worth beside the scatter, if coded
NONE_CARRIED = 0.0  # of a place's error is in the next: no frame is in two groups
BESIDE_PX = 9.0  # from a lamp's middle, and half its streak: its responses end there
CURVED = 2.0  # over the squared score: by how much noise widens a place beyond first order


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Group(Value):
    """Some frames of a way, and where their light lies: `off_px` (2,) along and across of it.

    `middle` is the frame in their middle, `seen` says that the light is there as it should be.
    """

    members: Ints
    middle: int
    off_px: Floats
    cov_px2: Floats  # (2, 2), along and across
    seen: bool


def faint_tracks(
    path: Path,
    corridor: Corridor,
    facts: ClipFacts,
    *,
    rate_hz: float | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> tuple[Track, ...]:
    """Return what flies along a corridor too faint for single frames, in order of time.

    The clip is decoded once, and the part around each line that noise alone hardly makes again.

    Raises
    ------
    ClipError
        Where the clip cannot be read again.
    """
    found: list[tuple[float, Track]] = []
    for layout, stretch in stretches(path, corridor, rate_hz=rate_hz):
        if progress is not None:
            progress(int(stretch.frame[-1]), facts.frames)
        for line in lines(corridor, layout, stretch)[:LOOKED_AT]:
            at = path, corridor, line, stretch.frame, stretch.time_s
            seen = _looked_closer(*at, rate_hz)
            if seen is None:
                continue
            patches, faint = seen
            if not is_light(patches, faint, coded=facts.codec not in ALONE):
                continue
            track = _track(patches, faint, facts)
            if track is not None:
                found.append((faint.score, track))
    return _each_once(found)


def _looked_closer(
    path: Path, corridor: Corridor, line: Line, frame: Ints, time_s: Floats, rate_hz: float | None
) -> tuple[Patches, Faint] | None:
    """Fit the way where the line was found, then from there all through the corridor."""
    first = patches_along(path, corridor, line, frame, time_s, rate_hz=rate_hz, spans=SPANS)
    if first is None:
        return None
    found = faint_light(first)
    if found.score < WORTH_MORE:
        return None
    better = _line_of(corridor, first, found)
    whole = patches_along(path, corridor, better, frame, time_s, rate_hz=rate_hz)
    return None if whole is None else (whole, faint_light(whole))


def _line_of(corridor: Corridor, patches: Patches, faint: Faint) -> Line:
    """Return the way that was fitted as a line along the corridor."""
    off = faint.off_px
    xy = patches.middle_px + off[:, :1] * patches.along + off[:, 1:] * patches.across
    apart = xy[:, None] - corridor.middle_px
    nearest = np.argmin(np.sum(apart**2, axis=2), axis=1)
    step = np.gradient(corridor.middle_px, axis=0)[nearest]
    length = np.linalg.norm(step, axis=1)
    there = np.take_along_axis(apart, nearest[:, None, None], axis=1)[:, 0]
    column = nearest + np.sum(there * step, axis=1) / length**2
    x_m = corridor.x_m[0] + column * (corridor.x_m[1] - corridor.x_m[0])
    across = np.sum(there * across_of(corridor.middle_px)[nearest], axis=1)
    epoch, span = float(patches.time_s.mean()), 0.5 * float(np.ptp(patches.time_s))
    t = (patches.time_s - epoch) / span
    share = across / corridor.reach_px[nearest]
    fitted = np.polynomial.polynomial.polyfit
    return Line(
        epoch_s=epoch,
        span_s=span,
        x_m=np.asarray(fitted(t, x_m, 2), np.float64),
        share=np.asarray(fitted(t, share, 1), np.float64),
        score=faint.score,
    )


def is_light(patches: Patches, faint: Faint, *, coded: bool) -> bool:
    """Say whether a way's responses are no chance: many frames, evenly, and of one sign.

    `coded` are the clips of a coder that predicts frames by others.
    """
    response = np.clip(faint.response, -GROUP_SCORE, GROUP_SCORE)
    count, each = len(response), float(response.mean())
    if faint.score < LEAST_SCORE or faint.score < LEAST_LEAD * faint.against:
        return False
    if coded and each < LEAST_CODED:
        return False
    middle = float(np.median(faint.response))
    levels = middle * _peak(faint) * float(np.median(patches.noise))
    if middle > BRIGHTEST * float(np.median(patches.slow)) and levels > PLAIN_LEVELS:
        return False
    parts = [float(part.mean()) for part in np.array_split(response, PARTS)]
    weakest = np.sort(response)[: count - int(TRIMMED * count)]
    return min(parts) >= LEAST_PART * each and float(weakest.mean()) >= LEAST_TRIMMED * each


def _peak(faint: Faint) -> float:
    """Return the peak of a lamp's image, in noise of a pixel, that brings a response of 1."""
    streak = np.array([float(np.median(faint.streak_px)), 0.0])
    return float(lamp_image(faint.width_px, streak).max())


def _each_once(found: list[tuple[float, Track]]) -> tuple[Track, ...]:
    """Return the tracks, of those that share frames the strongest, in order of time."""
    kept: list[Track] = []
    for _, track in sorted(found, key=lambda row: -row[0]):
        if all(
            track.time_s[0] > other.time_s[-1] or other.time_s[0] > track.time_s[-1]
            for other in kept
        ):
            kept.append(track)
    return tuple(sorted(kept, key=lambda track: float(track.time_s[0])))


def _track(patches: Patches, faint: Faint, facts: ClipFacts) -> Track | None:
    """Turn the groups of a way into a track, a light each; None where too few show it."""
    maps = responses(patches, faint.width_px, faint.streak_px)
    amplitude = _amplitude(patches.time_s, faint.response)
    each = (
        _group(patches, faint, maps, members, amplitude)
        for members in _split(patches.time_s, faint.score)
    )
    groups = [group for group in each if group.seen]
    if len(groups) < FEWEST_SEEN:
        return None
    middle = np.array([group.middle for group in groups])
    off = faint.off_px[middle] + np.array([group.off_px for group in groups])
    turn = np.stack([patches.along[middle], patches.across[middle]], axis=1)  # (g, 2, 2)
    xy = patches.middle_px[middle] + np.einsum("gk,gkx->gx", off, turn)
    cov = np.array([group.cov_px2 for group in groups])
    cov = np.einsum("gkx,gkl,gly->gxy", turn, cov, turn)
    snr = np.array([amplitude[group.members].mean() for group in groups]) * _peak(faint)
    scatter = _scatter(patches.time_s[middle], patches.frame[middle], xy, cov, snr, facts.codec)
    nothing = np.full(len(groups), np.nan)
    return Track(
        frame=patches.frame[middle],
        time_s=patches.time_s[middle],
        xy_px=xy,
        cov_px2=stretched(xy, cov, scatter),
        row=readout_row(xy, facts.size_px, facts.rotation_deg),
        time_u_s=np.full(len(groups), facts.stamp_u_s),
        streak_px=nothing,
        streak_u_px=nothing,
        streak_angle_rad=nothing,
        peak=snr * patches.noise[middle],
        snr=snr,
        fill=nothing,
    )


def _scatter(
    time_s: Floats, frame: Ints, xy_px: Floats, cov_px2: Floats, snr: Floats, codec: str
) -> tuple[float, float]:
    """Return by what the errors of places are multiplied, along and across, as they scatter.

    They are stated by the noise beside the lamp, which a coder that predicts wipes away there and
    not in the lamp: of such a clip they are worth little.
    """
    alone = codec in ALONE
    return scatter_of(
        time_s, frame, xy_px, cov_px2, NONE_CARRIED,
        proves=proving(snr, alone=alone),
        own_degrees=OWN_DEGREES if alone else CODED_DEGREES,
    )  # fmt: skip


def _split(time_s: Floats, score: float) -> list[Ints]:
    """Split the frames (n,) of a way into groups that each give a place."""
    wanted = max((score / GROUP_SCORE) ** 2, float(np.ptp(time_s)) / APART_S)
    most = min((score / LEAST_GROUP_SCORE) ** 2, float(MOST), len(time_s) / 2.0)
    count = int(np.clip(round(wanted), FEWEST, max(most, FEWEST)))
    return [np.asarray(part, np.int64) for part in np.array_split(np.arange(len(time_s)), count)]


def _amplitude(time_s: Floats, response: Floats) -> Floats:
    """Return the response that the lamp should give in each frame (n,), smooth over the way."""
    t = (time_s - time_s.mean()) / max(float(np.ptp(time_s)), 1e-9)
    smooth = np.polynomial.polynomial.polyfit(t, response, 2)
    mean = float(response.mean())
    there = np.polynomial.polynomial.polyval(t, smooth)
    return np.asarray(np.clip(there, 0.4 * mean, 2.5 * mean))


def _group(patches: Patches, faint: Faint, maps: Maps, members: Ints, amplitude: Floats) -> _Group:
    """Find where the light of some frames lies about the way, by these frames alone."""
    side = np.arange(-REACH_PX, REACH_PX + 0.5 * STEP_PX, STEP_PX)
    grid = np.stack(np.meshgrid(side, side, indexing="ij"), axis=-1).reshape(-1, 2)
    total = np.zeros(len(grid))
    for number in members.tolist():
        off = faint.off_px[number] + grid
        base = patches.middle_px[number] - patches.corner_px[number]
        place = base + off @ np.stack([patches.along[number], patches.across[number]])
        total += amplitude[number] * bilinear(maps[number], place)
    strength = float(np.sqrt(np.sum(amplitude[members] ** 2)))
    top = grid[int(np.argmax(total))]
    return _Group(
        members=members,
        middle=int(members[len(members) // 2]),
        off_px=_top(grid, total, top),
        cov_px2=_spread(patches, faint, maps, members, strength),
        seen=bool(np.abs(top).max() < REACH_PX and total.max() >= LEAST_THERE * strength**2),
    )


def _top(grid: Floats, total: Floats, top: Floats) -> Floats:
    """Return the top (2,) of the parabola through the sums around the largest one."""
    near = np.linalg.norm(grid - top, axis=1) <= NEAR_PX + 1e-9
    x, y = (grid[near] - top).T
    basis = np.column_stack([np.ones_like(x), x, y, x * x, x * y, y * y])
    c = np.linalg.lstsq(basis, total[near], rcond=None)[0]
    curve = np.array([[2.0 * c[3], c[4]], [c[4], 2.0 * c[5]]])
    if np.linalg.eigvalsh(curve).max() >= 0.0:
        return np.asarray(top)
    return np.asarray(top + np.clip(-np.linalg.solve(curve, c[1:3]), -NEAR_PX, NEAR_PX))


def _beside(patches: Patches, faint: Faint) -> Bools:
    """Say which pixels (n, h, w) of the patches lie beside the lamp, whose image is no noise."""
    off = faint.off_px
    place = patches.middle_px - patches.corner_px + off[:, :1] * patches.along
    place = place + off[:, 1:] * patches.across
    y, x = np.mgrid[: patches.whitened.shape[1], : patches.whitened.shape[2]]
    reach = BESIDE_PX + 0.5 * faint.streak_px
    apart = np.hypot(x - place[:, 0, None, None], y - place[:, 1, None, None])
    return np.asarray(apart > reach[:, None, None])


def _spread(patches: Patches, faint: Faint, maps: Maps, members: Ints, strength: float) -> Floats:
    """Return the covariance (2, 2) of a group's place, along and across.

    A place is where the sum of responses does not change; so its covariance is that of the
    responses' slopes, as the patches themselves show it beside the lamp, between the curvature of
    the lamp's image (first order; the rest is `CURVED`).
    """
    middle = int(members[len(members) // 2])
    turn = np.stack([patches.along[middle], patches.across[middle]])
    kernel = lamp_image(faint.width_px, faint.streak_px[middle] * patches.along[middle]).astype(
        np.float64
    )
    own = np.stack([np.gradient(kernel, axis=1), np.gradient(kernel, axis=0)])
    curve = turn @ np.einsum("ahw,bhw->ab", own, own) @ turn.T
    slope = np.stack([np.gradient(maps, axis=2), np.gradient(maps, axis=1)])
    slope = slope[:, _beside(patches, faint)]
    noise = turn @ (slope @ slope.T / slope.shape[1]) @ turn.T
    inverse = np.linalg.inv(curve * strength)
    return np.asarray(inverse @ noise @ inverse * (1.0 + CURVED / strength**2))
