"""How long one pass with two cameras takes to solve: `python tests/bench/solve_time.py`.

Not a test: the figures depend on the machine. README.md beside this file says what is timed.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import Executor, Future, ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from bench_write import write_case
from scipy.linalg import cho_factor, cho_solve
from two_cameras import LAYOUTS, make_case

LAYOUT = "opposite, lamp 5 cm"
MOST_SOLVE_MS, MOST_DRAWS_S = 50.0, 20.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Timed:
    """One row: medians over the runs, wall clock and processor time."""

    rate_hz: float
    lights: int
    rows: int
    unknowns: int
    solve_ms: float
    account_ms: float
    total_ms: float
    late_ms: float  # nine runs in ten were done by then
    cpu_ms: float
    bare_ms: float  # the least that one step of a solver costs
    look_ms: float  # the look at curvature
    draws_s: float | None
    draws_cpu_s: float
    draws: str


def main(arguments: list[str] | None = None) -> int:
    """Time every rate and print the table; 1 where a pass or its draws take too long."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=1, help="of the lights' noise")
    parser.add_argument("--runs", type=int, default=41)
    parser.add_argument("--rates", type=float, nargs="+", default=[60.0, 120.0, 240.0])
    parser.add_argument("--no-draws", action="store_true", help="leave Monte Carlo out")
    options = parser.parse_args(arguments)
    os.environ["OPENBLAS_NUM_THREADS"] = "1"  # as the command does; read when numpy is loaded
    print(
        "| frames/s | lights | problem | solve ms | account ms | both: median ms | 90 % by ms "
        "| processor ms | bare step ms | both over bare step | curvature ms | Monte Carlo s "
        "| its processor s, halved | draws | |\n" + "|" + " --- |" * 15
    )
    good = True
    spawn = multiprocessing.get_context("spawn")
    for rate_hz in options.rates:
        with ProcessPoolExecutor(1, mp_context=spawn) as pool:
            work = (rate_hz, options.seed, options.runs, not options.no_draws)
            row = pool.submit(timed, *work).result()
        text, passes = row_text(row)
        print(text, flush=True)
        good = good and passes
    print(
        f"\n{options.runs} runs a row; SLOW above {MOST_SOLVE_MS:g} ms or {MOST_DRAWS_S:g} s of "
        "processor time, which on an idle machine is that of the clock"
    )
    return 0 if good else 1


def row_text(row: Timed) -> tuple[str, bool]:
    """Return a row of the table, and whether it keeps to what is allowed."""
    slow = row.cpu_ms > MOST_SOLVE_MS or row.draws_cpu_s / 2.0 > MOST_DRAWS_S
    drawn = row.draws_s is not None
    cells = [
        f"{row.rate_hz:g}",
        f"{row.lights}",
        f"{row.rows} x {row.unknowns}",
        *(f"{value:.1f}" for value in (row.solve_ms, row.account_ms, row.total_ms)),
        *(f"{value:.1f}" for value in (row.late_ms, row.cpu_ms)),
        f"{row.bare_ms:.2f}",
        f"{row.total_ms / row.bare_ms:.0f}",
        f"{row.look_ms:.0f}",
        f"{row.draws_s:.1f}" if drawn else "-",
        f"{row.draws_cpu_s / 2.0:.1f}" if drawn else "-",
        row.draws,
        "SLOW" if slow else "ok",
    ]
    return f"| {' | '.join(cells)} |", not slow


