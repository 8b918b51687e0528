"""What all tests share: one thread a process for matrices of a hundred rows, as in the command."""

import os
import shutil
import signal

import pytest

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
if signal.getsignal(signal.SIGINT) == signal.SIG_IGN:  # of a run in the background: what it starts
    signal.signal(signal.SIGINT, signal.default_int_handler)  # would not hear Ctrl-C either


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config, log):
    """Give each process half of the list, and who is done early a part of what is left.

    Tests of one file then mostly share its fixtures; dealt out in turns, both would make them.
    """
    from xdist.scheduler import WorkStealingScheduling

    return WorkStealingScheduling(config, log)


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
