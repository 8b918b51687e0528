"""A first look at a flashing lamp: its levels, and about when it goes on and off."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vidspeed.clip.rate.flashes import Flashes
from vidspeed.errors import ClipError
from vidspeed.values import Bools, Floats, Value

FEWEST_FLASHES = 8
LEAST_CONTRAST = 6.0  # of a band: lit less dark over the scatter of the dark frames
LEAST_LEVELS = 3.0  # lit less dark of the whole lamp
OTHER_RATE = 0.03  # by which the interval of the flashes may differ from the stated one
STRETCHES = 8  # in which slow changes of the levels are looked for
DARKEST = 0.5  # level that a dark band is given at least, for the response's power


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Start(Value):
    """Where a fit of the edges begins.

    `level` (n, b) from 0 (dark) to 1 (lit), `dark` and `bright` (b,) those levels above black,
    `good` (b,) the bands with enough contrast, `theta` (5,) in the order of `clip.ramps`: ppm,
    milliseconds of a rise and of the lit spell, 0, and milliseconds of the read-out.
    """

    level: Floats
    dark: Floats
    bright: Floats
    good: Bools
    theta: Floats


def first_look(seen: Flashes, hz: float) -> Start:
    """Find levels and edges of a lamp.

    Raises
    ------
    ClipError
        Where no lamp flashes at about `hz`, or too few flashes are seen.
    """
    dark, bright = _levels(seen.level)
    noise = _noise(seen.level, dark, bright)
    good = (bright - dark > LEAST_CONTRAST * noise) & (bright - dark > LEAST_LEVELS)
    if not np.any(good):
        raise ClipError(
            f"{seen.file}: no lamp that flashes at about {hz:g} Hz is seen; check the rate, and "
            "film the lamp so that it is much brighter than what lies around it"
        )
    level = _steadied((seen.level - dark) / np.maximum(bright - dark, 1e-9), seen.time_s)
    rises = [_edges(level[:, band], seen.time_s, up=True) for band in np.flatnonzero(good)]
    falls = [_edges(level[:, band], seen.time_s, up=False) for band in np.flatnonzero(good)]
    best = int(np.argmax((bright - dark)[good] * np.sqrt(seen.pixels[good])))
    _check_rate(seen, hz, rises[best])
    origin_s = float(rises[best][0])
    up = _on_a_line(rises, origin_s, hz)
    down = _on_a_line(falls, origin_s, hz, beyond=True)
    middle_s = float(seen.time_s.mean())
    scale, at_s, readout_s = _line(up, seen.row[good], hz, middle_s)
    length_s = _length(up, down, hz)
    theta = np.array([1e6 * (scale - 1.0), 1e3 * at_s, 1e3 * length_s, 0.0, 1e3 * readout_s])
    return Start(
        level=level, dark=np.maximum(dark, DARKEST), bright=np.maximum(bright, DARKEST + 1.0),
        good=good, theta=theta,
    )  # fmt: skip


def _levels(level: Floats) -> tuple[Floats, Floats]:
    """Return the dark and the lit level (b,) of each band."""
    low, high = np.quantile(level, 0.01, axis=0), np.quantile(level, 0.995, axis=0)
    lit = level > (low + high) / 2.0
    dark = np.array([np.median(level[~lit[:, j], j]) for j in range(level.shape[1])])
    bright = np.array(
        [np.median(level[lit[:, j], j]) if np.any(lit[:, j]) else dark[j] for j in range(len(dark))]
    )
    return dark, bright


def _steadied(level: Floats, time_s: Floats) -> Floats:
    """Return the level (n, b) without slow changes: dusk, a battery, an exposure not locked.

    The medians of the dark and of the lit frames of each stretch, a cubic through them. Where a
    stretch has too few of either (short flashes), nothing is changed.
    """
    high, low = level > 0.7, level < 0.3
    stretch = np.arange(len(level)) * STRETCHES // len(level)
    at = np.array([time_s[stretch == k].mean() for k in range(STRETCHES)])
    levels = []
    for side in (low, high):
        steady = side.copy()
        steady[1:] &= side[:-1]
        steady[:-1] &= side[1:]
        fewest = min(int(steady[stretch == k].sum(axis=0).min()) for k in range(STRETCHES))
        if fewest < 4:
            return level
        held = np.where(steady, level, np.nan)
        medians = [np.nanmedian(held[stretch == k], axis=0) for k in range(STRETCHES)]
        mid, half = time_s.mean(), np.ptp(time_s) / 2.0
        cubic = np.polyfit((at - mid) / half, np.array(medians), 3)
        levels.append(np.vander((time_s - mid) / half, 4) @ cubic)
    dark, lit = levels
    return np.asarray((level - dark) / np.maximum(lit - dark, 0.1))


def _noise(level: Floats, dark: Floats, bright: Floats) -> Floats:
    """Return the scatter (b,) of the dark frames."""
    below = np.where(level < (dark + bright) / 2.0, np.abs(level - dark), np.nan)
    return np.asarray(1.4826 * np.nanmedian(below, axis=0))


def _edges(level: Floats, time_s: Floats, *, up: bool) -> Floats:
    """Return about when (k,) a band goes on or off: between its last and first clear frame."""
    side = np.where(level > 0.7, 1, np.where(level < 0.3, -1, 0))
    clear = np.flatnonzero(side)
    turn = np.flatnonzero(np.diff(side[clear]) == (2 if up else -2))
    return np.asarray((time_s[clear[turn]] + time_s[clear[turn + 1]]) / 2.0)


def _check_rate(seen: Flashes, hz: float, rises: Floats) -> None:
    """Refuse a lamp that flashes at another rate."""
    if len(rises) >= 3:
        steps = np.diff(rises)
        usual = float(np.median(steps))
        found = 1.0 / float(steps[np.abs(steps - usual) < 0.2 * usual].mean())
        slack = OTHER_RATE + 1.2 * seen.interval_s * hz
        if abs(found / hz - 1.0) > slack:
            raise ClipError(
                f"{seen.file}: the lamp flashes at about {found:.3g} Hz by the clip's stamps, not "
                f"at {hz:g}; state its rate, or the true capture rate of a clip that is stored "
                "for slow playback"
            )
    if len(rises) < FEWEST_FLASHES:
        raise ClipError(
            f"{seen.file}: {len(rises)} flashes are seen, at least {FEWEST_FLASHES} are needed; "
            "film for a minute"
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Edges(Value):
    """Edges: `count` (k,) of the flash, `time_s` (k,), `band` (k,) among the good ones."""

    count: Floats
    time_s: Floats
    band: Floats


def _on_a_line(found: list[Floats], origin_s: float, hz: float, *, beyond: bool = False) -> _Edges:
    """Return the edges, numbered by their flash; `beyond`: falls come after their rise."""
    time_s = np.concatenate(found)
    band = np.repeat(np.arange(len(found)), [len(row) for row in found])
    turns = (time_s - origin_s) * hz
    count = np.floor(turns + 0.25) if beyond else np.rint(turns)
    return _Edges(count=count, time_s=time_s, band=band.astype(np.float64))


def _line(up: _Edges, row: Floats, hz: float, middle_s: float) -> tuple[float, float, float]:
    """Return clock scale, time of a rise at the clip's middle, and read-out, all about."""
    places = row[up.band.astype(np.int64)]
    columns = [np.ones_like(up.count), up.count]
    if np.ptp(row) > 0.1:
        columns.append(places)
    design = np.column_stack(columns)
    found, *_ = np.linalg.lstsq(design, up.time_s, rcond=None)
    left = np.abs(up.time_s - design @ found)
    kept = left <= 3.0 * max(float(np.median(left)), 1e-6)
    found, *_ = np.linalg.lstsq(design[kept], up.time_s[kept], rcond=None)
    scale = 1.0 / (float(found[1]) * hz)
    readout_s = -float(found[2]) if len(found) > 2 else 0.0
    at_s = (float(found[0]) - middle_s) * scale
    return scale, at_s, readout_s


def _length(up: _Edges, down: _Edges, hz: float) -> float:
    """Return about how long the lamp is lit."""
    rises = {(int(k), int(j)): t for k, j, t in zip(up.count, up.band, up.time_s, strict=True)}
    spans = []
    for k, j, time_s in zip(down.count, down.band, down.time_s, strict=True):
        begun = rises.get((int(k), int(j)))
        if begun is not None and time_s > begun:
            spans.append(time_s - begun)
    return float(np.median(spans)) if spans else 0.5 / hz
