"""One lens of the bench of rendered charts, from pictures to covariance."""

from __future__ import annotations

import numpy as np

from tests.bench.lens_charts import filmed, measured, scores


def test_a_lens_from_rendered_charts_is_as_well_known_as_it_says():
    lens, fit = measured(seed=11, number=0, count=9)
    assert np.abs(scores(lens, fit)).max() < 4.0
    assert fit.views == 9 and fit.rms_px < 0.03
    assert np.sqrt(fit.covariance[0, 0]) < 0.006 * lens[0]


def test_the_bench_films_a_chart():
    lens = np.array([800.0, 800.0, 479.5, 269.5, 0, 0, 0, 0, 0])
    (view,) = filmed(np.random.default_rng(1), lens, 1)
    assert view.xy_px.shape == (54, 2)
