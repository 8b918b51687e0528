"""The outcome as JSON: `summary.json` and the signed numbers of `sensitivities.json`."""

from __future__ import annotations

import io
import json
from typing import Any

import numpy as np

from vidspeed import __version__
from vidspeed.record.contents import clip_rows
from vidspeed.record.markview import heights_row, rules_row
from vidspeed.record.proofview import proof_row
from vidspeed.record.versions import versions
from vidspeed.values import (
    BudgetRow,
    CameraFit,
    Input,
    InputFile,
    MarkerResidual,
    Outcome,
    PassResult,
    Problem,
    Profile,
    Session,
    jsonable,
)


def json_bytes(value: Any) -> bytes:
    """Return strict JSON in UTF-8: no NaN, floats in full, keys in the order they were put."""
    encoder = json.JSONEncoder(allow_nan=False, ensure_ascii=False, indent=1)
    text = io.StringIO()  # all pieces in a list would take five times the memory
    text.writelines(encoder.iterencode(jsonable(value)))
    return (text.getvalue() + "\n").encode("utf-8", errors="backslashreplace")


def summary(outcome: Outcome) -> dict[str, Any]:
    """Return what `summary.json` holds (schema `vidspeed.summary/1`)."""
    return {
        "schema": "vidspeed.summary/1",
        "tool_version": __version__,
        "session": session_facts(outcome.session),
        "inputs": [_input_file(item) for item in outcome.inputs],
        "cameras": [camera_row(fit) for fit in outcome.cameras],
        "passes": [pass_row(result) for result in outcome.passes],
        "covariance": {
            "labels": list(outcome.covariance_labels),
            "matrix": np.asarray(outcome.covariance).tolist(),
        },
        "mark": mark_row(outcome),
        "no_mark": outcome.no_mark,
        "proof": proof_row(outcome.proof),
        "problems": [_problem(problem) for problem in outcome.problems],
        "advice": [
            {"change": row.change, "relative_U95": row.relative_U95} for row in outcome.advice
        ],
        "clips": clip_rows(outcome),
        "measured_with": versions(),
    }


def session_facts(session: Session) -> dict[str, Any]:
    """Return what the summary says of the session itself."""
    line = session.flight_line
    return {
        "title": session.title,
        "date": session.date,
        "place": session.place,
        "timezone": session.timezone,
        "craft": session.craft.name,
        "length_m": session.course.length_m,
        "length_u_m": session.course.length_u_m,
        "flight_line": {
            "offset_m": line.offset_m if line.stated else None,
            "offset_u_m": line.offset_u_m if line.stated else None,
            "height_m": line.height_m if line.stated else None,
            "height_u_m": line.height_u_m if line.stated else None,
        },
    }


def pass_row(result: PassResult) -> dict[str, Any]:
    """Return one row of `passes`."""
    first = result.crossings[0] if result.crossings else None
    row: dict[str, Any] = {
        "pass": result.label,
        "flight": result.flight,
        "setup": result.setup,
        "clips": list(result.clips),
        "recorded": result.recorded,
        "direction": result.direction,
        "status": result.status,
        "speed_mps": result.speed_mps,
        "speed_u_mps": result.speed_u_mps,
        "speed_U95_mps": result.speed_U95_mps,
        "coverage_factor": result.coverage_factor,
        "dof": result.dof,
        "method": result.method,
        "interval95_mps": result.interval95_mps,
        "stretch_m": result.stretch_m,
        "time_in_s": first.time_in_s if first else None,
        "time_out_s": first.time_out_s if first else None,
    }
    if len(result.crossings) > 1 or (result.crossings and len(result.clips) > 1):
        row["crossings"] = [
            {
                "clip": crossing.clip,
                "camera": crossing.camera,
                "time_in_s": crossing.time_in_s,
                "time_out_s": crossing.time_out_s,
            }
            for crossing in result.crossings
        ]
    dismissed = dismissed_rows(result)
    if dismissed:
        row["dismissed"] = dismissed
    row["heights"] = heights_row(result.heights)
    row["profile"] = _profile_rows(result.profile)
    row["budget"] = [_budget_row(item) for item in result.budget]
    row["checks"] = [
        {"name": check.name, "status": check.status, "detail": check.detail}
        for check in result.checks
    ]
    row["cross_checks"] = [
        {
            "name": check.name,
            "speed_mps": check.speed_mps,
            "speed_u_mps": check.speed_u_mps,
            "e_n": check.e_n,
        }
        for check in result.cross_checks
    ]
    return row


