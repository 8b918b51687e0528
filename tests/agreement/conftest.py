"""Sessions of this room are measured for what is seen, heard and stamped in their clips."""

import pytest

from vidspeed import measure


@pytest.fixture(autouse=True)
def _no_advice(monkeypatch):
    """Ask for no advice: each session is another one, and advice costs as much as the rest."""
    monkeypatch.setattr(measure, "advice", lambda session, stands: ())
