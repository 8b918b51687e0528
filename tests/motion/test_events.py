"""An event in several clips tells their offsets as surely as its times are known, and no surer."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from tests.motion.flown import evening
from vidspeed.motion.events import events
from vidspeed.motion.unknowns import Ledger
from vidspeed.values import Clip, Sync


def told(kind, *times_u_s, places_m=()):
    """Return the weights (k, n) of all differences of an event in n clips, and their u (k,)."""
    names = [f"{k}.mp4" for k in range(len(times_u_s))]
    flash = Sync(
        clips=tuple(reversed(names)),
        time_s=np.arange(float(len(names))),
        time_u_s=np.array(times_u_s[::-1]),
        kind=kind,
    )
    session = replace(
        evening(1, 1).session,
        clips=tuple(Clip(file=name, camera="n", exposure_s=1e-3) for name in names),
        syncs=(flash,),
    )
    places = places_m or [np.zeros(3)] * len(names)
    stands = [
        SimpleNamespace(interval_s=1 / 60, pose=SimpleNamespace(position_m=p)) for p in places
    ]
    rows = [SimpleNamespace(clip=name, station=k) for k, name in enumerate(names)]
    found = list(events(session, Ledger(), stands, [SimpleNamespace(clips=rows)]))
    weights = np.zeros((len(found), len(names)))
    for row, one in zip(weights, found, strict=True):
        row[[glimpse.clip for glimpse in one.glimpses]] = one.weights
        times = [float(len(names) - 1 - glimpse.clip) for glimpse in one.glimpses]
        assert [glimpse.time_s for glimpse in one.glimpses] == times
    return weights, np.array([one.u_s for one in found])


@pytest.mark.parametrize(
    "times_u_s", [(1e-3, 1e-3), (1e-3, 1e-3, 1e-3), (5e-3, 5e-4, 5e-4), (1e-3, 2e-3, 3e-3, 4e-3)]
)
def test_what_is_told_is_what_the_times_tell_when_nobody_knows_when_the_event_was(times_u_s):
    """The first clip's error was averaged as if each other clip had seen one of its own.

    Taken out of a least-squares problem, an unknown time common to all leaves this information
    (Schur complement).
    """
    weights, u_s = told("flash", *times_u_s)
    sure = np.array(times_u_s) ** -2.0
    wanted = np.diag(sure) - np.outer(sure, sure) / sure.sum()
    np.testing.assert_allclose((weights.T / u_s**2) @ weights, wanted, rtol=1e-12, atol=1e-6)


def test_a_bang_is_as_uncertain_as_the_way_that_it_took():
    one, other = np.array([0.0, -60.0, 1.5]), np.array([80.0, -60.0, 1.5])
    _, (u_s,) = told("sound", 1e-4, 1e-4, places_m=[one, other])
    _, (beside_s,) = told("sound", 1e-4, 1e-4, places_m=[one, one])
    assert beside_s == pytest.approx(np.sqrt(2.0) * 1e-4)
    assert 0.03 < u_s < 0.12  # of 0 to 80 m farther to one than to the other, either way
