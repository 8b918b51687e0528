"""Show the whole way on a session that is rendered on the spot: measured beside true."""

from __future__ import annotations

from dataclasses import dataclass
from importlib.resources import as_file, files
from pathlib import Path

from vidspeed.measure import run
from vidspeed.record.files import write_results
from vidspeed.render.session import Truth, render_scene_file
from vidspeed.spread.progress import Tell
from vidspeed.values import Outcome, PassResult, Value

SCENE = "demo.toml"
WORKERS = 2  # more would wait for each other's start on the machines that this is for


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DemoRow(Value):
    """One pass: what is true, and the result, None where nothing was measured."""

    label: str
    direction: str
    true_mps: float
    result: PassResult | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DemoOutcome(Value):
    """What the demonstration made: the session, its results, and a row for each pass."""

    folder: Path
    report: Path
    outcome: Outcome
    truth: Truth
    rows: tuple[DemoRow, ...]


def demo(
    folder: Path, *, progress: Tell | None = None, unit: str = "kmh", workers: int = WORKERS
) -> DemoOutcome:
    """Render the package's own scene into `folder`, measure it, write the results.

    Parameters
    ----------
    folder
        Empty, new, or holding an earlier demonstration.
    progress
        Called with what is being done, how much of it is done and how much there is.
    unit
        Of the report: kmh, mph, kn or mps.

    Raises
    ------
    SceneError
        Where the folder holds a session that somebody wrote.
    """
    with as_file(files("vidspeed.render") / "scenes" / SCENE) as scene:
        truth = render_scene_file(scene, folder, workers=workers, progress=progress)
    outcome = run(folder, progress=progress)
    results = write_results(outcome, unit=unit)
    measured = {item.label: item for item in outcome.passes}
    rows = tuple(
        DemoRow(
            label=item.label,
            direction=item.direction,
            true_mps=item.speed_mps,
            result=measured.get(item.label),
        )
        for item in truth.passes
    )
    return DemoOutcome(
        folder=folder, report=results / "report.html", outcome=outcome, truth=truth, rows=rows
    )
