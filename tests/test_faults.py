"""Disks, cards, drives and clocks that fail: one clear message, and nothing that was is lost."""

import errno
import os
import shutil
import subprocess
import threading
import time

import av
import pytest

from tests import jobs
from tests.tiny import CLIP, command, edit, files_of
from vidspeed.assembly import gather, kept, looking
from vidspeed.assembly.gather import Keeping
from vidspeed.clip.read import ClipReader
from vidspeed.errors import ClipError, ResultsError, WorkerStuck
from vidspeed.measure import run
from vidspeed.record.files import write_calibration
from vidspeed.record.place import recover
from vidspeed.spread.executor import executor

WHY = "Input/output error"


def second_clip(folder):
    """Give the session one more clip, of one more pass."""
    shutil.copy(folder / CLIP, folder / "clips/second.mp4")
    text = '\n[[clip]]\nfile = "clips/second.mp4"\ncamera = "north"\npass = "second"\n'
    with (folder / "session.toml").open("a", encoding="utf-8") as file:
        file.write(text)
    return folder


def test_a_full_disk_is_said_and_results_stay_as_they_were(tiny, monkeypatch):
    before = files_of(tiny)

    def full(*_args):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "write", full)  # the lock's text: it holds without
    recover(tiny)
    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(ResultsError, match=r"the disk is full \(0.0 MB .*earlier results are as"):
        write_calibration(tiny, {"north.png": b"new"})
    assert files_of(tiny) == before


def test_what_cannot_be_kept_costs_nothing_else(tmp_path, monkeypatch):
    (tmp_path / kept.KEPT).mkdir()
    half = tmp_path / kept.KEPT / "left.123-ab.part"  # of a run that was killed
    half.write_bytes(b"half")
    kept.forget_halves(tmp_path)
    kept.forget_halves(tmp_path / "nowhere")
    assert not half.exists()

    def full(self, content):
        self.touch()
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(type(tmp_path), "write_bytes", full)
    monkeypatch.setattr(kept, "value_bytes", lambda value: b"x")
    kept._keep(tmp_path / kept.KEPT, "ab", None)
    assert list((tmp_path / kept.KEPT).iterdir()) == []


def test_a_card_that_is_taken_out_harms_its_clip_alone(tiny, monkeypatch):
    folder, plain = second_clip(tiny), gather.scan

    def taken_out(path, **how):
        if path.name == "second.mp4":
            raise OSError(errno.EIO, WHY)
        return plain(path, **how)

    monkeypatch.setattr(gather, "scan", taken_out)
    outcome = run(folder)
    assert [row.status for row in outcome.passes] == ["measured"]
    wrong = next(row for row in outcome.problems if row.level == "error")
    assert wrong.where == "clips/second.mp4"
    assert wrong.message.startswith(f"this clip could not be read ({WHY}); look at the card")


def test_half_a_clip_of_a_disk_that_fails_is_no_clip(tiny, monkeypatch):
    class Failing:
        """A container whose demuxer meets a bad place after a few packets."""

        def __init__(self, container):
            self._container = container

        def __getattr__(self, name):
            return getattr(self._container, name)

        def demux(self, *streams):
            for number, packet in enumerate(self._container.demux(*streams)):
                if number == 8:
                    raise av.error.OSError(errno.EIO, "Input/output error")
                yield packet

    path = tiny / CLIP
    with ClipReader(path) as reader:
        reader._container = Failing(reader._container)
        reader._decoded, reader._first = reader._decode(), None
        assert len(list(reader._decoded)) > 0 and reader.cut_short  # the bytes are there: damage
    with ClipReader(path) as reader:
        reader._container = Failing(reader._container)
        reader._decoded = reader._decode()
        next(reader._decoded)
        monkeypatch.setattr(type(path), "open", lambda *_a, **_k: jobs.failing_file())
        with pytest.raises(ClipError, match=r"could not be read to its end .Input/output error"):
            list(reader._decoded)


def test_a_clip_that_changes_while_it_is_read_is_not_measured_nor_kept(tiny, monkeypatch):
    shutil.rmtree(tiny / kept.KEPT)
    plain = gather.scan

    def meanwhile(path, **how):
        with path.open("ab") as file:
            file.write(b"more")
        return plain(path, **how)

    monkeypatch.setattr(gather, "scan", meanwhile)
    with pytest.raises(ClipError, match="changed while it was read; wait until nothing writes"):
        run(tiny, keeping=Keeping(folder=tiny))
    assert not (tiny / kept.KEPT).exists()


def test_a_clock_that_was_set_back_decides_nothing(tiny, monkeypatch):
    """What is kept is dated tomorrow, and yet the newest search is the one that stays."""
    held = next((tiny / kept.KEPT).iterdir())
    tomorrow_s = time.time() + 86_400.0
    begin = held.name.split("-")[0]
    for number in range(kept.MOST_A_CLIP):
        later = shutil.copy(held, held.with_name(f"{begin}-older-{number}.npz"))
        os.utime(later, (tomorrow_s, tomorrow_s))
    monkeypatch.setattr(kept, "value_bytes", lambda value: b"new")
    kept._keep(held.parent, f"{begin}-now", None)
    names = [path.name for path in held.parent.iterdir()]
    assert len(names) == kept.MOST_A_CLIP
    assert any(name.startswith(f"{begin}-now-") for name in names)


