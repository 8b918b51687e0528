"""Whether a camera stood still while it filmed: what the pieces of its background say.

A tripod that the wind shakes moves all of the picture to and fro about one place, as a turn of
the camera does. A picture that was stabilised electronically drifts, jumps, or is bent: its
corners move unlike any turn. One that was panned or held by hand wanders.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from vidspeed.geometry.bent import BENT_PIECES, FEW_PIECES, LEAST_FRAMES, LEAST_PIECES, bending
from vidspeed.geometry.turned import reached
from vidspeed.values import Bools, Floats, Ints, Sway, Value

ASTRAY_SHARE = 0.5  # of the frames: where fewer show the pieces, they may have left the picture
ASTRAY_PIECES, ASTRAY_AGREE, ASTRAY_TURN = 3, 0.7, 0.15  # what must move as one, and how nearly
MOST_REPLACED, MOST_REPLACED_FRAMES = 0.6, 0.1
MOST_RANGE_PX = 9.0  # from end to end along either axis; wind shakes a tripod by up to 6
DRIFT_PX, DRIFT_S = 2.5, 1.0  # of the mean over so long: wind at 1 Hz and above leaves none
JUMP_PX, JUMP_S = 1.0, 0.25  # between two spells of this length in which the picture is still
STILL_SHARE = 0.07  # of a jump: the most that the picture moves within the spells beside it, RMS
QUICK_S = 0.1  # the most that a jump takes
SHAKE_PX = 0.3  # RMS above which shaking is worth a word
LEAST_SHAKE_PX = 0.05  # RMS from which it is taken out; of cameras that stand still, 0.01 is seen
OWN_WAYS = 0.6  # of a shaking: pieces that differ by more from it move each in its own way
FOLLOWED_S = 0.05  # from look to look, at most, where a picture is followed, also at rest
SELDOM, ABOUT = 0.05, 0.9  # share of looks that are far apart; of their step: stamps are rounded
MOST_NOISE_PX = 0.15  # of the picture's place in one frame
REST_PX, REST_SHARE = 0.2, 0.4  # RMS of a coordinate; a bent picture leaves one piece in eight so
CHANGING = 0.1  # of the frames: a piece that changes oftener is no firm ground
STAYS_PX = 4.0  # as far as grass waves; a picture that is moved goes farther before it is lost
FIRM = 0.4  # of the pieces: of fewer that are firm nobody knows whether they are
OWN_PX, OWN_TIMES, OWN_SHARE = 1.0, 8.0, 0.25  # pieces that move on their own: how far, how many

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
    """Judge how a picture moved; `lens` (9,) as in `Lens.parameters`.

    Pieces where the lens model has no place take no part in it.
    """
    sway = standing(_evenly(_within(sway, lens)))
    frames, pieces = sway.away_px.shape[:2]
    if frames < LEAST_FRAMES or pieces < LEAST_PIECES:
        return _astray(sway, lens)
    seen = np.isfinite(sway.away_px[:, :, 0])
    enough = seen.sum(axis=1) >= max(LEAST_PIECES, pieces // 3)
    replaced = _replaced(sway, seen)
    if replaced.mean() > MOST_REPLACED_FRAMES:
        at_s = float(sway.time_s[int(np.argmax(replaced))])
        size_px = _range(_common(sway, enough))
        return Steadiness(verdict="wanders", size_px=size_px, at_s=at_s, rms_px=0.0)
    if enough.mean() < ASTRAY_SHARE:
        astray = _astray(sway, lens)
        if astray.refused or enough.sum() < LEAST_FRAMES:
            return astray
    return _judged(sway, enough, lens)


def _within(sway: Sway, lens: Floats) -> Sway:
    kept = reached(sway.places_px, lens)
    return sway if kept.all() else only(sway, kept)


def _evenly(sway: Sway) -> Sway:
    """Leave out frames of spells that were looked at more often than others.

    A picture that stands still is: what is judged by shares of the frames, or by means over so many
    of them, takes them as evenly apart.
    """
    steps = np.diff(sway.time_s)
    near = steps[steps <= FOLLOWED_S]
    if not len(near):
        return sway
    least_s, last_s, kept = ABOUT * float(np.quantile(near, 1.0 - SELDOM)), -np.inf, []
    for frame, time_s in enumerate(sway.time_s.tolist()):
        if time_s - last_s >= least_s:
            kept.append(frame)
            last_s = time_s
    if len(kept) < LEAST_FRAMES:
        return sway
    parts = (sway.time_s, sway.away_px, sway.replaced)
    time, away_px, replaced = (part[kept] for part in parts)
    return replace(sway, time_s=time, away_px=away_px, replaced=replaced)


def _replaced(sway: Sway, seen: Bools) -> Bools:
    """Tell in which frames (n,) something else lay where most of the pieces had been.

    Never where it is their own doing: grass that waves far is at times not known any more, but it
    changes its looks where it is known, too, and stays where it is. `seen` (n, m).
    """
    if sway.changing is not None:
        there = seen.mean(axis=0)
        own = sway.changing - (1.0 - there) > CHANGING * there
        stays = float(np.max(np.abs(sway.away_px[seen]), initial=0.0)) < STAYS_PX
        if stays and own.mean() > 1.0 - FIRM:
            return np.zeros(len(seen), dtype=bool)
    return np.asarray(sway.replaced > MOST_REPLACED)


def _astray(sway: Sway, lens: Floats) -> Steadiness:
    """Judge a picture whose pieces are hardly ever seen by whether they left all together.

    Lamps that go out stay where they are until then, and a craft's lights are close together.
    """
    for each in (sway, *sway.later):
        common, frames = _together(each, lens)
        if len(frames) > 1 and _range(common) > MOST_RANGE_PX:
            at_s = float(each.time_s[frames[-1]])
            return Steadiness(verdict="wanders", size_px=_range(common), at_s=at_s, rms_px=0.0)
    return Steadiness(verdict="unknown", size_px=0.0, at_s=None, rms_px=0.0)


def _together(sway: Sway, lens: Floats) -> tuple[Floats, Ints]:
    """Return the place (k, 2) of pieces all over the picture in the frames in which they agree."""
    seen = np.isfinite(sway.away_px[:, :, 0])
    common, frames = [], []
    for frame in np.flatnonzero(seen.sum(axis=1) >= max(ASTRAY_PIECES, seen.shape[1] // 2)):
        here = seen[frame]
        middle = np.median(sway.away_px[frame, here], axis=0)
        off = np.linalg.norm(sway.away_px[frame, here] - middle, axis=1)
        agree = off < max(1.0, ASTRAY_TURN * float(np.linalg.norm(middle)))
        reach = np.ptp(sway.places_px[here][agree] / lens[2:4], axis=0) if agree.any() else 0.0
        if agree.sum() >= max(ASTRAY_PIECES, ASTRAY_AGREE * len(agree)) and np.max(reach) > 0.5:
            common.append(middle)
            frames.append(int(frame))
    return np.array(common).reshape(-1, 2), np.array(frames, dtype=np.int64)


def standing(sway: Sway) -> Sway:
    """Leave out the pieces that move on their own: clouds, lights of an aircraft, of a car far off.

    A picture that is bent moves nearly all pieces, and none many times as far as the usual one;
    what leaves many of them at rest all the time was filmed from a tripod.
    """
    if sway.away_px.shape[0] < LEAST_FRAMES or sway.away_px.shape[1] < FEW_PIECES:
        return sway
    seen = np.isfinite(sway.away_px[:, :, 0])
    resting = _resting(sway, seen)
    if len(resting) >= BENT_PIECES and resting.mean() > REST_SHARE:
        return only(sway, resting)
    filled = np.where(seen[:, :, None], sway.away_px, 0.0)
    common = np.array([np.median(row[here], axis=0) if here.any() else np.zeros(2)
                       for row, here in zip(filled, seen, strict=True)])  # fmt: skip
    off = np.where(seen, np.linalg.norm(filled - common[:, None], axis=2), 0.0)
    size = np.sqrt(np.sum(off**2, axis=0) / np.maximum(seen.sum(axis=0), 1))
    own = (size > OWN_PX) & (size > OWN_TIMES * np.median(size))
    if not own.any() or own.sum() > OWN_SHARE * len(own):
        return sway
    return only(sway, ~own)


def only(sway: Sway, kept: Bools) -> Sway:
    """Leave out all pieces (m,) but some."""
    changing = None if sway.changing is None else sway.changing[kept]
    places_px, away_px = sway.places_px[kept], sway.away_px[:, kept]
    return replace(sway, places_px=places_px, away_px=away_px, changing=changing)


def _resting(sway: Sway, seen: Bools) -> Bools:
    """Tell which pieces (m,) stay where they are in all the frames (n, m) that show them."""
    off = np.where(seen[:, :, None], sway.away_px, 0.0)
    count = np.maximum(seen.sum(axis=0), 1)
    off = np.where(seen[:, :, None], off - off.sum(axis=0) / count[:, None], 0.0)
    size = np.sqrt(np.sum(off**2, axis=(0, 2)) / (2.0 * count))
    return np.asarray((size < REST_PX) & (count > len(seen) // 2))


def _judged(sway: Sway, enough: Bools, lens: Floats) -> Steadiness:
    """Judge what is seen of the pieces: the first fault that is found decides."""
    time_s, common = sway.time_s[enough], _common(sway, enough)
    rms_px = _shaking(common)
    jump_px, jump_s = _jump(time_s, common)
    faults: list[tuple[Verdict, float, float, float | None]] = [
        ("wanders", _range(common), MOST_RANGE_PX, None),
        ("jumps", jump_px, JUMP_PX, jump_s),
        ("drifts", _drift(time_s, common), DRIFT_PX, None),
        ("bent", _bent(sway, enough, lens), 0.0, None),
    ]
    for verdict, size_px, most_px, at_s in faults:
        if size_px > most_px:
            return Steadiness(verdict=verdict, size_px=size_px, at_s=at_s, rms_px=rms_px)
    way: Verdict = "fixed"
    if rms_px > LEAST_SHAKE_PX:
        together = _apart(sway, enough) <= OWN_WAYS * rms_px
        way = "shaken" if together else "unknown" if rms_px > SHAKE_PX else "fixed"
    return Steadiness(verdict=way, size_px=rms_px, at_s=None, rms_px=rms_px)


def _bent(sway: Sway, enough: Bools, lens: Floats) -> float:
    """Return how far a picture is bent, 0 if not, or if it may be grass that waves.

    A picture that is bent moves a small piece of it as it is; a piece that changes its looks moves
    by itself, and is not asked. Where most change, those that hardly do are tufts like the others.
    """
    size_px = bending(sway, enough, lens)
    if size_px == 0.0 or sway.changing is None:
        return size_px
    firm = sway.changing <= CHANGING
    if firm.all() or firm.mean() <= FIRM:
        return size_px if firm.all() else 0.0
    asked = only(sway, firm)
    enough = enough & (np.isfinite(asked.away_px[:, :, 0]).sum(axis=1) >= LEAST_PIECES)
    return bending(asked, enough, lens) if enough.sum() >= LEAST_FRAMES else 0.0


def _apart(sway: Sway, enough: Bools) -> float:
    """Return how far the middle piece moves, RMS, in its own way and not with all of them.

    A picture that shakes moves all its pieces; tufts of grass in the wind move each by itself, and
    a few of them have a middle that moves too.
    """
    away = sway.away_px[enough]
    own = away - np.nanmedian(away, axis=1)[:, None]
    often = np.isfinite(own[:, :, 0]).sum(axis=0) >= LEAST_FRAMES
    if not often.any():
        return 0.0
    sizes = [_shaking(piece[np.isfinite(piece[:, 0])]) for piece in np.swapaxes(own, 0, 1)[often]]
    return float(np.median(sizes))


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