def timed(rate_hz: float, seed: int, runs: int, draw: bool) -> Timed:
    """Time a pass filmed at a rate, in this process; its draws in two processes more."""
    from vidspeed.motion.account import account
    from vidspeed.motion.flight import solve
    from vidspeed.motion.montecarlo import beyond_first_order, curvature
    from vidspeed.spread.executor import executor

    session, lit = prepare(rate_hz, seed)
    flight = solve(session, lit, "1")
    result = account(session, flight, session.clips, "1")
    solving, accounting, bare, cpu = [], [], [], []
    jacobian, residuals = flight.adjustment.jacobian, flight.adjustment.residuals
    for _ in range(runs):
        began = time.process_time()
        solving.append(wall(lambda: solve(session, lit, "1")))
        accounting.append(wall(lambda: account(session, flight, session.clips, "1")))
        cpu.append(1e3 * (time.process_time() - began))
        bare.append(wall(lambda: bare_step(jacobian, residuals)))
    both = np.add(solving, accounting)
    look = [wall(lambda: curvature(flight, result)) for _ in range(max(runs // 8, 1))]
    draws_s, draws_cpu_s, detail = None, 0.0, "-"
    if draw:
        with executor(2) as inner:
            pool = Metered(inner)
            began, here = time.perf_counter(), time.process_time()
            drawn = beyond_first_order(flight, result, always=True, pool=pool)
            draws_s = time.perf_counter() - began
            draws_cpu_s = pool.spent_s + 2.0 * (time.process_time() - here)
        told = next(check.detail for check in drawn.checks if check.name == "linear")
        detail = told.split(";")[1].split("draws")[0].strip()
    return Timed(
        rate_hz=rate_hz,
        lights=sum(len(row.track) for row in lit),
        rows=jacobian.shape[0],
        unknowns=jacobian.shape[1],
        solve_ms=float(np.median(solving)),
        account_ms=float(np.median(accounting)),
        total_ms=float(np.median(both)),
        late_ms=float(np.quantile(both, 0.9)),
        cpu_ms=float(np.median(cpu)),
        bare_ms=float(np.median(bare)),
        look_ms=float(np.median(look)),
        draws_s=draws_s,
        draws_cpu_s=draws_cpu_s,
        draws=detail,
    )


def prepare(rate_hz: float, seed: int) -> tuple[Any, list[Any]]:
    """Return the session and the tracks of its one pass, ready to be solved."""
    from vidspeed.assembly.cameras import calibrate_all
    from vidspeed.assembly.gather import look, with_intervals
    from vidspeed.motion.flight import Lit
    from vidspeed.session.read import read_session

    case = make_case(next(layout for layout in LAYOUTS if layout.name == LAYOUT))
    case = replace(case, cameras=tuple(replace(camera, rate_hz=rate_hz) for camera in case.cameras))
    with tempfile.TemporaryDirectory(prefix="vidspeed-bench-") as name:
        write_case(case, Path(name), np.random.default_rng(seed))
        session = read_session(Path(name))
        cameras = calibrate_all(session)
        clips = [look(session, cameras, clip, None) for clip in session.clips]
    stands = with_intervals(cameras, clips).stands
    lit = [
        Lit(clip=row.clip.name, stand=stands[row.clip.camera][0], track=row.view.tracks[0])
        for row in clips
    ]
    return session, lit


def bare_step(jacobian: Any, residuals: Any) -> Any:
    """Do what any least-squares solver does in one step, derivatives given: normal and inverse."""
    factor = cho_factor(jacobian.T @ jacobian)
    cho_solve(factor, jacobian.T @ residuals)
    return cho_solve(factor, np.eye(jacobian.shape[1]))


class Metered(Executor):
    """Hands work on to another executor and adds up the processor time that it took there."""

    def __init__(self, inner: Executor) -> None:
        self.inner = inner
        self.spent_s = 0.0

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        """Run `fn` there; the future gives what `fn` gave."""
        outer: Future[Any] = Future()

        def done(future: Future[Any]) -> None:
            error = future.exception()
            if error is not None:
                outer.set_exception(error)
                return
            found, spent_s = future.result()
            self.spent_s += spent_s
            outer.set_result(found)

        self.inner.submit(metered, fn, *args, **kwargs).add_done_callback(done)
        return outer


def metered(fn: Callable[..., Any], *args: Any, **kwargs: Any) -> tuple[Any, float]:
    """Return what `fn` gives and how long the processor worked on it, seconds."""
    began = time.process_time()
    return fn(*args, **kwargs), time.process_time() - began


def wall(work: Callable[[], Any]) -> float:
    """Return how long something takes, milliseconds of the clock on the wall."""
    began = time.perf_counter()
    work()
    return 1e3 * (time.perf_counter() - began)


if __name__ == "__main__":
    import solve_time  # workers of the tool do not run this script: they import what they are sent

    sys.exit(solve_time.main())
