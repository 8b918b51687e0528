"""Find lines in the picture along the flight line that are too faint for any single frame.

Samples of a few frames are added up along straight pieces, one set for each speed; the pieces are
then joined from group to group where speed and place go on nearly the same, the best way to each
end being kept (dynamic programming, R. E. Bellman; "track before detect", Y. Barniv, "Dynamic
programming solution for detecting dim moving targets", IEEE Trans. AES 21 (1985) 144-156). A sum
may begin and end anywhere: what each sample counts less keeps noise from growing.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vidspeed.clip.faint.strip import UNIT, Layout, Stretch
from vidspeed.spread.progress import alive
from vidspeed.values import Corridor, Floats, Value

PIECES = 4  # that the fastest craft of an octave is cut into, at least
LEAST_GROUP = 2  # frames
STEP_COLUMNS = 1.5  # by which two neighbouring speeds differ after a piece
COUNTED_LESS = 16  # in `UNIT` of a standard deviation: a part of what a light should bring
MOST_SUM = 30_000  # of sixteen bits
LEAST_SCORE = 5.5  # standard deviations of the sum along the way, before it is looked at closer
LEAST_SHARE = 0.3  # of the corridor that a way must go along
TAKEN = 3  # ways of an octave and direction, at most, that are looked at

Sums = NDArray[np.int16]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Line(Value):
    """A way along a corridor: `x_m` and `share` are polynomials of (time - epoch_s) / span_s.

    Coefficients from the lowest power; `x_m` has three, `share` (across, of the reach) two.
    """

    epoch_s: float
    span_s: float
    x_m: Floats
    share: Floats
    score: float


def lines(corridor: Corridor, layout: Layout, stretch: Stretch) -> list[Line]:
    """Return the ways along which the samples add up, the likeliest first."""
    column_m = float(corridor.x_m[1] - corridor.x_m[0])
    found = []
    for forward in (True, False):
        samples = stretch.samples if forward else stretch.samples[:, :, ::-1]
        for low, high in _octaves(corridor):
            for ridge in _ridges(samples, stretch.time_s, low / column_m, high / column_m):
                line = _line(corridor, layout, stretch, ridge, forward=forward)
                if line is not None and line.score >= LEAST_SCORE:
                    found.append(line)
    return sorted(found, key=lambda line: -line.score)


def _octaves(corridor: Corridor) -> Iterator[tuple[float, float]]:
    """Yield ranges of speed, m/s, each about an octave."""
    low, high = corridor.speed_mps
    count = max(1, round(float(np.log2(high / low))))
    yield from pairwise(np.geomspace(low, high, count + 1).tolist())


def _ridges(samples: Any, time_s: Floats, low: float, high: float) -> list[Floats]:
    """Return ways as rows of time, column and row across (n, 3), for speeds in columns a second."""
    interval_s = max(float(np.median(np.diff(time_s))), 1e-6)
    shortest_s = samples.shape[2] / high
    group = max(LEAST_GROUP, int(shortest_s / PIECES / interval_s))
    if len(time_s) < 2 * group:
        return []
    step = STEP_COLUMNS / (group * interval_s)
    speeds = np.arange(low, high + step, step)
    starts = range(0, len(time_s) - group + 1, group)
    middles = np.array([time_s[k : k + group].mean() for k in starts])
    best: list[Sums] = []
    for number, start in enumerate(starts):
        alive()
        part = slice(start, start + group)
        sums = _pieces(samples[part], time_s[part] - middles[number], speeds)
        if best:
            sums = cv2.add(sums, _carried(best[-1], speeds, middles[number] - middles[number - 1]))
        best.append(np.clip(sums, 0, MOST_SUM))
    return _tops(best, middles, speeds)


def _pieces(samples: Any, since_s: Floats, speeds: Floats) -> Any:
    """Return the sums (k, m, n) along straight pieces through each place, for k speeds."""
    rows, columns = samples.shape[1:]
    wide = samples.astype(np.int16)
    found = np.full((len(speeds), rows, columns), -COUNTED_LESS * len(since_s), np.int16)
    for own, speed in zip(found, speeds.tolist(), strict=True):
        for row, shift in zip(wide, np.rint(speed * since_s).astype(int).tolist(), strict=True):
            if abs(shift) >= columns:
                continue
            if shift >= 0:
                own[:, : columns - shift] += row[:, shift:]
            else:
                own[:, -shift:] += row[:, :shift]
    return found


def _carried(before: Sums, speeds: Floats, step_s: float) -> Sums:
    """Return the best sum (k, m, n) with which a way could come to each place and speed."""
    around = np.stack([cv2.dilate(one, np.ones((3, 3), np.uint8)) for one in before])
    near = around.copy()
    near[1:] = np.maximum(near[1:], around[:-1])
    near[:-1] = np.maximum(near[:-1], around[1:])
    carried = np.zeros_like(before)
    columns = before.shape[2]
    for own, old, speed in zip(carried, near, speeds.tolist(), strict=True):
        shift = round(speed * step_s)
        if shift < columns:
            own[:, shift:] = old[:, : columns - shift]
    return carried


def _tops(best: list[Sums], middles: Floats, speeds: Floats) -> list[Floats]:
    """Return the ways that end in the largest sums, each once."""
    peaks = [int(sums.max()) for sums in best]
    taken: list[Floats] = []
    for number in np.argsort(peaks)[::-1].tolist():
        if len(taken) == TAKEN:
            break
        ridge = _back(best, number, middles, speeds)
        if all(_apart(ridge, other) for other in taken):
            taken.append(ridge)
    return [ridge for ridge in taken if len(ridge) >= 3]


def _apart(one: Floats, other: Floats) -> bool:
    """Say whether two ways do not meet."""
    shared = set(one[:, 0].tolist()) & set(other[:, 0].tolist())
    return not shared


def _back(best: list[Sums], number: int, middles: Floats, speeds: Floats) -> Floats:
    """Follow a way back from its end, the largest sum of a group."""
    k, row, column = np.unravel_index(int(np.argmax(best[number])), best[number].shape)
    nodes = [(middles[number], column, row)]
    for earlier in range(number - 1, -1, -1):
        middle = int(column) - round(float(speeds[k]) * (middles[earlier + 1] - middles[earlier]))
        window = (
            slice(max(int(k) - 1, 0), int(k) + 2),
            slice(max(int(row) - 1, 0), int(row) + 2),
            slice(max(middle - 1, 0), max(middle + 2, 0)),
        )
        part = best[earlier][window]
        if not part.size or part.max() <= 0:
            break
        place = np.unravel_index(int(np.argmax(part)), part.shape)
        k, row, column = (int(at) + edge.start for at, edge in zip(place, window, strict=True))
        nodes.append((middles[earlier], column, row))
    return np.array(nodes[::-1], np.float64)


def _line(
    corridor: Corridor, layout: Layout, stretch: Stretch, ridge: Floats, *, forward: bool
) -> Line | None:
    """Lay a smooth way through the nodes of a ridge (n, 3), and add up the samples along it."""
    columns = len(corridor.x_m)
    place = ridge[:, 1] if forward else columns - 1 - ridge[:, 1]
    if np.ptp(place) < LEAST_SHARE * columns:
        return None
    epoch = float(0.5 * (ridge[0, 0] + ridge[-1, 0]))
    span = max(float(0.5 * np.ptp(ridge[:, 0])), 1e-6)
    t = (ridge[:, 0] - epoch) / span
    degree = 2 if len(t) >= 5 else 1
    along = np.zeros(3)
    x_m = np.interp(place, np.arange(columns), corridor.x_m)
    along[: degree + 1] = np.polynomial.polynomial.polyfit(t, x_m, degree)
    share = np.interp(ridge[:, 2], np.arange(len(layout.share)), layout.share)
    across = np.asarray(np.polynomial.polynomial.polyfit(t, share, 1), np.float64)
    line = Line(epoch_s=epoch, span_s=span, x_m=along, share=across, score=0.0)
    score = _score(corridor, layout, stretch, line)
    return Line(epoch_s=epoch, span_s=span, x_m=along, share=across, score=score)


def _score(corridor: Corridor, layout: Layout, stretch: Stretch, line: Line) -> float:
    """Return the sum of samples along a way over its standard deviation."""
    x_m, share = places_of(line, stretch.time_s)
    column = (x_m - corridor.x_m[0]) / (corridor.x_m[1] - corridor.x_m[0])
    row = (share + 1.0) * 0.5 * (len(layout.share) - 1)
    on = (column >= 0.0) & (column <= len(corridor.x_m) - 1) & (np.abs(share) <= 1.0)
    on &= np.abs(stretch.time_s - line.epoch_s) <= 1.3 * line.span_s
    if on.sum() < 4:
        return 0.0
    at = np.flatnonzero(on), np.rint(row[on]).astype(int), np.rint(column[on]).astype(int)
    return float(stretch.samples[at].sum(dtype=np.int64)) / UNIT / float(np.sqrt(on.sum()))


def places_of(line: Line, time_s: Floats) -> tuple[Floats, Floats]:
    """Return x along the course (n,) and the share of the reach across (n,) at times (n,)."""
    t = (np.asarray(time_s) - line.epoch_s) / line.span_s
    powers = np.vander(t, 3, increasing=True)
    return powers @ line.x_m, powers[:, :2] @ line.share
