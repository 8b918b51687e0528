"""Figures of many passes beside the range that a perfect tool would show at their number."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from scipy import stats

TAIL = 0.005  # of each side of a 99 % range


@dataclass(frozen=True, slots=True, kw_only=True)
class Score:
    """How one pass came out. `lost` is None, or why there is no speed over the gates to judge."""

    case: str
    regime: str
    kind: str
    cameras: int
    tags: tuple[str, ...]
    lost: str | None = None
    truth_mps: float | None = None
    speed_mps: float | None = None
    u_mps: float | None = None
    dof: float | None = None
    method: str | None = None
    z: float | None = None
    covered: bool | None = None
    ideal_z: float | None = None  # of the ideal solver, tracks only
    bound_mps: float | None = None  # u of the ideal solver
    largest: str | None = None  # the largest row of the budget
    warnings: tuple[str, ...] = ()
    took_s: float = 0.0
    detail: str = ""

    def as_row(self) -> dict[str, Any]:
        """Return the score as a plain dictionary."""
        return asdict(self)


def normal_score(error: float, u: float, dof: float | None) -> float:
    """Return z: the normal deviate as improbable as error/u is for t with `dof` (None: normal).

    Examples
    --------
    >>> round(normal_score(2.228, 1.0, 10.0), 2)
    1.96
    """
    ratio = error / u
    if dof is None or not np.isfinite(dof):
        return float(ratio)
    return float(-np.sign(ratio) * stats.norm.ppf(stats.t.sf(abs(ratio), dof)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """A figure, the 99 % range of a perfect tool, and whether it lies inside."""

    value: float
    low: float
    high: float

    @property
    def out(self) -> bool:
        """Say whether the figure lies outside the range."""
        return not self.low <= self.value <= self.high

    def text(self, form: str) -> str:
        """Return "value [low, high]", marked where it is outside."""
        mark = " OUT" if self.out else ""
        return f"{self.value:{form}} [{self.low:{form}}, {self.high:{form}}]{mark}"


def mean_figure(z: Sequence[float]) -> Figure:
    """Return the mean of z: normal with standard deviation 1/sqrt(n)."""
    limit = float(stats.norm.isf(TAIL)) / np.sqrt(len(z))
    return Figure(value=float(np.mean(z)), low=-limit, high=limit)


def rms_figure(z: Sequence[float]) -> Figure:
    """Return the RMS of z: its square times n is chi-square with n degrees of freedom."""
    low, high = np.sqrt(stats.chi2.ppf([TAIL, 1.0 - TAIL], len(z)) / len(z))
    return Figure(value=float(np.sqrt(np.mean(np.square(z)))), low=float(low), high=float(high))


def coverage_figure(covered: Sequence[bool]) -> Figure:
    """Return the share of covered passes, in percent: binomial with 95 %."""
    n = len(covered)
    low, high = stats.binom.ppf([TAIL, 1.0 - TAIL], n, 0.95) * 100.0 / n
    return Figure(value=100.0 * float(np.mean(covered)), low=float(low), high=float(high))


HEADER = (
    "| row | n | mean z | RMS z | coverage % | median u/v % | worst z | lost "
    "| ideal RMS z | RMS error/bound | verdict |\n"
    "| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |"
)


def row_text(label: str, scores: Sequence[Score]) -> tuple[str, bool]:
    """Return a row of the table, and whether it passes: every figure inside and no pass lost."""
    good = [score for score in scores if score.lost is None]
    lost = len(scores) - len(good)
    if not good:
        return f"| {label} | 0 | | | | | | {lost} | | | {'LOST' if lost else 'empty'} |", not lost
    z = [float(score.z or 0.0) for score in good]
    mean, rms = mean_figure(z), rms_figure(z)
    share = coverage_figure([bool(score.covered) for score in good])
    ratio = 100.0 * np.median([(s.u_mps or 0.0) / (s.truth_mps or 1.0) for s in good])
    worst = max(z, key=abs)
    passes = not (mean.out or rms.out or share.out or lost)
    verdict = "ok" if passes else "LOST" if not (mean.out or rms.out or share.out) else "OUT"
    cells = (mean.text(".2f"), rms.text(".2f"), share.text(".1f"), f"{ratio:.3f}", f"{worst:+.1f}")
    line = f"| {label} | {len(good)} | {' | '.join(cells)} | {lost} | {ideal_cells(good)}"
    return f"{line} | {verdict} |", passes


def ideal_cells(good: Sequence[Score]) -> str:
    """Return the ideal solver's RMS z, and the RMS of the tool's error over the bound."""
    known = [s for s in good if s.ideal_z is not None and s.bound_mps]
    if not known:
        return " | "
    ratio = [((s.speed_mps or 0.0) - (s.truth_mps or 0.0)) / (s.bound_mps or 1.0) for s in known]
    ideal = rms_figure([float(s.ideal_z or 0.0) for s in known])
    return f"{ideal.text('.2f')} | {float(np.sqrt(np.mean(np.square(ratio)))):.2f}"


def table(scores: Sequence[Score], label: Callable[[Score], list[str]]) -> tuple[list[str], bool]:
    """Return the rows of the scores grouped by their labels, and whether all of them pass."""
    groups: dict[str, list[Score]] = {}
    for score in scores:
        for name in label(score):
            groups.setdefault(name, []).append(score)
    rows = [row_text(name, group) for name, group in sorted(groups.items())]
    return [text for text, _ in rows], all(passes for _, passes in rows)
