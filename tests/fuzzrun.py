"""Put a damaged clip through the main road, and judge what came out: a job for a worker."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import time
import traceback
import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.fuzzing import name_clip

COMMAND = [sys.executable, "-c", "from vidspeed.cli import main; main()"]
SPOILT = "spoilt"  # name of the clip
ALLOWED = (0, 1, 3)  # exit status of `run` by the contract
SLOWEST_S = 20.0
LARGEST_MB = 1024.0
STATUS_FILE = Path("/proc/self/status")


@dataclass(frozen=True, slots=True)
class Pass:
    """One pass as it was told; speeds in m/s."""

    status: str
    speed_mps: float | None
    U95_mps: float | None
    warned: bool  # by a check of its own


@dataclass(frozen=True, slots=True)
class Ran:
    """What a run of a damaged clip came to; `fault` is a traceback where the tool itself failed."""

    status: int
    passes: tuple[Pass, ...]
    problems: tuple[str, ...]
    fault: str
    cpu_s: float
    peak_mb: float | None


def run_here(base: str, spot: str, kind: str, data: bytes) -> Ran:
    """Run the session on a damaged clip in this process, as `vidspeed run` does."""
    from vidspeed.cli.passes import exit_status
    from vidspeed.errors import VidspeedError
    from vidspeed.measure import run
    from vidspeed.spread.progress import report

    folder = prepared(Path(base), Path(spot) / str(os.getpid()), kind, data)
    _forget_peak()
    report(kind, 0, 0)
    start_s = time.process_time()
    status, passes, problems, fault = 1, (), (), ""
    with warnings.catch_warnings(record=True) as warned:
        warnings.simplefilter("always")
        try:
            outcome = run(folder, progress=report)
        except VidspeedError as error:
            problems = error.messages
        except Exception:
            fault = traceback.format_exc()
        else:
            status = exit_status(outcome)
            passes = tuple(_told(row) for row in outcome.passes)
            problems = tuple(f"{row.level}: {row.where}: {row.message}" for row in outcome.problems)
        fault += _times_fault(folder / f"{SPOILT}{Path(kind).suffix}")
    fault += "".join(f"\n{row.category.__name__}: {row.message}" for row in warned)
    fault += "".join(f"\n{text}" for text in problems if "fault of vidspeed" in text)
    return Ran(status, passes, problems, fault, time.process_time() - start_s, _peak_mb())


def _times_fault(path: Path) -> str:
    """Account for a damaged clip's time; return the traceback of a fault, else nothing."""
    from vidspeed.clip.times import times
    from vidspeed.errors import VidspeedError

    try:
        times(path)
    except VidspeedError:
        return ""
    except Exception:
        return traceback.format_exc()
    return ""


def run_command(base: Path, spot: Path, kind: str, data: bytes, *, isolate: str = "") -> Ran:
    """Run the session on a damaged clip by the real command."""
    folder = prepared(base, spot, kind, data)
    before_s = _children_s()
    done = subprocess.run(
        [*COMMAND, "run", str(folder)], capture_output=True, text=True, errors="replace",
        check=False, timeout=600.0,
    )  # fmt: skip
    spent_s = _children_s() - before_s
    fault = done.stderr if "Traceback" in done.stderr or "fault of vidspeed" in done.stderr else ""
    passes: tuple[Pass, ...] = ()
    summary = folder / "results/summary.json"
    if summary.is_file() != (done.returncode in (0, 3)):
        fault += f"\nstatus {done.returncode}, results written: {summary.is_file()}"
    if summary.is_file():
        rows = json.loads(summary.read_text(encoding="utf-8"))["passes"]
        passes = tuple(
            Pass(row["status"], row["speed_mps"], row["speed_U95_mps"], False) for row in rows
        )
    problems = tuple(done.stderr.splitlines())
    return Ran(done.returncode, passes, problems, fault, spent_s, None)


def prepared(base: Path, folder: Path, kind: str, data: bytes) -> Path:
    """Return the session with the damaged clip in it, and without results."""
    if not folder.is_dir():
        shutil.copytree(base, folder)
    shutil.rmtree(folder / "results", ignore_errors=True)
    shutil.copy(base / "session.toml", folder / "session.toml")
    name_clip(folder, f"{SPOILT}{Path(kind).suffix}").write_bytes(data)
    return folder


def _children_s() -> float:
    """Return the processor time of the processes that this one started and that have ended."""
    return os.times().children_user + os.times().children_system


def _told(row: Any) -> Pass:
    warned = any(check.status != "ok" for check in row.checks)
    return Pass(row.status, row.speed_mps, row.speed_U95_mps, warned)


def _forget_peak() -> None:
    """Let the system count the peak of this process's memory anew (Linux)."""
    if STATUS_FILE.exists():
        Path("/proc/self/clear_refs").write_text("5", encoding="ascii")


def _peak_mb() -> float | None:
    if not STATUS_FILE.exists():
        return None
    rows = STATUS_FILE.read_text(encoding="ascii", errors="replace").splitlines()
    peak = next((row for row in rows if row.startswith("VmHWM:")), None)
    return None if peak is None else int(peak.split()[1]) / 1024.0


def verdict(ran: Ran, good: Ran) -> str:
    """Say in a few words what a run came to; words that begin with a capital are failures.

    `good` is the run of the undamaged clip. A pass agrees that lies within twice its own U95 of
    it; it is flagged where something is said of the clip that was not said of the undamaged one.
    """
    if ran.fault:
        return "FAULT"
    if ran.status not in ALLOWED:
        return f"STATUS {ran.status}"
    if ran.cpu_s > SLOWEST_S:
        return "SLOW"
    if ran.peak_mb is not None and ran.peak_mb > LARGEST_MB:
        return "MEMORY"
    if ran.status == 1:
        return "refused" if ran.problems else "SILENT"
    told = [row for row in ran.passes if row.speed_mps is not None]
    if not told:
        return "no pass"
    flagged = any(row.warned for row in told) or _new(ran, good)
    right = all(_agrees(row, good.passes[0]) for row in told)
    alike = [row.status for row in told] == ["measured"]
    if right:
        return f"agrees, {'whole' if alike else 'partial'}{', flagged' if flagged else ''}"
    return "differs, flagged" if flagged else "FALSE PASS"


def _new(ran: Ran, good: Ran) -> bool:
    """Say whether something is told of the clip that was not told of the undamaged one."""
    known = {_kind_of(text) for text in good.problems}
    return any(SPOILT in text and _kind_of(text) not in known for text in ran.problems)


def _kind_of(text: str) -> str:
    """Return a message without its figures."""
    return "".join(sign for sign in text if not sign.isdigit())


def _agrees(row: Pass, good: Pass) -> bool:
    assert row.speed_mps is not None and row.U95_mps is not None and good.speed_mps is not None
    return abs(row.speed_mps - good.speed_mps) <= 2.0 * row.U95_mps
