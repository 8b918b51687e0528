"""Faults of disks, drives and hands, as real as may be: `python -m tests.bench.faults`.

Not a test: it mounts small disks (as root on Linux, else those cases are left out and said) and
sends signals. README.md beside this file says what is printed.
"""

from __future__ import annotations

import argparse
import os
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np

from tests.tiny import files_of, scene_text
from vidspeed.render.session import render_scene_file

COMMAND = [sys.executable, "-c", "from vidspeed.cli import main; main()", "run"]
LONGEST_S = 600.0
PASSES = '\n[[pass]]\ndirection = "reverse"\nspeed_kmh = {speed}\n'
IDLE = '\n[[pass]]\ndirection = "forward"\nspeed_kmh = 310.0\n'


@dataclass(frozen=True, slots=True, kw_only=True)
class Ground:
    """A session, and the results of a run that nothing disturbed."""

    session: Path
    results: dict[str, bytes]
    took_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """What a command answered, and how long that took."""

    status: int
    err: str
    took_s: float


Case = Callable[[Ground, Path, np.random.Generator], str]


def main(arguments: list[str] | None = None) -> int:
    """Try every fault and print what came of it; 1 where one was not survived."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--struck", type=int, default=20, help="Ctrl-C, for each kind of work")
    parser.add_argument("--only", nargs="*", default=None)
    options = parser.parse_args(arguments)
    rng = np.random.default_rng(options.seed)
    wrong = 0
    with tempfile.TemporaryDirectory() as scratch:
        ground = _ground(Path(scratch))
        print(f"undisturbed: {ground.took_s:.1f} s")
        for name, case in CASES.items():
            if options.only and name not in options.only:
                continue
            place = Path(scratch) / name.replace(" ", "-")
            words = _tried(case, ground, place, rng)
            wrong += words.startswith("LOST")
            print(f"{name}: {words}", flush=True)
        for kind in ("one process", "pool", "cluster"):
            if options.struck and (not options.only or "ctrl-c" in options.only):
                words = _struck(kind, ground, Path(scratch), options.struck, rng)
                wrong += words.startswith("LOST")
                print(f"ctrl-c, {kind}: {words}", flush=True)
    return 1 if wrong else 0


def _tried(case: Case, ground: Ground, place: Path, rng: np.random.Generator) -> str:
    try:
        return case(ground, place, rng)
    except _LeftOut as why:
        return f"left out: {why}"


class _LeftOut(Exception):
    """This machine does not allow the case."""


def _ground(scratch: Path) -> Ground:
    scene = scratch / "scene.toml"
    more = "".join(PASSES.format(speed=speed) for speed in (281.0, 277.0)) + IDLE
    scene.write_text(scene_text() + more, encoding="utf-8")
    session = scratch / "session"
    render_scene_file(scene, session, workers=1)
    place = _copied(session, scratch / "undisturbed")
    said = _run(place)
    if said.status not in (0, 3):
        raise SystemExit(f"undisturbed, and yet status {said.status}: {said.err}")
    return Ground(session=session, results=files_of(place / "results"), took_s=said.took_s)


def _copied(session: Path, place: Path) -> Path:
    shutil.copytree(session, place)
    return place


def _run(*words: object, moment: Callable[[subprocess.Popen[str]], None] | None = None) -> Said:
    """Run the command; `moment` is called with it as it begins."""
    start_s = time.monotonic()
    running = subprocess.Popen(
        [*COMMAND, *map(str, words)], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE,
        start_new_session=True, encoding="utf-8", errors="replace",
    )  # fmt: skip
    if moment is not None:
        moment(running)
    err = running.communicate(timeout=LONGEST_S)[1]
    return Said(status=running.returncode, err=err, took_s=time.monotonic() - start_s)


def _last(said: Said) -> str:
    """Return the line that says what was wrong."""
    lines = [line for line in said.err.splitlines() if ": " in line] or [""]
    wrong = [line for line in lines if line.startswith("error: ")]
    return [*lines, *wrong][-1][:230]


def _same_after(ground: Ground, place: Path, *words: object, where: Path | None = None) -> bool:
    """Run again without the fault; say whether the results are those of the undisturbed run."""
    said = _run(place, *words)
    return said.status in (0, 3) and files_of((where or place) / "results") == ground.results


def full_disk(ground: Ground, place: Path, rng: np.random.Generator) -> str:
    """Write onto a disk with so little room that pictures do not fit, with results on it."""
    del rng
    size = sum(len(content) for content in ground.results.values())
    with _disk(place, 3 * size + (8 << 20)) as disk:
        out = disk / "out"
        first = _run(_copied(ground.session, place.with_name("full")), "--out", out)
        before = files_of(out / "full" / "results")
        filler = disk / "filler"
        _fill(filler)
        said = _run(place.with_name("full"), "--out", out)
        whole = files_of(out / "full" / "results") == before == ground.results
        filler.unlink()
        again = _same_after(ground, place.with_name("full"), "--out", out, where=out / "full")
    good = first.status in (0, 3) and said.status == 1 and "the disk is full" in said.err
    return _verdict(good and whole and again, said)


def _fill(path: Path) -> None:
    with path.open("wb", buffering=0) as file:
        try:
            while True:
                file.write(bytes(1 << 16))
        except OSError:
            return


def read_only(ground: Ground, place: Path, rng: np.random.Generator) -> str:
    """Measure a session on media that can only be read, without and with --out."""
    del rng
    with _disk(place, 64 << 20) as disk:
        folder = _copied(ground.session, disk / "day")
        if subprocess.run(["mount", "-o", "remount,ro", str(disk)], check=False).returncode:
            raise _LeftOut("no disk can be made one that can only be read")
        said = _run(folder)
        out = place.with_name("elsewhere")
        elsewhere = _run(folder, "--out", out)
        same = files_of(out / "day" / "results") == ground.results
        subprocess.run(["mount", "-o", "remount,rw", str(disk)], check=False)
    good = said.status == 1 and "--out" in said.err and elsewhere.status in (0, 3)
    return _verdict(good and same, said)


@contextmanager
def _disk(place: Path, size: int) -> Iterator[Path]:
    """Give a disk of so many bytes, in memory."""
    place.mkdir()
    line = ["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(place)]
    if sys.platform != "linux" or os.geteuid() != 0 or shutil.which("mount") is None:
        raise _LeftOut("mounting a disk needs root on Linux")
    if subprocess.run(line, check=False, capture_output=True).returncode:
        raise _LeftOut("no disk can be mounted here")
    try:
        yield place
    finally:
        subprocess.run(["umount", str(place)], check=False)


def card_taken_out(ground: Ground, place: Path, rng: np.random.Generator) -> str:
    """Cut a clip short, then take it away, at moments of a run; put it back and run again."""
    words = []
    for number, harm in enumerate((_cut, _taken_away, _overwritten)):
        folder = _copied(ground.session, place.with_name(f"card-{number}"))
        victim = sorted((folder / "clips").rglob("*.mp4"))[-1]
        held = victim.read_bytes()
        delay_s = float(rng.uniform(0.0, 0.2))
        said = _run(
            folder,
            "--jobs",
            "1",
            moment=partial(_as_it_is_read, victim, partial(harm, victim), delay_s),
        )
        victim.write_bytes(held)
        if said.status == 0 and files_of(folder / "results") != ground.results:
            return f"LOST: measured as if nothing had been after {harm.__name__}"
        traced = "Traceback" in said.err or "fault of vidspeed" in said.err
        good = said.status in (0, 3) and not traced and _same_after(ground, folder)
        words.append(_verdict(good, said))
    return next((row for row in words if row.startswith("LOST")), " | ".join(words))


def _as_it_is_read(
    victim: Path, harm: Callable[[], None], delay_s: float, running: subprocess.Popen[str]
) -> None:
    """Do harm to a clip a moment after the command says that it looks at it."""
    assert running.stderr is not None
    for line in running.stderr:
        if victim.name in line:
            break
    time.sleep(delay_s)
    harm()


def _cut(victim: Path) -> None:
    os.truncate(victim, victim.stat().st_size // 2)


def _taken_away(victim: Path) -> None:
    victim.unlink()


def _overwritten(victim: Path) -> None:
    with victim.open("r+b") as file:
        file.seek(victim.stat().st_size // 3)
        file.write(bytes(20_000))


def two_at_once(ground: Ground, place: Path, rng: np.random.Generator) -> str:
    """Run two commands on one session at a time."""
    del rng
    folder = _copied(ground.session, place)
    answers: list[Said] = []
    runs = [threading.Thread(target=lambda: answers.append(_run(folder))) for _ in range(2)]
    for thread in runs:
        thread.start()
    for thread in runs:
        thread.join()
    good = all(row.status in (0, 1, 3) for row in answers) and any(
        row.status in (0, 3) for row in answers
    )
    good &= all(row.status != 1 or "another run is writing" in row.err for row in answers)
    return _verdict(good and files_of(folder / "results") == ground.results, answers[-1])


def clock_set_back(ground: Ground, place: Path, rng: np.random.Generator) -> str:
    """Date all that is there a year ahead, as if the clock had been set back, and run again."""
    del rng
    folder = _copied(ground.session, place)
    _run(folder)
    ahead_s = time.time() + 365.0 * 86_400.0
    for path in folder.rglob("*"):
        os.utime(path, (ahead_s, ahead_s))
    said = _run(folder, "--verbose")
    used = said.err.count("is used: it was searched in this place")
    good = used == len(list((folder / "clips").rglob("*.mp4")))
    return _verdict(good and files_of(folder / "results") == ground.results, said)


def odd_names(ground: Ground, place: Path, rng: np.random.Generator) -> str:
    """Measure a session in a folder with spaces, accents, a colon and a line break in its name."""
    del rng
    folder = _copied(ground.session, place / "\u00c9t\u00e9: Tag 1\nabends")
    said = _run(folder)
    return _verdict(files_of(folder / "results") == ground.results, said)


def stalled_drive(ground: Ground, place: Path, rng: np.random.Generator) -> str:
    """Stop a worker over its clip for good, as a drive that does not answer does."""
    del rng
    folder = _copied(ground.session, place)
    clip = sorted(path.name for path in (folder / "clips").rglob("*.mp4"))[-1]

    def stop(running: subprocess.Popen[str]) -> None:
        assert running.stderr is not None
        for line in running.stderr:
            if clip in line:
                break
        for child in _children(running.pid):
            os.kill(child, signal.SIGSTOP)

    said = _run(folder, "--jobs", "1", "--fresh", moment=stop)
    hung = "does not answer" in said.err
    good = said.status == 3 and hung and "Traceback" not in said.err
    return _verdict(good and _same_after(ground, folder), said)


def _children(pid: int) -> list[int]:
    """Return the processes that a process started (Linux)."""
    if sys.platform != "linux":
        raise _LeftOut("which processes are workers is asked of Linux only")
    found = []
    for status in Path("/proc").glob("[0-9]*/stat"):
        with_name = status.read_text(encoding="utf-8", errors="replace").rpartition(") ")[2]
        if int(with_name.split()[1]) == pid:
            found.append(int(status.parent.name))
    return found


def _verdict(good: bool, said: Said) -> str:
    return f"{'survived' if good else 'LOST'}, status {said.status}: {_last(said)}"


CASES: dict[str, Case] = {
    "full disk": full_disk,
    "read only": read_only,
    "card taken out": card_taken_out,
    "two at once": two_at_once,
    "clock set back": clock_set_back,
    "odd names": odd_names,
    "stalled drive": stalled_drive,
}


def _struck(kind: str, ground: Ground, scratch: Path, count: int, rng: np.random.Generator) -> str:
    """Strike Ctrl-C at moments of a run; return how long the longest took to end."""
    took_s: list[float] = []
    faults: list[str] = []
    with _worked_by(kind) as words:
        for number in range(count):
            place = _copied(ground.session, scratch / f"struck-{kind.replace(' ', '-')}-{number}")
            moment_s = float(rng.uniform(0.3, ground.took_s))
            struck_s = [0.0]

            def strike(running: subprocess.Popen[str], after_s: float = moment_s,
                       at: list[float] = struck_s) -> None:  # fmt: skip
                time.sleep(after_s)
                if running.poll() is None:
                    at[0] = time.monotonic()
                    os.killpg(running.pid, signal.SIGINT)

            said = _run(place, *words, moment=strike)
            if said.status == 130:
                took_s.append(time.monotonic() - struck_s[0])
            elif said.status not in (0, 3):
                faults.append(f"status {said.status} after {moment_s:.2f} s: {said.err[-200:]}")
            left = files_of(place / "results")
            if left not in ({}, ground.results) or not _same_after(ground, place):
                faults.append(f"other results after {moment_s:.2f} s")
            shutil.rmtree(place)
    if faults:
        return f"LOST {faults}"
    longest = max(took_s, default=0.0)
    return f"{len(took_s)} of {count} met a run; it ended after at most {longest:.2f} s (wanted: 2)"


@contextmanager
def _worked_by(kind: str) -> Iterator[list[str]]:
    """Give the options that let a kind of executor do the work."""
    if kind != "cluster":
        yield ["--jobs", "1" if kind == "one process" else "2"]
        return
    with tempfile.TemporaryDirectory() as name:
        log = Path(name) / "log"
        line = [sys.executable, "-m", "distributed.cli.dask_scheduler", "--host", "127.0.0.1",
                "--port", "0", "--no-dashboard"]  # fmt: skip
        with log.open("wb") as file:
            running = [subprocess.Popen(line, stdout=file, stderr=file, cwd=name)]
        found = None
        while found is None:
            time.sleep(0.1)
            found = re.search(r"Scheduler at:\s+(tcp://\S+)", log.read_text(encoding="utf-8"))
        worker = [sys.executable, "-m", "distributed.cli.dask_worker", found[1], "--nthreads", "1",
                  "--no-dashboard", "--no-nanny", "--local-directory", name]  # fmt: skip
        quiet = subprocess.DEVNULL
        running += [subprocess.Popen(worker, stdout=quiet, stderr=quiet) for _ in range(2)]
        try:
            yield ["--cluster", found[1]]
        finally:
            for process in reversed(running):
                process.terminate()
                process.wait()


if __name__ == "__main__":
    sys.exit(main())
