"""Figures of many passes beside the range that a perfect tool would show at their number."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np
from scipy import stats

TAIL = 0.005  # of each side of a 99 % range
PLAIN_SIGMAS = 8.0  # a pass whose lights stand out so far over the noise should not be lost
LOST_SHARE = 0.02  # of such passes
WASTE = 1.15  # of RMS error over the bound, in which nothing is seen amiss


@dataclass(frozen=True, slots=True, kw_only=True)
class Score:
    """How one pass came out. `lost` is None, or why there is no speed over the gates to judge."""

    case: str
    regime: str
    kind: str
    cameras: int
    seed: int | None = None
    tags: tuple[str, ...]
    lost: str | None = None
    truth_mps: float | None = None
    speed_mps: float | None = None
    u_mps: float | None = None
    dof: float | None = None
    method: str | None = None
    z: float | None = None
    covered: bool | None = None
    peak_sigmas: float | None = None  # of the lights over the noise, clips only
    ideal_z: float | None = None  # of the ideal solver
    bound_mps: float | None = None  # u of the ideal solver
    largest: str | None = None  # the largest row of the budget
    warnings: tuple[str, ...] = ()
    streak_z: tuple[float, ...] = ()  # of the speeds by the streaks, a clip each
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
    "| row | n | mean z | RMS z | coverage % | RMS error/bound | median u/v % | worst z "
    "| lost % | lost above 8 sigma % | ideal RMS z | RMS off ideal/bound | verdict |\n"
    "| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |"
)


def row_text(label: str, scores: Sequence[Score]) -> tuple[str, bool]:
    """Return a row of the table, and whether it passes: every figure inside, few passes lost."""
    good = [score for score in scores if score.lost is None]
    plain = [s for s in scores if s.peak_sigmas is None or s.peak_sigmas >= PLAIN_SIGMAS]
    lost = [score for score in plain if score.lost is not None]
    too_many = len(lost) > LOST_SHARE * len(plain)
    gone = (
        f"{share_text(len(scores) - len(good), len(scores))} | {share_text(len(lost), len(plain))}"
    )
    gone += " OUT" if too_many else ""
    if not good:
        verdict = "LOST" if too_many else "-"
        return f"| {label} | 0 | | | | | | | {gone} | | | {verdict} |", not too_many
    z = [float(score.z or 0.0) for score in good]
    share = coverage_figure([bool(score.covered) for score in good])
    mean, rms, over = mean_figure(z), rms_figure(z), over_bound(good)
    ratio = [100.0 * (s.u_mps or 0.0) / (s.truth_mps or 1.0) for s in good]
    cells = [mean.text(".2f"), rms.text(".2f"), share.text(".1f")]
    cells += [
        "" if over is None else over.text(".2f"),
        median_text(ratio),
        f"{max(z, key=abs):+.1f}",
    ]
    ideal = [float(s.ideal_z) for s in good if s.ideal_z is not None]
    cells += [gone, rms_figure(ideal).text(".2f") if ideal else "", off_ideal(good)]
    out = mean.out or rms.out or share.out or (over is not None and over.out)
    verdict = "OUT" if out else "LOST" if too_many else "ok"
    return f"| {label} | {len(good)} | {' | '.join(cells)} | {verdict} |", verdict == "ok"


def over_bound(good: Sequence[Score]) -> Figure | None:
    """Return the RMS of the error over the bound; only above the range is it outside.

    The range of a solver that reaches the bound; up to `WASTE` is allowed at any number.
    """
    known = [s for s in good if s.bound_mps]
    if not known:
        return None
    ratio = [((s.speed_mps or 0.0) - (s.truth_mps or 0.0)) / (s.bound_mps or 1.0) for s in known]
    figure = rms_figure(ratio)
    return replace(figure, high=max(figure.high, WASTE), low=min(figure.low, figure.value))


def off_ideal(good: Sequence[Score]) -> str:
    """Return the RMS over the bound of how far the speed lies from the ideal solver's."""
    off = [
        ((s.speed_mps or 0.0) - (s.truth_mps or 0.0)) / s.bound_mps - s.ideal_z
        for s in good
        if s.bound_mps and s.ideal_z is not None
    ]
    return f"{float(np.sqrt(np.mean(np.square(off)))):.2f}" if off else ""


def share_text(count: int, total: int) -> str:
    """Return a share in percent and the 99 % interval of its true value (Clopper and Pearson)."""
    if not total:
        return "-"
    low = stats.beta.ppf(TAIL, count, total - count + 1) if count else 0.0
    high = stats.beta.ppf(1.0 - TAIL, count + 1, total - count) if count < total else 1.0
    return f"{100.0 * count / total:.1f} ({100.0 * low:.1f} to {100.0 * high:.1f})"


def median_text(values: Sequence[float]) -> str:
    """Return a median and the 99 % interval of the true one, from the order of the values."""
    count = len(values)
    order = np.sort(values)
    rank = int(stats.binom.ppf(TAIL, count, 0.5))
    low, high = order[max(rank - 1, 0)], order[min(count - rank, count - 1)]
    return f"{np.median(order):.3f} ({low:.3f} to {high:.3f})"


def table(scores: Sequence[Score], label: Callable[[Score], list[str]]) -> tuple[list[str], bool]:
    """Return the rows of the scores grouped by their labels, and whether all of them pass."""
    groups: dict[str, list[Score]] = {}
    for score in scores:
        for name in label(score):
            groups.setdefault(name, []).append(score)
    rows = [row_text(name, group) for name, group in sorted(groups.items())]
    return [text for text, _ in rows], all(passes for _, passes in rows)
