"""Drawing is slow; most tests of the record are about words and numbers."""

from __future__ import annotations

import pytest

from vidspeed.record import files, passview


@pytest.fixture
def no_drawing(monkeypatch) -> None:
    """Let every figure be a few bytes."""
    for module, name in (
        (files, "track_picture"),
        (files, "calibration_picture"),
        (passview, "speed_profile"),
        (passview, "budget_bars"),
    ):
        monkeypatch.setattr(module, name, lambda *_args: b"\x89PNG made up")
