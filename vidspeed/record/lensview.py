"""A measured lens for people: tables, coverage, and what to keep in mind."""

from __future__ import annotations

import numpy as np
from rich.table import Table

from vidspeed.values import Flatness, Ints, LensFit

NAMES = ("fx", "fy", "cx", "cy", "k1", "k2", "p1", "p2", "k3")
SHADES = ((100, "#"), (30, "+"), (1, "."), (0, " "))  # at least so many corners


def trial_table(fit: LensFit) -> Table:
    """Return a table of the distortions that were tried; the one that was taken is marked."""
    table = Table(title="which distortion the views support")
    for name in ("fitted", "left in the fit, px", "left in views held out, px", "taken"):
        table.add_column(name, justify="left" if name == "fitted" else "right")
    taken = tuple(term for term in fit.terms if term != "focal lengths")
    for trial in fit.trials:
        mark = "yes" if trial.terms == taken else ""
        terms = ", ".join(trial.terms) or "none"
        table.add_row(terms, f"{trial.rms_px:.4f}", f"{trial.held_out_px:.4f}", mark)
    return table


def lens_table(fit: LensFit) -> Table:
    """Return a table of the nine parameters with their standard uncertainties."""
    table = Table(title="the lens")
    for name in ("", "value", "standard uncertainty"):
        table.add_column(name, justify="left" if not name else "right")
    sizes = np.sqrt(np.diag(fit.covariance))
    for name, value, size in zip(NAMES, fit.parameters, sizes, strict=True):
        digits = 2 if name[0] in "fc" else 5
        shown = f"{size:.{digits}f}" if size > 0.0 else "not fitted"
        table.add_row(name, f"{value:.{digits}f}", shown)
    return table


def cover_lines(cover: Ints) -> list[str]:
    """Return the coverage (rows, columns) as lines of text: a sign a cell, darker where more is.

    Examples
    --------
    >>> cover_lines(np.array([[0, 1], [30, 200]]))
    ['[ .]', '[+#]']
    """
    return [
        "[" + "".join(next(sign for least, sign in SHADES if n >= least) for n in row) + "]"
        for row in cover
    ]


def lens_notes(fit: LensFit) -> list[str]:
    """Return what a reader should know of a measured lens, a line each."""
    near, middle, far = fit.distance_m
    notes = [
        f"left of the corners: {fit.rms_px:.3f} px (RMS); chart {near:.2f} to {far:.2f} m away"
    ]
    if fit.widening > 1.0:
        notes.append(
            f"whole views disagree {fit.widening:.1f} times as much as single corners do, and the "
            "uncertainties are widened by that: the chart may not be flat, or the lens refocused"
        )
    if fit.flatness is not None and _matters(fit, fit.flatness):
        bow = fit.flatness
        notes.append(
            f"the chart seems bowed by {1000.0 * bow.sag_m:.2f} mm (u {1000.0 * bow.sag_u_m:.2f} "
            f"mm), which makes the focal length {bow.focal_error_percent:+.2f} % wrong, more than "
            "its uncertainty: glue it on glass or a flat board and film it again"
        )
    if fit.focus == "near":
        notes.append(
            f"focused near ({middle:.2f} m): a session lets its markers correct the focal length "
            "by some 2 %; with the focus locked as in the field, say --focus field"
        )
    return notes


def _matters(fit: LensFit, bow: Flatness) -> bool:
    """Tell whether a bow of the chart moves the focal length by more than its uncertainty."""
    u_percent = 100.0 * float(np.sqrt(fit.covariance[0, 0]) / fit.parameters[0])
    return bow.bowed and abs(bow.focal_error_percent) > u_percent
