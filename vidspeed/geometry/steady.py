"""Whether a camera stood still while it filmed: what the pieces of its background say.

A tripod that the wind shakes moves all of the picture to and fro about one place, as a turn of
the camera does. A picture that was stabilised electronically drifts, jumps, or is bent: its
corners move unlike any turn. One that was panned or held by hand wanders.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from vidspeed.geometry.turned import UNKNOWNS, slopes
from vidspeed.values import Bools, Floats, Ints, Sway, Value

LEAST_PIECES, LEAST_FRAMES = 2, 8
FEW_PIECES, BENT_PIECES = 4, 12  # fewer do not show whether the picture is bent
MOST_READOUT_S = 0.035  # of a rolling shutter, which shears what shakes
MOST_REPLACED, MOST_REPLACED_FRAMES = 0.6, 0.1
MOST_RANGE_PX = 9.0  # from end to end along either axis; wind shakes a tripod by up to 6
DRIFT_PX, DRIFT_S = 2.5, 1.0  # of the mean over so long: wind at 1 Hz and above leaves none
JUMP_PX, JUMP_S = 1.0, 0.25  # between two spells of this length in which the picture is still
STILL_SHARE = 0.07  # of a jump: the most that the picture moves within the spells beside it, RMS
QUICK_S = 0.1  # the most that a jump takes
BENT_PX, BENT_FRAMES = 0.3, 0.1
SWING_PX = 0.3  # more is allowed where there are only a few lamps: each may swing a little
IN_STEP = 0.92  # of what turns leave of a few lamps: so much of it in step is no wind
IN_CORNERS, CORNER_PIECES = 0.6, 6  # so much of it grows as the square towards the corners
OFTEN = 0.7  # of the frames in which a piece must be seen to be judged with others in step
SHAKE_PX = 0.3  # RMS above which shaking is worth a word
MOST_NOISE_PX = 0.15  # of the picture's place in one frame
OWN_PX, OWN_TIMES, OWN_SHARE = 1.0, 8.0, 0.25  # pieces that move on their own: how far, how many
MOST_JUDGED = 200  # frames in which the bending is looked at

Verdict = Literal["fixed", "shaken", "drifts", "jumps", "bent", "wanders", "unknown"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Steadiness(Value):
    """How a picture moved: a verdict, its size in pixels, and when (None: all the time).

    `rms_px` is the root mean square distance of the picture from its mean place.
    """

    verdict: Verdict
    size_px: float
    at_s: float | None
    rms_px: float

    @property
    def refused(self) -> bool:
        """Tell whether no fixed camera filmed this."""
        return self.verdict in ("drifts", "jumps", "bent", "wanders")


def steadiness(sway: Sway, lens: Floats) -> Steadiness:
    """Judge how a picture moved; `lens` (9,) as in `Lens.parameters`."""
    sway = standing(sway)
    frames, pieces = sway.away_px.shape[:2]
    if frames < LEAST_FRAMES or pieces < LEAST_PIECES:
        return Steadiness(verdict="unknown", size_px=0.0, at_s=None, rms_px=0.0)
    seen = np.isfinite(sway.away_px[:, :, 0])
    enough = seen.sum(axis=1) >= max(LEAST_PIECES, pieces // 3)
    replaced = sway.replaced > MOST_REPLACED
    if replaced.mean() > MOST_REPLACED_FRAMES:
        at_s = float(sway.time_s[int(np.argmax(replaced))])
        size_px = _range(_common(sway, enough))
        return Steadiness(verdict="wanders", size_px=size_px, at_s=at_s, rms_px=0.0)
    if enough.sum() < LEAST_FRAMES:
        return Steadiness(verdict="unknown", size_px=0.0, at_s=None, rms_px=0.0)
    return _judged(sway, enough, lens)


def standing(sway: Sway) -> Sway:
    """Leave out the few pieces that move on their own: lights of an aircraft, of a car far off.

    A picture that is bent moves many pieces, and none many times as far as the usual one.
    """
    if sway.away_px.shape[0] < LEAST_FRAMES or sway.away_px.shape[1] < FEW_PIECES:
        return sway
    seen = np.isfinite(sway.away_px[:, :, 0])
    filled = np.where(seen[:, :, None], sway.away_px, 0.0)
    common = np.array([np.median(row[here], axis=0) if here.any() else np.zeros(2)
                       for row, here in zip(filled, seen, strict=True)])  # fmt: skip
    off = np.where(seen, np.linalg.norm(filled - common[:, None], axis=2), 0.0)
    size = np.sqrt(np.sum(off**2, axis=0) / np.maximum(seen.sum(axis=0), 1))
    own = (size > OWN_PX) & (size > OWN_TIMES * np.median(size))
    if not own.any() or own.sum() > OWN_SHARE * len(own):
        return sway
    return replace(sway, places_px=sway.places_px[~own], away_px=sway.away_px[:, ~own])


def _judged(sway: Sway, enough: Bools, lens: Floats) -> Steadiness:
    """Judge what is seen of the pieces: the first fault that is found decides."""
    time_s, common = sway.time_s[enough], _common(sway, enough)
    rms_px = _shaking(common)
    jump_px, jump_s = _jump(time_s, common)
    faults: list[tuple[Verdict, float, float, float | None]] = [
        ("wanders", _range(common), MOST_RANGE_PX, None),
        ("jumps", jump_px, JUMP_PX, jump_s),
        ("drifts", _drift(time_s, common), DRIFT_PX, None),
        ("bent", _bent(sway, enough, lens), BENT_PX, None),
    ]
    for verdict, size_px, most_px, at_s in faults:
        if size_px > most_px:
            return Steadiness(verdict=verdict, size_px=size_px, at_s=at_s, rms_px=rms_px)
    shaken: Verdict = "shaken" if rms_px > SHAKE_PX else "fixed"
    return Steadiness(verdict=shaken, size_px=rms_px, at_s=None, rms_px=rms_px)


def _common(sway: Sway, enough: Bools) -> Floats:
    """Return where the middle piece lies (n, 2) in the frames in which enough are seen."""
    if not enough.any():
        return np.zeros((1, 2))
    return np.asarray(np.nanmedian(sway.away_px[enough], axis=1))


def _range(common: Floats) -> float:
    """Return how far the picture went along its worse axis, two frames in a hundred left out."""
    return float(np.max(np.quantile(common, 0.99, axis=0) - np.quantile(common, 0.01, axis=0)))


def _shaking(common: Floats) -> float:
    """Return the RMS distance from the mean place, less what is only noise of each frame."""
    second = np.median(np.abs(common[2:] - 2.0 * common[1:-1] + common[:-2]), axis=0)
    noise = np.minimum(0.366 * second**2, MOST_NOISE_PX**2)  # of normal noise, var 6, MAD 0.6745
    return float(np.sqrt(np.sum(np.maximum(np.var(common, axis=0) - noise, 0.0))))


def _windows(time_s: Floats, span_s: float) -> tuple[int, int]:
    """Return how many frames fill a span, at least five, and how many there are."""
    step_s = max(float(np.median(np.diff(time_s))), 1e-6)
    return max(round(span_s / step_s), 5), len(time_s)


def _sums(values: Floats) -> Floats:
    """Return running sums (n + 1, k), beginning with zero."""
    return np.concatenate([np.zeros((1, values.shape[1])), np.cumsum(values, axis=0)])


def _drift(time_s: Floats, common: Floats) -> float:
    """Return how far the mean over a second wanders; 0 where the clip is shorter than three."""
    length, count = _windows(time_s, DRIFT_S)
    if count < 3 * length:
        return 0.0
    sums = _sums(common)
    means = (sums[length:] - sums[:-length]) / length
    return float(np.max(np.ptp(means, axis=0)))


def _jump(time_s: Floats, common: Floats) -> tuple[float, float | None]:
    """Return the largest step between two still spells, and its time.

    A wave moves within the spells too, by a tenth of the step or more at any frequency.
    """
    length, count = _windows(time_s, JUMP_S)
    gap = max(1, round(QUICK_S * length / max(JUMP_S, 1e-9)))
    if count < 2 * length + gap:
        return 0.0, None
    sums, squares = _sums(common), _sums(common**2)
    mean = (sums[length:] - sums[:-length]) / length
    spread = np.sum((squares[length:] - squares[:-length]) / length - mean**2, axis=1)
    before, after = slice(0, count - 2 * length - gap + 1), slice(length + gap, count - length + 1)
    step = np.linalg.norm(mean[after] - mean[before], axis=1)
    moving = np.sqrt(np.maximum(np.maximum(spread[before], spread[after]), 0.0))
    step = np.where(moving < STILL_SHARE * step, step, 0.0)
    worst = int(np.argmax(step))
    return float(step[worst]), float(time_s[min(worst + length + gap // 2, count - 1)])


def _bent(sway: Sway, enough: Bools, lens: Floats) -> float:
    """Return the RMS bending in the tenth most bent frame of a hundred; 0 where it is chance.

    Turn, zoom, and what a rolling shutter makes of shaking (a shear and a stretch along the
    rows) are no bending: the next terms of the field, quadratic in the place, are.
    """
    frames = np.flatnonzero(enough)
    common = _common(sway, enough)
    rate_px_s = np.linalg.norm(np.gradient(common, sway.time_s[frames], axis=0), axis=1)
    noise_px = _noise(sway.away_px[frames])
    every = max(1, len(frames) // MOST_JUDGED)
    found = []
    for frame, rate in zip(frames[::every], rate_px_s[::every], strict=True):
        seen = np.isfinite(sway.away_px[frame, :, 0])
        field = sway.places_px[seen], sway.away_px[frame, seen]
        if seen.sum() >= BENT_PIECES:
            found.append(_bending(*field, lens))
        elif seen.sum() >= FEW_PIECES:
            allowed = SWING_PX + 3.0 * noise_px + rate * MOST_READOUT_S
            found.append(max(_unlike_a_turn(*field, lens) - allowed, 0.0))
    if not found:
        return 0.0
    in_step = _in_step(sway, lens) if len(sway.places_px) < BENT_PIECES else 0.0
    in_step = float(np.sqrt(max(in_step**2 - noise_px**2, 0.0)))
    return max(float(np.quantile(found, 1.0 - BENT_FRAMES)), in_step)


def _in_step(sway: Sway, lens: Floats) -> float:
    """Return what turns and read-out leave of a few pieces' movement, RMS; 0 if not in step.

    Lamps that swing on their poles go each at its own time. What bends a picture moves all of
    them at once, each by its own share: one singular vector over time. A quarter of the pieces,
    those that fit worst, are left out.
    """
    seen = np.isfinite(sway.away_px[:, :, 0])
    pieces = np.flatnonzero(seen.mean(axis=0) > OFTEN)
    frames = np.flatnonzero(seen[:, pieces].all(axis=1))
    if len(pieces) < FEW_PIECES or len(frames) < LEAST_FRAMES:
        return 0.0
    rate = np.gradient(np.median(sway.away_px[frames][:, pieces], axis=1), sway.time_s[frames],
                       axis=0)  # fmt: skip
    whole = _left_of(sway, frames, pieces, rate, lens)
    corners = _left_of(sway, frames, pieces, rate, lens, corners=True)
    whole_px = _rms(whole)
    in_corners = np.sum(corners**2) < (1.0 - IN_CORNERS) * np.sum(whole**2)
    in_corners &= len(pieces) >= CORNER_PIECES and whole_px > BENT_PX
    for _ in range(len(pieces) // 4):
        size = np.sum(_left_of(sway, frames, pieces, rate, lens) ** 2, axis=0)
        pieces = np.delete(pieces, int(np.argmax(size.reshape(-1, 2).sum(axis=1))))
    left = _left_of(sway, frames, pieces, rate, lens)
    if float(np.linalg.norm(left, 2)) ** 2 > IN_STEP * float(np.sum(left**2)):
        return max(_rms(left), whole_px if in_corners else 0.0)
    return whole_px if in_corners and _rms(left) > BENT_PX * 2.0 / 3.0 else 0.0


def _rms(left: Floats) -> float:
    """Return the root mean square of residuals (n, 2 m) of turns, for the freedom left."""
    return float(np.sqrt(np.sum(left**2) / (len(left) * (left.shape[1] - 3))))


def _left_of(
    sway: Sway, frames: Ints, pieces: Ints, rate: Floats, lens: Floats, *, corners: bool = False
) -> Floats:
    """Return what turns (no zoom) and a rolling shutter's read-out leave (n, 2 m) of a movement.

    The read-out is one unknown along each side of the picture, for all frames alike. With
    `corners` a shift that grows as the square of the distance from the lens centre is taken off
    too: a picture whose lens distorts moves so when it is shifted to follow its middle.
    """
    places = sway.places_px[pieces]
    turns = slopes(places, np.zeros(UNKNOWNS), lens)[:, :, :3].reshape(-1, 3)
    if corners:
        square = np.sum(((places - lens[2:4]) / lens[2:4]) ** 2, axis=1)
        turns = np.column_stack([turns, np.kron(square[:, None], np.eye(2))])
    own, _ = np.linalg.qr(turns)
    rest = np.eye(len(own)) - own @ own.T
    away = sway.away_px[frames][:, pieces].reshape(len(frames), -1)
    away = (away - np.median(away, axis=0)) @ rest
    share = (places - lens[2:4]) / (2.0 * lens[2:4])
    shears = [
        (share[None, :, axis, None] * rate[:, None, :]).reshape(len(frames), -1) @ rest
        for axis in (0, 1)
    ]
    design = np.column_stack([shear.ravel() for shear in shears])
    found = np.linalg.lstsq(design, away.ravel(), rcond=1e-9)[0]
    found = np.clip(found, -MOST_READOUT_S, MOST_READOUT_S)
    return np.asarray(away - found[0] * shears[0] - found[1] * shears[1])


def _noise(away_px: Floats) -> float:
    """Return the noise of one piece in one frame, by its second differences (n, m, 2)."""
    second = np.abs(away_px[2:] - 2.0 * away_px[1:-1] + away_px[:-2])
    second = second[np.isfinite(second)]
    return float(np.median(second)) / (0.6745 * np.sqrt(6.0)) if len(second) else 0.0


def _unlike_a_turn(places_px: Floats, away_px: Floats, lens: Floats) -> float:
    """Return what turn and zoom leave of a few pieces' movement: RMS, for the freedom left.

    A quarter of the pieces, those that fit worst, are left out: lamps may swing on their poles.
    """
    turns = slopes(places_px, np.zeros(UNKNOWNS), lens)
    kept = np.ones(len(places_px), dtype=bool)
    size = 0.0
    most_out = min(len(places_px) // 4, len(places_px) - FEW_PIECES)
    for _ in range(most_out + 1):
        rows = turns[kept].reshape(-1, UNKNOWNS)
        found = np.linalg.lstsq(rows, away_px[kept].ravel(), rcond=1e-9)[0]
        left = away_px - turns @ found
        worst = int(np.argmax(np.where(kept, np.linalg.norm(left, axis=1), -1.0)))
        freedom = 2 * int(kept.sum()) - UNKNOWNS
        size = float(np.sqrt(np.sum(left[kept] ** 2) / freedom))
        kept[worst] = False
    return size


def _bending(places_px: Floats, away_px: Floats, lens: Floats) -> float:
    """Return how much a field quadratic in the place moves the pieces, RMS, less what is chance."""
    count = len(places_px)
    centred = (places_px - places_px.mean(axis=0)) / np.abs(places_px - lens[2:4]).max()
    plain = np.column_stack([np.ones(count), centred])
    quadratic = np.column_stack([centred[:, 0] ** 2, centred.prod(axis=1), centred[:, 1] ** 2])
    turns = slopes(places_px, np.zeros(UNKNOWNS), lens)
    design = np.zeros((count, 2, UNKNOWNS + 12))
    design[:, :, :UNKNOWNS] = turns
    for axis in (0, 1):
        at = UNKNOWNS + 6 * axis
        design[:, axis, at : at + 3], design[:, axis, at + 3 : at + 6] = plain, quadratic
    simple = [*range(UNKNOWNS), *range(4, 7), *range(10, 13)]
    weights = np.ones(count)
    field, left = np.zeros((count, 2)), away_px
    for _ in range(4):
        root = np.sqrt(weights)
        whole, poor = (
            _fitted(design[:, :, columns], away_px, root)
            for columns in (list(range(UNKNOWNS + 12)), simple)
        )
        field, left = whole - poor, away_px - whole
        size = np.linalg.norm(left, axis=1)
        weights = np.clip(1.0 - (size / (4.0 * np.median(size) + 0.1)) ** 2, 0.0, None) ** 2
    freedom = max(2 * count - UNKNOWNS - 12, 4)  # of few pieces the fit leaves too little
    chance = 6.0 / freedom * float(np.sum(weights[:, None] * left**2) / weights.sum())
    variance = float(np.sum(weights[:, None] * field**2) / weights.sum())
    return float(np.sqrt(max(variance - 9.0 * chance, 0.0)))


def _fitted(design: Floats, away_px: Floats, root: Floats) -> Floats:
    rows = (design * root[:, None, None]).reshape(-1, design.shape[2])
    found = np.linalg.lstsq(rows, (away_px * root[:, None]).ravel(), rcond=1e-9)[0]
    return np.asarray(design @ found)
