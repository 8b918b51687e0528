"""Run one case through the tool and judge its pass against the truth."""

from __future__ import annotations

import tempfile
import time
import traceback
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from bench_draw import KINDS, REGIMES, draw_case
from bench_ideal import solve_ideal
from bench_scene import Case
from bench_score import Score, normal_score
from bench_write import Rows, write_case

from vidspeed.values import Outcome, PassResult

NEAR_S = 0.5  # a pass found this near to a true one is that one


def judge(seed: int, kind: str, regime: str, index: int) -> list[Score]:
    """Draw a case, run it and return its scores: the first pass, and a pair's mean and difference.

    Never raises: what goes wrong is a lost pass with its traceback.
    """
    started = time.perf_counter()
    blank = Score(
        case=f"{kind}-{regime}-{index}", regime=regime, kind=kind, cameras=1 + index % 2, tags=()
    )
    try:
        case = draw_case(seed, kind, regime, index)
        blank = replace(blank, tags=case.tags)
        with tempfile.TemporaryDirectory(prefix="vidspeed-bench-") as name:
            laid = lay_case(case, seed, Path(name))
            ideal = solve_ideal(case, laid.tracks)
            error = ideal.speed_mps - case.paths[0].speed_mps
            blank = replace(
                blank,
                tags=case.tags + laid.tags,
                peak_sigmas=laid.peak_sigmas,
                ideal_z=error / ideal.u_mps,
                bound_mps=ideal.u_mps,
            )
            started = time.perf_counter()
            outcome = run_tool(Path(name))
        scores = score_outcome(case, outcome, blank)
    except Exception as error:  # whatever the tool raises is a lost pass, reported with its reason
        scores = [replace(blank, lost=_reason(error), detail=traceback.format_exc())]
    took = time.perf_counter() - started
    return [replace(score, took_s=took) for score in scores]


def run_tool(folder: Path) -> Outcome:
    """Run the tool on a session folder."""
    from vidspeed.measure import run

    return run(folder)


@dataclass(frozen=True, slots=True, kw_only=True)
class Laid:
    """What a written session leaves for the ideal solver, and how its lights came about.

    `tracks` are the lights of the first pass, and of those that share a time offset with it, a
    list of cameras a pass: those of the files, or for clips such as the best detector would give.
    `peak_sigmas`: clips only, see `best_lights`.
    """

    tracks: list[list[Rows]]
    tags: tuple[str, ...]
    peak_sigmas: float | None = None


def lay_case(case: Case, seed: int, folder: Path) -> Laid:
    """Write the session into the folder."""
    kind, regime, index = case.name.rsplit("-", 2)
    key = (KINDS.index(kind), REGIMES.index(regime), int(index), 1)
    rng = np.random.default_rng(np.random.SeedSequence(seed, spawn_key=key))
    if case.kind == "videos":
        from bench_video import best_lights, plan_takes, write_videos

        takes = plan_takes(case, rng)
        write_videos(case, takes, folder)
        tracks, peak = best_lights(case, takes, rng)
        looks = [take.camera.look.background for take in takes]
        tags = [f"codec {take.camera.codec}" for take in takes] + [f"by {look}" for look in looks]
        return Laid(tracks=tracks, tags=tuple(dict.fromkeys(tags)), peak_sigmas=peak)
    tracks, kinds = write_case(case, folder, rng)
    return Laid(tracks=tracks, tags=kinds)


def _reason(error: Exception) -> str:
    """Return the kind and the first line of an error."""
    lines = str(error).splitlines() or [""]
    return f"{type(error).__name__}: {lines[0]}"


def score_outcome(case: Case, outcome: Outcome, blank: Score) -> list[Score]:
    """Return the score of the first pass, and of the mean and difference of two."""
    found = {number: found_pass(case, outcome, number) for number in range(len(case.paths))}
    scores = [score_pass(case, outcome, found[0], blank)]
    if len(case.paths) > 1:
        scores += score_pair(case, outcome, [found[0], found[1]], blank)
    return scores


