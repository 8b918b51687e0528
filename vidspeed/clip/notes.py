"""Put into words what the stamps of a clip show."""

from __future__ import annotations

import numpy as np

from vidspeed.values import Bools, Floats
from vidspeed.values.timed import Segment

UNEVEN = 0.02  # spread of the intervals, as a share of their median, that is worth a sentence
SAME_RATE = 2e-4  # two rates closer than this are one: a camera's clock may be that far out
NTSC = 1001.0 / 1000.0  # by which a rate of television runs slower than its name
MOST_NAMED = 6  # segments that a sentence lists


def stamp_notes(
    *,
    spans: Floats,
    share: float,
    interval_s: float,
    stamp_u_s: float,
    usable: Bools,
    repeated: Bools,
    rate_hz: float | None,
    segments: tuple[Segment, ...],
    mean_hz: float,
) -> tuple[str, ...]:
    """Return a sentence for each thing about the stamps that a person should know.

    `spans` (n,) are the steps in captured frames, `share` the spread of the intervals over their
    median, `usable` and `repeated` (m,) a mark for each frame, `mean_hz` captured frames over time.
    """
    return (
        *_dropped_note(spans),
        *_uneven_note(share, interval_s),
        *_segments_note(segments),
        *_coarse_note(stamp_u_s, interval_s),
        *_backward_note(usable),
        *_repeated_note(repeated),
        *_rate_note(rate_hz, mean_hz, len(segments) > 1),
    )


def _dropped_note(spans: Floats) -> list[str]:
    dropped = int(np.sum(spans - 1))
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


def _segments_note(segments: tuple[Segment, ...]) -> list[str]:
    if len(segments) < 2:
        return []
    runs = [f"{1 / row.interval_s:.3f} from frame {row.first}" for row in segments[:MOST_NAMED]]
    more = "" if len(segments) <= MOST_NAMED else f" and {len(segments) - MOST_NAMED} more"
    return [f"the rate changes on the way, frames a second: {', '.join(runs)}{more}"]


def _coarse_note(stamp_u_s: float, interval_s: float) -> list[str]:
    if stamp_u_s < 0.003 * interval_s:
        return []
    return [
        f"the stamps count in ticks of {1000 * stamp_u_s * 12.0**0.5:.3g} ms: "
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


def _rate_note(rate_hz: float | None, stamped_hz: float, changing: bool) -> list[str]:
    """Say where a stated rate is neither that of the stamps nor a whole multiple of it."""
    if rate_hz is None or changing:
        return []
    ratio = rate_hz / stamped_hz
    whole = round(ratio)
    if whole < 1 or abs(ratio - whole) > 0.01 * ratio:
        return [
            f"rate_hz says {rate_hz:g} frames a second, the stamps say {stamped_hz:.4f}: neither "
            "the same nor a whole multiple; check rate_hz"
        ]
    if abs(ratio / whole - 1.0) <= SAME_RATE:
        return []
    times = "" if whole == 1 else f"{whole} times "
    return [
        f"rate_hz says {rate_hz:g} frames a second, {times}the stamps say "
        f"{whole * stamped_hz:.4f}: speeds differ by the factor {ratio / whole:.4f} between the two"
        f"{_ntsc_words(ratio / whole)}"
    ]


def _ntsc_words(factor: float) -> str:
    """Say where a factor is that between a rate's name and its true value."""
    if abs(factor / NTSC - 1.0) > SAME_RATE:
        return ""
    return "; that is 1001/1000, as between 30 and the true 30000/1001 (29.97)"
