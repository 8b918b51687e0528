"""Signs that a clip's exposure jumped during a pass: its lamp's light, and its places.

The automatic exposure of a phone shortens or lengthens the exposure at once, from one frame to the
next, or changes its gain instead. Both make the lamp darker or brighter; only the former moves the
middle of the exposure against the stamp, by up to half of the change, and with it the lamp along
its way. Neither sign needs streaks.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vidspeed.agreement.streak import picture_velocity
from vidspeed.chance import student_cdf
from vidspeed.motion.draft import BEYOND
from vidspeed.motion.flight import Flight, flight_residuals, light_places
from vidspeed.motion.noise import noise_of
from vidspeed.values import Bools, Floats, Ints, Value

LEAST_SIDE = 3  # lights on either side of a step, so that no single light off its place is one
BY_CHANCE = 1e-4  # of clips without a step whose places look like one
LIGHT_BY_CHANCE = 1e-3  # and whose light does: that alone widens an interval, and moves nothing far
LEAST_LOG = 0.15  # of a level's logarithm: a third of a stop through a curve of exponent 1/1.5
SUDDEN = 0.5  # share of a change of light that comes from one light to the next
BESIDE = 6  # lights on either side of a step that tell whether it is sudden
SURE = 3.5  # standard uncertainties by which it must be
PER_BEND = 6  # lights for each power of time by which a lamp's light may change without a step,
MOST_BENDS = 5  # of so many
DISPLAY = 2.4  # light over level, as exponents: the steepest usual curve (ITU-R BT.1886)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sign(Value):
    """A step was seen before the light of frame `frame`.

    `times` is how many times brighter (or darker) the lamp's level became, 1 where only its places
    tell of the step.
    """

    frame: int
    times: float


def sign_of_step(flight: Flight, order: int) -> Sign | None:
    """Return the step that the lights of a clip of a solved pass show, None for no step.

    All lights of its track tell by how bright they are, but for those beside a frame without one,
    in which a lamp that flashes may be lit in part; by their places those that were used tell.
    """
    lit, used = flight.lit[order], np.flatnonzero(flight.used[order])
    if len(used) < 2 * LEAST_SIDE + 2:
        return None
    frame = lit.track.frame
    places = _Places(flight, order)
    told = int(used[places.likeliest]) if places.told() else None
    whole = np.flatnonzero(_beside_others(frame))
    light = light_steps(lit.track.time_s[whole], lit.track.peak[whole])
    if light is None:
        return None if told is None else Sign(frame=int(frame[told]), times=1.0)
    at, size = int(whole[light[0]]), light[1]
    if told is not None and abs(told - at) > LEAST_SIDE:  # what the lights' places say is dearer
        return Sign(frame=int(frame[told]), times=1.0)
    return Sign(frame=int(frame[at]), times=float(np.exp(abs(size))))


def left_out_in_a_row(flight: Flight) -> bool:
    """Tell whether several lights in a row, near the course, do not follow a solved pass."""
    for order, used in enumerate(flight.used):
        share = light_places(flight, order)[:, 0] / flight.length_m
        out = ~used & (share > -BEYOND) & (share < 1.0 + BEYOND)
        if np.any(np.convolve(out, np.ones(LEAST_SIDE, dtype=int)) == LEAST_SIDE):
            return True
    return False


def light_steps(time_s: Floats, peak: Floats) -> tuple[int, float] | None:
    """Return before which light of a lamp (n,) its level steps, and by which logarithm, or None.

    A step is beyond what the lamp's light, smooth in time as its distance and the side that it
    shows are, scatters, and at least half of it comes from one light to the next.
    """
    level = np.abs(peak)
    if len(level) < 2 * LEAST_SIDE + 2 or not np.all(level > 0.0):
        return None
    value = np.log(level)
    degree = min(max(len(value) // PER_BEND, 1), MOST_BENDS)
    tau = (time_s - time_s.mean()) / max(float(np.ptp(time_s)), 1e-9)
    smooth, _ = np.linalg.qr(np.vander(tau, degree + 1, increasing=True))
    steps = np.tri(len(value))[:, LEAST_SIDE : len(value) - LEAST_SIDE + 1]
    steps = steps - smooth @ (smooth.T @ steps)
    left = value - smooth @ (smooth.T @ value)
    power = np.sum(steps**2, axis=0)
    size = steps.T @ left / power
    best = int(np.argmax(size**2 * power))
    at = best + LEAST_SIDE
    rest = left - size[best] * steps[:, best]
    dof = len(value) - degree - 2
    u = float(np.sqrt(np.sum(rest**2) / max(dof, 1) / power[best]))
    sure = _beyond_chance(float(size[best]), u, dof, LIGHT_BY_CHANCE / steps.shape[1])
    if abs(size[best]) < LEAST_LOG or not sure or not _sudden(value, at, float(size[best])):
        return None
    return at, float(size[best])


def _beside_others(frame: Ints) -> Bools:
    """Tell which lights (n,) have no frame without one beside them, but for the track's ends."""
    gaps = np.diff(frame) > 1
    before, after = np.append(False, gaps), np.append(gaps, False)
    return np.asarray(~(before | after))


