"""The samples, and how their `expected.json` is written anew after results have moved.

    python -m tests.samples

measures every sample and writes what it found; the change log says by how much results moved.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from vidspeed.cli.passes import exit_status
from vidspeed.measure import run
from vidspeed.values import Outcome, PassResult

SAMPLES = Path(__file__).resolve().parent.parent / "samples"
FOLDERS = sorted(path.parent for path in SAMPLES.glob("*/scene.toml"))
SPEED_SHARE = 0.15  # of U95: how far a speed may move without notice
U95_SHARE = 0.15  # of itself


def expected_of(outcome: Outcome) -> dict[str, Any]:
    """Return what a sample's `expected.json` holds."""
    return {
        "exit_status": exit_status(outcome),
        "passes": [_row(item) for item in outcome.passes],
    }


def _row(item: PassResult) -> dict[str, Any]:
    assert item.speed_mps is not None and item.speed_U95_mps is not None
    return {
        "pass": item.label,
        "direction": item.direction,
        "status": item.status,
        "speed_mps": round(item.speed_mps, 5),
        "speed_tolerance_mps": round(SPEED_SHARE * item.speed_U95_mps, 5),
        "speed_U95_mps": round(item.speed_U95_mps, 5),
        "speed_U95_tolerance_mps": round(U95_SHARE * item.speed_U95_mps, 5),
    }


if __name__ == "__main__":
    for folder in FOLDERS:
        text = json.dumps(expected_of(run(folder)), indent=2) + "\n"
        (folder / "expected.json").write_text(text, encoding="utf-8", newline="\n")
        print(f"{folder.name}\n{text}")
