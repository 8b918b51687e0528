"""What all tests share: one thread a process for matrices of a hundred rows, as in the command."""

import gc
import os
import shutil
import signal

import pytest

from tests.schedule import schedule_of_this_thread

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
if signal.getsignal(signal.SIGINT) == signal.SIG_IGN:  # of a run in the background: what it starts
    signal.signal(signal.SIGINT, signal.default_int_handler)  # would not hear Ctrl-C either


def pytest_collection_finish():
    """Look for garbage among what tests leave, not among the thousands of tests themselves."""
    gc.collect()
    gc.freeze()


@pytest.fixture(scope="session", autouse=True)
def _no_disk_waited_for():
    """Let nobody in this process wait for the disk: no test takes the power away.

    That a file is one that can be flushed is still asked of the system.
    """
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "fsync", lambda file: os.fstat(file) and None)
        yield


@pytest.fixture(scope="session", autouse=True)
def _advised_once():
    """Let runs in this process ask once what would help a session: see tests/advised.py."""
    from tests.advised import once
    from vidspeed import measure

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(measure, "advice", once(measure.advice))
        yield


@pytest.fixture(autouse=True)
def _ordinary_schedule():
    """No test may make its process a real-time one: see tests/schedule.py."""
    before = schedule_of_this_thread()
    yield
    assert schedule_of_this_thread() == before


@pytest.fixture(scope="session")
def measured_tiny(tmp_path_factory):
    """Render the tiny session once and measure it; nobody may write into it."""
    from tests.tiny import command, render_tiny

    folder = render_tiny(tmp_path_factory.mktemp("tiny") / "session")
    assert command("run", folder).status == 0
    return folder


@pytest.fixture
def tiny(measured_tiny, tmp_path):
    """Return a copy of the tiny session with its results, to be changed at will."""
    return shutil.copytree(measured_tiny, tmp_path / "session")


@pytest.fixture
def undrawn():
    """Have figures made, but none drawn as a file: for runs whose pictures nobody looks at."""
    from tests.tiny import undrawn

    with undrawn():
        yield