def _sudden(value: Floats, at: int, size: float) -> bool:
    """Tell whether a change of size `size` comes at once between light `at` - 1 and light `at`.

    Held to a straight line through the lights beside it, and to what lights differ from the middle
    of their neighbours all along, of which a few may differ far.
    """
    first, last = max(at - BESIDE, 0), min(at + BESIDE, len(value))
    place = np.arange(first, last)
    basis = np.column_stack([place >= at, np.ones(len(place)), place - place.mean()])
    solving = np.linalg.pinv(basis)[0]
    here = float(solving @ value[first:last])
    bends = value[2:] - 2.0 * value[1:-1] + value[:-2]
    noise = float(np.median(np.abs(bends))) / (0.6745 * np.sqrt(6.0))
    u = noise * float(np.linalg.norm(solving))
    return bool(here * np.sign(size) > max(SUDDEN * abs(size), SURE * u))


def _beyond_chance(size: float, u: float, dof: int, chance: float) -> bool:
    """Tell whether a step is larger than of a share `chance` of those that are none."""
    if u <= 0.0:
        return size != 0.0
    return bool(2.0 * student_cdf(-abs(size) / u, max(dof, 1)) < chance)


class _Places:
    """How well a step before each light would explain where the lights of a clip lie.

    With c (2 n,) the whitened way of the lights for a second, zero before the step, r the whitened
    residuals, J their Jacobian and S the covariance of the unknowns, a step of r'c/(c'c - c'JSJ'c)
    seconds lowers the sum of squares most: by its square times that denominator.
    """

    def __init__(self, flight: Flight, order: int) -> None:
        used, clip = flight.used[order], flight.network.traverses[0].clips[order]
        rows = flight.network.light_rows()[0][order]
        way = np.einsum("nij,nj->ni", clip.white, picture_velocity(flight, order)[used])
        count = len(way)
        later = np.tri(count)[:, LEAST_SIDE : count - LEAST_SIDE + 1]  # (n, k)
        self._column = (way[:, None, :] * later[:, :, None]).swapaxes(1, 2).reshape(2 * count, -1)
        jacobian = flight.adjustment.jacobian[rows]
        self._hidden = jacobian @ (flight.adjustment.covariance @ (jacobian.T @ self._column))
        self._left = flight_residuals(flight, order)[0]
        self._noise = flight.noise[order]
        self._power = np.sum(self._column * (self._column - self._hidden), axis=0)
        self._power = np.maximum(self._power, 1e-9 * np.sum(self._column**2, axis=0))
        self._size = self._column.T @ self._left.ravel() / self._power

    @property
    def likeliest(self) -> int:
        """Return the light before which a step explains most."""
        return int(np.argmax(self._size**2 * self._power)) + LEAST_SIDE

    def told(self) -> bool:
        """Tell whether the likeliest step is beyond chance, by the noise that is left with it."""
        best = self.likeliest - LEAST_SIDE
        explained = self._size[best] * (self._column - self._hidden)[:, best]
        before = float(np.sqrt(self._noise.variance_factor))
        left = before * (self._left - explained.reshape(-1, 2))
        noise = noise_of(left, self._left.size - self._noise.dof + 1.0)
        u = float(np.sqrt(noise.variance_factor / self._power[best])) / before
        chance = BY_CHANCE / len(self._size)  # of one of so many: Bonferroni's bound
        return _beyond_chance(float(self._size[best]), u, int(noise.dof), chance)
