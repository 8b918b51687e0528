"""Coverage factors: from effective degrees of freedom to an expanded uncertainty.

JCGM 100:2008 (GUM), annex G: the Welch-Satterthwaite formula (G.2b) and Student's t.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

from vidspeed.chance import normal_ppf, student_ppf

LEVEL = 0.95


def coverage_factor(dof: float | None, *, level: float = LEVEL) -> float:
    """Return the two-sided coverage factor for `dof` degrees of freedom (None: infinite).

    The degrees of freedom are cut to an integer first (GUM G.4.1, note 1), and never below one.

    Examples
    --------
    >>> round(coverage_factor(16.75), 2), round(coverage_factor(None), 2)
    (2.12, 1.96)
    """
    tail = 0.5 + level / 2.0
    if dof is None or not math.isfinite(dof):
        return float(normal_ppf(tail))
    return float(student_ppf(tail, max(1, math.floor(dof))))


def effective_dof(u: float, parts: Iterable[tuple[float, float | None]]) -> float | None:
    """Return the effective degrees of freedom of a combined uncertainty, None where infinite.

    Parameters
    ----------
    u
        The combined standard uncertainty.
    parts
        (contribution, dof) of each part, in the unit of `u`; dof None is infinite.

    Notes
    -----
    Welch-Satterthwaite, GUM equation (G.2b); not rounded.

    Examples
    --------
    >>> effective_dof(2.0, [(1.0, 4.0), (3.0**0.5, None)])
    64.0
    """
    total = math.fsum(part**4 / dof for part, dof in parts if dof is not None and part != 0.0)
    return u**4 / total if total > 0.0 else None
