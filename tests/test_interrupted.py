"""Ctrl-C ends a command wherever it is struck, leaves what is done, and the next run goes on."""

import os
import shutil
import signal
import subprocess
import sys
import time
from contextlib import suppress

import pytest

from tests.tiny import CLIP, files_of
from vidspeed.assembly import gather
from vidspeed.assembly.gather import Keeping
from vidspeed.cli.interrupted import CtrlC
from vidspeed.cli.shell import INTERRUPTED, guarded
from vidspeed.measure import run

WAIT_S = 300.0
COMMAND = [sys.executable, "-c", "from vidspeed.cli import main; main()", "run"]
WHOLE = pytest.mark.skipif(os.name != "posix", reason="sends the signal of Ctrl-C to a process")


def with_second(folder):
    """Give a session one more clip, of which nothing is kept."""
    shutil.copy(folder / CLIP, folder / "clips/second.mp4")
    with (folder / "clips/second.mp4").open("ab") as file:
        file.write(b"\0\0\0\x08free")  # other bytes, the same clip
    with (folder / "session.toml").open("a", encoding="utf-8") as file:
        file.write('\n[[clip]]\nfile = "clips/second.mp4"\ncamera = "north"\n')
    return folder


def clear_away():
    """Let Ctrl-C be struck where its exception can go nowhere."""

    class Struck:
        def __del__(self):
            signal.raise_signal(signal.SIGINT)

    Struck()


def turn_it_into_another():
    try:
        signal.raise_signal(signal.SIGINT)
    except KeyboardInterrupt:
        raise ValueError("Invalid affine transformation matrix") from None


def swallow_it():
    with suppress(KeyboardInterrupt):
        signal.raise_signal(signal.SIGINT)


@pytest.mark.parametrize("strike", [clear_away, turn_it_into_another, swallow_it])
def test_it_is_heard_wherever_it_is_struck(strike, capsys):
    def command():
        strike()
        until_s = time.monotonic() + WAIT_S
        while time.monotonic() < until_s:
            time.sleep(0.01)
        return 0

    before = signal.getsignal(signal.SIGINT), sys.unraisablehook
    with pytest.raises(Exception) as left:
        guarded(command)()
    assert left.value.exit_code == INTERRUPTED
    assert capsys.readouterr().err == "interrupted; earlier results are as they were\n"
    assert (signal.getsignal(signal.SIGINT), sys.unraisablehook) == before


def test_what_is_answered_is_not_struck_again():
    with CtrlC() as key:
        with pytest.raises(KeyboardInterrupt):
            signal.raise_signal(signal.SIGINT)
        key.answered()
        signal.raise_signal(signal.SIGINT)
        assert key.struck


def test_a_run_in_one_process_keeps_what_is_finished(tiny, monkeypatch):
    folder, plain, decoded = with_second(tiny), gather.scan, []
    shutil.rmtree(folder / ".vidspeed-kept")

    def scan(path, **how):
        if path.name == "second.mp4" and not decoded.count(path.name):
            decoded.append(path.name)
            signal.raise_signal(signal.SIGINT)
        decoded.append(path.name)
        return plain(path, **how)

    monkeypatch.setattr(gather, "scan", scan)
    with pytest.raises(KeyboardInterrupt):
        run(folder, keeping=Keeping(folder=folder))
    assert len(run(folder, keeping=Keeping(folder=folder)).passes) == 2
    assert decoded == ["pass-1.mp4", "second.mp4", "second.mp4"]


def struck_over(folder, clip, *options, command=COMMAND):
    """Strike Ctrl-C when a run begins to look at a clip; return its status."""
    running = subprocess.Popen(
        [*command, str(folder), *options], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE,
        start_new_session=True, encoding="utf-8",
    )  # fmt: skip
    said = []
    for line in running.stderr:
        said.append(line)
        if clip in line:
            os.killpg(running.pid, signal.SIGINT)
            break
    said += running.communicate(timeout=WAIT_S)[1]
    return running.returncode, "".join(said)


@WHOLE
def test_a_run_in_several_processes_is_taken_up_again(tiny):
    folder, before = with_second(tiny), files_of(tiny / "results")
    status, said = struck_over(folder, "clips/second.mp4", "--jobs", "2")
    assert (status, said.splitlines()[-1]) == (
        INTERRUPTED, "interrupted; earlier results are as they were",
    )  # fmt: skip
    assert files_of(folder / "results") == before
    assert [path.suffix for path in (folder / ".vidspeed-kept").iterdir()].count(".npz") >= 1
    assert not (folder / ".vidspeed-lock").exists()


@WHOLE
def test_a_module_that_is_still_being_imported_keeps_nobody_waiting(tiny, tmp_path):
    """Struck within an import, the command leaves a lock behind; the import beside it waits."""
    (tmp_path / "endless.py").write_text("import threading; threading.Event().wait()\n", "utf-8")
    shutil.rmtree(tiny / ".vidspeed-kept", ignore_errors=True)
    code = (
        f"import sys; sys.path.insert(0, {str(tmp_path)!r}); "
        "from vidspeed.cli import main, passes; passes.WRITES = 'endless'; main()"
    )
    status, said = struck_over(tiny, CLIP, command=[sys.executable, "-c", code, "run"])
    assert (status, said.splitlines()[-1]) == (
        INTERRUPTED, "interrupted; earlier results are as they were",
    )  # fmt: skip
