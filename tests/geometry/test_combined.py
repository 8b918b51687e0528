"""Satellites and tapes in one adjustment."""

from dataclasses import replace

import numpy as np
import pytest

from tests.geometry.test_gnss import course, fix
from vidspeed.geometry.combined import adjust_both
from vidspeed.geometry.gnss import adjust_fixes
from vidspeed.values import Measured, Tape, Taped

POINTS = {"start": (0, 0, 0), "finish": (48, 64, 0.5), "a": (10, 40, 1), "b": (30, 20, 2)}
PAIRS = (("start", "finish"), ("start", "a"), ("finish", "a"), ("a", "b"), ("finish", "b"))
U_M, UP_M, TAPE_M, PPM = 0.015, 0.03, 0.004, 100.0


def measured(rng, *, off=None, size=1.0):
    """Measure the points by satellite, and some distances by tape; `off` adds metres to one."""
    exact = {name: np.array(place, float) for name, place in POINTS.items()}
    fixes = tuple(
        fix(name, *(place + size * rng.standard_normal(3) * [U_M, U_M, UP_M]), u_m=U_M, u_up_m=UP_M)
        for name, place in exact.items()
    )
    scale = size * 1e-6 * PPM * rng.standard_normal()
    taped = tuple(
        Taped(
            start=one, end=other, u_m=TAPE_M, tape="steel",
            distance_m=float(np.linalg.norm(exact[one] - exact[other])) * (1.0 + scale)
            + size * TAPE_M * rng.standard_normal() + (0.0 if off != (one, other) else 0.08),
        )
        for one, other in PAIRS
    )  # fmt: skip
    return Measured(
        start_post="start", finish_post="finish", fixes=fixes, taped=taped,
        tapes=(Tape(name="steel", scale_u_ppm=PPM),),
    )  # fmt: skip


def test_the_uncertainties_are_those_of_drawn_errors():
    rng = np.random.default_rng(3)
    exact = adjust_fixes(course(fix("a", *POINTS["a"]), fix("b", *POINTS["b"]))).places_m
    z, fits = [], []
    for _ in range(120):
        found = adjust_both(measured(rng))
        free = found.covariance_m2.diagonal() > 1e-12
        u_m = np.sqrt(found.covariance_m2.diagonal()[free])
        z.append((found.places_m - exact).ravel()[free] / u_m)
        fits.append(found.chi2)
    rms = np.sqrt(np.mean(np.square(z), axis=0))
    assert np.all((rms > 0.83) & (rms < 1.17)), rms  # 120 draws: 99 % of each
    assert np.mean(fits) == pytest.approx(len(PAIRS), abs=0.75)  # chi-square of five distances


def test_tapes_sharpen_what_the_satellites_say():
    both = adjust_both(measured(np.random.default_rng(1)))
    alone = adjust_fixes(measured(np.random.default_rng(1)))
    assert both.length_u_m < 0.6 * alone.length_u_m
    assert both.dof == 5 and both.lines[0] == (0, 1)
    assert [row.source for row in both.inputs[:6]] == ["marker survey"] * 5 + ["tape scale"]
    assert both.inputs[6].name == "start east"
    assert both.by_input.shape == (12, 18)
    assert np.allclose(both.by_input[:2], 0.0) and np.allclose(both.by_input[4], 0.0)  # the axes


def test_without_errors_nothing_is_moved_or_named():
    found = adjust_both(measured(np.random.default_rng(1), size=0.0))
    assert found.length_m == pytest.approx(np.hypot(48.0, 64.0), abs=1e-3)
    assert not any(row.named for row in found.tests)


def test_a_distance_read_wrong_is_named():
    found = adjust_both(measured(np.random.default_rng(2), off=("start", "a")))
    named = [row for row in found.tests if row.named]
    assert [(row.kind, row.name) for row in named][:1] == [("tape", "start to a")]
    assert named[0].residual / named[0].redundancy == pytest.approx(0.08, abs=0.06)


def test_many_tapes_keep_their_own_scales():
    whole = measured(np.random.default_rng(4))
    taped = tuple(
        replace(row, tape="cloth" if at % 2 else "steel") for at, row in enumerate(whole.taped)
    )
    tapes = (*whole.tapes, Tape(name="cloth", scale_u_ppm=300.0))
    found = adjust_both(replace(whole, taped=taped, tapes=tapes))
    names = [row.name for row in found.inputs if row.source == "tape scale"]
    assert names == ["scale of steel", "scale of cloth"]
    assert [row.name for row in found.tests if row.kind == "scale"] == ["steel", "cloth"]
