"""A measurement that runs beside the pages: in a process of its own, with progress, cancelled.

The process is that of `vidspeed.spread.worker` and has workers of its own; when it is killed they
end too, and what was in `results` before is still there, whole.
"""

from __future__ import annotations

import contextvars
import os
import sys
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Literal

from vidspeed.assembly.gather import Keeping
from vidspeed.assembly.looking import IMPORTS
from vidspeed.assembly.reading import read_session
from vidspeed.errors import VidspeedError, WorkerError
from vidspeed.measure import run as measure
from vidspeed.measure import run_session
from vidspeed.record.files import write_results
from vidspeed.record.place import recover
from vidspeed.record.table import last_line, pass_speed
from vidspeed.record.units import unit_named
from vidspeed.spread.executor import executor
from vidspeed.spread.progress import Tell, report
from vidspeed.spread.worker import Process
from vidspeed.values import Outcome, Session

NICE = 10  # of what is measured beside the pages: these answer first
State = Literal["idle", "running", "done", "failed", "cancelled"]


def measure_all(folder: Path) -> tuple[str, ...]:
    """Measure a session as `vidspeed run` does, and return what to say of it: a worker's job."""
    tell = _told()
    _stand_back()
    with executor(os.cpu_count() or 1, tell=tell, ready=1, imports=IMPORTS, apart=True) as pool:
        recover(folder)
        outcome = measure(folder, progress=tell, pool=pool, keeping=Keeping(folder=folder))
    _refuse_failure(outcome)
    write_results(outcome, folder=folder)
    return (*_problems(outcome), last_line(outcome, "kmh"))


def measure_one(folder: Path, clip: str) -> tuple[str, ...]:
    """Measure what one clip shows, with those of the same pass; nothing is written but kept.

    What was seen in it need not be decoded again when all clips are measured.
    """
    tell = _told()
    _stand_back()
    session = _only(read_session(folder), clip)
    with executor(os.cpu_count() or 1, tell=tell, ready=1, imports=IMPORTS, apart=True) as pool:
        outcome = run_session(
            session, progress=tell, pool=pool, films=False, keeping=Keeping(folder=folder)
        )
    kmh = unit_named("kmh")
    rows = [f"pass {row.label}: {pass_speed(row, kmh)} km/h" for row in outcome.passes]
    return (*_problems(outcome), *(rows or [f"{clip}: no pass was found in it"]))


def _only(session: Session, name: str) -> Session:
    """Return the session with one clip, and those that show the same pass."""
    found = [clip for clip in session.clips if clip.name == name]
    if not found:
        raise VidspeedError(f"session.toml: no clip is named {name}; load the page again")
    label = (found[0].flight, found[0].pass_label)
    clips = tuple(
        clip
        for clip in session.clips
        if clip.name == name or (label[1] is not None and (clip.flight, clip.pass_label) == label)
    )
    names = {clip.name for clip in clips}
    return replace(
        session,
        clips=clips,
        syncs=tuple(sync for sync in session.syncs if names.issuperset(sync.clips)),
        proofs=tuple(proof for proof in session.proofs if proof.clip in names),
        onboard=(),
        mark=None,
    )


def _refuse_failure(outcome: Outcome) -> None:
    """Raise where nothing was measured: earlier results are then worth more."""
    errors = [row for row in outcome.problems if row.level == "error"]
    if errors and all(result.status == "none" for result in outcome.passes):
        raise VidspeedError(*(f"{row.where}: {row.message}" for row in errors))


def _problems(outcome: Outcome) -> list[str]:
    return [f"{row.level}: {row.where}: {row.message}" for row in outcome.problems]


def _stand_back() -> None:
    """Let the pages go first, where the system knows how: the workers started later do so too."""
    if sys.platform != "win32":
        os.nice(NICE)


def _told() -> Tell:
    """Return what hands on the progress of this job, from whatever thread it is told."""
    context, lock = contextvars.copy_context(), threading.Lock()

    def tell(what: str, done: int, total: int) -> None:
        with lock:
            context.run(report, what, done, total)

    return tell


@dataclass(slots=True)
class Step:
    """One thing that is being done: how much of it is done, and how much there is (0: unknown)."""

    done: int = 0
    total: int = 0


