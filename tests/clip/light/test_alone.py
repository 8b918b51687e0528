"""Which transfer curve a lamp's strongest lights speak for, and spots that are no lights."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from vidspeed.clip.light import alone
from vidspeed.clip.light.curve import POWERS


@pytest.mark.parametrize(
    ("spots", "unsettled", "tries"),
    [(4, 0, len(POWERS)), (4, 1, 1), (5, 1, len(POWERS)), (5, 2, 1), (6, 3, len(POWERS))],
)
def test_few_spots_of_which_too_few_settle_are_tried_under_no_other_curve(
    spots, unsettled, tries, monkeypatch
):
    tried = []

    def fitted(_spots, _pixels, which, curve, _longer):
        tried.append(curve.power)
        left = 1.0 if curve.power == POWERS[1] else 2.0
        return {
            k: SimpleNamespace(settled=k < spots - unsettled, residual=np.full(3, left))
            for k in which
        }

    monkeypatch.setattr(alone, "fitted_alone", fitted)
    rows = [SimpleNamespace(snr=10.0 + k, darker=False) for k in range(spots)]
    curve, fits = alone.curve_for(rows, [SimpleNamespace()] * spots, 320.0, True)
    assert len(set(tried)) == tries
    if tries == 1:
        assert curve is None and fits == {}
        assert len(tried) == unsettled  # the strongest come first, and no more than need be
    else:
        assert curve.power == POWERS[1]
        assert len(fits) == min(spots, alone.TEACHERS)
