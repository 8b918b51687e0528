"""The lens that views of a chart give: the simplest distortion they support, and how well known.

Which distortion is needed is decided by views that were held out of the fit: more terms always
fit better, but only terms that are there predict better. The covariance is that of the adjustment
with the noise that the corners show, widened where whole views disagree by more than independent
corners would.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from vidspeed.chance import chi2_ppf
from vidspeed.errors import CalibrationError
from vidspeed.geometry.bundle import (
    SEPARATE,
    SHARED,
    Bundle,
    Normals,
    adjusted,
    basis,
    first_bundle,
    normals,
    residuals,
    settled,
)
from vidspeed.geometry.flat import flatness
from vidspeed.values import Bools, Floats, LensFit, LensTrial, Value, View

LADDER = (  # distortions that are tried, the simplest first
    (),
    ("k1",),
    ("k1", "k2"),
    ("k1", "k2", "p1 p2"),
    ("k1", "k2", "p1 p2", "k3"),
)
FOLDS = 8  # the views are held out in at most so many parts
SAME = 1e-4  # relative difference of held-out squares that is none
UNFITTED_U = {"k1": 0.02, "k2": 0.05, "p1": 5e-4, "p2": 5e-4, "k3": 0.05}  # of ordinary lenses
OUTLIER = 6.0  # a corner this many of the others' standard deviations off is no corner


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Tried(Value):
    """A model with its fit to all views, and the squares (n,) of each view when held out."""

    bundle: Bundle
    held_out: Floats


def fit_lens(views: Sequence[View], size_px: tuple[int, int]) -> LensFit:
    """Fit a lens to views of a chart.

    Raises CalibrationError where no lens explains the views.
    """
    views = list(views)
    tried, views = _tried(views, size_px)
    chosen = _simplest(tried)
    final = _with_both_axes(views, chosen)
    bundle, rows = final.bundle, normals(views, final.bundle)
    covariance, widening = _covariance(views, bundle, rows)
    count = sum(len(view.xy_px) for view in views)
    squares = float(rows.squares.sum())
    return LensFit(
        flatness=flatness(views, bundle, widening),
        image_size_px=size_px,
        parameters=bundle.lens,
        covariance=covariance,
        rms_px=float(np.sqrt(squares / count)),
        views=len(views),
        terms=tuple(term for term in bundle.terms if term not in (SHARED, "centre")),
        trials=tuple(_trial(each, views) for each in tried),
        distance_m=np.quantile(np.linalg.norm(_middles(views, bundle), axis=1), [0.0, 0.5, 1.0]),
        widening=widening,
    )


def _middles(views: Sequence[View], bundle: Bundle) -> Floats:
    """Return the middle (n, 3) of the chart in the camera frame, a row a view."""
    parts = zip(views, bundle.turns, bundle.shifts_m, strict=True)
    return np.array([turn[:, :2] @ v.plane_m.mean(axis=0) + shift for v, turn, shift in parts])


def _tried(views: list[View], size_px: tuple[int, int]) -> tuple[list[_Tried], list[View]]:
    """Return every model of the ladder, and the views without corners that are none."""
    start = _begun(views, size_px)
    steps: list[Bundle] = []
    for terms in LADDER:
        steps.append(_without(views, start, terms))
    kept = without_outliers(views, steps[-1])
    if kept is not views:
        return _tried(kept, size_px)
    if not all(np.all(np.isfinite(step.lens)) and step.lens[0] > 0.0 for step in steps):
        raise CalibrationError(
            "no lens explains the views of the chart; compare the number of its corners"
        )
    return [_Tried(bundle=step, held_out=_held_out(views, step)) for step in steps], views


def _begun(views: Sequence[View], size_px: tuple[int, int]) -> Bundle:
    """Return a bundle near the best, its terms freed one by one.

    A centre that is free too early wanders off while a strong distortion is still unknown.
    """
    start = first_bundle(views, size_px)
    for terms in (("k1",), ("k1", "k2"), ("centre", "k1"), ("centre", "k1", "k2")):
        start = settled(views, start, (SHARED, *terms))
    return start


def _without(views: Sequence[View], start: Bundle, terms: Sequence[str]) -> Bundle:
    """Return the bundle of one rung of the ladder; distortions beyond it are 0."""
    free = basis((SHARED, "centre", *terms)).any(axis=1)
    begun = replace(start, lens=np.where(free, start.lens, 0.0))
    return settled(views, begun, (SHARED, "centre", *terms))


def without_outliers(views: list[View], bundle: Bundle) -> list[View]:
    """Return the views without corners far off all others; the list itself where there is none."""
    left = residuals(views, bundle)
    sizes = [np.linalg.norm(rows, axis=1) for rows in left]
    usual = float(np.median(np.concatenate(sizes))) / np.sqrt(chi2_ppf(0.5, 2))
    good = [size <= OUTLIER * usual + 1e-6 for size in sizes]
    if all(np.all(mask) for mask in good):
        return views
    pairs = zip(views, good, strict=True)
    return [
        replace(view, plane_m=view.plane_m[mask], xy_px=view.xy_px[mask])
        for view, mask in pairs
        if np.count_nonzero(mask) >= max(8, len(mask) // 2)
    ]


def _held_out(views: Sequence[View], whole: Bundle) -> Floats:
    """Return the squares (n,) of each view under a lens that was fitted without it.

    The pose of a view that was held out is fitted to it; its lens is not.
    """
    squares = np.zeros(len(views))
    folds = min(FOLDS, len(views))
    for fold in range(folds):
        out = np.arange(len(views)) % folds == fold
        lens = adjusted(*_part(views, whole, ~out)).lens
        held, placed = _part(views, replace(whole, lens=lens), out)
        left = residuals(held, adjusted(held, placed, ()))
        squares[out] = [float(np.sum(rows**2)) for rows in left]
    return squares


def _part(views: Sequence[View], bundle: Bundle, mask: Bools) -> tuple[list[View], Bundle]:
    part = [view for view, kept in zip(views, mask, strict=True) if kept]
    return part, replace(bundle, turns=bundle.turns[mask], shifts_m=bundle.shifts_m[mask])


def _simplest(tried: Sequence[_Tried]) -> _Tried:
    """Return the model under which held-out views are seen best, the simplest of equals."""
    least = min(float(each.held_out.sum()) for each in tried)
    return next(each for each in tried if each.held_out.sum() <= least * (1.0 + SAME))


def _with_both_axes(views: Sequence[View], shared: _Tried) -> _Tried:
    """Return the model with a focal length for each axis where held-out views ask for it."""
    terms = (SEPARATE, *shared.bundle.terms[1:])
    bundle = adjusted(views, shared.bundle, terms)
    separate = _Tried(bundle=bundle, held_out=_held_out(views, bundle))
    return _simplest([shared, separate])


def _trial(tried: _Tried, views: Sequence[View]) -> LensTrial:
    count = sum(len(view.xy_px) for view in views)
    squares = sum(float(np.sum(rows**2)) for rows in residuals(views, tried.bundle))
    return LensTrial(
        terms=tried.bundle.terms[2:],
        rms_px=float(np.sqrt(squares / count)),
        held_out_px=float(np.sqrt(tried.held_out.sum() / count)),
    )


def _covariance(views: Sequence[View], bundle: Bundle, rows: Normals) -> tuple[Floats, float]:
    """Return the covariance (9, 9) of the lens, and the factor by which views widen its u."""
    free = basis(bundle.terms)
    total = rows.inner.sum(axis=0)
    scale = np.sqrt(np.diag(total))
    inverse = np.linalg.inv(total / np.outer(scale, scale)) / np.outer(scale, scale)
    count = sum(2 * len(view.xy_px) for view in views)
    dof = count - free.shape[1] - 6 * len(views)
    noise = float(rows.squares.sum()) / dof
    plain = noise * inverse
    widening = _widening(rows, total, plain)
    known = plain * widening**2 + _unfitted(views, bundle, noise * widening**2)
    return np.asarray(free @ known @ free.T), widening


def _unfitted(views: Sequence[View], bundle: Bundle, noise: float) -> Floats:
    """Return what distortions that were not fitted add to the covariance (m, m) of the others.

    That a term is too small to be seen does not make it 0, and a small one can still move its
    neighbours: decentring of 3e-4 moves the centre by a pixel. So each is taken for 0 with the
    standard uncertainty that ordinary lenses have (common practice, no source), judged again by
    the views; its mean square moves the fitted parameters as the normal equations say.
    """
    fitted = basis(bundle.terms)
    names = [name for term in LADDER[-1] if term not in bundle.terms for name in term.split()]
    if not names:
        return np.zeros((fitted.shape[1], fitted.shape[1]))
    more = tuple(term for term in LADDER[-1] if term not in bundle.terms)
    rows = normals(views, replace(bundle, terms=(*bundle.terms, *more)))
    total, pull = rows.inner.sum(axis=0) / noise, rows.pull.sum(axis=0) / noise
    own = slice(0, fitted.shape[1])
    rest = slice(fitted.shape[1], None)
    move = np.linalg.solve(total[own, own], total[own, rest])
    prior = np.diag([UNFITTED_U[name] ** -2.0 for name in names])
    judged = np.linalg.inv(total[rest, rest] - total[rest, own] @ move + prior)
    mean = judged @ (pull[rest] - move.T @ pull[own])
    return np.asarray(move @ (judged + np.outer(mean, mean)) @ move.T)


def _widening(rows: Normals, total: Floats, plain: Floats) -> float:
    """Return how much wider than by independent corners the lens is known, at least 1.

    The pull of each view on the lens is, were its corners independent, of a size that follows
    from what it knows of the lens; views whose corners share errors pull harder. The pulls are
    corrected for what the fit took up of them, so that their mean square over the expected one
    is 1 for independent corners (R. Bell, D. McCaffrey, Survey Methodology 28 (2002) 169-181).
    """
    size = len(total)
    root = np.linalg.cholesky(np.linalg.inv(total))
    share = root.T @ rows.inner @ root
    pulls = rows.pull @ root
    taken = np.linalg.solve(np.eye(size) - share, pulls[:, :, None])[:, :, 0]
    noise = float(np.trace(plain @ total)) / size
    ratio = float(np.sum(pulls * taken)) / (noise * size)
    return float(np.sqrt(max(ratio, 1.0)))
