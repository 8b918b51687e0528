"""The executor: whatever a job does to its process, the others are done."""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
import threading
from concurrent.futures import as_completed, wait
from pathlib import Path

import pytest

from tests import jobs
from vidspeed.errors import WorkerDied, WorkerError, WorkerStuck
from vidspeed.record.imported import import_drawing
from vidspeed.spread import executor as seam
from vidspeed.spread.executor import executor
from vidspeed.spread.worker import Process

POSIX = os.name == "posix"


@pytest.fixture(scope="module")
def pool():
    with executor(2) as made:
        yield made


@pytest.mark.parametrize("workers", [1, 2])
def test_results_and_errors_come_back_whoever_does_the_work(workers):
    with executor(workers) as made:
        futures = [made.submit(jobs.double, number) for number in range(20)]
        wrong = made.submit(jobs.refuse, "not today")
        assert [future.result() for future in futures] == list(range(0, 40, 2))
        with pytest.raises(ValueError, match="not today"):
            wrong.result()
        assert len(list(as_completed(futures))) == 20


def test_one_worker_is_this_process_and_several_are_others(pool):
    with executor(1) as made:
        assert made.submit(jobs.process_id).result() == os.getpid()
    assert pool.submit(jobs.process_id).result() != os.getpid()


DEATHS = {
    "exit": (jobs.leave, (3,), "exit code 3"),
    "exit as if all were well": (jobs.leave, (0,), "exit code 0"),
    "SIGKILL": (jobs.kill_itself, (), "SIGKILL"),
    "SIGSEGV": (jobs.read_nothing, (), "SIGSEGV"),
}


@pytest.mark.skipif(not POSIX, reason="names signals")
@pytest.mark.parametrize("death", DEATHS)
def test_a_job_that_kills_its_process_harms_no_other(pool, death):
    job, arguments, words = DEATHS[death]
    before = [pool.submit(jobs.double, number) for number in range(5)]
    dies = pool.submit(job, *arguments)
    after = [pool.submit(jobs.double, number) for number in range(5)]
    with pytest.raises(WorkerDied, match=words):
        dies.result()
    assert [future.result() for future in (*before, *after)] == 2 * [0, 2, 4, 6, 8]


def test_a_job_that_died_once_is_tried_again(pool, tmp_path):
    assert pool.submit(jobs.die_once, tmp_path / "marker").result() == 7


def test_the_second_try_is_alone(pool, tmp_path):
    names = ["a", "b", "suspect", "c", "d", "e"]
    futures = {name: pool.submit(jobs.alone, tmp_path, name) for name in names}
    assert futures["suspect"].result() == ["suspect"]
    assert futures["e"].result()


def test_many_deaths_at_once():
    with executor(3) as made:
        futures = [
            made.submit(jobs.leave, 9) if number % 3 == 0 else made.submit(jobs.double, number)
            for number in range(9)
        ]
        wait(futures)
    for number, future in enumerate(futures):
        if number % 3 == 0:
            assert isinstance(future.exception(), WorkerDied)
        else:
            assert future.result() == 2 * number


def test_a_job_that_goes_silent_is_ended(monkeypatch):
    monkeypatch.setattr("vidspeed.spread.processes.TICK_S", 0.05)
    with executor(2, patience_s=0.4) as made:
        hangs = made.submit(jobs.go_silent)
        never_spoke = made.submit(jobs.silent_without_a_word, 1.0)
        with pytest.raises(WorkerStuck):
            hangs.result()
        assert never_spoke.result() == "done"  # a job that never reports may take any time
        assert made.submit(jobs.double, 4).result() == 8


def test_a_computer_that_slept_is_not_held_against_a_job(monkeypatch):
    """The clock jumps by an hour at every look; the job is silent for some ticks only."""
    monkeypatch.setattr("vidspeed.spread.processes.TICK_S", 0.05)
    hours = iter(range(0, 10**9, 3600))
    monkeypatch.setattr("vidspeed.spread.processes.time.monotonic", lambda: float(next(hours)))
    with executor(2, patience_s=6.0) as made:
        assert made.submit(jobs.tell, 3).result() == "told"
        hangs = made.submit(jobs.go_silent)
        with pytest.raises(WorkerStuck):  # after 6 s in steps of twice 0.05 s, not after 0.05 s
            hangs.result()
        assert next(hours) > 20 * 3600


