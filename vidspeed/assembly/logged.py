"""Records made on board, laid beside the passes of a session."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime

import numpy as np

from vidspeed.agreement.causes import Beside
from vidspeed.agreement.lag import Lag
from vidspeed.agreement.onboard import beside_record, runs
from vidspeed.values import Check, Onboard, PassResult, Problem, Session

Rows = dict[str, list[Beside]]


def logs_beside(
    session: Session, passes: Sequence[PassResult]
) -> tuple[Rows, dict[str, Check], list[Problem]]:
    """Return what the records say of passes by their label, a check `log` of each, and problems."""
    rows: Rows = {}
    checks: dict[str, Check] = {}
    problems: list[Problem] = []
    begins = [_begin_s(row) for row in passes]
    for record in session.onboard:
        problems += [
            Problem(level="warn", where=record.file, message=note) for note in record.notes
        ]
        found, lag = beside_record(record, passes, begins)
        problems += _told(record, passes, found, lag)
        for label, beside in found.items():
            rows.setdefault(label, []).append(beside)
            checks[label] = _check(record, passes, found, label, lag)
    return rows, checks, problems


def _begin_s(result: PassResult) -> float | None:
    """Return when a pass was, in seconds since 1970; None where `recorded` has no offset."""
    recorded: datetime | None = result.recorded
    if recorded is None or recorded.tzinfo is None or not result.crossings:
        return None
    return recorded.timestamp() + result.crossings[0].time_in_s


def _told(
    record: Onboard, passes: Sequence[PassResult], found: Mapping[str, Beside], lag: Lag | None
) -> list[Problem]:
    """Return what is to be told of a record itself."""
    messages = []
    if not found and any(row.speed_mps is not None for row in passes):
        messages.append(
            f"{len(runs(record))} fast stretches are in it, and which pass is which cannot be "
            "told; write passes = [...] with the labels of those in it, or recorded for each clip"
        )
    if lag is not None and lag.told:
        messages.append(
            f"its speeds come {lag.lag_s:.2f} s (u {lag.lag_u_s:.2f} s) later than its own places "
            "say: a filter; in a short fast stretch they are not to be trusted"
        )
    return [Problem(level="warn", where=record.file, message=text) for text in messages]


def _check(
    record: Onboard,
    passes: Sequence[PassResult],
    found: Mapping[str, Beside],
    label: str,
    lag: Lag | None,
) -> Check:
    """Return the check row `log` of a pass: over all passes of the record, and its lag."""
    rows = [found[row.label] for row in passes if row.label in found]
    away = np.array([row.away_mps / row.speed_mps for row in rows])
    u = np.array([row.u_mps / row.speed_mps for row in rows])
    mean = float(np.average(away, weights=1.0 / u**2))
    said = (
        f"{record.file}: {100.0 * found[label].away_mps / found[label].speed_mps:+.2f} % here, "
        f"{100.0 * mean:+.2f} % over {len(rows)} passes"
    )
    if lag is None or not lag.told:
        return Check(name="log", status="ok", detail=said)
    return Check(
        name="log", status="warn", detail=f"{said}; its speeds lag by {lag.lag_s:.2f} s (a filter)"
    )
