"""Work on a Dask cluster: the same results, and no worker's death loses any."""

import os
import re
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests import jobs
from tests.tiny import command, render_tiny
from vidspeed.errors import WorkerError
from vidspeed.executor import cluster

distributed = pytest.importorskip("distributed", reason="Dask is not installed")
WAIT_S = 60.0


@pytest.fixture(scope="module")
def scheduler(tmp_path_factory):
    """Start a scheduler and two workers as processes of their own; give the address."""
    home = tmp_path_factory.mktemp("cluster")
    running = []
    seen = {**os.environ, "PYTHONPATH": str(Path(__file__).parent.parent)}  # for tests.jobs

    def start(*words):
        log = (home / f"{len(running)}.log").open("wb")
        line = [sys.executable, "-m", *words]
        running.append(subprocess.Popen(line, stdout=log, stderr=log, cwd=home, env=seen))
        log.close()
        return home / f"{len(running) - 1}.log"

    log = start(
        "distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard"
    )
    address = waited_for(log, r"Scheduler at:\s+(tcp://\S+)")
    for _ in range(2):
        start(
            *("distributed.cli.dask_worker", address, "--nthreads", "1", "--no-dashboard"),
            *("--no-nanny", "--local-directory", str(home)),
        )
    yield address
    for process in reversed(running):
        process.terminate()
        process.wait(WAIT_S)


def waited_for(log, pattern):
    until = time.monotonic() + WAIT_S
    while time.monotonic() < until:
        if found := re.search(pattern, log.read_text(encoding="utf-8", errors="replace")):
            return found.group(1)
        time.sleep(0.05)
    raise AssertionError(log.read_text(encoding="utf-8", errors="replace"))


def test_a_cluster_gives_the_same_bytes(scheduler, tmp_path):
    folder = render_tiny(tmp_path / "day")
    assert command("run", folder, "--out", tmp_path / "here").status == 0
    said = command("run", folder, "--out", tmp_path / "there", "--cluster", scheduler)
    assert said.status == 0, said.err
    for name in ("passes.csv", "sensitivities.json"):
        mine, other = (tmp_path / row / "day" / "results" / name for row in ("here", "there"))
        assert mine.read_bytes() == other.read_bytes()


def test_a_killed_worker_loses_nothing(scheduler, tmp_path):
    """The last of the tests with this scheduler: one of its two workers is gone afterwards."""
    with cluster(scheduler) as pool:
        dying = pool.submit(jobs.die_once, tmp_path / "marker")
        doubled = [pool.submit(jobs.double, number) for number in range(20)]
        assert dying.result(timeout=WAIT_S) == 7
        assert [future.result() for future in doubled] == [2 * number for number in range(20)]
    assert (tmp_path / "marker").exists()


def test_where_no_scheduler_answers_it_says_what_to_do(tmp_path):
    folder = render_tiny(tmp_path / "day")
    with pytest.raises(WorkerError, match="dask scheduler"), cluster("nonsense://x"):
        pass
    said = command("run", folder, "--cluster", "nonsense://x")
    assert said.status == 1 and "no Dask scheduler answers there" in said.err
