"""A lamp that flashes faster than the frames: the clock's rate, and the read-out from its bands.

A rolling shutter shows such a lamp as bands. Row r of frame i sees the phase
2 pi hz (t_i + readout r), so the phase grows along the rows by hz x readout turns, and from frame
to frame with the clock. Each band of rows is fitted by itself with a mean, a wave and its
overtones: neither the lamp's uneven light nor the camera's response comes into the phase. A lamp on
the mains does as well, piece by piece, since the mains wander.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from vidspeed.clip.rate.edges import RateFit
from vidspeed.clip.rate.flashes import Flashes
from vidspeed.errors import ClipError
from vidspeed.values import Floats, Value

Waves = NDArray[np.complex128]

MOST_PIECES, FEWEST_PIECES = 16, 5
LEAST_FRAMES = 24  # of a piece
LEAST_TURNS = 1.5  # of the bands against the picture within a piece
OVERTONES = 7
LEAST_SINE = 0.15  # smallest singular value of the design over that of a clean one
MOST_READOUT_S = 0.045
SEARCH_PPM = 400.0
MAINS_SEARCH_PPM = 2500.0  # a grid wanders by some hundredths of a hertz
FAINT = 0.15  # of the strongest band: fainter ones are left out
JACKKNIFE = 10
TOGETHER_RAD = 0.005  # of a piece's phase, where all rows flash together: codec and overtones
LOOSE_RAD = 0.7  # scatter of the pieces' phases above which nothing is measured
ROWS_U = 1.2e-4  # of the read-out: where within a band of rows its light lies
TOLD = 0.1  # relative uncertainty up to which a read-out is given


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Piece(Value):
    """A stretch of the clip: its middle, and the wave (b,) of each band relative to hz."""

    time_s: float
    wave: Waves
    noise: float  # RMS of what the waves leave, levels


def fit_bands(seen: Flashes, hz: float, *, mains: bool = False) -> RateFit:
    """Find rate and read-out from a lamp that flashes faster than the frames.

    Parameters
    ----------
    mains
        The rate wanders: the read-out alone is measured, and the rate is not a number.

    Raises
    ------
    ClipError
        Where no light follows the rate, the bands stand still, or the clip is too short.
    """
    pieces = _cut(seen, hz, mains)
    ppm = 0.0 if mains else _search(seen, hz)
    fitted = [_fit(seen, piece, hz, _local(seen, piece, hz) if mains else ppm) for piece in pieces]
    mean, phases = _together(fitted)
    _refuse_dark(seen, hz, fitted, mean)
    readout_s, readout_u_s, notes = _readout(seen, fitted, mean, hz)
    rate = (np.nan, np.nan, np.nan, np.nan)
    if not mains:
        least_rad = TOGETHER_RAD if readout_s is None else 0.0
        rate = _rate(seen, fitted, phases, hz, ppm, least_rad)
    return RateFit(
        clock_ppm=rate[0],
        clock_u_ppm=rate[1],
        dof=float(len(pieces) - 2),
        drift_ppm_per_min=None if mains else rate[2],
        drift_u_ppm_per_min=0.0 if mains else rate[3],
        readout_s=readout_s,
        readout_u_s=readout_u_s,
        notes=(*seen.notes, *notes),
    )


def _cut(seen: Flashes, hz: float, mains: bool) -> list[slice]:
    """Cut the clip into pieces in each of which the bands move enough."""
    count = len(seen.time_s)
    turns = hz * seen.interval_s
    slow = min(abs(2.0 * turns - np.rint(2.0 * turns)) / 2.0, 0.5)
    least = max(LEAST_FRAMES, LEAST_TURNS / max(slow, 1e-9))
    if mains:
        least = max(least, 0.6 / seen.interval_s)
    number = int(min(MOST_PIECES, count // least)) if least < count else 0
    if number < FEWEST_PIECES:
        still = least > LEAST_FRAMES and LEAST_TURNS / max(slow, 1e-9) >= least
        raise ClipError(
            f"{seen.file}: "
            + (
                f"frames and flashes are locked: at {hz:g} Hz the bands stand still in the "
                "picture; take another rate of flashes or frames, or a longer clip"
                if still
                else f"{count} frames are too few for a lamp of {hz:g} Hz; film longer"
            )
        )
    ends = np.linspace(0, count, number + 1).astype(int)
    return [slice(int(a), int(b)) for a, b in pairwise(ends)]


def _search(seen: Flashes, hz: float) -> float:
    """Return the ppm at which the bands answer most over the whole clip, to a part of a turn."""
    step = 1e6 / (6.0 * hz * max(seen.span_s, 1e-9))
    grid = np.arange(-SEARCH_PPM, SEARCH_PPM + step, step) if step < SEARCH_PPM else np.zeros(1)
    return _best(seen, slice(None), hz, grid)


def _local(seen: Flashes, piece: slice, hz: float) -> float:
    """Return the ppm that fits one piece: the mains wander."""
    return _best(seen, piece, hz, np.linspace(-MAINS_SEARCH_PPM, MAINS_SEARCH_PPM, 41))


def _best(seen: Flashes, piece: slice, hz: float, grid_ppm: Floats) -> float:
    time_s = seen.time_s[piece] - seen.time_s.mean()
    level = (seen.level[piece] - seen.level[piece].mean(axis=0)) * np.sqrt(seen.pixels)
    answers = []
    for ppm in grid_ppm:
        wave = np.exp(-2j * np.pi * hz * (1.0 + 1e-6 * ppm) * time_s)
        answers.append(float(np.sum(np.abs((wave - wave.mean()) @ level) ** 2)))
    return float(grid_ppm[int(np.argmax(answers))])


def _fit(seen: Flashes, piece: slice, hz: float, ppm: float) -> _Piece:
    """Fit mean, wave and overtones to every band of a piece; the wave is Re(w exp(2 pi i hz t))."""
    time_s = seen.time_s[piece] - seen.time_s.mean()
    turn = 2.0 * np.pi * hz * (1.0 + 1e-6 * ppm) * time_s
    design = np.column_stack([np.ones_like(turn), np.cos(turn), np.sin(turn)])
    for overtone in range(2, OVERTONES + 1):  # those that frame by frame look like no other wave
        more = np.column_stack([design, np.cos(overtone * turn), np.sin(overtone * turn)])
        if np.linalg.svd(more, compute_uv=False)[-1] > LEAST_SINE * np.sqrt(len(turn)):
            design = more
    level = seen.level[piece]
    found, *_ = np.linalg.lstsq(design, level, rcond=None)
    left = level - design @ found
    return _Piece(
        time_s=float(time_s.mean()),
        wave=found[1] - 1j * found[2],
        noise=float(np.sqrt(np.mean(left**2))),
    )


def _together(pieces: list[_Piece]) -> tuple[Waves, Floats]:
    """Return the mean wave (b,) of the pieces, each turned to it, and their phases (p,)."""
    mean = pieces[len(pieces) // 2].wave
    phases = np.zeros(len(pieces))
    for _ in range(4):
        phases = np.array([np.angle(np.sum(piece.wave * np.conj(mean))) for piece in pieces])
        turned = [
            piece.wave * np.exp(-1j * phase) for piece, phase in zip(pieces, phases, strict=True)
        ]
        mean = np.mean(turned, axis=0)
    return mean, phases


def _rate(
    seen: Flashes, pieces: list[_Piece], phases: Floats, hz: float, ppm: float, least_rad: float
) -> tuple[float, float, float, float]:
    """Return ppm and drift (ppm a minute) with their uncertainties, from the pieces' phases."""
    at_s = np.array([piece.time_s for piece in pieces])
    turns = np.unwrap(phases) / (2.0 * np.pi * hz) * 1e6  # microseconds ahead
    found = []
    for degree in (1, 2):
        design = np.vander(at_s, degree + 1)
        best, *_ = np.linalg.lstsq(design, turns, rcond=None)
        left = turns - design @ best
        variance = float(left @ left) / max(len(at_s) - degree - 1, 1)
        variance += (least_rad / (2.0 * np.pi * hz) * 1e6) ** 2
        covariance = np.linalg.inv(design.T @ design) * variance
        found.append((best, covariance, float(np.sqrt(variance))))
    (line, of_line, scatter), (curve, of_curve, about) = found
    bends = abs(float(curve[0])) > 3.0 * float(np.sqrt(of_curve[0, 0]))
    scatter = about if bends else scatter
    slope, slope_u = (curve[1], of_curve[1, 1]) if bends else (line[0], of_line[0, 0])
    if scatter * 1e-6 * 2.0 * np.pi * hz > LOOSE_RAD:
        raise ClipError(
            f"{seen.file}: no light that flashes steadily at {hz:g} Hz is seen; check the rate, "
            "film the lamp so close that it fills the picture, and with an exposure well below "
            f"{1e3 / hz:.2g} ms"
        )
    return (
        ppm + float(slope),
        float(np.sqrt(slope_u)),
        120.0 * float(curve[0]),
        120.0 * float(np.sqrt(of_curve[0, 0])),
    )


