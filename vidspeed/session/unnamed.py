"""Clips that lie in a session folder without a [[clip]] that names them."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path, PurePosixPath

from vidspeed.values import Session

SUFFIXES = (".mp4", ".mov", ".m4v", ".mkv", ".avi", ".webm")


def clips_in(folder: Path) -> Iterator[Path]:
    """Yield the clips in a session folder and in those below it, in no order."""
    return (path for path in folder.rglob("*") if is_clip(folder, path))


def is_clip(folder: Path, path: Path) -> bool:
    """Tell a clip by its name; what lies in results or in a hidden folder is none."""
    try:
        parts = path.relative_to(folder).parts
    except ValueError:
        return False
    hidden = any(part.startswith(".") for part in parts) or parts[0] == "results"
    return path.suffix.lower() in SUFFIXES and not hidden


def camera_of(session: Session, name: str) -> str | None:
    """Return the camera after which the folder of a clip is called; None where it is not."""
    folder = PurePosixPath(name).parent.name
    return folder if folder in [camera.name for camera in session.cameras] else None


def unnamed(session: Session) -> list[str]:
    """Return the clips in the folder that no [[clip]] names, by their places there."""
    folder = Path(session.folder)
    named = {session.path_of(clip).resolve() for clip in session.clips if clip.file is not None}
    lying = sorted(path for path in clips_in(folder) if path.resolve() not in named)
    return [path.relative_to(folder).as_posix() for path in lying]


def what_to_name(session: Session) -> str:
    """Return the mend of a session without any [[clip]], with one that fits the folder."""
    lying = unnamed(session)
    some = session.cameras[0].name
    file = next((name for name in lying if camera_of(session, name)), None)
    file = file or next(iter(lying), f"clips/{some}/pass-1.mp4")
    each = f"of the {len(lying)} clips in the folder" if len(lying) > 1 else "recorded clip"
    camera = camera_of(session, file) or some
    return f'add one for each {each}, as file = "{file}" and camera = "{camera}"'
