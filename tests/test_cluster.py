"""Work on a Dask cluster: the same results, and no worker's death loses any."""

import json
import os
import re
import subprocess
import sys
import time
from concurrent.futures import CancelledError
from pathlib import Path

import pytest

from tests import jobs
from tests.test_interrupted import struck_over, with_second
from tests.tiny import command, files_of, render_tiny
from vidspeed.assembly import looking
from vidspeed.cli.shell import INTERRUPTED
from vidspeed.errors import WorkerError, WorkerStuck
from vidspeed.measure import run
from vidspeed.spread.executor import cluster

distributed = pytest.importorskip("distributed", reason="Dask is not installed")
WAIT_S = 300.0


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


def decisions(path):
    """Return what a log says was decided, without how long it took."""
    rows = [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]
    return [(row["where"], row["message"]) for row in rows if "wall_s" not in row["figures"]]


@pytest.mark.usefixtures("undrawn")
def test_a_cluster_gives_the_same_bytes_and_tells_the_same(scheduler, tmp_path):
    folder = with_second(render_tiny(tmp_path / "day"))
    logs = tmp_path / "here.jsonl", tmp_path / "there.jsonl"
    said = command("run", folder, "--out", tmp_path / "here", "--log-json", logs[0])
    assert said.status == 0
    said = command(
        "run", folder, "--out", tmp_path / "there", "--cluster", scheduler, "--log-json", logs[1]
    )
    assert said.status == 0, said.err
    assert decisions(logs[0]) == decisions(logs[1])
    assert {"vidspeed.clip.scan", "vidspeed.motion.choose"} <= {
        row[0] for row in decisions(logs[1])
    }
    mine, other = (files_of(tmp_path / row / "day" / "results") for row in ("here", "there"))
    assert {"summary.json", "report.html", "north-second/track.csv"} <= mine.keys()
    assert mine == other


@pytest.mark.skipif(os.name != "posix", reason="sends the signal of Ctrl-C to a process")
def test_ctrl_c_over_work_on_a_cluster(scheduler, tiny):
    folder, before = with_second(tiny), files_of(tiny / "results")
    status, said = struck_over(folder, "clips", "--cluster", scheduler, "--fresh")
    assert status == INTERRUPTED, said
    assert "interrupted; earlier results are as they were" in said and "Traceback" not in said
    assert files_of(folder / "results") == before


def test_a_job_that_goes_silent_there_is_given_up_and_its_worker_goes_on(scheduler):
    with cluster(scheduler, patience_s=1.0) as pool:
        hangs = [pool.submit(jobs.go_silent) for _ in range(2)]  # one for each worker
        for future in hangs:
            with pytest.raises(WorkerStuck, match="no sign of life for 1 s"):
                future.result(WAIT_S)
        assert pool.submit(jobs.double, 4).result(WAIT_S) == 8


def test_a_worker_killed_half_way_loses_nothing(scheduler, tiny, monkeypatch):
    """The last of the tests with this scheduler: one of its two workers is gone afterwards."""
    folder = with_second(tiny)
    passes = json.loads((folder / "results/summary.json").read_text(encoding="utf-8"))["passes"]
    monkeypatch.setattr(looking, "look_within_bounds", jobs.look_and_die_once)
    with cluster(scheduler) as pool:
        doubled = [pool.submit(jobs.double, number) for number in range(20)]
        outcome = run(folder, pool=pool)
        assert [future.result(WAIT_S) for future in doubled] == [2 * row for row in range(20)]
    assert (folder / "died").exists()
    assert [row.speed_mps for row in outcome.passes] == pytest.approx(
        2 * [passes[0]["speed_mps"]], rel=1e-9
    )
    assert not [row for row in outcome.problems if row.level == "error"]


def test_a_clip_that_ends_every_worker_is_a_problem_of_its_own():
    killed = type("KilledWorker", (Exception,), {})("look-1", "tcp://1", 3)
    assert "ended the cluster's workers that looked at it" in looking._why(killed)
    assert "its scheduler is gone" in looking._why(CancelledError())


def test_where_no_scheduler_answers_it_says_what_to_do(tmp_path):
    folder = render_tiny(tmp_path / "day")
    with pytest.raises(WorkerError, match="dask scheduler"), cluster("nonsense://x"):
        pass
    said = command("run", folder, "--cluster", "nonsense://x")
    assert said.status == 1 and "no Dask scheduler answers there" in said.err