def _refuse_dark(seen: Flashes, hz: float, pieces: list[_Piece], mean: Waves) -> None:
    """Refuse where the wave is no more than the pieces' noise makes by itself."""
    frames = len(seen.time_s) / len(pieces)
    usual = np.sqrt(2.0 / frames) * float(np.median([piece.noise for piece in pieces]))
    if float(np.sqrt(np.mean(np.abs(mean) ** 2))) < 1.5 * usual:
        raise ClipError(
            f"{seen.file}: no light that flashes at {hz:g} Hz is seen; check the rate, and film "
            "the lamp, or what it lights up, so that it fills the picture"
        )


def _slope(wave: Waves, row: Floats, turns: float) -> float:
    """Return the turns of phase from row 0 to 1 near `turns`, weighted by the waves' strength."""
    rest = wave * np.exp(-2j * np.pi * turns * row)
    rest = rest * np.conj(np.sum(rest * np.abs(rest)))
    phase, weight = np.angle(rest), np.abs(wave) ** 2
    design = np.column_stack([row - np.average(row, weights=weight), np.ones_like(row)])
    found, *_ = np.linalg.lstsq(
        design * np.sqrt(weight)[:, None], phase * np.sqrt(weight), rcond=None
    )
    return turns + float(found[0]) / (2.0 * np.pi)


