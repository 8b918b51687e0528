"""Where the lens model ends; the projection itself is held to OpenCV's in tests/against."""

import numpy as np
import pytest

from vidspeed.geometry.lens import fold


@pytest.mark.parametrize(("k1", "expected"), [(0.0, np.inf), (-0.25, 1.1547), (0.1, np.inf)])
def test_where_a_lens_folds_over(k1, expected):
    lens = np.array([240.0, 240.0, 159.5, 89.5, k1, 0.0, 0.0, 0.0, 0.0])
    assert fold(lens) == pytest.approx(expected, abs=1e-4)
