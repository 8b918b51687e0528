"""Judge the stated uncertainties over many simulated passes: `python tests/bench/coverage.py`.

See README.md beside this file for what the figures mean.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import sys
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import Executor, Future, ProcessPoolExecutor, as_completed
from dataclasses import replace
from pathlib import Path

import numpy as np
from bench_draw import LONG_CLIPS, REGIMES, draw_case
from bench_ideal import solve_ideal
from bench_judge import describe, judge, lay_case, run_tool, score_outcome
from bench_score import HEADER, Score, mean_figure, rms_figure, table

Job = tuple[int, str, str, int]


def main(arguments: list[str] | None = None) -> int:
    """Run the bench; 0 where every row passes, 1 otherwise."""
    options = parse(arguments)
    if options.case:
        return show_case(options.seed[0], options.case)
    passes = True
    every: list[Score] = []
    for seed in options.seed:
        print(f"# Seed {seed}\n")
        started = time.perf_counter()
        jobs = list(jobs_of(seed, options))
        scores = [score for found in run_jobs(jobs, options.jobs) for score in found]
        scores.sort(key=lambda score: (score.kind, score.regime, len(score.case), score.case))
        passes = report(scores, options.groups and len(options.seed) == 1) and passes
        print(f"\n{len(jobs)} cases, seed {seed}, {time.perf_counter() - started:.0f} s\n")
        every += [replace(score, seed=seed) for score in scores]
        if options.out:
            text = json.dumps([score.as_row() for score in every], indent=1)
            options.out.write_text(text + "\n", encoding="utf-8", newline="\n")
    if len(options.seed) > 1:
        print(f"# Seeds {', '.join(map(str, options.seed))} together\n")
        report(every, options.groups)
    return 0 if passes else 1


def jobs_of(seed: int, options: argparse.Namespace) -> Iterator[Job]:
    """Yield the cases of a seed."""
    for regime in [options.regime] if options.regime else REGIMES:
        for kind, count in (("tracks", options.tracks), ("videos", options.videos)):
            for index in range(options.first, options.first + count):
                if not options.long_clips and draw_case(seed, kind, regime, index).one_clip:
                    continue
                yield seed, kind, regime, index


def parse(arguments: list[str] | None) -> argparse.Namespace:
    """Read the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, nargs="+", default=[1], help="one or several")
    parser.add_argument("--tracks", type=int, default=400, help="bare-track cases a regime")
    parser.add_argument("--videos", type=int, default=100, help="cases through video a regime")
    parser.add_argument("--first", type=int, default=0, help="number of the first case")
    parser.add_argument("--regime", choices=REGIMES)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument(
        "--groups",
        action=argparse.BooleanOptionalAction,
        default=True,
        help="also a row for every kind of case (of several seeds together)",
    )
    parser.add_argument(
        "--long-clips",
        action=argparse.BooleanOptionalAction,
        default=True,
        help="also sessions with one clip a camera and several passes, whose draws take minutes",
    )
    parser.add_argument("--case", help="one case in full, by its name: tracks-tight-17")
    parser.add_argument("--out", type=Path, help="write every score as JSON")
    return parser.parse_args(arguments)


def run_jobs(jobs: list[Job], workers: int) -> Iterator[list[Score]]:
    """Yield the scores of every job as it ends, in worker processes; progress on standard error."""
    if workers <= 1:
        for number, job in enumerate(jobs):
            yield _told(judge(*job), number + 1, len(jobs))
        return
    os.environ["OPENBLAS_NUM_THREADS"] = "1"  # a worker has one core; read when numpy is loaded
    spawn = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(workers, mp_context=spawn) as pool:
        waiting = _submit(pool, jobs)
        for number, future in enumerate(as_completed(waiting)):
            yield _told(_collect(future, waiting[future]), number + 1, len(jobs))


def _submit(pool: Executor, jobs: list[Job]) -> dict[Future[list[Score]], Job]:
    """Hand all jobs to the workers."""
    return {pool.submit(judge, *job): job for job in jobs}


def _collect(future: Future[list[Score]], job: Job) -> list[Score]:
    """Return a job's scores; a worker that died is a lost pass."""
    try:
        return future.result()
    except Exception as error:  # the pool itself broke
        _, kind, regime, index = job
        name = f"{kind}-{regime}-{index}"
        lost = f"worker died: {type(error).__name__}: {error}"
        return [
            Score(case=name, regime=regime, kind=kind, cameras=1 + index % 2, tags=(), lost=lost)
        ]


def _told(scores: list[Score], done: int, total: int) -> list[Score]:
    """Print a line of progress and pass the scores on."""
    first = scores[0]
    what = f"LOST {first.lost}" if first.lost else f"z {first.z:+.2f}"
    print(f"{done}/{total} {first.case} {first.took_s:.1f} s {what}", file=sys.stderr, flush=True)
    return scores