def _readout(
    seen: Flashes, pieces: list[_Piece], mean: Waves, hz: float
) -> tuple[float | None, float, list[str]]:
    """Return the read-out time, its uncertainty, and what is to be said of it."""
    bright = np.abs(mean) > FAINT * np.abs(mean).max()
    row, wave = seen.row[bright], mean[bright]
    reach = float(np.ptp(row)) if len(row) > JACKKNIFE else 0.0
    if reach < 0.05:
        return None, 0.0, []
    grid = np.arange(-hz * MOST_READOUT_S, hz * MOST_READOUT_S, 0.05 / reach)
    answer = np.abs(np.exp(-2j * np.pi * grid[:, None] * row) @ wave)
    turns = _slope(wave, row, float(grid[int(np.argmax(answer))]))
    turns = _slope(wave, row, turns)
    each = np.array([_slope(piece.wave[bright], row, turns) for piece in pieces])
    block = np.arange(len(row)) * JACKKNIFE // len(row)
    without = np.array([_slope(wave[block != k], row[block != k], turns) for k in range(JACKKNIFE)])
    jackknife = np.sqrt((JACKKNIFE - 1) * np.mean((without - without.mean()) ** 2))
    u = float(max(np.std(each, ddof=1) / np.sqrt(len(each)), jackknife))
    u = float(np.hypot(u, ROWS_U * turns))
    readout_s, readout_u_s = turns / hz, u / hz
    if readout_u_s > TOLD * abs(readout_s):
        return None, 0.0, ["the bands are too wide or too faint to tell the read-out"]
    if readout_s < 0.0:
        return None, 0.0, [
            f"the picture is read from its last row to its first, in {-1e3 * readout_s:.2f} ms; "
            "a session has no key for that: turn the camera over"
        ]  # fmt: skip
    return readout_s, readout_u_s, []
