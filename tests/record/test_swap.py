"""Whole or not at all: whatever breaks, and wherever, results are the earlier or the new ones."""

from __future__ import annotations

import errno
import os
import shutil
import subprocess
import sys
import textwrap
import threading
from contextlib import suppress
from itertools import count
from pathlib import Path

import pytest

from vidspeed.errors import ResultsError
from vidspeed.record.files import write_calibration
from vidspeed.record.lock import LOCK, locked
from vidspeed.record.place import recover
from vidspeed.record.swap import WORK, replace_folder

OLD = {"summary.json": b"old", "north-a/track.csv": b"old track", "gone.txt": b"old only"}
STEPS = 52  # a test below holds this to be just more than one swap takes
NEW = {"summary.json": b"new", "north-a/track.csv": b"new track", "added/more.txt": b"new only"}


class Killed(BaseException):
    """Stands for a process that is no more."""


class Fault:
    """Lets the file system fail at its `at`-th call: once, or (a killed process) from then on."""

    def __init__(self, monkeypatch, at: int, error: BaseException, *, for_good: bool) -> None:
        self.calls, self.at, self.error, self.for_good = 0, at, error, for_good
        for owner, name in (
            (Path, "mkdir"),
            (Path, "open"),
            (Path, "rename"),
            (Path, "rmdir"),
            (os, "fsync"),
            (shutil, "rmtree"),
        ):
            monkeypatch.setattr(owner, name, self.breaking(getattr(owner, name)))

    def breaking(self, function):
        def call(*args, **kwargs):
            self.calls += 1
            if self.calls == self.at or (self.for_good and self.calls > self.at):
                raise self.error
            return function(*args, **kwargs)

        return call