def found_pass(case: Case, outcome: Outcome, number: int) -> PassResult | None:
    """Return the result that belongs to a pass: by its label, or by when a long clip has it.

    Of several by time, the one that most clips saw together.
    """
    if not case.one_clip:
        return next((row for row in outcome.passes if row.label == str(number + 1)), None)
    names = [camera.name for camera in case.cameras]
    near = [
        row
        for row in outcome.passes
        if any(
            abs(
                (at.time_in_s + at.time_out_s) / 2.0 - case.starts_s[number, names.index(at.camera)]
            )
            < NEAR_S
            for at in row.crossings
        )
    ]
    return max(near, key=lambda row: len(row.clips), default=None)


def score_pass(case: Case, outcome: Outcome, result: PassResult | None, blank: Score) -> Score:
    """Return the score of the first pass of a case."""
    path = case.paths[0]
    problems = "; ".join(f"{p.level}: {p.where}: {p.message}" for p in outcome.problems)
    details = [f"{c.name} {c.status}: {c.detail}" for r in outcome.passes for c in r.checks]
    blank = replace(blank, truth_mps=path.speed_mps, detail="; ".join([problems, *details]))
    if result is None:
        return replace(blank, lost=f"no first pass ({problems or 'no problem stated'})")
    if any(problem.level == "error" for problem in outcome.problems):
        return replace(blank, lost=f"a camera or clip was lost: {problems}")
    warned = tuple(f"{c.name} {c.status}" for c in result.checks if c.status != "ok")
    blank = replace(blank, warnings=warned, method=result.method)
    if result.status != "measured":
        return replace(blank, lost=f"status {result.status} ({problems or 'no problem stated'})")
    if result.direction != path.direction:
        return replace(blank, lost=f"direction {result.direction}, truly {path.direction}")
    if result.speed_mps is None or not result.speed_u_mps or result.interval95_mps is None:
        return replace(blank, lost="measured, but without speed, uncertainty or interval")
    low, high = result.interval95_mps
    rows = sorted(result.budget, key=lambda row: -abs(row.contribution_mps))
    return replace(
        blank,
        speed_mps=result.speed_mps,
        u_mps=result.speed_u_mps,
        dof=result.dof,
        z=normal_score(result.speed_mps - path.speed_mps, result.speed_u_mps, result.dof),
        covered=bool(low <= path.speed_mps <= high),
        largest=f"{rows[0].source} {100 * rows[0].share:.0f} %" if rows else None,
        streak_z=tuple(
            (row.speed_mps - path.speed_mps) / row.speed_u_mps
            for row in result.cross_checks
            if row.name.startswith("streak")
        ),
    )


def score_pair(
    case: Case, outcome: Outcome, found: list[PassResult | None], blank: Score
) -> list[Score]:
    """Return the scores of the mean (from the covariance) and of the difference of two passes."""
    truth = np.array([path.speed_mps for path in case.paths[:2]])
    blank = replace(blank, truth_mps=float(truth.mean()), ideal_z=None, bound_mps=None)
    names = ("pair mean", "pair difference")
    pair = [one for one in found if one is not None]
    if len(pair) < 2 or any(one.speed_mps is None for one in pair):
        return [replace(blank, kind=name, lost="a pass of the pair has no speed") for name in names]
    order = [outcome.covariance_labels.index(one.label) for one in pair]
    matrix = outcome.covariance[np.ix_(order, order)]
    error = np.array([one.speed_mps for one in pair], dtype=float) - truth
    scores = []
    for name, off, u in (
        (names[0], float(error.mean()), float(np.sqrt(matrix.sum()) / 2.0)),
        (names[1], float(error[0] - error[1]), difference_u(*pair)),
    ):
        scores.append(replace(blank, kind=name, u_mps=u, z=off / u, covered=abs(off) <= 1.96 * u))
    return scores


