"""Account for a clip's stamps: what was dropped, repeated, uneven, or counted in coarse ticks."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from vidspeed.values import Bools, Floats, Ints, Value

UNEVEN = 0.02  # spread of the intervals, as a share of their median, that is worth a sentence
SAME_CONTENT = 0.05  # change of a repeated frame, as a share of the usual change from noise
LEAST_CHANGE = 0.05  # luma levels: below this usual change a still clip cannot show repeats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StampAccount(Value):
    """What the stamps of a clip say.

    `interval_s` is the median time between frames, `spread_s` the standard deviation of the
    intervals about it where no frame is missing. `usable` (n,) is False where a stamp does not
    lie after all earlier ones, `repeated` (n,) is True where a frame shows the one before it
    again. `stamp_u_s` is the standard uncertainty of one stamp from its quantisation.
    """

    interval_s: float
    spread_s: float
    dropped: int
    stamp_u_s: float
    usable: Bools
    repeated: Bools
    notes: tuple[str, ...]


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
    usable = _increasing(stamps)
    steps = np.diff(stamps[usable])
    repeated = _repeats(changes, len(stamps))
    if len(steps) == 0:
        return StampAccount(
            interval_s=np.nan, spread_s=np.nan, dropped=0, stamp_u_s=0.0,
            usable=usable, repeated=repeated, notes=(),
        )  # fmt: skip
    step = float(np.median(steps))
    spans = np.maximum(np.rint(steps / step), 1.0)
    spread = float(np.std(steps / spans))
    tick_s = float(time_base)
    u_s = 0.0 if rate_hz is not None or _exactly_even(steps) else tick_s / np.sqrt(12.0)
    dropped = int(np.sum(spans - 1))
    notes = [
        *_dropped_note(dropped, spans),
        *_uneven_note(spread / step, step * tick_s),
        *_coarse_note(u_s, step * tick_s, tick_s),
        *_backward_note(usable),
        *_repeated_note(repeated),
        *_rate_note(rate_hz, step * tick_s),
    ]
    return StampAccount(
        interval_s=step * tick_s,
        spread_s=spread * tick_s,
        dropped=dropped,
        stamp_u_s=float(u_s),
        usable=usable,
        repeated=repeated,
        notes=tuple(notes),
    )


def _increasing(stamps: Ints) -> Bools:
    """Say which stamps (n,) lie after all those before them."""
    before = np.maximum.accumulate(stamps)[:-1] if len(stamps) else stamps
    return np.concatenate([[True], stamps[1:] > before]) if len(stamps) else np.zeros(0, bool)


def _exactly_even(steps: Ints) -> bool:
    """Say whether all steps are whole multiples of the smallest: no rounding took place."""
    return bool(np.all(steps % steps.min() == 0)) and bool(np.median(steps) == steps.min())


def _repeats(changes: Floats | None, count: int) -> Bools:
    """Say which frames (n,) show the one before them again."""
    repeated = np.zeros(count, dtype=bool)
    if changes is not None and count > 2:
        usual = float(np.median(changes[1:]))
        if usual > LEAST_CHANGE:
            repeated[1:] = changes[1:] < SAME_CONTENT * usual
    return repeated


def _dropped_note(dropped: int, spans: Floats) -> list[str]:
    if not dropped:
        return []
    places = int(np.sum(spans > 1))
    return [f"{dropped} frames are missing by their stamps, in {places} places"]


def _uneven_note(share: float, interval_s: float) -> list[str]:
    if share < UNEVEN:
        return []
    return [
        f"the time between frames is uneven: it scatters by {100 * share:.1f} % "
        f"about {1000 * interval_s:.3f} ms; the stamps are taken as they are"
    ]


def _coarse_note(stamp_u_s: float, interval_s: float, tick_s: float) -> list[str]:
    if stamp_u_s < 0.003 * interval_s:
        return []
    return [
        f"the stamps count in ticks of {1000 * tick_s:.3g} ms: "
        f"each is uncertain by {1e6 * stamp_u_s:.0f} microseconds"
    ]


def _backward_note(usable: Bools) -> list[str]:
    count = int(np.sum(~usable))
    if not count:
        return []
    first = int(np.argmin(usable))
    return [f"{count} stamps do not go forward (first at frame {first}); these frames are not used"]


def _repeated_note(repeated: Bools) -> list[str]:
    count = int(np.sum(repeated))
    if not count:
        return []
    first = int(np.argmax(repeated))
    return [f"{count} frames repeat the one before (first at frame {first}); they are not used"]


def _rate_note(rate_hz: float | None, interval_s: float) -> list[str]:
    if rate_hz is None:
        return []
    stamped = 1.0 / interval_s
    ratio = rate_hz / stamped
    if abs(ratio - round(ratio)) < 0.01 * ratio and round(ratio) >= 1:
        if round(ratio) == 1 and abs(ratio - 1.0) > 2e-4:
            return [f"rate_hz says {rate_hz:g} frames a second, the stamps say {stamped:.4f}"]
        return []
    return [
        f"rate_hz says {rate_hz:g} frames a second, the stamps say {stamped:.4f}: neither the same "
        "nor a whole multiple; check rate_hz"
    ]