@pytest.mark.parametrize("workers", [1, 2])
def test_what_a_job_reports_is_told(workers):
    told: list[tuple[str, int, int]] = []
    with executor(workers, tell=lambda *row: told.append(row)) as made:
        assert made.submit(jobs.tell, 50).result() == "told"
    assert told[0] == ("telling", 0, 50)
    assert told[-1] == ("telling", 50, 50)
    assert [row[1] for row in told] == sorted(row[1] for row in told)


def test_a_job_may_have_jobs_of_its_own_that_report_through_it():
    told: list[tuple[str, int, int]] = []
    with executor(2, tell=lambda *row: told.append(row)) as made:
        assert made.submit(jobs.tell_through_another, 5).result() == "told"
    assert told[-1] == ("telling", 5, 5)


def test_a_teller_that_fails_fails_its_job_alone():
    def tell(what, done, total):
        raise LookupError(what)

    with executor(2, tell=tell) as made:
        with pytest.raises(LookupError, match="telling"):
            made.submit(jobs.tell, 3).result()
        assert made.submit(jobs.double, 1).result() == 2


def test_errors_and_results_that_cannot_be_sent_are_named(pool):
    with pytest.raises(WorkerError, match="odd 1 2"):
        pool.submit(jobs.refuse_oddly).result()
    with pytest.raises(Exception, match="lambda"):
        pool.submit(jobs.give_what_cannot_be_sent).result()
    with pytest.raises((pickle.PicklingError, AttributeError)):
        pool.submit(lambda: None).result()
    assert pool.submit(jobs.double, 3).result() == 6


