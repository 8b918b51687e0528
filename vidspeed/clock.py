"""The clock of a camera: its rate and its read-out, from a lamp that flashes at a known rate.

A lamp slower than a quarter of the frame rate is measured by its edges (`clip.edges`), a faster
one by the bands that a rolling shutter makes of it (`clip.bands`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date as Date
from pathlib import Path

import numpy as np

from vidspeed.clip.rate.bands import fit_bands
from vidspeed.clip.rate.edges import RateFit, fit_edges
from vidspeed.clip.rate.flashes import Flashes, flashes
from vidspeed.clip.read import ClipReader
from vidspeed.errors import ClipError, OptionError, SessionError
from vidspeed.saving import save
from vidspeed.session.clock import clock_text, read_clock
from vidspeed.values import Clock, Value

SLOW = 0.25  # flashes a frame up to which the edges are looked at
EDGE_BANDS, FINE_BANDS = 24, 240
QUARTZ_U = 30e-6  # of a lamp's rate where nothing is said of it: an ordinary quartz
AGE_U_PPM = 5.0  # a quartz after months and in another warmth: common practice, no source
MAINS_HZ = (100.0, 120.0)  # a lamp on the mains brightens twice a period


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reading(Value):
    """What one clip of a flashing lamp says of its camera.

    `fit` is what it says if the lamp's rate is true. `clock_u_ppm` has the lamp's own
    uncertainty, `lamp_u_ppm`, in it; `clock_ppm` is None where the rate was not measured.
    """

    file: str
    size_px: tuple[int, int]
    hz: float
    lamp_u_ppm: float
    stamped_rate_hz: float
    clock_ppm: float | None
    clock_u_ppm: float
    fit: RateFit
    hz_u_assumed: bool = False

    @property
    def true_rate_hz(self) -> float | None:
        """Return the true frames a second, None where the rate was not measured."""
        if self.clock_ppm is None:
            return None
        return self.stamped_rate_hz / (1.0 + 1e-6 * self.clock_ppm)


def clock(
    path: Path, hz: float, *, hz_u: float | None = None, rate_hz: float | None = None
) -> Reading:
    """Measure a camera's clock, and its read-out where the lamp can tell it.

    Parameters
    ----------
    hz, hz_u
        Rate of the flashes and its standard uncertainty; left out, that of an ordinary quartz.
    rate_hz
        True capture rate of a clip that was stored for slow playback.

    Raises
    ------
    OptionError
        Where no lamp has such a rate.
    ClipError
        Where no such lamp is seen, or frames and flashes are locked.
    """
    _check_rate(hz, hz_u)
    slow = hz <= SLOW * (rate_hz or _stamped_rate(path))
    seen = flashes(path, hz, bands=EDGE_BANDS if slow else FINE_BANDS, rate_hz=rate_hz)
    fit = fit_edges(seen, hz) if slow else fit_bands(seen, hz)
    lamp_u_ppm = 1e6 * (QUARTZ_U if hz_u is None else hz_u / hz)
    return _reading(seen, hz, lamp_u_ppm, fit, assumed=hz_u is None)


def _check_rate(hz: float, hz_u: float | None) -> None:
    if not 0.0 < hz < 1e5:
        raise OptionError(f"--hz is {hz:g}; above 0 and below 100000 is allowed")
    if hz_u is not None and not 0.0 <= hz_u < hz:
        raise OptionError(f"--hz-u is {hz_u:g}; from 0 to below --hz is allowed, {hz:g}")


def flicker(path: Path, hz: float | None = None, *, rate_hz: float | None = None) -> Reading:
    """Measure a camera's read-out from the bands that a lamp on the mains throws over a picture.

    Parameters
    ----------
    hz
        100 or 120, twice the frequency of the mains; None: the one that answers better.

    Raises
    ------
    OptionError
        Where no lamp has such a rate.
    ClipError
        Where no bands are seen, they stand still, or they are too wide to measure.
    """
    if hz is not None:
        _check_rate(hz, None)
    seen = flashes(path, None, bands=FINE_BANDS, rate_hz=rate_hz)
    found: list[Reading] = []
    faults: list[str] = []
    for rate in MAINS_HZ if hz is None else (hz,):
        try:
            fit = fit_bands(seen, rate, mains=True)
        except ClipError as error:
            faults.extend(error.messages)
            continue
        if fit.readout_s is None:
            faults.append(f"{path.name}: at {rate:g} Hz {'; '.join(fit.notes) or 'no bands'}")
            continue
        found.append(_reading(seen, rate, np.inf, fit))
    if not found:
        raise ClipError(*faults)
    return min(found, key=lambda row: row.fit.readout_u_s / (row.fit.readout_s or 1e-9))


def _reading(
    seen: Flashes, hz: float, lamp_u_ppm: float, fit: RateFit, *, assumed: bool = False
) -> Reading:
    rated = bool(np.isfinite(fit.clock_ppm))
    return Reading(
        file=seen.file,
        size_px=seen.size_px,
        hz=hz,
        lamp_u_ppm=lamp_u_ppm,
        stamped_rate_hz=1.0 / seen.interval_s,
        clock_ppm=fit.clock_ppm if rated else None,
        clock_u_ppm=float(np.hypot(fit.clock_u_ppm, lamp_u_ppm)) if rated else 0.0,
        fit=fit,
        hz_u_assumed=assumed,
    )


def _stamped_rate(path: Path) -> float:
    """Return the frames a second of a clip's beginning, by its stamps."""
    times: list[float] = []
    with ClipReader(path) as clip:
        for frame in clip.frames():
            times.append(frame.time_s)
            if len(times) == 60:
                break
    if len(times) < 3:
        raise ClipError(f"{path.name}: {len(times)} frames; film the lamp for a minute")
    return 1.0 / float(np.median(np.diff(times)))


