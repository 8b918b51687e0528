"""Whether a session is ready, in the words of `vidspeed calibrate`."""

from __future__ import annotations

from pathlib import Path

from vidspeed.calibrate import calibrate
from vidspeed.errors import VidspeedError


def verdict(folder: Path) -> str:
    """Return `ready`, or one line for each thing that is not, with its mend."""
    try:
        found = calibrate(folder)
    except VidspeedError as error:
        return "\n".join(f"not ready: {message}" for message in error.messages)
    if found.ready:
        return "ready"
    return "\n".join(f"not ready: {row.item}; {row.mend}" for row in found.failing)
