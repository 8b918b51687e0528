"""What a run left in the session's folder, read for the pages without decoding anything."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

NAME = "results/summary.json"


def summary_of(folder: Path) -> dict[str, Any] | None:
    """Return what results/summary.json holds; None where there is none that can be read."""
    try:
        found = json.loads((folder / NAME).read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return None
    return found if isinstance(found, dict) else None
