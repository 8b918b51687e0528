"""What was decided is told, in one order whoever worked, and results do not depend on it."""

import errno
import json
import logging

import pytest

from tests import jobs
from tests.tiny import command
from vidspeed.cli import telling
from vidspeed.decisions import ROOT, Steps, decided, figures_of, wanted
from vidspeed.spread.executor import executor


@pytest.fixture
def heard():
    """Give the records that reach a listener of the tree."""
    records = []
    handler = logging.Handler()
    handler.emit = records.append
    logger = logging.getLogger(ROOT)
    before = logger.level
    logger.addHandler(handler)
    logger.setLevel(logging.INFO)
    yield records
    logger.removeHandler(handler)
    logger.setLevel(before)


def test_nobody_listens_unless_asked():
    assert not wanted()
    decided("vidspeed.any", "nobody hears this", speed_mps=1.0)


def test_a_sentence_comes_with_its_figures(heard):
    decided("vidspeed.assembly.kept", "a.mp4 was decoded", clip="a.mp4", decoded=True)
    Steps("vidspeed.measure").done("waiting")
    assert heard[0].name == "vidspeed.assembly.kept"
    assert heard[0].getMessage() == "a.mp4 was decoded"
    assert figures_of(heard[0]) == {"clip": "a.mp4", "decoded": True}
    assert figures_of(heard[1])["step"] == "waiting" and heard[1].wall_s >= 0.0


@pytest.mark.parametrize("workers", [1, 2])
def test_what_jobs_decide_is_told_when_they_are_fetched_and_once(heard, workers):
    with executor(workers) as pool:
        futures = [pool.submit(jobs.decide, number) for number in range(6)]
        for future in reversed(futures):
            future.result()
        futures[0].result()
    said = [figures_of(row)["number"] for row in heard]
    assert said == [5, 5, 4, 4, 3, 3, 2, 2, 1, 1, 0, 0]


@pytest.mark.parametrize("workers", [1, 2])
def test_what_a_failing_job_decided_is_told_too(heard, workers):
    with executor(workers) as pool:
        wrong = pool.submit(jobs.decide_and_refuse, 3)
        with pytest.raises(ValueError, match="after all"):
            wrong.result()
    assert [row.getMessage() for row in heard] == ["looked at 3"]


def test_a_job_of_a_job_tells_through_it(heard):
    with executor(2) as pool:
        assert pool.submit(jobs.decide_through_another, 4).result() == 4
    assert [figures_of(row)["number"] for row in heard] == [4, 4]


def test_a_run_tells_what_was_decided_and_its_results_are_the_same(tiny, tmp_path):
    before = (tiny / "results/summary.json").read_bytes()
    log = tmp_path / "log.jsonl"
    said = command("run", tiny, "--fresh", "--verbose", "--log-json", log)
    assert said.status == 0, said.err
    assert (tiny / "results/summary.json").read_bytes() == before
    rows = [json.loads(line) for line in log.read_text(encoding="utf-8").splitlines()]
    assert {tuple(row) for row in rows} == {("time", "level", "where", "message", "figures")}
    told = {row["where"]: row for row in rows}
    assert told["vidspeed.assembly.kept"]["figures"]["why"] == "as --fresh asks"
    assert told["vidspeed.clip.scan"]["figures"]["threshold_sigmas"] >= 5.0
    assert told["vidspeed.motion.choose"]["figures"]["taken"] is True
    passes = [row["figures"] for row in rows if row["where"] == "vidspeed.assembly.told"]
    assert any(row.get("method") == "first order" and "curvature" in row["why"] for row in passes)
    assert any("rejected_frames" in row for row in passes)
    steps = [row["figures"]["step"] for row in rows if row["where"] == "vidspeed.measure"]
    assert steps[:2] == ["calibrating the cameras", "looking at the clips"]
    assert f"[assembly.kept] {told['vidspeed.assembly.kept']['message']}" in said.err
    assert not wanted()  # nothing is left behind


def test_a_log_that_cannot_be_written_is_refused_or_ends_and_harms_nothing(tmp_path, capsys):
    inside = tmp_path / "results" / "log.jsonl"
    for path, words in ((inside, "replaced as a whole"), (tmp_path / "no" / "log", "cannot be")):
        with pytest.raises(Exception, match=words), telling.telling(False, path):
            pass
    log = tmp_path / "log.jsonl"
    with telling.telling(False, log):
        handler = logging.getLogger(ROOT).handlers[-1]

        def full(text):
            raise OSError(errno.ENOSPC, "No space left on device")

        handler._file.write, plain = full, handler._file.write
        decided("vidspeed.any", "one")
        decided("vidspeed.any", "two")
        handler._file.write = plain
    assert capsys.readouterr().err.count("cannot be written any more") == 1
