"""Drawing is slow; most tests of the record are about words and numbers."""

from __future__ import annotations

import pytest
from made_up import outcome
from markupsafe import Markup

from vidspeed.record import files, passview, pictures, report


@pytest.fixture
def no_drawing(monkeypatch) -> None:
    """Let every figure be a few bytes."""
    for name in DRAWN:
        monkeypatch.setattr(pictures, name, lambda *_args, **_more: b"\x89PNG made up")
    for module in (passview, report):
        monkeypatch.setattr(module, "inline", lambda _drawing, _words: Markup("<svg></svg>"))


@pytest.fixture(scope="session")
def made_files() -> dict[str, bytes]:
    """Return every file of the made-up outcome, drawn in full."""
    return files.result_files(outcome("unused"))


DRAWN = ("painted", "png", "svg", "jpeg")
