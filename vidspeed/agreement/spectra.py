"""The picture of a sound: power in short windows, over the noise around it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vidspeed.spread.progress import alive
from vidspeed.values import Floats, Value

WINDOW_S = 0.025
HOP_S = 0.0125
LOWEST_HZ = 250.0
HIGHEST_HZ = 14_000.0
OF_RATE = 0.45  # of the sampling rate: above it filters cut
AROUND_HZ = 900.0  # noise is the median over so wide a band
MEDIAN_OF_NOISE = float(np.log(2.0))  # of power with mean 1, exponentially distributed
LASTING = 80  # windows (a second) below which what hums cannot be told from what flies by
HUM = 3.0  # over the noise, in three of four windows: noise alone is there in one of twenty


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Spectra(Value):
    """Power over noise (n, m) at the windows' middles `time_s` (n,) and `frequency_hz` (m,)."""

    time_s: Floats
    frequency_hz: Floats
    over_noise: Floats


def spectra(samples: Floats, rate_hz: float, start_s: float) -> Spectra:
    """Return the spectra of samples (n,), with what stands still in pitch all the time left out.

    A hum that is there in three windows of four is no craft that flies by.
    """
    size, hop = round(WINDOW_S * rate_hz), round(HOP_S * rate_hz)
    count = max((len(samples) - size) // hop + 1, 0)
    fold = 2 * size
    frequency = np.fft.rfftfreq(fold, 1.0 / rate_hz)
    inside = (frequency >= LOWEST_HZ) & (frequency <= min(HIGHEST_HZ, OF_RATE * rate_hz))
    shape = np.hanning(size)
    power = np.empty((count, int(inside.sum())))
    for row in range(count):
        alive()
        piece = samples[row * hop : row * hop + size] * shape
        power[row] = np.abs(np.fft.rfft(piece, fold)[inside]) ** 2
    return Spectra(
        time_s=np.asarray(start_s + (np.arange(count) * hop + size / 2.0) / rate_hz, np.float64),
        frequency_hz=np.asarray(frequency[inside], np.float64),
        over_noise=_whitened(power, float(frequency[1])),
    )


def _whitened(power: Floats, step_hz: float) -> Floats:
    """Return power over the noise of the frequencies around it."""
    from scipy.ndimage import median_filter  # here: slow to import

    if not power.size:
        return power
    wide = 2 * round(AROUND_HZ / step_hz / 2.0) + 1
    coarse = median_filter(power, size=(1, wide), mode="nearest") / MEDIAN_OF_NOISE
    floor = 1e-9 * max(float(power.max()), 1e-30)
    return np.asarray(power / np.maximum(coarse, floor), np.float64)


def without_hum(over_noise: Floats) -> Floats:
    """Return the spectra (n, m) with frequencies that are loud nearly all the time made plain."""
    if len(over_noise) < LASTING:
        return over_noise
    hum = np.percentile(over_noise, 25.0, axis=0) > HUM
    wide = hum | np.roll(hum, 1) | np.roll(hum, -1)
    return np.where(wide[None, :], 1.0, over_noise)