def test_what_a_job_prints_harms_nothing(pool, capfd):
    assert pool.submit(jobs.print_rubbish).result() == "fine"
    assert pool.submit(jobs.double, 3).result() == 6
    assert capfd.readouterr() == ("", "")


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux counts what is asked for")
def test_a_job_may_be_kept_from_taking_memory(pool):
    big = 200 << 20
    assert pool.submit(jobs.take, big, 2 * big).result() == 2 * big
    assert pool.submit(jobs.take, big, big // 2).result() == big - 1
    assert pool.submit(jobs.take, big, 2 * big).result() == 2 * big  # the limit is gone again


@pytest.mark.skipif(sys.platform != "linux", reason="only there is it known what is held")
def test_what_a_job_has_freed_goes_back_to_the_system():
    with executor(1, apart=True) as made:
        held, after = made.submit(jobs.free_and_kept, 100 << 20).result()
    assert after < held - (50 << 20)


def test_threads_of_a_process_share_one_heap(monkeypatch):
    monkeypatch.delenv("MALLOC_ARENA_MAX", raising=False)
    with executor(1, apart=True) as made:
        assert made.submit(jobs.setting, "MALLOC_ARENA_MAX").result() == "1"
    monkeypatch.setenv("MALLOC_ARENA_MAX", "3")  # as somebody wants it
    with executor(1, apart=True) as made:
        assert made.submit(jobs.setting, "MALLOC_ARENA_MAX").result() == "3"


def test_no_garbage_is_looked_for_in_modules():
    with executor(1, apart=True, imports="colorsys") as made:
        assert made.submit(jobs.left_alone).result()


def test_a_process_imports_ahead_what_it_is_going_to_need():
    with executor(1, apart=True) as made:
        assert not made.submit(jobs.imported, "matplotlib.figure").result()
        made.submit(import_drawing).result()
        assert made.submit(jobs.imported, "matplotlib.figure").result()


def test_no_limit_where_the_caller_works_itself():
    assert jobs.take(1 << 20, 0) == 2 << 20


def test_where_no_process_can_be_started_the_work_is_done_here(monkeypatch):
    monkeypatch.setattr("vidspeed.spread.worker.get_executable", lambda: "no-such-interpreter")
    told: list[str] = []
    with executor(2, tell=lambda what, done, total: told.append(what)) as made:
        assert made.submit(jobs.process_id).result() == os.getpid()
    assert "no worker process can be started" in told[0]


def test_where_the_interpreter_does_not_come_up_the_work_is_done_here():
    told: list[str] = []
    with executor(2, tell=lambda what, *_: told.append(what), imports="no.such.module") as made:
        assert made.submit(jobs.process_id).result() == os.getpid()
    assert "no worker process can be started" in told[0]


@pytest.mark.parametrize("workers", [0, 1, 2])
def test_calls_that_are_shared_out_come_back_in_their_order(workers):
    calls = [(jobs.double, (number,)) for number in range(40)]
    if workers == 0:
        assert seam.shared_out(None, calls) == [2 * number for number in range(40)]
        return
    with executor(workers) as pool:
        assert seam.shared_out(pool, calls) == [2 * number for number in range(40)]
        assert seam.shared_out(pool, []) == []


def test_what_shared_out_calls_come_to_is_taken_at_once(pool):
    calls = [(jobs.double, (number,)) for number in range(40)]
    at_once: list[int] = []

    def taken(number: int, made: int) -> int:
        at_once.append(made)
        return number + made

    assert seam.shared_out(pool, calls, taken) == [3 * number for number in range(40)]
    assert sorted(at_once) == [2 * number for number in range(40)]


def test_a_process_that_helps_is_one_that_is_there():
    with executor(2, ready=1) as pool:
        there = pool.submit(jobs.process_id).result()
        done = seam.shared_out(pool, [(jobs.process_id, ()) for _ in range(40)])
    assert set(done) <= {os.getpid(), there}


def test_a_process_that_is_being_prepared_is_waited_for():
    with executor(2, ready=1) as pool:
        there = pool.submit(jobs.process_id).result()
        helper = seam.Prepared(pool)
        helper.prepare(jobs.silent_without_a_word, 0.3)
        assert helper.submit(jobs.process_id).result() == there
        helper.prepare(jobs.refuse, "that harms nothing")
        assert helper.submit(jobs.process_id).result() == there


def test_what_the_helper_cannot_do_is_done_here_or_fails_here(pool):
    here = os.getpid()
    calls = [(jobs.leave_unless, (here,)), *((jobs.double, (number,)) for number in range(3))]
    assert here in seam.shared_out(pool, calls)
    with pytest.raises(ValueError, match="no"):
        seam.shared_out(pool, [(jobs.refuse, ("no",)), (jobs.double, (1,))])


def test_leaving_ends_what_still_runs():
    before = threading.active_count()
    with executor(2) as made:
        runs = made.submit(jobs.silent_without_a_word, 60.0)
        queued = [made.submit(jobs.silent_without_a_word, 60.0) for _ in range(4)]
        assert not runs.done()
    assert threading.active_count() == before
    assert queued[-1].cancelled()
    with pytest.raises(RuntimeError, match="shut down"):
        made.submit(jobs.double, 1)


def test_shutting_down_in_peace_finishes_the_work():
    with executor(2) as made:
        futures = [made.submit(jobs.double, number) for number in range(6)]
        made.shutdown()
        assert [future.result() for future in futures] == [0, 2, 4, 6, 8, 10]


def test_a_script_without_a_guard_may_use_it(tmp_path):
    script = tmp_path / "bare.py"
    script.write_text(
        "print('begun')\n"
        "from vidspeed.spread.executor import executor\n"
        "from operator import add\n"
        "with executor(2) as pool:\n"
        "    print(pool.submit(add, 1, 2).result())\n",
        encoding="utf-8",
    )
    done = subprocess.run(
        [sys.executable, str(script)], capture_output=True, text=True, check=False
    )
    assert (done.stdout, done.stderr, done.returncode) == ("begun\n3\n", "", 0)


ORPHAN = """
import sys
from tests import jobs
from vidspeed.spread.executor import executor
with executor(2) as pool:
    print(pool.submit(jobs.process_id).result(), flush=True)
    pool.submit(jobs.silent_without_a_word, 60.0)
    sys.stdin.read()
"""


@pytest.mark.skipif(not POSIX, reason="kills by a signal")
def test_a_worker_does_not_outlive_its_parent():
    with subprocess.Popen(
        [sys.executable, "-c", ORPHAN], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as parent:
        assert parent.stdout is not None
        worker = int(parent.stdout.readline())
        parent.kill()
    for _ in range(6000):
        try:
            os.kill(worker, 0)
        except ProcessLookupError:
            return
        threading.Event().wait(0.05)
        if _state(worker) == "Z":  # nobody is there to bury it
            return
    raise AssertionError("the worker is still there")


def _state(process_id: int) -> str:
    try:
        text = Path(f"/proc/{process_id}/stat").read_text(encoding="ascii")
    except OSError:
        return "Z"
    return text.rsplit(")", 1)[1].split()[0]


def test_a_process_that_was_given_up_as_its_job_ended_gets_no_other(monkeypatch):
    """Or the next job would be told to hang, which never had begun."""
    process = Process(lambda *_: None, "")
    calm = process._sign_of_life

    def given_up(silent_s):
        if silent_s is None:
            process.waited(100.0, 15.0)
        calm(silent_s)

    monkeypatch.setattr(process, "_sign_of_life", given_up)
    try:
        assert process.run((jobs.tell, (3,), {})) is not None
        assert process.ended
    finally:
        process.end()
