"""Places that stand out are grouped alike whether they are few or many."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from vidspeed.clip.background import Apart
from vidspeed.clip.spots import groups


def scattered(rng, shape):
    """Return clusters of places that stand out, of both signs side by side, without skirts."""
    away = np.zeros(shape, np.int16)
    for _ in range(rng.integers(1, 8)):
        y, x = rng.integers(0, shape[0]), rng.integers(0, shape[1])
        size = rng.integers(1, 9)
        rows = np.clip(y + rng.integers(-3, 4, size), 0, shape[0] - 1)
        columns = np.clip(x + rng.integers(-4, 5, size), 0, shape[1] - 1)
        away[rows, columns] = rng.choice([-1, 1]) * rng.choice([70, 90, 300, 600], size)
    ceiling = rng.integers(16, 80, shape).astype(np.int16)
    over = np.asarray(cv2.compare(np.abs(away), ceiling, cv2.CMP_GT), np.uint8)
    level = np.full_like(away, 900)
    return Apart(level + away, level, np.abs(away), ceiling, over, cv2.countNonZero(over))


@pytest.mark.parametrize("shape", [(40, 64), (33, 51)])
def test_few_places_make_the_same_groups_as_many(shape, monkeypatch):
    rng = np.random.default_rng(4)
    drawn = [scattered(rng, shape) for _ in range(60)]
    some = [apart for apart in drawn if apart.count]
    few = [sorted(groups.groups_of(apart)) for apart in some]
    monkeypatch.setattr(groups, "FEW_PLACES", 0)
    assert [sorted(groups.groups_of(apart)) for apart in some] == few
    assert max(len(boxes) for boxes in few) > 4


@pytest.mark.parametrize("shape", [(8, 8), (7, 9), (1, 5)])
def test_places_are_found_in_order_to_the_last_pixel(shape):
    rng = np.random.default_rng(5)
    over = np.where(rng.random(shape) < 0.3, 255, 0).astype(np.uint8)
    over[-1, -1] = 255
    assert np.array_equal(groups.places_of(over), np.flatnonzero(over))
