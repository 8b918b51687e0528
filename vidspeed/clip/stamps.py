"""Account for a clip's stamps: what was dropped, repeated, uneven, or counted in coarse ticks."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise

import numpy as np

from vidspeed.clip.notes import stamp_notes
from vidspeed.values import Bools, Floats, Ints, Value
from vidspeed.values.timed import Segment

SAME_CONTENT = 0.05  # change of a repeated frame, as a share of the usual change from noise
LEAST_CHANGE = 0.05  # luma levels: below this usual change a still clip cannot show repeats
REGULAR = 0.1  # spread of the intervals, as a share, above which nobody can say what is missing
LEVEL_WIDTH, LEAST_RUN, NEW_LEVEL = 9, 12, 1.4  # steps, frames, ratio: a change of the rate
NO_GAP = 1.6  # ratio to the median from which a step holds a missing frame
NEAR_WHOLE = 0.45  # frames by which a step may miss a whole number to count for the mean
COARSEST_TICK_S = 0.002  # of a recorder that counts its stamps in coarser units than the file's
FARTHEST, MOST_MISSING = 1 << 60, 1e6  # of stamps and of gaps: beyond them a file lies
COARSE = 0.01  # of the interval: stamps in coarser units than this have no median worth naming
ROUNDING = 0.5  # of a unit: steps between rounded stamps scatter by at most that much
LEAST_STEPS = 10  # from which such units can be told from chance


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StampAccount(Value):
    """What the stamps of a clip say.

    `interval_s` is the median time between frames (their mean where the stamps count in coarse
    units), `spread_s` the standard deviation of the
    intervals about that of their segment where no frame is missing. `usable` (n,) is False where
    a stamp does not lie after all earlier ones, `repeated` (n,) is True where a frame shows the
    one before it again. `stamp_u_s` is the standard uncertainty of one stamp from its
    quantisation. `number` (n,) counts the frames as they were captured, the missing ones too.
    """

    interval_s: float
    spread_s: float
    dropped: int
    stamp_u_s: float
    usable: Bools
    repeated: Bools
    notes: tuple[str, ...]
    segments: tuple[Segment, ...] = ()
    number: Ints


def account(
    stamps: Ints,
    time_base: Fraction,
    *,
    changes: Floats | None = None,
    rate_hz: float | None = None,
) -> StampAccount:
    """Account for presentation stamps (n,) in ticks of `time_base` seconds, in file order.

    Parameters
    ----------
    changes
        (n,) mean absolute change of each frame from the one before, in luma levels (the first is
        not looked at). None: repeated frames are not looked for.
    rate_hz
        The capture rate that the session states; stamps that contradict it are noted, and no
        stamp then carries any uncertainty, since time is frame over rate.
    """
    stamps = np.clip(stamps, -FARTHEST, FARTHEST)
    usable = _increasing(stamps)
    steps = np.diff(stamps[usable])
    repeated = _repeats(changes, len(stamps))
    if len(steps) == 0:
        return StampAccount(
            interval_s=np.nan, spread_s=np.nan, dropped=0, stamp_u_s=0.0,
            usable=usable, repeated=repeated, notes=(), number=np.arange(len(stamps)),
        )  # fmt: skip
    tick_s = float(time_base)
    levels, segments = _levels(steps, np.flatnonzero(usable), tick_s)
    spans = np.clip(np.rint(steps / levels), 1.0, MOST_MISSING)
    share = float(np.std(steps / (spans * levels)))
    step_s = float(np.median(steps)) * tick_s
    unit_s = 0.0 if _exactly_even(steps) else _tick(steps, tick_s)
    rounding = ROUNDING * unit_s / step_s  # share of the spread that counting in units makes
    spans = spans if share < max(REGULAR, rounding) else np.ones(len(steps))
    u_s = 0.0 if rate_hz is not None else unit_s / 12.0**0.5
    coarse = len(segments) == 1 and unit_s > COARSE * step_s
    interval_s = segments[0].interval_s if coarse else step_s
    return StampAccount(
        interval_s=interval_s,
        spread_s=share * step_s,
        dropped=int(np.sum(spans - 1)),
        stamp_u_s=float(u_s),
        usable=usable,
        repeated=repeated,
        segments=segments,
        number=_numbers(usable, spans),
        notes=stamp_notes(
            spans=spans, share=share if share > rounding else 0.0, interval_s=interval_s,
            stamp_u_s=float(u_s),
            usable=usable, repeated=repeated, rate_hz=rate_hz, segments=segments,
            mean_hz=float(np.sum(spans) / (np.sum(steps) * tick_s)),
        ),
    )  # fmt: skip


def _increasing(stamps: Ints) -> Bools:
    """Say which stamps (n,) lie after all those before them."""
    before = np.maximum.accumulate(stamps)[:-1] if len(stamps) else stamps
    return np.concatenate([[True], stamps[1:] > before]) if len(stamps) else np.zeros(0, bool)


def _exactly_even(steps: Ints) -> bool:
    """Say whether all steps are whole multiples of the smallest: no rounding took place."""
    return bool(np.all(steps % steps.min() == 0)) and bool(np.median(steps) == steps.min())


def _tick(steps: Ints, tick_s: float) -> float:
    """Return the unit in which the stamps are counted, which may be coarser than the time base."""
    common_s = float(np.gcd.reduce(steps)) * tick_s
    coarser = len(steps) >= LEAST_STEPS and common_s <= COARSEST_TICK_S
    return max(common_s, tick_s) if coarser else tick_s


def _numbers(usable: Bools, spans: Floats) -> Ints:
    """Count the frames (n,); one with a stamp that cannot be used follows the one before."""
    steps = np.zeros(len(usable))
    steps[np.flatnonzero(usable)[1:]] = spans
    steps[~usable] = 1.0
    return np.cumsum(steps).astype(np.int64)


def _levels(steps: Ints, frames: Ints, tick_s: float) -> tuple[Floats, tuple[Segment, ...]]:
    """Return the usual step (n,) around each step, and the segments of one rate.

    A segment is a run of steps whose running median keeps within a factor; short ones belong to
    the one before. `frames` (n + 1,) are the frames between which the steps lie.
    """
    wide = np.pad(steps.astype(float), LEVEL_WIDTH // 2, mode="edge")
    smooth = np.median(np.lib.stride_tricks.sliding_window_view(wide, LEVEL_WIDTH), axis=1)
    starts = [0]
    for place in range(1, len(smooth)):
        ratio = smooth[place] / smooth[starts[-1]]
        if max(ratio, 1.0 / ratio) > NEW_LEVEL:
            starts.append(place)
    starts = _long_enough(starts, len(steps))
    ends = [*starts[1:], len(steps)]
    levels = np.empty(len(steps))
    segments = []
    for start, end in zip(starts, ends, strict=True):
        usual = _usual_step(steps[start:end])
        levels[start:end] = usual
        first = int(frames[start]) if start == 0 else int(frames[start]) + 1
        last = int(frames[end])
        count = last - first + 1
        mean = _mean_step(steps[start:end], usual)
        segments.append(Segment(first=first, frames=count, interval_s=mean * tick_s))
    return levels, _joined(segments)


def _usual_step(steps: Ints) -> float:
    """Return the time between frames of which none is missing: coarse stamps have no one median."""
    median = float(np.median(steps))
    near = steps[(steps > median / NO_GAP) & (steps < median * NO_GAP)]
    return float(np.mean(near) if len(near) else np.min(steps))  # of few, none may be near it


def _mean_step(steps: Ints, usual: float) -> float:
    """Return the mean time between captured frames, of steps (n,) about whole multiples of one."""
    spans = np.maximum(np.rint(steps / usual), 1.0)
    whole = np.abs(steps / usual - spans) < NEAR_WHOLE
    return float(np.sum(steps[whole]) / np.sum(spans[whole])) if np.any(whole) else usual


def _long_enough(starts: list[int], count: int) -> list[int]:
    """Leave out starts of runs that are too short to be a rate of their own."""
    kept = [0]
    for start, end in pairwise([*starts[1:], count]):
        if end - start >= LEAST_RUN and start - kept[-1] >= LEAST_RUN:
            kept.append(start)
    return kept


def _joined(segments: list[Segment]) -> tuple[Segment, ...]:
    """Join neighbours whose rates do not differ: a change between them was too short to count."""
    kept = segments[:1]
    for row in segments[1:]:
        ratio = row.interval_s / kept[-1].interval_s
        if max(ratio, 1.0 / ratio) > NEW_LEVEL:
            kept.append(row)
        else:
            both = kept[-1].frames + row.frames
            kept[-1] = Segment(first=kept[-1].first, frames=both, interval_s=kept[-1].interval_s)
    return tuple(kept)


def _repeats(changes: Floats | None, count: int) -> Bools:
    """Say which frames (n,) show the one before them again."""
    repeated = np.zeros(count, dtype=bool)
    if changes is not None and count > 2:
        usual = float(np.median(changes[1:]))
        if usual > LEAST_CHANGE:
            repeated[1:] = changes[1:] < SAME_CONTENT * usual
    return repeated
