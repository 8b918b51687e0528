"""Every other way to a pass's speed, laid beside it once the passes are solved, and judged."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import Executor
from dataclasses import replace

from vidspeed.agreement.alone import alone
from vidspeed.agreement.causes import Beside
from vidspeed.agreement.verdict import NORMAL95, compared, judged
from vidspeed.assembly.cameras import Cameras
from vidspeed.assembly.gather import Looked
from vidspeed.assembly.heard import beside_sound, listen_for
from vidspeed.assembly.joint import Joint
from vidspeed.assembly.logged import logs_beside
from vidspeed.assembly.passes import Pass
from vidspeed.values import Check, CrossCheck, PassResult, Problem, Session


def beside_others(
    session: Session,
    cameras: Cameras,
    clips: Sequence[Looked],
    solved: Sequence[Pass],
    passes: Sequence[PassResult],
    pool: Executor,
    joint: Sequence[Joint] | None = None,
) -> tuple[list[PassResult], list[Problem]]:
    """Add sound, records and each camera alone to the passes, and say of each pass what disagrees.

    `solved` and `passes` are the same passes, as flights and as final results. `joint` says of
    each what was heard already, and what it was without its sound: that is what the sound is
    compared with.
    """
    looked = {row.clip.name: row for row in clips}
    heard = [
        beside_sound(before, hearing)
        for before, hearing in (
            [(row.before, row.hearing) for row in joint]
            if joint is not None
            else zip(passes, listen_for(session, cameras, looked, passes, pool), strict=True)
        )
    ]
    logged, log_checks, told = logs_beside(session, passes)
    entries = {name: row.clip for name, row in looked.items()}
    rows: list[list[Beside]] = []
    results: list[PassResult] = []
    for result, made, (sound, check) in zip(passes, solved, heard, strict=True):
        found = [_streak(result, row) for row in result.cross_checks if row.name == "streak"]
        added = list(sound) if result.speed_mps is not None else []
        if made.flight is not None and result.speed_mps is not None:
            added += alone(session, made.flight, result, entries)
        added += logged.get(result.label, [])
        rows.append([*found, *added])
        results.append(_with(result, added, [check, log_checks.get(result.label)]))
    comparisons = sum(len(result.cross_checks) for result in results)
    comparisons += sum(row.hint for found in rows for row in found)
    verdicts = [judged(result, row, comparisons) for result, row in zip(results, rows, strict=True)]
    said = [row for _, rows_of_pass in verdicts for row in rows_of_pass]
    return [result for result, _ in verdicts], [*told, *said]


def _with(
    result: PassResult, added: Sequence[Beside], checks: Sequence[Check | None]
) -> PassResult:
    return replace(
        result,
        cross_checks=(
            *result.cross_checks,
            *(compared(result, row) for row in added if not row.hint),
        ),
        checks=(*result.checks, *(row for row in checks if row is not None)),
    )


def _streak(result: PassResult, row: CrossCheck) -> Beside:
    """Return the speed by the streaks as one beside the pass: it shares all but the exposure."""
    assert result.speed_mps is not None
    away = row.speed_mps - result.speed_mps
    own = abs(away / row.e_n) / NORMAL95 if row.e_n else row.speed_u_mps
    ratio = row.speed_mps / result.speed_mps
    return Beside(
        name=row.name,
        speed_mps=row.speed_mps,
        speed_u_mps=row.speed_u_mps,
        away_mps=away,
        own_u_mps=own,
        by_rate_mps=result.speed_mps,
        own_words=f"exposure_ms: {ratio:.3f} times what is said",
    )
