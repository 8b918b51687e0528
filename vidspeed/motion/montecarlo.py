"""Beyond first order: a cheap look at curvature, and Monte Carlo where it matters.

Every draw disturbs the *inputs* (picks, survey, lens, lights, flight line, clocks) from their
stated distributions and solves again, from picks to speed. Drawing from the linearised model
would only give back what first order says.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from vidspeed.chance import normal_ppf
from vidspeed.errors import MotionError
from vidspeed.motion.account import ends_of
from vidspeed.motion.again import Sought, sought, speeds_after
from vidspeed.motion.budget import budget_rows
from vidspeed.motion.flight import Flight
from vidspeed.motion.propagate import Propagated, agrees, batch_size, propagate
from vidspeed.motion.unknowns import entered
from vidspeed.spread.executor import Inline
from vidspeed.values import Check, Floats, Input, PassResult, Value

LOOKED_AT = 10  # the largest inputs are moved by +- sqrt(3) u
MOST_MEAN_SHIFT = 0.1  # of u
MOST_END_SHIFT = 0.05  # of U95
CHUNK = 250  # draws that one job solves
SEED = 101
PROBE = 40  # draws that tell how hard the others will be
HARD_SHARE = 0.1
SLOW_CHUNKS, SLOW_BATCHES = 2, 2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Curvature(Value):
    """How far curvature moves the mean (in u) and the ends of the interval (in U95)."""

    mean_shift: float
    low_shift: float
    high_shift: float

    @property
    def linear(self) -> bool:
        """Tell whether first order is good enough."""
        ends = max(abs(self.low_shift), abs(self.high_shift))
        return abs(self.mean_shift) <= MOST_MEAN_SHIFT and ends <= MOST_END_SHIFT


def beyond_first_order(
    flight: Flight, result: PassResult, *, always: bool = False, pool: Executor | None = None
) -> PassResult:
    """Return `result` with the check `linear`, and from Monte Carlo where that fails.

    Parameters
    ----------
    always
        Draw in any case.
    pool
        Where the draws are solved; in this process if left out.
    """
    found = curvature(flight, result)
    detail = (
        f"curvature moves the mean by {found.mean_shift:+.2f} u, the ends of the interval by "
        f"{100.0 * found.low_shift:+.1f} % and {100.0 * found.high_shift:+.1f} % of U95"
    )
    if found.linear and not always:
        return _with_check(result, "ok", detail)
    drawn = monte_carlo(flight, result, pool=pool)
    assert result.interval95_mps is not None
    same = "agree" if agrees(result.interval95_mps, drawn) else "differ"
    detail += f"; {drawn.draws} draws: first order and Monte Carlo {same}"
    if not drawn.stable:
        detail += ", not yet stable to two digits"
    return _drawn(_with_check(result, "ok" if found.linear else "warn", detail), drawn)


def _with_check(result: PassResult, status: str, detail: str) -> PassResult:
    check = Check(name="linear", status="ok" if status == "ok" else "warn", detail=detail)
    return replace(result, checks=(*result.checks, check))


def curvature(flight: Flight, result: PassResult) -> Curvature:
    """Look at curvature input by input: solve again with each of the largest moved.

    With g the speed and s, c its first and second derivative by an input of unit variance,
    g(+-sqrt 3) = g0 +- sqrt(3) s + 3 c / 2. Mean, variance and third moment of the sum of such
    parabolas are exact; the ends follow by the Cornish-Fisher expansion (E. Cornish, R. Fisher,
    Rev. Inst. Int. Stat. 5 (1938) 307-320). An input that cannot be moved so far counts as bent.
    """
    assert result.sensitivities_mps is not None
    assert result.speed_mps is not None and result.speed_u_mps is not None
    slopes = result.sensitivities_mps.copy()
    bends = np.zeros_like(slopes)
    reach = np.sqrt(3.0)
    largest = np.argsort(-np.abs(slopes))[:LOOKED_AT]
    shifts = np.zeros((len(largest), len(slopes)))
    shifts[np.arange(len(largest)), largest] = reach
    wanted = sought(flight, ends_of(flight, result.status))
    up, down = np.split(speeds_after(flight, np.concatenate([shifts, -shifts]), wanted)[0], 2)
    if not np.all(np.isfinite(up + down)):
        return Curvature(mean_shift=1.0, low_shift=1.0, high_shift=1.0)
    bends[largest] = (up + down - 2.0 * result.speed_mps) / 3.0
    slopes[largest] = (up - down) / (2.0 * reach)
    u = float(np.sqrt(np.sum(slopes**2 + bends**2 / 2.0)))
    skewness = float(np.sum(3.0 * slopes**2 * bends + bends**3)) / u**3
    mean = float(np.sum(bends)) / 2.0
    factor = 1.959964
    lean = skewness / 6.0 * (factor**2 - 1.0) * u
    before = factor * result.speed_u_mps
    return Curvature(
        mean_shift=mean / result.speed_u_mps,
        low_shift=(mean + lean - factor * u + before) / before,
        high_shift=(mean + lean + factor * u - before) / before,
    )


def monte_carlo(flight: Flight, result: PassResult, *, pool: Executor | None = None) -> Propagated:
    """Draw the inputs from their distributions and solve each time again (JCGM 101, 7).

    Where a share of the draws is hard to settle, as with a range that hardly anything fixes, a
    draw costs tens of times as much: batches are then smaller and few, and the figures, which
    are wide, are good to about two per cent instead of two digits (JCGM 101, 7.2.3).
    """
    ends, inputs = ends_of(flight, result.status), result.inputs
    probe = _chunk(flight, inputs, ends, np.random.SeedSequence(SEED, spawn_key=(0, 0)), PROBE)
    slow = probe[1] > HARD_SHARE * PROBE
    chunks = SLOW_CHUNKS if slow else batch_size() // CHUNK
    batch = partial(_batch, flight, inputs, ends, pool or Inline(), chunks)
    return propagate(batch, most=SLOW_BATCHES if slow else None)


def _batch(
    flight: Flight,
    inputs: Sequence[Input],
    ends: tuple[float, float],
    pool: Executor,
    chunks: int,
    number: int,
) -> Floats:
    """Return one batch of draws, the same for a number whatever solves it."""
    seeds = np.random.SeedSequence(SEED, spawn_key=(number,)).spawn(chunks)
    waiting = [pool.submit(_chunk, flight, inputs, ends, seed, CHUNK) for seed in seeds]
    return np.concatenate([future.result()[0] for future in waiting])


def _chunk(
    flight: Flight,
    inputs: Sequence[Input],
    ends: tuple[float, float],
    seed: np.random.SeedSequence,
    size: int,
) -> tuple[Floats, int]:
    """Return the speeds of a chunk of draws, and how many were hard to settle.

    One that cannot be solved is drawn anew.
    """
    rng = np.random.default_rng(seed)
    wanted = sought(flight, ends)
    found = [np.zeros(0)]
    missing, refused, struggled = size, 0, 0
    while missing:
        speeds, hard = speeds_after(flight, _draws(flight, inputs, wanted, rng, missing), wanted)
        solved = np.isfinite(speeds)
        found.append(speeds[solved])
        struggled += int(hard[solved].sum())
        missing = int((~solved).sum())
        refused += missing
        if refused > max(size // 10, 3):
            raise MotionError(
                "Monte Carlo: more than a tenth of the draws cannot be solved; state the "
                "flight line and the cameras better"
            )
    return np.concatenate(found), struggled


def _draws(
    flight: Flight, inputs: Sequence[Input], wanted: Sought, rng: np.random.Generator, size: int
) -> Floats:
    """Return how far each of `size` draws moves each input, in its standard uncertainties: (k, m).

    Normal; rectangular where only bounds are known; and for lights whose scatter was estimated
    from themselves, t with those degrees of freedom (JCGM 101, 6.4.9). Along the direction in
    which the normal inputs move the speed most, the draws are one from each of `size` equally
    likely strata (W. Cochran, Sampling Techniques, 1977, ch. 5): each is normal as before, and
    the figures are stable after fewer of them.
    """
    shifts = rng.standard_normal((size, len(inputs)))
    flat = np.array([entry.distribution == "rectangular" for entry in inputs])
    along = np.where(flat, 0.0, wanted.slopes_mps)
    for rows, _ in flight.widened():
        along[rows] = 0.0
    if np.any(along):
        along /= np.linalg.norm(along)
        strata = (rng.permutation(size) + rng.uniform(size=size)) / size
        shifts += (normal_ppf(strata) - shifts @ along)[:, None] * along
    shifts[:, flat] = rng.uniform(-np.sqrt(3.0), np.sqrt(3.0), (size, int(flat.sum())))
    for rows, dof in flight.widened():
        shifts[:, rows] *= np.sqrt(dof / rng.chisquare(dof, size))[:, None]
    return shifts


def _drawn(result: PassResult, drawn: Propagated) -> PassResult:
    """Return `result` with the draws' uncertainty and interval; the budget gets a closing row.

    Draws that spread less than first order says, by chance or not, leave its uncertainty: budget
    and covariances of passes are made of the same sensitivities and must add up to it.
    """
    assert result.sensitivities_mps is not None
    first = float(result.sensitivities_mps @ result.sensitivities_mps)
    extra = float(np.sqrt(max(drawn.u**2 - first, 0.0)))
    owner = f"pass {result.label}"
    closing = entered(owner, "beyond first order", "beyond first order", 1.0, "1")
    inputs = (*result.inputs, closing)
    sensitivities = np.append(result.sensitivities_mps, extra)
    half = (drawn.interval[1] - drawn.interval[0]) / 2.0
    u = float(np.hypot(np.sqrt(first), extra))
    return replace(
        result,
        speed_u_mps=u,
        speed_U95_mps=half,
        coverage_factor=half / u,
        dof=None,
        method="monte carlo",
        interval95_mps=drawn.interval,
        budget=budget_rows(inputs, sensitivities),
        inputs=inputs,
        sensitivities_mps=sensitivities,
    )
