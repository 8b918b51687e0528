"""The median of nine small pictures is that of NumPy, in eight bits and in ten."""

from __future__ import annotations

import numpy as np
import pytest

from vidspeed.clip.medians import middle_of_nine, middle_of_stack


@pytest.mark.parametrize(("kind", "top"), [(np.uint8, 256), (np.uint16, 1024)])
@pytest.mark.parametrize("shape", [(30, 33), (1, 5), (7, 1)])
def test_the_middle_of_nine_is_their_median(kind, top, shape):
    stack = np.random.default_rng(3).integers(0, top, (9, *shape)).astype(kind)
    middle = np.median(stack, axis=0)
    for found in (middle_of_stack(stack), middle_of_nine(list(stack))):
        assert found.dtype == kind
        np.testing.assert_array_equal(found, middle)
