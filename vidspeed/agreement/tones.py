"""Find the tones of a craft that flies by, and follow them through the windows of a sound.

Searching: every fly-by bends all tones of a craft alike, so that on a logarithmic scale of pitch
one curve fits them all, shifted. Curves for many speeds and distances are laid over the spectra.

Following: the sound is turned back by the phase that a fit predicts, so that a tone which the
fit describes stands still; what is left of its pitch in a window is the fit's error there.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from vidspeed.agreement.arrival import heard_moment, pitch, turns
from vidspeed.agreement.spectra import (
    HIGHEST_HZ,
    LOWEST_HZ,
    MEDIAN_OF_NOISE,
    OF_RATE,
    WINDOW_S,
    Spectra,
    without_hum,
)
from vidspeed.spread.progress import alive
from vidspeed.values import Bools, Floats, Flyby, Value

# Searching.
SPEEDS_OF_SOUND = np.arange(0.10, 0.56, 0.025)  # speed over that of sound
PASSING_S = np.array([0.03, 0.07, 0.13, 0.21, 0.32, 0.5, 0.75, 1.15])  # distance over speed
REACH_S = 1.1  # of a curve, to either side of the moment
LOG_STEP = 0.01
CAP = 8.0  # power over noise beyond which a cell counts no more
SPARSE = 2  # every second window is enough to search
MOST_CANDIDATES = 6
IDLE_SCORE, WORTH = 0.25, 0.5  # of noise; a candidate's share of the best one's excess over it
APART_S, APART_LOG = 0.25, 0.10  # candidates nearer than both are one

# Following.
TAPER = 0.5  # share of a window that is tapered (Tukey)
NOISE_BINS = np.concatenate([np.arange(-12.0, -3.9), np.arange(4.0, 12.1)])
SMOOTH_S = 0.125  # the tones' level is taken over so long
LEAST_LEVEL = 3.5  # of power over noise, smoothed, for a window to be used
RUN = 3  # windows on end that a tone must be there
TONE_LEVEL = 2.6  # mean power over noise of a further tone
MOST_TONES = 6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Candidate(Value):
    """A fly-by that may be in a sound, and the pitch of one tone of it."""

    flyby: Flyby
    tone_hz: float
    score: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Followed(Value):
    """k tones in n windows: what they are off the prediction, and how well that is known.

    `off_hz` and `u_hz` (n, k) of the pitch as heard, `level` (n, k) power over noise (smoothed),
    `at_fit` (n, k) power over noise exactly where the prediction has it.
    """

    time_s: Floats
    off_hz: Floats
    u_hz: Floats
    level: Floats
    at_fit: Floats
    used: Bools


def candidates(
    seen: Spectra, sound_mps: float, within_s: tuple[float, float] | None = None
) -> list[Candidate]:
    """Return the fly-bys that fit the spectra best, the best first.

    `within_s` bounds when the closest moment is heard.
    """
    log_hz, cells = _log_cells(seen)
    time_s = seen.time_s[::SPARSE]
    if len(time_s) < 8:
        return []
    inside = np.ones(len(time_s), bool)
    if within_s is not None:
        inside = (time_s >= within_s[0]) & (time_s <= within_s[1])
    if not np.any(inside):
        return []
    found: list[Candidate] = []
    for speed in SPEEDS_OF_SOUND * sound_mps:
        alive()
        for passing in PASSING_S:
            flyby = Flyby(
                speed_mps=speed, distance_m=speed * passing, moment_s=0.0, sound_mps=sound_mps
            )
            found += _best(flyby, time_s, log_hz, cells, inside)
    return _distinct(sorted(found, key=lambda row: -row.score))


def _log_cells(seen: Spectra) -> tuple[Floats, Floats]:
    """Return logarithms of pitch (m,) and capped power over noise (n, m) there, sparse in time."""
    log_hz = np.arange(np.log(seen.frequency_hz[0]), np.log(seen.frequency_hz[-1]), LOG_STEP)
    at = np.interp(np.exp(log_hz), seen.frequency_hz, np.arange(len(seen.frequency_hz)))
    plain = np.minimum(without_hum(seen.over_noise), CAP)[::SPARSE]
    low = np.floor(at).astype(int)
    share = at - low
    high = np.minimum(low + 1, plain.shape[1] - 1)
    cells = (1.0 - share) * plain[:, low] + share * plain[:, high]
    return log_hz, np.asarray(np.log(cells + 0.5), np.float32)


def _best(
    flyby: Flyby, time_s: Floats, log_hz: Floats, cells: Floats, inside: Bools
) -> list[Candidate]:
    """Return the best places of one curve: mean over its windows of the cells along it."""
    step_s = float(time_s[1] - time_s[0])
    reach = int(REACH_S / step_s)
    steps = np.arange(-reach, reach + 1)
    moment = heard_moment(flyby)
    bend = pitch(flyby, np.asarray(moment + steps * step_s, np.float64))
    shift = np.rint(np.log(bend) / LOG_STEP).astype(int)
    first, end = int(np.argmax(inside)), len(inside) - int(np.argmax(inside[::-1]))
    rows, columns = cells.shape
    score = np.zeros((end - first, columns), np.float32)
    weight = np.zeros(end - first, np.float32)
    for step, by in zip(steps.tolist(), shift.tolist(), strict=True):
        low, high = max(first, -step), min(end, rows - step)
        left, right = max(0, -by), min(columns, columns - by)
        if low < high and left < right:
            source = cells[low + step : high + step, left + by : right + by]
            score[low - first : high - first, left:right] += source
            weight[low - first : high - first] += 1.0
    score /= np.maximum(weight, 1.2 * reach)[:, None]
    found = []
    for _ in range(3):
        row, column = np.unravel_index(int(np.argmax(score)), score.shape)
        if not np.isfinite(score[row, column]):
            break
        placed = replace(flyby, moment_s=float(time_s[first + row]) - moment)
        tone = float(np.exp(log_hz[column]))
        found.append(Candidate(flyby=placed, tone_hz=tone, score=float(score[row, column])))
        near = round(APART_S / step_s)
        score[max(0, row - near) : row + near + 1] = -np.inf
    return found


def _distinct(found: list[Candidate]) -> list[Candidate]:
    """Return the best of candidates that are much the same."""
    kept: list[Candidate] = []
    least = IDLE_SCORE + WORTH * (found[0].score - IDLE_SCORE) if found else 0.0
    for row in found:
        if row.score < least:
            break
        same = [
            abs(heard_moment(row.flyby) - heard_moment(other.flyby)) < APART_S
            and abs(np.log(row.flyby.speed_mps / other.flyby.speed_mps)) < APART_LOG * 3
            for other in kept
        ]
        if not any(same):
            kept.append(row)
        if len(kept) == MOST_CANDIDATES:
            break
    return kept


def tones_along(seen: Spectra, flyby: Flyby, span_s: tuple[float, float]) -> Floats:
    """Return the pitches at the craft (k,) of tones that keep to a fly-by, the best known first."""
    inside = (seen.time_s >= span_s[0]) & (seen.time_s <= span_s[1])
    bend = pitch(flyby, seen.time_s[inside])
    if len(bend) < 4:
        return np.array([])
    top = seen.frequency_hz[-1] / bend.max()
    step = (seen.frequency_hz[1] - seen.frequency_hz[0]) / 2.0
    grid = np.arange(LOWEST_HZ / bend.min(), top, step)
    if not len(grid):
        return np.array([])
    rows = np.minimum(seen.over_noise[inside], 60.0)
    level = np.mean(
        [np.interp(grid * by, seen.frequency_hz, row) for by, row in zip(bend, rows, strict=True)],
        axis=0,
    )
    return _peaks(grid, level, 3.0 / WINDOW_S)


def _peaks(grid: Floats, level: Floats, apart_hz: float) -> Floats:
    """Return the places of the highest peaks, by what each tells of the speed."""
    left = level.copy()
    found: list[tuple[float, float]] = []
    for _ in range(3 * MOST_TONES):
        at = int(np.argmax(left))
        if left[at] < TONE_LEVEL:
            break
        found.append((grid[at], (left[at] - 1.0) * grid[at] ** 2))
        left[np.abs(grid - grid[at]) < apart_hz] = 0.0
    found.sort(key=lambda row: -row[1])
    return np.array([tone for tone, _ in found[:MOST_TONES]])


def follow(
    samples: Floats,
    rate_hz: float,
    start_s: float,
    flyby: Flyby,
    tones_hz: Floats,
    reach_hz: float,
    window_s: float = WINDOW_S,
) -> Followed:
    """Measure how far tones (k,) are off their prediction in each window of the samples."""
    from scipy.ndimage import binary_opening  # here: slow to import

    alive()
    size = round(window_s * rate_hz)
    reach_bins = reach_hz * window_s
    count = len(samples) // size
    whole = samples[: count * size]
    time_s = np.asarray(start_s + (np.arange(count) + 0.5) * size / rate_hz, np.float64)
    phase = _phase(flyby, start_s, len(whole), rate_hz)
    bend = pitch(flyby, time_s)
    top_hz = min(HIGHEST_HZ, OF_RATE * rate_hz)
    columns = [
        _one_tone(
            whole.reshape(count, size),
            phase.reshape(count, size),
            tone,
            reach_bins,
            max(round(SMOOTH_S / window_s), 1),
        )
        for tone in tones_hz
    ]
    off, level, at_fit, power = (
        np.column_stack([column[part] for column in columns]) for part in range(4)
    )
    bin_hz = rate_hz / size
    fits = np.outer(bend, tones_hz)
    inside = (fits > 0.5 * LOWEST_HZ) & (fits < top_hz)
    used = (level >= LEAST_LEVEL) & inside & np.isfinite(off)
    used = binary_opening(used, np.ones((RUN, 1), bool))  # what stands by itself is noise
    u_bins = _U_BINS / np.sqrt(np.maximum(power, 0.5))
    return Followed(
        time_s=time_s,
        off_hz=off * bin_hz,
        u_hz=u_bins * bin_hz,
        level=level,
        at_fit=at_fit,
        used=used,
    )


def _phase(flyby: Flyby, start_s: float, count: int, rate_hz: float) -> Floats:
    """Return the predicted turns (count,) of a tone of 1 Hz at each sample."""
    step = max(round(5e-4 * rate_hz), 1)
    coarse = np.arange(0, count + 2 * step, step)
    return np.interp(np.arange(count), coarse, turns(flyby, start_s + coarse / rate_hz))


def _taper(size: int) -> Floats:
    """Return a window that is flat in the middle and tapered at the ends (Tukey)."""
    ends = max(round(TAPER * size / 2.0), 1)
    ramp = 0.5 - 0.5 * np.cos(np.pi * (np.arange(ends) + 0.5) / ends)
    return np.concatenate([ramp, np.ones(size - 2 * ends), ramp[::-1]])


def _u_of_pitch() -> float:
    """Return the standard uncertainty of a tone's pitch in bins at power 1 over noise.

    To first order in the noise, for the maximum of the tapered spectrum.
    """
    size = 1200
    shape = _taper(size)
    t = (np.arange(size) - (size - 1) / 2.0) / size
    lever = (shape**2 * t**2).sum() * shape.sum() ** 2
    variance = lever / (2.0 * (shape**2).sum() * (shape * t**2).sum() ** 2)
    return float(np.sqrt(variance) / (2.0 * np.pi))


_U_BINS = _u_of_pitch()


def _one_tone(
    pieces: Floats, phase: Floats, tone_hz: float, reach_bins: float, smooth: int
) -> tuple[Floats, Floats, Floats, Floats]:
    """Return offset in bins, smoothed level, power at the prediction and at the peak (n,) each.

    The error of a window's pitch goes with the power that was seen in that window, noise included.
    """
    from scipy.ndimage import uniform_filter1d  # here: slow to import

    size = pieces.shape[1]
    turned = pieces * _taper(size) * np.exp(-2j * np.pi * ((tone_hz * phase) % 1.0))
    near = np.arange(-reach_bins - 0.25, reach_bins + 0.26, 0.25)
    at = (np.arange(size) - (size - 1) / 2.0) / size
    power = np.abs(turned @ np.exp(-2j * np.pi * np.outer(at, near))) ** 2
    noise = np.abs(turned @ np.exp(-2j * np.pi * np.outer(at, NOISE_BINS))) ** 2
    floor = _smoothed_median(noise)
    peak = np.argmax(power[:, 1:-1], axis=1) + 1
    rows = np.arange(len(power))
    with np.errstate(divide="ignore", invalid="ignore"):
        low, middle, high = (np.log(power[rows, peak + side]) for side in (-1, 0, 1))
        bow = low - 2.0 * middle + high
        offset = near[peak] + 0.25 * np.clip((low - high) / (2.0 * bow), -0.5, 0.5)
        level = power[rows, peak] / floor - 1.0
        at_fit = power[:, len(near) // 2] / floor
    edge = np.abs(near[peak]) > reach_bins - 0.2
    offset = np.where(edge | ~np.isfinite(offset), np.nan, offset)
    level = np.where(np.isfinite(level), level, 0.0)
    steady = uniform_filter1d(np.minimum(level, 1e4), smooth, mode="nearest")
    return np.asarray(offset), np.asarray(steady), at_fit, level + 1.0


def _smoothed_median(noise: Floats) -> Floats:
    """Return the noise of each window (n,) from bins beside the tone, steadied by neighbours."""
    own = np.median(noise, axis=1) / MEDIAN_OF_NOISE
    wide = np.array(
        [np.median(own[max(0, row - 2) : row + 3]) for row in range(len(own))], np.float64
    )
    return np.maximum(wide, 1e-30)
