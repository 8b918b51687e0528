"""One measured session of bare tracks and its pack, for all tests of evidence."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from tests.tiny import undrawn
from vidspeed.evidence.pack import pack

from .packed import files_of_pack, measured, write_session


@pytest.fixture(autouse=True)
def _no_drawing(undrawn):
    """Let every figure be a few bytes: drawing is slow, and other tests look at pictures."""


@pytest.fixture(scope="session")
def once(tmp_path_factory) -> Path:
    """Measure the session; nobody may write into it."""
    with undrawn():
        return measured(write_session(tmp_path_factory.mktemp("evidence") / "afternoon"))


@pytest.fixture
def session(once, tmp_path) -> Path:
    """Return a copy of the measured session, to be changed at will."""
    return shutil.copytree(once, tmp_path / "afternoon")


@pytest.fixture(scope="session")
def packed(once, tmp_path_factory) -> bytes:
    """Return the bytes of its pack."""
    out = tmp_path_factory.mktemp("pack") / "afternoon.zip"
    pack(once, out=out)
    return out.read_bytes()


@pytest.fixture(scope="session")
def held(packed) -> dict[str, bytes]:
    """Return what the pack holds, but for the manifest."""
    return files_of_pack(packed)