def test_media_that_can_only_be_read_name_the_way_out(tiny, monkeypatch):
    def read_only(self, *_args, **_kwargs):
        raise OSError(errno.EROFS, "Read-only file system", str(self))

    with monkeypatch.context() as patch:
        patch.setattr(type(tiny), "mkdir", read_only)
        with pytest.raises(
            ResultsError, match=r"can only be read.*--out where the command has it, else copy"
        ):
            recover(tiny)
    monkeypatch.setattr(os, "open", read_only)
    with pytest.raises(
        ResultsError, match=r"can only be read.*--out where the command has it, else copy"
    ):
        write_calibration(tiny, {"a.png": b""})


@pytest.mark.skipif(os.name != "posix", reason="no such names on Windows")
def test_names_with_spaces_accents_colons_and_line_breaks(tiny, tmp_path, monkeypatch):
    odd = tmp_path / "\u00c9t\u00e9: Tag 1\nabends"
    tiny.rename(odd)
    name = "clips/l\u00e4ngs 1:a %03d \u2603.mp4"
    (odd / CLIP).rename(odd / name)
    edit(odd / "session.toml", f'file = "{CLIP}"', f'file = "{name}"')
    monkeypatch.chdir(tmp_path)
    shutil.rmtree(odd / kept.KEPT)
    said = command("run", odd.name, "--jobs", "1")
    assert said.status == 0, said.err
    places = [path.name for path in (odd / "results").iterdir() if path.is_dir()]
    assert any("\u2603" in place for place in places)
    before = files_of(odd / "results")
    edit(odd / "session.toml", f'file = "{name}"', 'file = "clips/two\\nlines.mp4"')
    said = command("run", odd.name, "--jobs", "1")
    assert said.status == 1 and len(said.err.splitlines()) == 1
    assert "two\\nlines.mp4" in said.err
    assert files_of(odd / "results") == before
    edit(odd / "session.toml", "length_m = 40.0", "length_m = -1.0")
    said = command("run", odd.name, "gone", "--jobs", "1")
    assert [line for line in said.err.splitlines() if line.startswith("abends")] == []


def test_a_drive_that_never_answers_ends_its_clip_and_not_the_run(monkeypatch):
    """A process that waits for such a drive cannot be ended: killing it does nothing."""
    killed = []

    def in_vain(self):
        killed.append(self)

    with monkeypatch.context() as patch:
        patch.setattr("vidspeed.spread.processes.TICK_S", 0.05)
        patch.setattr("vidspeed.spread.worker.UNKILLED_S", 0.1)
        patch.setattr(subprocess.Popen, "kill", in_vain)
        patch.setattr(subprocess.Popen, "wait", jobs.wait_shortly)
        with executor(2, patience_s=0.4) as pool:
            stalled = pool.submit(jobs.go_silent)
            with pytest.raises(WorkerStuck):
                stalled.result()
            assert pool.submit(jobs.double, 4).result() == 8
    for process in killed:
        process.kill()
        process.wait()
        process.stdin.close()
        process.stdout.close()
    assert not [row for row in threading.enumerate() if row.name == "vidspeed worker"]
    assert "the drive it lies on does not answer" in looking._why(WorkerStuck("no sign of life"))


def test_a_process_slow_to_end_holds_nobody_up_and_leaves_nothing_open(monkeypatch):
    made = []

    class Slow(subprocess.Popen):
        def __init__(self, *args, **kwargs):
            super().__init__(*args, **kwargs)
            made.append(self)

        def wait(self, timeout=None):
            assert timeout is not None
            raise subprocess.TimeoutExpired(self.args, timeout)

    monkeypatch.setattr("vidspeed.spread.worker.subprocess.Popen", Slow)
    with executor(2) as pool:
        assert pool.submit(jobs.double, 4).result() == 8
    for thread in threading.enumerate():
        if thread.name == "outliving":
            thread.join(300.0)
    assert made and all(process.returncode is not None for process in made)
    assert all(process.stdin.closed and process.stdout.closed for process in made)


def test_a_pipe_or_a_device_is_no_clip(tmp_path):
    if not hasattr(os, "mkfifo"):
        pytest.skip("this system has no such files")
    os.mkfifo(tmp_path / "pipe.mp4")
    with pytest.raises(ClipError, match="no file with bytes of its own"):
        ClipReader(tmp_path / "pipe.mp4")


def test_a_full_disk_behind_standard_output_is_one_message(tiny, monkeypatch):
    def full(*_args, **_kwargs):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("vidspeed.cli.passes._measured", full)
    said = command("run", tiny, "--jobs", "1")
    assert said.status == 1
    assert said.err.splitlines()[-1] == "No space left on device; mend that and run again"
