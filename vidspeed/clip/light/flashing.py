"""Does a lamp flash? What its lights look like, and whether the frames between were dark.

A faint lamp may be missed in a frame by chance. Long gaps are not chance, nor are short ones that
keep to a beat: the lit frames of a lamp that flashes evenly all lie in one part of its period.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from vidspeed.clip.light.fit import Fit
from vidspeed.clip.light.profile import HALF_X, HALF_Y, PEAK, WIDTH, X, Y
from vidspeed.values import Bools, Floats, Ints

SURE_SNR = 7.0  # from here on a frame without the lamp is one in which it was dark
MOSTLY = 0.8  # of its lights stood out clearly, or none is: at a cloud's edge noise reaches far
RESOLVED = 3.0  # widths from which a length tells
LONG_GAP = 4  # frames: no chance leaves a lamp that is not very faint unseen for so long
BRIEF = 0.25  # of the picture's longer side: a lamp that is seen on no longer way has flashed
LEAST_CYCLES, FINE = 3, 4  # periods in a pass that are tried, and steps in each cycle more of them
SWEPT = 2  # gaps off the beat, from which flashes were cut in all ways
MOST_FRAMES = 400  # of a chain in which a beat is looked for, by tables of their square
LEAST_CHANCE = 0.01  # that lights missed at random keep to a beat so well


class Streaks(NamedTuple):
    """What the lights of a lamp look like, n of them: `velocity` (n, 2) in px/s.

    `xy_px` (n, 2) is the middle of what is seen of each, `length_px` (n,) how long it is from end
    to end with `length_u_px`, `width_px` that of their blur; `gathered` is their light and `snr`
    their peak over the noise.
    """

    frame: Ints
    time_s: Floats
    xy_px: Floats
    velocity: Floats
    length_px: Floats
    length_u_px: Floats
    width_px: Floats
    gathered: Floats
    snr: Floats

    def resolved(self, usual_px: float = 0.0) -> Bools:
        """Return which lights (n,) have ends to speak of, or would if they were `usual_px` long."""
        longest = max(float(np.quantile(self.length_px, 0.9)), usual_px)
        return np.asarray(longest > RESOLVED * self.width_px)


def streaks_of(
    frame: Ints, time_s: Floats, snr: Floats, fits: Sequence[Fit], length_u_px: Floats
) -> Streaks:
    """Return how the fits of a lamp's lights look; `velocity` is still zero."""
    parameters = np.array([fit.parameters for fit in fits])
    length = 2.0 * np.hypot(parameters[:, HALF_X], parameters[:, HALF_Y])
    gathered = np.maximum(parameters[:, PEAK], 1e-9) * parameters[:, WIDTH] ** 2
    none = np.zeros((len(frame), 2))
    places, width = parameters[:, [X, Y]], parameters[:, WIDTH]
    return Streaks(frame, time_s, places, none, length, length_u_px, width, gathered, snr)


def edges_of(frame: Ints) -> tuple[Ints, Ints, Ints]:
    """Return of each light whether the frame before and the frame after are dark, and its run.

    The run is how many frames in a row are lit. Ends of the chain count as dark.
    """
    joined = np.diff(frame) == 1
    before = np.concatenate([[1], 1 - joined.astype(int)])
    after = np.concatenate([1 - joined.astype(int), [1]])
    run = np.cumsum(before)
    return before, after, np.bincount(run)[run]


def sure_snr_of(clear: Sequence[bool]) -> float:
    """Return the median peak over noise from which a lamp is dark in frames that do not show it.

    `clear` says of its lights whether they stood out much farther than noise may reach where they
    were: where many did not, the next frame shows none by chance, however strong the lamp is.
    """
    return SURE_SNR if np.mean(clear) >= MOSTLY else float(np.inf)


def flashes(frame: Ints, snr: Floats, sure_snr: float) -> bool:
    """Say whether lights are missing between others because the lamp was dark, not by chance."""
    gap = np.diff(frame)
    if not np.any(gap > 1):
        return False
    return bool(np.any(gap >= LONG_GAP) or np.median(snr) >= sure_snr) or in_step(frame)


def in_step(frame: Ints) -> bool:
    """Say whether lit frames keep to a beat better than any that are missed at random would.

    For each period that is tried, `allowed` of all frames lie in the part of it that holds the lit
    ones. That all that are lit lie there by chance is a ratio of binomial coefficients. Of a long
    chain its first frames tell.
    """
    lit = frame - frame[0]
    lit = lit[lit < MOST_FRAMES]
    span, count = int(lit[-1]) + 1, len(lit)
    rate = np.arange(LEAST_CYCLES * FINE, span * FINE // 2 + 1) / (span * FINE)  # cycles a frame
    if not len(rate):
        return False
    phase = np.sort(np.outer(rate, lit) % 1.0, axis=1)
    free = np.diff(phase, axis=1, append=phase[:, :1] + 1.0)
    last = np.argmax(free, axis=1)
    each = np.arange(len(rate))
    begin, part = phase[each, (last + 1) % count], 1.0 - free[each, last]
    since = (np.outer(rate, np.arange(span)) - begin[:, None] + 1e-9) % 1.0
    allowed = np.count_nonzero(since <= part[:, None] + 2e-9, axis=1)
    product = np.concatenate([[0.0], np.cumsum(np.log(np.arange(1, span + 1)))])
    chance = product[allowed] - product[allowed - count] - product[span] + product[span - count]
    return bool(chance.min() + np.log(len(rate) * span) < np.log(LEAST_CHANCE))


def in_one_beat(frame: Ints) -> bool:
    """Say whether flashes that begin in these frames stay in one beat with them.

    Where they do not, from time to time one comes a frame earlier or later than the beat has it,
    and in between they are cut in all ways. Where they do they may all be cut nearly alike.
    """
    gap = np.diff(frame)
    return len(gap) > 0 and int(np.count_nonzero(gap % np.median(gap))) < SWEPT


def single_flash(xy_px: Floats, snr: Floats, sure_snr: float, longer_px: float) -> bool:
    """Say whether a lamp that is no faint one was seen on a short way only: its flash is over.

    The next one may come too late for a chain. `xy_px` (n, 2) are the places of its lights, none
    of them at the edge of the picture, whose longer side is `longer_px`.
    """
    way = float(np.linalg.norm(xy_px[-1] - xy_px[0]))
    return bool(way < BRIEF * longer_px and np.median(snr) >= sure_snr)


def dark_beside(frame: Ints, snr: Floats, sure_snr: float, by_chance: float) -> Floats:
    """Return how probable it is (n,) that the lamp was dark in the gap beside a light.

    In a short gap beside a faint light that keeps to no beat it was with `by_chance`.
    """
    gap = np.diff(frame)
    beside = np.maximum(np.append(gap, LONG_GAP), np.insert(gap, 0, LONG_GAP))
    faint = float(np.median(snr)) < sure_snr and not in_step(frame)
    return np.where((beside >= LONG_GAP) | (not faint), 1.0, by_chance)
