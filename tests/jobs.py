"""Jobs for the tests of the executor: importable by a worker, with nothing heavy behind them."""

from __future__ import annotations

import errno
import gc
import io
import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

from vidspeed.decisions import decided
from vidspeed.spread.executor import executor
from vidspeed.spread.memory import memory_within
from vidspeed.spread.progress import report


def double(number: int) -> int:
    return 2 * number


def process_id() -> int:
    return os.getpid()


def imported(module: str) -> bool:
    return module in sys.modules


def left_alone() -> bool:
    return gc.isenabled() and gc.get_freeze_count() > 0


def setting(name: str) -> str | None:
    return os.environ.get(name)


def free_and_kept(count: int) -> tuple[int, int]:
    """Return what this process holds while it has many small things, and with the last of them."""
    with memory_within(4 * count):
        things = [bytes(1000) for _ in range(count // 1000)]
        held = _resident()
        del things[:-1]  # the last one lies above what is free
    return held, _resident()


def _resident() -> int:
    pages = Path("/proc/self/statm").read_text(encoding="ascii").split()[1]
    return int(pages) * os.sysconf("SC_PAGE_SIZE")


def leave_unless(process: int) -> int:
    """End every process but one."""
    if os.getpid() != process:
        os._exit(1)
    return process


def refuse(words: str) -> None:
    raise ValueError(words)


class Odd(Exception):
    """An error that does not survive pickling."""

    def __init__(self, one: int, two: int) -> None:
        super().__init__(f"odd {one} {two}")


def refuse_oddly() -> None:
    raise Odd(1, 2)


def give_what_cannot_be_sent() -> object:
    return lambda: None


def leave(code: int) -> None:
    os._exit(code)


def kill_itself() -> None:
    os.kill(os.getpid(), signal.SIGKILL)


def read_nothing() -> None:
    """Read the memory at address 0, as a broken decoder does."""
    import ctypes

    ctypes.string_at(0)


def die_once(marker: Path) -> int:
    """Die the first time, work the second."""
    if marker.exists():
        return 7
    marker.write_text("was here", encoding="utf-8")
    os._exit(1)


def alone(folder: Path, name: str) -> list[str]:
    """Return who else was at work meanwhile; the one named `suspect` dies the first time."""
    mine = folder / name
    mine.write_text("", encoding="utf-8")
    time.sleep(0.05)
    others = sorted(path.name for path in folder.iterdir() if path.suffix != ".tried")
    tried = folder / f"{name}.tried"
    if name == "suspect" and not tried.exists():
        tried.write_text("", encoding="utf-8")
        mine.unlink()
        os._exit(1)
    mine.unlink()
    return others


def tell(count: int) -> str:
    for done in range(count + 1):
        report("telling", done, count)
    return "told"


def tell_through_another(count: int) -> str:
    with executor(1, tell=report) as here:
        said: str = here.submit(tell, count).result()
    return said


def go_silent() -> None:
    report("about to hang", 0, 0)
    time.sleep(60.0)


def silent_without_a_word(seconds: float) -> str:
    time.sleep(seconds)
    return "done"


def take(count: int, more_bytes: int) -> int:
    """Ask for memory within a limit, then for as much again without it."""
    taken = 0
    try:
        with memory_within(more_bytes):
            taken = len(bytearray(count))
    except MemoryError:
        taken = -1
    return taken + len(bytearray(count))


def print_rubbish() -> str:
    print("on standard output")
    os.write(1, b"\x00\x01\x02 straight into the file")
    print("on standard error", file=sys.stderr)
    return "fine"


def look_badly(session, cameras, clip, keeping=None):
    """Look at a clip; what is wrong with it stands in its name."""
    if "dies" in clip.name:
        kill_itself()
    if "hangs" in clip.name:
        go_silent()
    if "greedy" in clip.name:
        raise MemoryError
    if "strange" in clip.name:
        raise ZeroDivisionError("by nothing")
    from vidspeed.assembly.looking import look_within_bounds  # a second, which the others need not

    return look_within_bounds(session, cameras, clip)


def look_and_die_once(session, cameras, clip, keeping=None):
    """Look at a clip; the process of the second one dies the first time."""
    from vidspeed.assembly.looking import look_within_bounds

    marker = Path(session.folder) / "died"
    if "second" in clip.name and not marker.exists():
        marker.write_text("was here", encoding="utf-8")
        os._exit(1)
    return look_within_bounds(session, cameras, clip, keeping)


def die_over(path):
    """Take a clip, and die of it."""
    kill_itself()


def decide(number: int) -> int:
    decided("vidspeed.jobs", f"looked at {number}", number=number)
    decided("vidspeed.jobs", f"took {number}", number=number)
    return number


def decide_and_refuse(number: int) -> None:
    decided("vidspeed.jobs", f"looked at {number}", number=number)
    raise ValueError("not after all")


def decide_through_another(number: int) -> int:
    with executor(1) as here:
        found: int = here.submit(decide, number).result()
    return found


def failing_file() -> Any:
    """Return a file of a disk that fails after its first piece."""
    return _Failing(b"12345678")


class _Failing(io.BytesIO):
    def read(self, size: int | None = -1) -> bytes:
        if self.tell():
            raise OSError(errno.EIO, "Input/output error")
        return super().read(size)


_wait = subprocess.Popen.wait


def wait_shortly(self: subprocess.Popen[bytes], timeout: float | None = None) -> int:
    """Wait for a process, but never for good: nobody may wait so for one that cannot be ended."""
    assert timeout is not None
    return _wait(self, timeout)