def contents(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def is_clean(session: Path) -> bool:
    return not (session / WORK).exists() and not (session / LOCK).exists()


def test_new_results_take_the_place_of_the_earlier_ones(tmp_path):
    for files in (OLD, NEW):
        assert replace_folder(tmp_path, "results", files) == tmp_path / "results"
        assert contents(tmp_path / "results") == files
        assert is_clean(tmp_path)


def test_a_disk_is_asked_for_several_files_at_once(tmp_path, monkeypatch):
    """A run of many passes writes hundreds, and one at a time keeps it waiting for seconds."""
    both, plain, asked = threading.Barrier(2, timeout=10.0), os.fsync, count()

    def slow(handle):
        if next(asked) < 2:
            both.wait()
        plain(handle)

    monkeypatch.setattr(os, "fsync", slow)
    assert contents(replace_folder(tmp_path, "results", NEW)) == NEW


@pytest.mark.parametrize("at", range(1, STEPS))
def test_a_fault_at_any_step_leaves_earlier_results(tmp_path, monkeypatch, at):
    replace_folder(tmp_path, "results", OLD)
    with monkeypatch.context() as patch:
        fault = Fault(patch, at, OSError(errno.EIO, "disk trouble"), for_good=False)
        try:
            replace_folder(tmp_path, "results", NEW)
            raised = False
        except ResultsError as error:
            raised = True
            assert "earlier results are as they were" in str(error)
    assert fault.calls >= at or not raised
    expected = OLD if raised and contents(tmp_path / "results") != NEW else NEW
    assert contents(tmp_path / "results") == expected
    recover(tmp_path)
    assert contents(tmp_path / "results") == expected
    assert is_clean(tmp_path)


@pytest.mark.parametrize("earlier", [OLD, None])
@pytest.mark.parametrize("at", range(1, STEPS))
def test_a_run_killed_at_any_step_leaves_one_whole_result(tmp_path, monkeypatch, at, earlier):
    if earlier is not None:
        replace_folder(tmp_path, "results", earlier)
    with monkeypatch.context() as patch:
        Fault(patch, at, Killed(), for_good=True)
        with suppress(Killed):
            replace_folder(tmp_path, "results", NEW)
    results = tmp_path / "results"
    if results.exists():
        assert contents(results) in (earlier, NEW)
    elif earlier is not None:  # between the two renames: they can still be read, elsewhere
        assert contents(tmp_path / WORK / "results-earlier") == earlier
    recover(tmp_path)
    assert is_clean(tmp_path)
    if results.exists():
        assert contents(results) in (earlier, NEW)
    else:
        assert earlier is None


def test_steps_of_the_two_tests_above_reach_past_the_end(tmp_path, monkeypatch):
    replace_folder(tmp_path, "results", OLD)
    with monkeypatch.context() as patch:
        fault = Fault(patch, 10**6, Killed(), for_good=True)
        replace_folder(tmp_path, "results", NEW)
    assert STEPS - 6 < fault.calls < STEPS


def test_interrupt_between_the_renames_puts_earlier_results_back(tmp_path, monkeypatch):
    replace_folder(tmp_path, "results", OLD)
    rename = Path.rename
    with monkeypatch.context() as patch:

        def interrupted(self, target):
            if self.name == "results-ready":
                raise KeyboardInterrupt
            return rename(self, target)

        patch.setattr(Path, "rename", interrupted)
        with pytest.raises(KeyboardInterrupt):
            replace_folder(tmp_path, "results", NEW)
    assert contents(tmp_path / "results") == OLD
    assert is_clean(tmp_path)


def test_locked_file_as_on_windows_is_one_clear_error(tmp_path, monkeypatch):
    replace_folder(tmp_path, "results", OLD)

    def refused(self, target):
        raise PermissionError(errno.EACCES, "used by another process", str(self))

    rename = Path.rename
    with monkeypatch.context() as patch:
        patch.setattr(
            Path, "rename", lambda s, t: (refused if s.name == "results" else rename)(s, t)
        )
        with pytest.raises(
            ResultsError, match=r"close programs.*--out where the command has it"
        ) as caught:
            replace_folder(tmp_path, "results", NEW)
    assert len(caught.value.messages) == 1
    assert contents(tmp_path / "results") == OLD
    assert is_clean(tmp_path)


def test_full_disk_says_how_much_is_needed(tmp_path, monkeypatch):
    replace_folder(tmp_path, "results", OLD)

    def full(_handle):
        raise OSError(errno.ENOSPC, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", full)
        with pytest.raises(ResultsError, match=r"disk is full \(1\.5 MB are needed\).*free space"):
            replace_folder(tmp_path, "results", {"big": b"x" * 1_500_000})
    assert contents(tmp_path / "results") == OLD
    assert is_clean(tmp_path)


def test_results_that_are_a_file_are_refused_and_kept(tmp_path):
    (tmp_path / "results").write_bytes(b"my notes")
    for act in (recover, lambda folder: write_calibration(folder, {"a.png": b""})):
        with pytest.raises(ResultsError, match="is a file"):
            act(tmp_path)
    assert (tmp_path / "results").read_bytes() == b"my notes"


def test_results_that_are_a_link_are_refused(tmp_path):
    (tmp_path / "elsewhere").mkdir()
    try:
        (tmp_path / "results").symlink_to(tmp_path / "elsewhere", target_is_directory=True)
    except OSError:
        pytest.skip("this system does not let us make links")
    with pytest.raises(ResultsError, match="is a link"):
        recover(tmp_path)


def test_missing_session_folder(tmp_path):
    with pytest.raises(ResultsError, match="no such folder"):
        recover(tmp_path / "nowhere")
    (tmp_path / "clip.mp4").write_bytes(b"")
    with pytest.raises(ResultsError, match="is a file; give the folder"):
        recover(tmp_path / "clip.mp4")


def test_folder_that_may_not_be_written_is_found_early(tmp_path, monkeypatch):
    def refused(self, *_args, **_kwargs):
        raise PermissionError(errno.EACCES, "Permission denied", str(self))

    monkeypatch.setattr(Path, "mkdir", refused)
    with pytest.raises(ResultsError, match="may write in "):
        recover(tmp_path)


def test_calibration_is_replaced_alone(tmp_path):
    replace_folder(
        tmp_path, "results", {**OLD, "calibration/north.png": b"1", "calibration/x": b""}
    )
    assert write_calibration(tmp_path, {"north.png": b"2"}) == tmp_path / "results" / "calibration"
    assert contents(tmp_path / "results") == {**OLD, "calibration/north.png": b"2"}
    assert is_clean(tmp_path)


def test_calibration_of_a_session_without_results(tmp_path):
    write_calibration(tmp_path, {"a:b.png": b"2"})
    assert contents(tmp_path / "results") == {"calibration/a_b.png": b"2"}


@pytest.mark.parametrize("at", range(1, STEPS))
def test_calibration_killed_at_any_step(tmp_path, monkeypatch, at):
    replace_folder(tmp_path, "results", {**OLD, "calibration/north.png": b"1"})
    with monkeypatch.context() as patch:
        Fault(patch, at, Killed(), for_good=True)
        with suppress(Killed):
            write_calibration(tmp_path, {"north.png": b"2"})
    recover(tmp_path)
    assert contents(tmp_path / "results") in [
        {**OLD, "calibration/north.png": picture} for picture in (b"1", b"2")
    ]
    assert not (tmp_path / WORK).exists()


def refused(folder: Path, by_process: int) -> None:
    second = locked(folder, patience_s=0.0)
    with pytest.raises(ResultsError, match=rf"process {by_process}\)"):
        second.__enter__()


def test_second_writer_is_told_who_writes(tmp_path):
    with locked(tmp_path):
        refused(tmp_path, os.getpid())
    with locked(tmp_path, patience_s=0.0):
        pass
    assert is_clean(tmp_path)


def test_lock_of_a_killed_process_is_stale(tmp_path):
    code = """
    import os, sys
    from pathlib import Path
    from vidspeed.record.lock import locked
    with locked(Path(sys.argv[1])):
        print("locked", flush=True)
        sys.stdin.readline()
    """
    holder = subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(code), str(tmp_path)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    )
    assert holder.stdout is not None
    assert holder.stdin is not None
    assert holder.stdout.readline().strip() == b"locked"
    refused(tmp_path, holder.pid)
    holder.kill()
    holder.wait()
    holder.stdout.close()
    holder.stdin.close()
    assert (tmp_path / LOCK).exists()
    with locked(tmp_path, patience_s=5.0):
        pass
    assert is_clean(tmp_path)
