"""Jobs on a cluster are given up when they fall silent, and only then."""

import threading
import time

import pytest

from vidspeed.errors import WorkerStuck
from vidspeed.spread import patience
from vidspeed.spread.executor import Inline
from vidspeed.spread.patience import Patient, patiently
from vidspeed.spread.progress import alive, report


@pytest.fixture(autouse=True)
def _quick(monkeypatch):
    monkeypatch.setattr(patience, "TICK_S", 0.01)


def refuse():
    raise TimeoutError("of its own")


def test_results_and_errors_come_through():
    pool = Patient(Inline(), 60.0)
    assert pool.submit(divmod, 7, 2).result() == (3, 1)
    assert pool.submit(dict, a=1).result() == {"a": 1}
    with pytest.raises(TimeoutError, match="of its own"):
        pool.submit(refuse).result()


@pytest.mark.parametrize("sign", [alive, lambda: report("here", 0, 0)], ids=["alive", "report"])
def test_a_job_that_falls_silent_is_given_up(sign):
    over = threading.Event()

    def hang():
        sign()
        over.wait()

    try:
        with pytest.raises(WorkerStuck, match=r"no sign of life for 0\.1 s"):
            patiently(0.1, (hang, (), {}))
    finally:
        over.set()


def test_a_job_that_never_spoke_may_take_any_time():
    assert patiently(0.05, (time.sleep, (0.3,), {})) is None


def test_time_that_nobody_counted_is_not_held_against_a_job(monkeypatch):
    """The clock jumps by an hour at every look: each counts for two ticks."""
    hours = iter(range(0, 10**9, 3600))
    monkeypatch.setattr(patience.time, "monotonic", lambda: float(next(hours)))
    begun, looks = threading.Event(), []
    plain = patience._Silence.longer

    def longer(self, passed_s, patience_s):
        looks.append(passed_s)
        return plain(self, passed_s, patience_s)

    monkeypatch.setattr(patience._Silence, "longer", longer)

    def hang():
        alive()
        begun.wait()

    with pytest.raises(WorkerStuck):
        patiently(0.2, (hang, (), {}))
    begun.set()
    assert len(looks) >= 10 and set(looks) == {0.02}
