"""Whether the pieces of a background move unlike any turn of the camera that filmed it.

A turn moves all of them as one field with three unknowns; a rolling shutter lets each follow as
much later as its row is read. Of many pieces what is left shows as a field that bends. Of a few
lamps it is held against what lamps do by themselves: one may swing on its pole, each in its own
time; none of them keep step, and the more of them there are the fewer swing far.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from vidspeed.geometry.turned import UNKNOWNS, slopes
from vidspeed.values import Bools, Floats, Ints, Sway
from vidspeed.values.entered import MOST_READOUT_S

LEAST_PIECES, LEAST_FRAMES = 2, 8
FEW_PIECES, BENT_PIECES = 4, 12  # fewer do not show whether the picture is bent
BENT_PX, BENT_FRAMES = 0.3, 0.1
SWING_PX = 0.3  # more is allowed where there are only a few lamps: each may swing a little
LOOSE_PX = 0.5  # so far (RMS of a coordinate) three lamps in four do not swing: 4 cm at 60 m
RESTING_PX = 0.3  # where half of them keep to a turn more closely, they stand, and the others swing
OTHERS_PX = 0.15  # of a movement in step: what must be left when the lamp it suits best is left out
ALONG_PX, OF_SHAKING = 0.25, 0.25  # in step with the shaking and unlike a turn; and share of it
IN_STEP = 0.92  # of what turns leave of a few lamps: so much of it in step is no wind
IN_CORNERS, CORNER_PIECES = 0.6, 6  # so much of it grows as the square towards the corners
SPREAD = 0.5  # of half the picture, along both sides: a row of pieces shows no corners
OFTEN = 0.7  # of the frames in which a piece must be seen to be judged with others in step
MOST_JUDGED = 200  # frames in which the bending is looked at
SMOOTHED = 5  # frames over which the picture's rate is found


class _Few(NamedTuple):
    """What a few pieces (m,) did in the frames (n,) that show them all."""

    places_px: Floats
    away_px: Floats
    rate: Floats
    bend: Floats
    noise_px: float
    lens: Floats

    def only(self, kept: Ints) -> _Few:
        return self._replace(places_px=self.places_px[kept], away_px=self.away_px[:, kept])

    def without(self, piece: int) -> _Few:
        return self.only(np.delete(np.arange(len(self.places_px)), piece))


def bending(sway: Sway, enough: Bools, lens: Floats) -> float:
    """Return how far a picture is bent, RMS: by the tenth most bent frame of a hundred; 0 if not.

    Turn, zoom, and what a rolling shutter makes of shaking (a shear and a stretch along the
    rows) are no bending: the next terms of the field, quadratic in the place, are. Of a few
    pieces that can be seen most of the time it is what turns leave of them; see `_of_few`.
    """
    few = _few(sway, lens) if len(sway.places_px) < BENT_PIECES else None
    if few is not None:
        return _of_few(few)
    frames = np.flatnonzero(enough)
    common = np.nanmedian(sway.away_px[frames], axis=1)
    rate_px_s = np.linalg.norm(np.gradient(common, sway.time_s[frames], axis=0), axis=1)
    noise_px = _noise(sway.away_px[frames])
    turns = slopes(sway.places_px, np.zeros(UNKNOWNS), lens)
    every = max(1, len(frames) // MOST_JUDGED)
    found = []
    for frame, rate in zip(frames[::every], rate_px_s[::every], strict=True):
        seen = np.isfinite(sway.away_px[frame, :, 0])
        field = sway.away_px[frame, seen], turns[seen]
        if seen.sum() >= BENT_PIECES:
            found.append(_bending(sway.places_px[seen], *field, lens))
        elif seen.sum() >= FEW_PIECES:
            allowed = SWING_PX + 3.0 * noise_px + rate * MOST_READOUT_S
            found.append(max(_unlike_a_turn(*field) - allowed, 0.0))
    size_px = float(np.quantile(found, 1.0 - BENT_FRAMES)) if found else 0.0
    return size_px if size_px > BENT_PX else 0.0


def _of_few(few: _Few) -> float:
    """Return how far a few pieces move unlike a turn, RMS of a coordinate; 0 if lamps may do so.

    Four lamps or more do not all swing by much with none at rest, and not in step: what moves many
    of them at once, each by its own share, is one singular vector over time. One that swings by
    itself would be that too; then nothing is left where it is left out.
    """
    count = len(few.places_px)
    if count == LEAST_PIECES:
        return _of_two(few)
    best = [few]
    for _ in range(max(count // 4 + 1, count // 2)):
        best.append(_without_worst(best[-1]))
    whole, left = _left_of(few), _left_of(best[count // 4])
    size_px = _beyond(left, few)
    none_rests = _beyond(_left_of(best[max(count // 2, 1)]), few) > RESTING_PX
    if count >= FEW_PIECES and size_px > LOOSE_PX and none_rests:
        return _beyond(whole, few)
    whole_px, others_px = _beyond(whole, few), _in_step_with(left, best[count // 4 + 1])
    if _keeps_step(best[1]):
        return whole_px
    if _share_in_step(left) > IN_STEP and others_px > OTHERS_PX and size_px > BENT_PX:
        return size_px
    corners = _left_of(few, corners=True)
    in_corners = np.sum(corners**2) < (1.0 - IN_CORNERS) * np.sum(whole**2)
    in_corners &= count >= CORNER_PIECES and size_px > BENT_PX * 2.0 / 3.0
    in_corners &= bool(np.all(np.ptp(few.places_px / few.lens[2:4], axis=0) > SPREAD))
    return whole_px if in_corners and whole_px > BENT_PX else 0.0


def _keeps_step(few: _Few) -> bool:
    """Tell whether all pieces keep step with the picture, and yet move unlike a turn.

    Lamps that swing do not keep step with the wind on the tripod. What does is a tripod that sways
    as well as turns, for lamps near by, and a codec that lets faint lamps lag: both by up to a
    fifth of the shaking.
    """
    away = (few.away_px - few.away_px.mean(axis=0)).reshape(len(few.away_px), -1)
    common = np.median(few.away_px, axis=1)
    common = common - common.mean(axis=0)
    own, _ = np.linalg.qr(common)
    along_px = _rms(own @ (own.T @ _left_of(few)))
    shaking_px = float(np.sqrt(np.mean(np.sum(common**2, axis=1))))
    if shaking_px < BENT_PX or _share_in_step(away) < IN_STEP:
        return False
    return along_px > max(ALONG_PX, OF_SHAKING * shaking_px)


def _of_two(few: _Few) -> float:
    """Return how far the distance of two lamps changes, RMS; 0 where one of them may swing.

    No turn changes it. One that swings lets the other rest, or follow the wind in its own time.
    """
    away = (few.away_px - few.away_px.mean(axis=0)).reshape(len(few.away_px), 4)
    moves = np.sqrt(np.mean(away.reshape(-1, 2, 2) ** 2, axis=(0, 2)))
    if moves.min() < 2.0 * BENT_PX or _share_in_step(away) < IN_STEP:
        return 0.0
    size_px = _beyond(_left_of(few), few)
    return size_px if size_px > BENT_PX else 0.0


def _few(sway: Sway, lens: Floats) -> _Few | None:
    """Return the pieces that are seen often, in the frames that show them all."""
    seen = np.isfinite(sway.away_px[:, :, 0])
    pieces = np.flatnonzero(seen.mean(axis=0) > OFTEN)
    frames = np.flatnonzero(seen[:, pieces].all(axis=1))
    if len(pieces) < LEAST_PIECES or len(frames) < LEAST_FRAMES:
        return None
    away = sway.away_px[frames][:, pieces]
    from scipy.signal import savgol_filter  # here: slow to import, and who scans has no use for it

    step_s = max(float(np.median(np.diff(sway.time_s[frames]))), 1e-6)
    common = np.median(away, axis=1)
    rate, bend = (
        savgol_filter(common, SMOOTHED, 3, deriv=order, delta=step_s, axis=0) for order in (1, 2)
    )
    places = sway.places_px[pieces]
    return _Few(places, away, np.asarray(rate), np.asarray(bend), _noise(away), lens)


def _without_worst(few: _Few) -> _Few:
    """Leave out the piece without which the least is left."""
    others = [few.without(piece) for piece in range(len(few.places_px))]
    return min(others, key=lambda each: _rms(_left_of(each)))


def _share_in_step(left: Floats) -> float:
    """Return how much of the squares of movements (n, k) keeps step."""
    return float(np.linalg.norm(left, 2) ** 2 / max(float(np.sum(left**2)), 1e-12))


def _in_step_with(left: Floats, others: _Few) -> float:
    """Return how far others move, RMS, in step with what moves most (n, k): less than noise is 0.

    Tufts of grass, or lamps on poles, that move as far but in their own time do not.
    """
    lead = np.linalg.svd(left, full_matrices=False)[0][:, :1]
    rest = _left_of(others)
    noise2 = others.noise_px**2 / len(rest)
    return float(np.sqrt(max(_rms(lead @ (lead.T @ rest)) ** 2 - noise2, 0.0)))


def _rms(left: Floats) -> float:
    """Return the root mean square of residuals (n, 2 m) of turns, for the freedom left."""
    return float(np.sqrt(np.sum(left**2) / (len(left) * (left.shape[1] - 3))))


def _beyond(left: Floats, few: _Few) -> float:
    """Return the root mean square of residuals of turns, less the noise of a piece in a frame."""
    return float(np.sqrt(max(_rms(left) ** 2 - few.noise_px**2, 0.0)))


def _left_of(few: _Few, *, corners: bool = False) -> Floats:
    """Return what turns (no zoom) and a rolling shutter's read-out leave (n, 2 m) of a movement.

    The read-out r is one unknown along each side of the picture, for all frames alike: a piece
    at the share y of the side is where the picture was r y later, by Taylor to the second order.
    With `corners` a shift that grows as the square of the distance from the lens centre is taken
    off too: a picture whose lens distorts moves so when it is shifted to follow its middle.
    """
    from scipy.optimize import lsq_linear  # here: slow to import

    places, lens, count = few.places_px, few.lens, len(few.away_px)
    turns = slopes(places, np.zeros(UNKNOWNS), lens)[:, :, :3].reshape(-1, 3)
    if corners:
        square = np.sum(((places - lens[2:4]) / lens[2:4]) ** 2, axis=1)
        turns = np.column_stack([turns, np.kron(square[:, None], np.eye(2))])
    own, _ = np.linalg.qr(turns)
    rest = np.eye(len(own)) - own @ own.T
    away = few.away_px.reshape(count, -1)
    away = ((away - np.median(away, axis=0)) @ rest).ravel()
    share = (places - lens[2:4]) / (2.0 * lens[2:4])
    terms = [share[:, [axis]] * few.rate[:, None] for axis in (0, 1)]
    terms += [0.5 * share[:, [axis]] ** 2 * few.bend[:, None] for axis in (0, 1)]
    design = np.column_stack([(term.reshape(count, -1) @ rest).ravel() for term in terms])
    most = np.array([MOST_READOUT_S, MOST_READOUT_S, MOST_READOUT_S**2, MOST_READOUT_S**2])
    least = np.array([-1.0, -1.0, -1e-9, -1e-9])
    base, upper = np.linalg.qr(design * most)
    found = lsq_linear(upper, base.T @ away, bounds=(least, np.ones(4)), method="bvls").x
    return np.asarray((away - design @ (most * found)).reshape(count, -1))


def _noise(away_px: Floats) -> float:
    """Return the noise of one piece in one frame, by its second differences (n, m, 2)."""
    second = np.abs(away_px[2:] - 2.0 * away_px[1:-1] + away_px[:-2])
    second = second[np.isfinite(second)]
    return float(np.median(second)) / (0.6745 * np.sqrt(6.0)) if len(second) else 0.0


def _unlike_a_turn(away_px: Floats, turns: Floats) -> float:
    """Return what turn and zoom leave of a few pieces' movement: RMS, for the freedom left.

    `turns` (m, 2, 4) are what `slopes` gives. A quarter of the pieces, those that fit worst, are
    left out: lamps may swing on their poles.
    """
    kept = np.ones(len(away_px), dtype=bool)
    size = 0.0
    most_out = min(len(away_px) // 4, len(away_px) - FEW_PIECES)
    for _ in range(most_out + 1):
        rows = turns[kept].reshape(-1, UNKNOWNS)
        found = np.linalg.lstsq(rows, away_px[kept].ravel(), rcond=1e-9)[0]
        left = away_px - turns @ found
        worst = int(np.argmax(np.where(kept, np.linalg.norm(left, axis=1), -1.0)))
        freedom = 2 * int(kept.sum()) - UNKNOWNS
        size = float(np.sqrt(np.sum(left[kept] ** 2) / freedom))
        kept[worst] = False
    return size


def _bending(places_px: Floats, away_px: Floats, turns: Floats, lens: Floats) -> float:
    """Return how much a field quadratic in the place moves the pieces, RMS, less what is chance."""
    count = len(places_px)
    centred = (places_px - places_px.mean(axis=0)) / np.abs(places_px - lens[2:4]).max()
    plain = np.column_stack([np.ones(count), centred])
    quadratic = np.column_stack([centred[:, 0] ** 2, centred.prod(axis=1), centred[:, 1] ** 2])
    design = np.zeros((count, 2, UNKNOWNS + 12))
    design[:, :, :UNKNOWNS] = turns
    for axis in (0, 1):
        at = UNKNOWNS + 6 * axis
        design[:, axis, at : at + 3], design[:, axis, at + 3 : at + 6] = plain, quadratic
    simple = [*range(UNKNOWNS), *range(4, 7), *range(10, 13)]
    weights = np.ones(count)
    for _ in range(4):
        root = np.sqrt(weights)
        whole = _fitted(design, away_px, root)
        left = away_px - whole
        size = np.linalg.norm(left, axis=1)
        weights = np.clip(1.0 - (size / (4.0 * _middle(size) + 0.1)) ** 2, 0.0, None) ** 2
    field = whole - _fitted(design[:, :, simple], away_px, root)
    freedom = max(2 * count - UNKNOWNS - 12, 4)  # of few pieces the fit leaves too little
    chance = 6.0 / freedom * float(np.sum(weights[:, None] * left**2) / weights.sum())
    variance = float(np.sum(weights[:, None] * field**2) / weights.sum())
    return float(np.sqrt(max(variance - 9.0 * chance, 0.0)))


def _middle(sizes: Floats) -> float:
    """Return the median; NumPy's takes as long as a fit of a few pieces."""
    ordered, half = np.sort(sizes), len(sizes) // 2
    return float(0.5 * (ordered[half] + ordered[-1 - half]))


def _fitted(design: Floats, away_px: Floats, root: Floats) -> Floats:
    rows = (design * root[:, None, None]).reshape(-1, design.shape[2])
    found = np.linalg.lstsq(rows, (away_px * root[:, None]).ravel(), rcond=1e-9)[0]
    return np.asarray(design @ found)
