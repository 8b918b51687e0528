"""What would help a session, worked out once: half of a small run, and seldom what a test is about.

The suite measures a few small sessions some hundred times, and each run asks the solver for every
single change that could help. The answer follows from what is stated and from the cameras alone.
Where somebody listens to what is decided on the way, it is worked out as ever;
`tests/assembly/test_forecast.py` asks for it directly.
"""

from __future__ import annotations

import pickle
from collections.abc import Callable, Sequence
from dataclasses import replace

from vidspeed.decisions import wanted
from vidspeed.motion.stand import Stand
from vidspeed.values import Advice, Session

Advise = Callable[[Session, Sequence[Stand]], tuple[Advice, ...]]


def once(advise: Advise) -> Advise:
    """Return a function that asks `advise` once for sessions that differ in where they lie."""
    known: dict[bytes, tuple[Advice, ...]] = {}

    def advice(session: Session, stands: Sequence[Stand]) -> tuple[Advice, ...]:
        if wanted():
            return advise(session, stands)
        clips = tuple(replace(clip, path=None) for clip in session.clips)
        stated = replace(session, folder="", inputs=(), clips=clips)
        key = pickle.dumps((stated, list(stands)))
        if key not in known:
            known[key] = advise(session, stands)
        return known[key]

    return advice
