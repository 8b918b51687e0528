"""The proof on the ground, for the summary and beside the mark in the report."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from vidspeed.record.units import Unit
from vidspeed.values import Proven, ProvenDistance, ProvenDrive, ProvenPlace

NOT_PROVED = (
    "Not proved on the ground: no lamp was held still at surveyed places on the flight line, and "
    "none driven along it with a log ([[proof]]), so that nothing but the figures entered says "
    "that the course is right."
)


def proof_row(proven: Proven | None) -> dict[str, Any] | None:
    """Return `proof` of the summary, None where nothing was proved."""
    if proven is None:
        return None
    return {
        "places": [_place_row(row) for row in proven.places],
        "distances": [_distance_row(proven, row) for row in proven.distances],
        "drives": [_drive_row(row) for row in proven.drives],
    }


def _place_row(row: ProvenPlace) -> dict[str, Any]:
    return {
        "clips": list(row.clips),
        "cameras": list(row.cameras),
        "place_m": row.place_m,
        "found_m": row.found_m,
        "error_m": row.error_m,
        "error_u_m": row.error_u_m,
        "normalised": row.normalised,
    }


def _distance_row(proven: Proven, row: ProvenDistance) -> dict[str, Any]:
    return {
        "from_m": proven.places[row.first].place_m,
        "to_m": proven.places[row.second].place_m,
        "distance_m": row.distance_m,
        "error_percent": row.error_percent,
        "error_u_percent": row.error_u_percent,
        "normalised": row.normalised,
    }


def _drive_row(row: ProvenDrive) -> dict[str, Any]:
    return {
        "clips": list(row.clips),
        "cameras": list(row.cameras),
        "log": row.log,
        "speed_mps": row.speed_mps,
        "speed_u_mps": row.speed_u_mps,
        "log_speed_mps": row.log_speed_mps,
        "log_speed_u_mps": row.log_speed_u_mps,
        "error_percent": row.error_percent,
        "error_u_percent": row.error_u_percent,
        "normalised": row.normalised,
    }


def proven_of(row: Mapping[str, Any] | None) -> Proven | None:
    """Return the proof that `proof` of a summary holds; the lights of drives are not in it.

    Raises KeyError, TypeError or ValueError where it is none that this version writes.
    """
    if row is None:
        return None
    places = tuple(_proven_place(each) for each in row["places"])
    stood = [each.place_m.tolist() for each in places]
    return Proven(
        places=places,
        distances=tuple(
            ProvenDistance(
                first=stood.index([float(value) for value in each["from_m"]]),
                second=stood.index([float(value) for value in each["to_m"]]),
                **_floats(each, "distance_m", "error_percent", "error_u_percent", "normalised"),
            )
            for each in row["distances"]
        ),
        drives=tuple(
            ProvenDrive(
                clips=tuple(map(str, each["clips"])),
                cameras=tuple(map(str, each["cameras"])),
                log=str(each["log"]),
                **_floats(
                    each, "speed_mps", "speed_u_mps", "log_speed_mps", "log_speed_u_mps",
                    "error_percent", "error_u_percent", "normalised",
                ),
            )
            for each in row["drives"]
        ),
    )  # fmt: skip


def _proven_place(row: Mapping[str, Any]) -> ProvenPlace:
    axes = {
        name: np.array([float(value) for value in row[name]])
        for name in ("place_m", "found_m", "error_m", "error_u_m")
    }
    return ProvenPlace(
        clips=tuple(map(str, row["clips"])),
        cameras=tuple(map(str, row["cameras"])),
        normalised=float(row["normalised"]),
        **axes,
    )


def _floats(row: Mapping[str, Any], *names: str) -> dict[str, Any]:
    return {name: float(row[name]) for name in names}


def proof_view(proven: Proven | None, unit: Unit) -> dict[str, Any]:
    """Return what the report shows of the proof, as texts."""
    if proven is None:
        return {"sentence": NOT_PROVED, "places": [], "distances": [], "drives": []}
    return {
        "sentence": _sentence(proven),
        "places": [_place_view(row) for row in proven.places],
        "distances": [_distance_view(proven, row) for row in proven.distances],
        "drives": [_drive_view(row, unit) for row in proven.drives],
    }


def _sentence(proven: Proven) -> str:
    """Say in a sentence or two what was proved."""
    said = []
    if proven.distances:
        row = proven.distances[-1]
        said.append(
            f"Proved on the ground: a lamp held still at {len(proven.places)} surveyed places; "
            f"over {row.distance_m:.2f} m the cameras are wrong by {row.error_percent:+.2f} %, u "
            f"{row.error_u_percent:.2f} %, and so is a speed there."
        )
    elif proven.places:
        said.append(
            "Proved on the ground at one place; a second one would prove a distance, and with it "
            "the speed."
        )
    if proven.drives:
        worst = max(proven.drives, key=lambda row: abs(row.normalised))
        many = len(proven.drives)
        said.append(
            f"Proved on the ground by {'a drive' if many == 1 else f'{many} drives'} with a log: "
            f"measured {worst.error_percent:+.2f} % from it, u {worst.error_u_percent:.2f} %"
            f"{'' if many == 1 else ', where they differ most'}."
        )
    return " ".join(said)


def _place_view(row: ProvenPlace) -> dict[str, str]:
    return {
        "place": ", ".join(f"{value:.2f}" for value in row.place_m),
        "cameras": ", ".join(row.cameras),
        "error": ", ".join(f"{value:+.3f}" for value in row.error_m),
        "u": ", ".join(f"{value:.3f}" for value in row.error_u_m),
        "normalised": f"{row.normalised:.1f}",
    }


def _distance_view(proven: Proven, row: ProvenDistance) -> dict[str, str]:
    first, second = (proven.places[number].place_m[0] for number in (row.first, row.second))
    return {
        "stretch": f"x {first:.2f} to {second:.2f} m",
        "distance": f"{row.distance_m:.2f}",
        "error": f"{row.error_percent:+.3f}",
        "u": f"{row.error_u_percent:.3f}",
        "normalised": f"{row.normalised:+.1f}",
    }


def _drive_view(row: ProvenDrive, unit: Unit) -> dict[str, str]:
    k = unit.per_mps
    return {
        "log": row.log,
        "cameras": ", ".join(row.cameras),
        "speed": f"{k * row.speed_mps:.3f} ± {k * row.speed_u_mps:.3f}",
        "logged": f"{k * row.log_speed_mps:.3f} ± {k * row.log_speed_u_mps:.3f}",
        "error": f"{row.error_percent:+.3f}",
        "u": f"{row.error_u_percent:.3f}",
        "normalised": f"{row.normalised:+.1f}",
    }