def report(scores: list[Score], groups: bool) -> bool:
    """Print the tables, the lost and the worst cases; say whether the main rows pass."""
    passes = True
    for kind, title in (("tracks", "By bare tracks"), ("videos", "Through encoded video")):
        chosen = [s for s in scores if s.kind == kind and LONG_CLIPS not in s.tags]
        if chosen:
            rows, good = table(chosen, main_rows)
            passes = passes and good
            print(f"{title}\n\n{HEADER}", *rows, "", sep="\n")
    long = [s for s in scores if s.kind == "tracks" and LONG_CLIPS in s.tags]
    if long:
        rows, _ = table(long, lambda score: [f"{score.regime}, {LONG_CLIPS}"])
        print(f"Passes that share a time offset, beside the bound of all together\n\n{HEADER}")
        print(*rows, "", sep="\n")
    pairs = [s for s in scores if s.kind.startswith("pair")]
    if pairs:
        rows, _ = table(pairs, lambda score: [f"{score.regime}, {score.kind}"])
        print(f"Pairs of passes, from the covariance\n\n{HEADER}", *rows, sep="\n")
    if groups:
        print(
            f"\nKinds of case (99 % ranges of this many rows: expect one in thirty OUT)\n\n{HEADER}"
        )
        print("\n".join(table([s for s in scores if s.kind[0] != "p"], group_rows)[0]))
    by_streaks = [z for score in scores for z in score.streak_z]
    if by_streaks:
        mean, rms = mean_figure(by_streaks), rms_figure(by_streaks)
        print(
            f"\nSpeeds by the streaks: n {len(by_streaks)}, mean z {mean.text('.2f')}, "
            f"RMS z {rms.text('.2f')}, worst {max(by_streaks, key=abs):+.1f}"
        )
    lost = [s for s in scores if s.lost]
    if lost:
        print("\nLost\n")
        print("\n".join(f"- {named(s)} ({s.kind}; {', '.join(s.tags)}): {s.lost}" for s in lost))
    worst = sorted((s for s in scores if s.z is not None), key=lambda s: -abs(s.z or 0.0))[:8]
    if worst:
        print("\nFarthest from the truth\n")
        print("\n".join(f"- {worst_text(s)}" for s in worst))
    times = [s.took_s for s in scores if s.took_s]
    if times:
        print(f"\nTime a case: median {np.median(times):.1f} s, longest {max(times):.1f} s")
    return passes


def worst_text(score: Score) -> str:
    """Return a line on a score that lies far from the truth."""
    ratio = 100.0 * (score.u_mps or 0.0) / (score.truth_mps or 1.0)
    return (
        f"{named(score)} ({score.kind}; {', '.join(score.tags)}): z {score.z:+.2f}, "
        f"u/v {ratio:.3f} %, {score.method}, largest term {score.largest}, "
        f"{', '.join(score.warnings) or 'no warning'}"
    )


def named(score: Score) -> str:
    """Return a case's name, with the seed where several were run."""
    return score.case if score.seed is None else f"seed {score.seed} {score.case}"


def main_rows(score: Score) -> list[str]:
    """Return the rows of the main table that a score belongs to."""
    count = "one camera" if score.cameras == 1 else "two cameras"
    return [f"{score.regime}, {score.kind}, {name}" for name in (count, "all")]


def group_rows(score: Score) -> list[str]:
    """Return the rows of the table of kinds that a score belongs to."""
    names = [*score.tags, f"method {score.method}", *(f"warned {w}" for w in score.warnings)]
    return [f"{score.regime}, {score.kind}, {name}" for name in dict.fromkeys(names)]


def show_case(seed: int, name: str) -> int:
    """Run one case again and print everything about it."""
    kind, regime, index = name.rsplit("-", 2)
    case = draw_case(seed, kind, regime, int(index))
    with tempfile.TemporaryDirectory(prefix="vidspeed-bench-") as folder:
        try:
            laid = lay_case(case, seed, Path(folder))
            outcome = run_tool(Path(folder))
        except Exception:
            print(describe(case, None, Path(folder)))
            raise
        print(describe(case, outcome, Path(folder)))
    ideal = solve_ideal(case, laid.tracks)
    print(f"\nideal solver: {ideal}\npeak over the noise: {laid.peak_sigmas}")
    tags = case.tags + laid.tags
    blank = Score(case=name, regime=regime, kind=kind, cameras=len(case.cameras), tags=tags)
    blank = replace(blank, bound_mps=ideal.u_mps, peak_sigmas=laid.peak_sigmas)
    for score in score_outcome(case, outcome, blank):
        print(f"\n{score}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