def difference_u(first: PassResult, second: PassResult) -> float:
    """Return u of the difference of two passes, from the signed sensitivities input by input.

    Inputs of one owner and name are common to both, but a part of the flight line whose split
    the session leaves open is independent in a difference, as the contract has it.
    """
    common: dict[tuple[str, str], float] = {}
    alone = 0.0
    for sign, one in ((1.0, first), (-1.0, second)):
        if one.sensitivities_mps is None:
            raise ValueError(f"pass {one.label} has a speed but no sensitivities")
        for item, value in zip(one.inputs, one.sensitivities_mps, strict=True):
            if item.split_unknown:
                alone += float(value) ** 2
            else:
                key = (item.owner, item.name)
                common[key] = common.get(key, 0.0) + sign * float(value)
    return float(np.sqrt(alone + sum(value**2 for value in common.values())))


def describe(case: Case, outcome: Outcome | None, folder: Path) -> str:
    """Return everything about a case as text: truth, what is stated, and the result."""
    lines = [f"# {case.name}: {', '.join(case.tags)}", "", "## Truth"]
    for number, path in enumerate(case.paths):
        lines += [
            f"pass {number + 1}: {path.speed_mps:.9f} m/s {path.direction}, scale error "
            f"{path.scale_error:+.3e}, gates at tau {path.gates_s}",
            f"  p0, v, a, j =\n{path.terms}",
            f"  lamp (y, z) a camera: {case.lamp_m[number].tolist()}",
        ]
    for camera in case.cameras:
        lines += [
            f"camera {camera.name} ({camera.placement}): at {camera.pose.position_m.round(4)}, "
            f"{camera.size_px}, {camera.rate_hz:.3f} Hz, read-out {1e3 * camera.readout_s:.3f} ms, "
            f"clock {1e6 * (camera.clock_scale - 1):+.1f} ppm, {camera.noise} lights "
            f"{camera.along_px:.3f} x {camera.across_px:.3f} px, "
            f"dropped {camera.dropped}, stamps {camera.stamp_base_s}",
            f"  lens {camera.lens}",
            f"  axes {camera.pose.camera_from_course.round(5).tolist()}",
        ]
    lines += ["", "## Stated", (folder / "session.toml").read_text(encoding="utf-8")]
    lines += ["", (folder / "markers.csv").read_text(encoding="utf-8")]
    if outcome is not None:
        lines += ["## Result", *(describe_result(r) for r in outcome.passes)]
        lines += [f"camera {c.camera}: {_fit_text(c)}" for c in outcome.cameras]
        lines += [f"{p.level}: {p.where}: {p.message}" for p in outcome.problems]
    return "\n".join(lines)


def _fit_text(fit: Any) -> str:
    """Return a line on a calibrated camera."""
    return (
        f"at {fit.pose.position_m.round(3)} u {fit.position_u_m.round(3)}, focal {fit.lens[0]:.1f} "
        f"u {fit.focal_u_px:.1f}, rms {fit.rms_px:.2f} px, lens {fit.lens.round(5).tolist()}"
    )


def describe_result(result: PassResult) -> str:
    """Return a pass with its budget, checks and residuals as text."""
    lines = [
        f"pass {result.label}: {result.status} {result.direction} {result.speed_mps} m/s "
        f"u {result.speed_u_mps} dof {result.dof} {result.method} {result.interval95_mps}",
        f"  stretch {result.stretch_m}",
    ]
    for row in result.budget:
        lines.append(
            f"  {row.source:28s} {row.owner:16s} {row.kind} {row.contribution_mps:10.5f} m/s "
            f"{100 * row.share:6.2f} %{' assumed' if row.assumed else ''}"
        )
    for seen in result.sightings:
        spread = np.sqrt(np.mean(np.square(seen.residual_px[seen.used]), axis=0))
        lines.append(
            f"  {seen.clip}: {int(seen.used.sum())} of {len(seen.used)} lights, residuals "
            f"{spread.round(3)} px, sqrt q {seen.noise_scale:.2f}, rho {seen.correlation:.2f}"
        )
    lines += [f"  {c.name}: {c.status}: {c.detail}" for c in result.checks]
    return "\n".join(lines)