def clock_of(
    reading: Reading, *, date: Date, age_u_ppm: float = AGE_U_PPM, note: str | None = None
) -> Clock:
    """Return what a clock file keeps of a reading."""
    fit = reading.fit
    return Clock(
        date=date,
        image_size_px=reading.size_px,
        clock_ppm=reading.clock_ppm,
        clock_u_ppm=reading.clock_u_ppm,
        age_u_ppm=age_u_ppm,
        drift_ppm_per_min=fit.drift_ppm_per_min,
        drift_u_ppm_per_min=fit.drift_u_ppm_per_min,
        readout_s=fit.readout_s,
        readout_u_s=fit.readout_u_s,
        stamped_rate_hz=reading.stamped_rate_hz,
        clip=reading.file,
        note=note,
    )


def write_clock(path: Path, found: Clock) -> Clock:
    """Write a clock file; what an earlier file there says and this clip does not tell stays.

    So a slow lamp gives the rate and a fast one the read-out, in one file.

    Raises
    ------
    SessionError
        Where a file is there that is no clock file, or of another picture size.
    ResultsError
        Where the file cannot be written.
    """
    kept = _beside(path, found) if path.exists() else found
    save(path, clock_text(kept).encode("utf-8"))
    return kept


def _beside(path: Path, found: Clock) -> Clock:
    """Return a clock with what the file at `path` adds to it."""
    before = read_clock(path)
    if before.image_size_px != found.image_size_px:
        raise SessionError(
            f"{path}: is of a picture of {list(before.image_size_px)}, this clip of "
            f"{list(found.image_size_px)}; a clock file holds for one video mode, name another"
        )
    if found.clock_ppm is None and before.clock_ppm is not None:
        found = replace(
            found,
            clock_ppm=before.clock_ppm,
            clock_u_ppm=before.clock_u_ppm,
            age_u_ppm=before.age_u_ppm,
            drift_ppm_per_min=before.drift_ppm_per_min,
            drift_u_ppm_per_min=before.drift_u_ppm_per_min,
            stamped_rate_hz=before.stamped_rate_hz,
            date=before.date,
        )
    if found.readout_s is None and before.readout_s is not None:
        found = replace(found, readout_s=before.readout_s, readout_u_s=before.readout_u_s)
    return replace(found, note=found.note or before.note)