@dataclass(slots=True)
class Run:
    """What is measured now, or was last."""

    state: State = "idle"
    what: str = ""
    steps: dict[str, Step] = field(default_factory=dict)
    said: tuple[str, ...] = ()
    began_s: float = 0.0
    looking_s: float = 0.0  # when the first frames were told of: processes take a moment to start
    ended_s: float = 0.0
    clips: int = 0  # that are looked at

    def progress(self, now_s: float) -> tuple[float, str]:
        """Return the share that is done, and rate and time left in words."""
        looked = [step for name, step in self.steps.items() if _is_clip(name)]
        frames = sum(step.done for step in looked)
        known = [step.total for step in looked if step.total > 0]
        passed_s = max(now_s - self.began_s, 1e-3)
        if not known or not frames:
            return 0.0, f"{passed_s:.0f} s so far"
        usual = sum(known) / len(known)
        total = sum(step.total or usual for step in looked)
        total += usual * max(self.clips - len(looked), 0)
        rate = frames / max(now_s - self.looking_s, 1e-3)
        left_s = max(total - frames, 0.0) / rate
        share = min(frames / total, 1.0)
        ready = sum(step.total > 0 and step.done >= step.total for step in looked)
        after = [name for name in self.steps if not _is_clip(name)]
        if share > 0.99 and after:
            return share, f"{after[-1]}, {passed_s:.0f} s so far"
        words = f"{ready} of {max(self.clips, len(looked))} clips, {rate:.0f} frames a second"
        return share, f"{words}, about {_time_words(left_s)} left for looking at them"


def _is_clip(name: str) -> bool:
    return "." in name.rpartition("/")[2]


def _time_words(left_s: float) -> str:
    return f"{left_s:.0f} s" if left_s < 90.0 else f"{left_s / 60.0:.0f} min"


class Runner:
    """Runs one measurement at a time for all pages of a desk."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.run = Run()
        self._lock = threading.Lock()
        self._process: Process | None = None

    @property
    def working(self) -> bool:
        """Tell whether a process is still there."""
        with self._lock:
            return self._process is not None

    def start(self, clip: str | None, clips: int) -> bool:
        """Measure one clip, or all of them with None; False where something runs already."""
        if clip is None:
            return self.begin("all clips", clips, measure_all, self.folder)
        return self.begin(clip, clips, measure_one, self.folder, clip)

    def begin(self, what: str, clips: int, job: Callable[..., tuple[str, ...]], *args: Any) -> bool:
        """Have a job done that returns what to say; False where something runs already."""
        with self._lock:
            if self.run.state == "running":
                return False
            self.run = Run(state="running", what=what, began_s=time.monotonic(), clips=clips)
            work = threading.Thread(target=self._work, args=(self.run, job, args), daemon=True)
            work.start()
            return True

    def cancel(self) -> None:
        """End what runs, at once; earlier results stay."""
        with self._lock:
            if self.run.state == "running":
                self._end("cancelled", ("cancelled; earlier results are as they were",))
            process = self._process
        if process is not None:
            process.kill()

    def _end(self, state: State, said: tuple[str, ...]) -> None:
        self.run.state, self.run.said, self.run.ended_s = state, said, time.monotonic()

    def _work(self, run: Run, job: Callable[..., tuple[str, ...]], args: tuple[Any, ...]) -> None:
        def heard(what: str, done: int, total: int) -> None:
            run.looking_s = run.looking_s or time.monotonic()
            run.steps[what] = Step(done, total)

        process = None
        state: State = "failed"
        try:
            process = Process(heard, __name__)
            with self._lock:
                self._process = process
                if run.state != "running":
                    process.kill()
            state, said = "done", process.run((job, args, {}))
        except WorkerError as error:
            said = (f"the measurement ended ({error}); measure again",)
        except VidspeedError as error:
            said = error.messages
        except Exception as error:  # shown, and the desk goes on
            said = (f"{type(error).__name__}: {error}",)
        finally:
            if process is not None:
                process.end()
            with suppress(VidspeedError):
                recover(self.folder)  # where it was ended between two renames
        with self._lock:
            self._process = None
            if run.state == "running":
                self._end(state, said)
