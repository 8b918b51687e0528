"""How a search begins: with a background from the first frames, and little memory."""

from types import SimpleNamespace

import numpy as np
import pytest

from vidspeed.clip import search as room
from vidspeed.clip.background import Backdrop
from vidspeed.clip.read import Frame

RATE_HZ = 240.0
HEADER = SimpleNamespace(size_px=(64, 48), full_range=False)


def frames(count):
    rng = np.random.default_rng(5)
    return [
        Frame(
            index=k, stamp=k, time_s=k / RATE_HZ,
            luma=rng.integers(40, 60, (48, 64)).astype(np.uint8),
        )
        for k in range(count)
    ]  # fmt: skip


@pytest.mark.parametrize("held", [1, 4, 100])
def test_frames_that_may_not_wait_make_the_first_background_and_no_later_one(monkeypatch, held):
    usual, soon = Backdrop(1.0 / RATE_HZ).spacing, round(room.SOON_S * RATE_HZ / 8)
    monkeypatch.setattr(room, "MOST_WAITING", held * 8 * (64 * 48 + 32 * 24))
    begun = None
    with room.Search(HEADER, None) as search:
        for frame in frames(9 * usual + 2):
            search.take([frame])
            if begun is None and search.limits is not None:
                begun = frame.index
        backdrop = search._backdrop
    assert begun == 8 * min(held, soon)
    assert backdrop.spacing == usual > soon > 4