def dismissed_rows(result: PassResult) -> list[dict[str, Any]]:
    """Return the lights of a pass that the user dismissed."""
    return [
        {
            "clip": sighted.clip,
            "time_s": float(sighted.track.time_s[index]),
            "x_px": float(sighted.track.xy_px[index, 0]),
            "y_px": float(sighted.track.xy_px[index, 1]),
        }
        for sighted in result.sightings
        if sighted.dismissed is not None
        for index in np.flatnonzero(sighted.dismissed)
    ]


def camera_row(fit: CameraFit) -> dict[str, Any]:
    """Return one row of `cameras`."""
    return {
        "name": fit.camera,
        "position_m": fit.pose.position_m,
        "position_u_m": fit.position_u_m,
        "focal_px": fit.lens[0],
        "focal_u_px": fit.focal_u_px,
        "rms_px": fit.rms_px,
        "check_rms_m": fit.check_rms_m,
        "markers": [_marker_row(marker) for marker in fit.markers],
        "problems": [_problem(problem) for problem in fit.problems],
    }


def mark_row(outcome: Outcome) -> dict[str, Any] | None:
    """Return `mark`, None where there is none."""
    mark = outcome.mark
    if mark is None:
        return None
    row: dict[str, Any] = {
        "passes": list(mark.passes),
        "speed_mps": mark.speed_mps,
        "speed_u_mps": mark.speed_u_mps,
        "speed_U95_mps": mark.speed_U95_mps,
        "coverage_factor": mark.coverage_factor,
        "speed_from_mean_time_mps": mark.speed_from_mean_time_mps,
        "selected_from": {"forward": mark.selected_from[0], "reverse": mark.selected_from[1]},
        "left_out": [{"pass": label, "why": why} for label, why in mark.left_out],
    }
    if mark.beats_probability is not None:
        row["beats_probability"] = mark.beats_probability
        row["beats_at_95"] = mark.beats_at_95
    return row | rules_row(outcome.session.mark, mark)


def sensitivities(outcome: Outcome) -> dict[str, Any]:
    """Return what `sensitivities.json` holds: the signed share of every input in every speed.

    `sensitivity_mps` is the change of the speed for one standard uncertainty of the input. The
    covariance of two passes is the sum of the products over inputs with the same owner and name;
    of an input with `split_unknown` the name alone counts, as if the session owned it.
    """
    return {
        "schema": "vidspeed.sensitivities/1",
        "passes": [
            {"pass": result.label, "inputs": _sensitivity_rows(result)}
            for result in outcome.passes
            if result.sensitivities_mps is not None
        ],
    }


def _sensitivity_rows(result: PassResult) -> list[dict[str, Any]]:
    """Return the rows of one pass."""
    assert result.sensitivities_mps is not None
    pairs = zip(result.inputs, result.sensitivities_mps.tolist(), strict=True)
    return [_sensitivity_row(item, value) for item, value in pairs]


def _sensitivity_row(item: Input, sensitivity_mps: float) -> dict[str, Any]:
    """Return one input with its signed number."""
    return {
        "owner": item.owner,
        "name": item.name,
        "source": item.source,
        "kind": item.kind,
        "assumed": item.assumed,
        "split_unknown": item.split_unknown,
        "input_u": item.input_u,
        "unit": item.unit,
        "sensitivity_mps": sensitivity_mps,
    }


def _budget_row(row: BudgetRow) -> dict[str, Any]:
    """Return one row of `budget`."""
    return {
        "source": row.source,
        "owner": row.owner,
        "kind": row.kind,
        "assumed": row.assumed,
        "input_u": row.input_u,
        "unit": row.unit,
        "contribution_mps": row.contribution_mps,
        "share": row.share,
    }


def _profile_rows(profile: Profile | None) -> list[dict[str, float]]:
    """Return the rows of `profile`, none where there is none."""
    if profile is None:
        return []
    columns = zip(
        profile.x_m.tolist(), profile.speed_mps.tolist(), profile.speed_u_mps.tolist(), strict=True
    )
    return [{"x_m": x, "speed_mps": speed, "speed_u_mps": u} for x, speed, u in columns]


def _marker_row(marker: MarkerResidual) -> dict[str, Any]:
    """Return what is left of one marker."""
    return {
        "name": marker.name,
        "use": marker.use,
        "picked_px": marker.picked_px,
        "projected_px": marker.projected_px,
        "residual_px": marker.residual_px,
        "residual_m": marker.residual_m,
        "residual_u_m": marker.u_m,
        "normalised": marker.normalised,
    }


def _input_file(item: InputFile) -> dict[str, str]:
    """Return one row of `inputs`."""
    return {"file": item.file, "sha256": item.sha256}


def _problem(problem: Problem) -> dict[str, str]:
    """Return one row of `problems`."""
    return {"level": problem.level, "where": problem.where, "message": problem.message}
