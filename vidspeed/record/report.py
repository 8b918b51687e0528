"""The report: one file that opens anywhere, without a network."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from functools import lru_cache
from importlib.resources import files
from typing import Any

import numpy as np
from jinja2 import Environment, StrictUndefined, Template

from vidspeed import __version__
from vidspeed.record.canvas import data_uri
from vidspeed.record.courseview import plan_words
from vidspeed.record.markview import mark_view, no_mark_sentence
from vidspeed.record.passview import pass_row, pass_view
from vidspeed.record.pictures import Charts, ClipKey, Drawn
from vidspeed.record.proofview import proof_view
from vidspeed.record.slim import inline
from vidspeed.record.units import (
    Unit,
    percent_text,
    unit_named,
    with_uncertainty,
)
from vidspeed.record.words import range_sentence, visible
from vidspeed.values import Advice, CameraFit, MarkerResidual, Outcome, Session

_MOST_CORRELATED = 10


def report_parts(
    outcome: Outcome,
    *,
    unit: str = "kmh",
    drawn: Mapping[ClipKey, Sequence[Drawn]],
    charts: Charts,
    calibration: Mapping[str, bytes],
    contents_sha256: str,
) -> Iterator[bytes]:
    """Yield `report.html` in UTF-8, with every picture inside, part after part.

    Of many passes it is large: each is put into words when its turn comes.

    Parameters
    ----------
    drawn
        Pictures by (camera, clip): a set for each pass in the clip, in order of the passes.
    calibration
        JPEG bytes by camera.
    contents_sha256
        Hash of the list of inputs and results, for witnesses to sign beside.
    """
    spoken = unit_named(unit)
    css = files("vidspeed.record").joinpath("report.css").read_text(encoding="utf-8")
    view = report_view(outcome, spoken, drawn, charts, calibration)
    parts = template().generate(css=css, contents_sha256=contents_sha256, **view)
    return (part.encode("utf-8", errors="xmlcharrefreplace") for part in parts)


@lru_cache(maxsize=1)
def template() -> Template:
    """Return the report's template, compiled."""
    environment = Environment(autoescape=True, undefined=StrictUndefined, finalize=visible)
    text = files("vidspeed.record").joinpath("report.html").read_text(encoding="utf-8")
    return environment.from_string(text)


def report_view(
    outcome: Outcome,
    unit: Unit,
    drawn: Mapping[ClipKey, Sequence[Drawn]],
    charts: Charts,
    calibration: Mapping[str, bytes],
) -> dict[str, Any]:
    """Return what the template shows, as texts."""
    left = {key: list(pictures) for key, pictures in drawn.items()}
    return {
        "title": outcome.session.title,
        "facts": _session_facts(outcome.session),
        "unit": unit.label,
        "version": __version__,
        "mark": mark_view(outcome, unit),
        "no_mark": no_mark_sentence(outcome).removeprefix("No mark: "),
        "proof": proof_view(outcome.proof, unit),
        "range_warning": _range_warning(outcome),
        "problems": outcome.problems,
        "passes": [pass_row(row, unit) for row in outcome.passes],
        "each_pass": (
            pass_view(outcome, number, unit, left, charts) for number in range(len(outcome.passes))
        ),
        "correlations": _correlations(outcome),
        "plan": inline(charts.plan, plan_words(outcome)),
        "cameras": [_camera_view(fit, calibration.get(fit.camera)) for fit in outcome.cameras],
        "advice": [_advice_view(row) for row in outcome.advice],
        "inputs": outcome.inputs,
        "notes": [
            (view.clip, note)
            for view in outcome.clips
            if view.facts is not None
            for note in view.facts.notes
        ],
    }


def _session_facts(session: Session) -> list[str]:
    """Return date, place, craft and course as short texts."""
    length = with_uncertainty(session.course.length_m, session.course.length_u_m)
    found = [
        session.date.isoformat() if session.date else "",
        session.place or "",
        session.craft.name or "",
        f"course {length[0]} m, u {length[1]} m",
    ]
    return [text for text in found if text]


def _range_warning(outcome: Outcome) -> str | None:
    """Return what the flight line does to the first pass that it rules, said once at the top."""
    for result in outcome.passes:
        sentence = range_sentence(result)
        if sentence is not None:
            return f"Pass {result.label}: {sentence[0].lower()}{sentence[1:]}"
    return None


def _correlations(outcome: Outcome) -> dict[str, Any] | None:
    """Return the correlation matrix of the passes, None where it would say or show too much."""
    labels, covariance = outcome.covariance_labels, np.asarray(outcome.covariance)
    if not 2 <= len(labels) <= _MOST_CORRELATED:
        return None
    u = np.sqrt(np.diag(covariance))
    matrix = covariance / np.where(u > 0.0, u, np.nan) / np.where(u > 0.0, u, np.nan)[:, None]
    cells = [[f"{value:.2f}" if np.isfinite(value) else "–" for value in row] for row in matrix]
    return {"labels": labels, "rows": list(zip(labels, cells, strict=True))}


def _camera_view(fit: CameraFit, picture: bytes | None) -> dict[str, Any]:
    """Return one camera as texts."""
    axes = zip(fit.pose.position_m.tolist(), fit.position_u_m.tolist(), strict=True)
    places = [with_uncertainty(*axis) for axis in axes]
    focal = with_uncertainty(float(fit.lens[0]), fit.focal_u_px)
    checks = "none held out" if fit.check_rms_m is None else f"{fit.check_rms_m:.3f} m"
    return {
        "name": fit.camera,
        "facts": [
            ("Stands at x, y, z (m)", ", ".join(place[0] for place in places)),
            ("u of that (m)", ", ".join(place[1] for place in places)),
            ("Focal length", f"{focal[0]} px, u {focal[1]} px"),
            ("Residual of the fit, RMS", f"{fit.rms_px:.2f} px"),
            ("Check markers, RMS", checks),
        ],
        "picture": picture and _camera_picture(fit, picture),
        "problems": fit.problems,
        "markers": [_marker_view(marker) for marker in fit.markers],
    }


def _advice_view(row: Advice) -> tuple[str, str]:
    """Return a change and what it would bring as texts."""
    return row.change, "–" if row.relative_U95 is None else percent_text(row.relative_U95)


def _camera_picture(fit: CameraFit, picture: bytes) -> dict[str, str]:
    """Return the calibration picture with its texts."""
    return {
        "uri": data_uri(picture, "jpeg"),
        "alt": f"View of camera {fit.camera}: {len(fit.markers)} picks with the markers "
        f"re-projected, RMS {fit.rms_px:.2f} px, and the course with both gates",
        "caption": "Picks (rings), the markers re-projected (crosses) and what is left "
        "(arrows, enlarged), with the course line, the flight line and both gates.",
    }


def _marker_view(marker: MarkerResidual) -> dict[str, Any]:
    """Return one marker as texts."""
    return {
        "name": marker.name,
        "use": marker.use,
        "residual": f"{marker.residual_px[0]:+.2f}, {marker.residual_px[1]:+.2f}",
        "size": f"{marker.residual_m:.3f}",
        "u": f"{marker.u_m:.3f}",
        "normalised": f"{marker.normalised:.1f}",
        "odd": abs(marker.normalised) > 2.0,
    }
