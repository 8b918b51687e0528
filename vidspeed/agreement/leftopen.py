"""A pass solved again where the exposure of a clip may have jumped: with what that leaves open.

By how much the middle of the exposure moved against the stamp is then one more unknown of the clip.
It is at most half of the change, whatever moment of the exposure the stamp names, and nothing where
the gain was changed instead; the lights themselves say more of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace

from vidspeed.agreement.exposure import exposure_of
from vidspeed.agreement.steps import DISPLAY, Sign, left_out_in_a_row, sign_of_step
from vidspeed.agreement.streak import streaks
from vidspeed.errors import MotionError
from vidspeed.motion.flight import Flight, Lit, solve
from vidspeed.motion.step import Step
from vidspeed.values import Clip, Session

STOP, TWO_STOPS = 2.0, 4.0  # times, by which automatic exposures jump: at least, and at most


def with_steps(session: Session, flight: Flight) -> Flight:
    """Return a flight solved with the steps of its clips; the same one where there is no sign.

    Clips whose streaks tell that the exposure changes are left as they are: what that leaves open
    is carried (`exposure.py`). Of one that jumps, all streaks may be of the longer exposure, and
    seem steady. Where several lights in a row were left out, as lights that a step moves are, all
    are asked first: what is left without them may seem to step elsewhere.
    """
    found = flight
    for _ in flight.lit:
        lit = _stepped(session, found)
        if lit is None:
            break
        try:
            found = solve(session, lit, flight.network.traverses[0].label)
        except MotionError:
            break
    return found


def _stepped(session: Session, flight: Flight) -> list[Lit] | None:
    """Return the lights of a flight with the steps that can be told now, None for no new one."""
    asked = [flight]
    if left_out_in_a_row(flight):
        with suppress(MotionError):
            label = flight.network.traverses[0].label
            asked.insert(0, solve(session, flight.lit, label, whole=True))
    for one in asked:
        lit = [_one_stepped(one, order, session.clips) for order in range(len(one.lit))]
        if any(new is not old for new, old in zip(lit, flight.lit, strict=True)):
            return lit
    return None


def _one_stepped(flight: Flight, order: int, clips: Sequence[Clip]) -> Lit:
    lit = flight.lit[order]
    seen = exposure_of(streaks(flight, order))
    if lit.step is not None or (seen is not None and seen.may_change):
        return lit
    sign = sign_of_step(flight, order)
    if sign is None:
        return lit
    stated = next((clip.exposure_s for clip in clips if clip.name == lit.clip), None)
    interval_s = lit.track.interval_s or lit.stand.interval_s
    return replace(lit, step=Step(frame=sign.frame, u_s=half_change_s(sign, stated, interval_s)))


def half_change_s(sign: Sign, stated_s: float | None, interval_s: float) -> float:
    """Return half of how much an exposure plausibly changed, as the standard uncertainty.

    The light tells the product of exposure and gain, through a curve that nobody states; a change
    by one stop is always plausible, and by two where the light, a saturated lamp's, tells nothing.
    A stated exposure may be the one before or after the step; none is longer than a frame.
    """
    times = TWO_STOPS if sign.times == 1.0 else max(sign.times**DISPLAY, STOP)
    longer_s = interval_s if stated_s is None else min(stated_s * times, interval_s)
    return 0.5 * longer_s * (1.0 - 1.0 / times)
