"""A pass as its page shows it: texts, and what is drawn of each light."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np

from vidspeed.desk.films import out_of, seen_at_s
from vidspeed.desk.passes import Shown
from vidspeed.desk.tables import Cell, Link, Tag
from vidspeed.record.spacetime import round_scale
from vidspeed.record.units import UNITS, speed_text
from vidspeed.values import Floats, PassResult, Sighted
from vidspeed.values.pictured import Lane

LONG_PX = 16.0  # of the page: how long a large residual is drawn
MARGIN = 0.1  # of the course, beside it, where no frame says how much was seen
KMH = UNITS["kmh"]


def speed_words(row: PassResult | Mapping[str, Any] | None) -> str:
    """Say a speed with its U95 and direction; `row` is a result, or one of summary.json."""
    if row is None:
        return "no such pass in these clips any more"
    if isinstance(row, PassResult):
        speed, wide, way, status = row.speed_mps, row.speed_U95_mps, row.direction, row.status
    else:
        speed, wide = row["speed_mps"], row["speed_U95_mps"]
        way, status = row["direction"], row["status"]
    if speed is None or wide is None:
        return "no speed"
    part = "" if status == "measured" else ", part of the course"
    return f"{speed_text(speed, wide, KMH)}, {way}{part}"


def pass_rows(found: Mapping[str, Any]) -> Iterator[list[Cell]]:
    """Yield the rows of the list of passes, from summary.json."""
    for number, row in enumerate(found["passes"]):
        speed, wide = row["speed_mps"], row["speed_U95_mps"]
        told = "–" if speed is None else speed_text(speed, wide, KMH).removesuffix(" km/h")
        failed = any(check["status"] != "ok" for check in row["checks"])
        status = Tag(words=row["status"], kind="ok" if row["status"] == "measured" else "warn")
        yield [
            Link(words=f"Pass {row['pass']}", where=f"/passes/{number}"),
            row["direction"] or "–",
            told,
            Tag(words="measured, see its checks", kind="warn")
            if failed and row["status"] == "measured"
            else status,
            ", ".join(row["clips"]),
            str(len(row.get("dismissed", ())) or "–"),
        ]


def checks_rows(result: PassResult) -> Iterator[list[Cell]]:
    """Yield the checks of a pass as rows."""
    for row in result.checks:
        yield [row.name, Tag(words=row.status, kind=row.status), row.detail]


def view_of(
    shown: Shown, sighted: Sighted, lane: Lane | None, unseen: str | None
) -> dict[str, Any]:
    """Return what the page draws of one clip of a pass; `unseen` is why it has no frames."""
    assert shown.result is not None
    track = sighted.track
    seen_s = track.time_s if lane is None else seen_at_s(sighted, lane)
    steps = np.diff(track.time_s)
    interval_s = track.interval_s or float(np.median(steps))
    length_m = shown.length_m
    own = (sighted.clip, sighted.camera)
    crossing = next((at for at in shown.result.crossings if (at.clip, at.camera) == own), None)
    return {
        "camera": sighted.camera,
        "clip": sighted.clip,
        "interval": interval_s,
        "span": [float(seen_s.min()) - interval_s, float(seen_s.max()) + interval_s],
        "metres": [-MARGIN * length_m, (1.0 + MARGIN) * length_m],
        "length": length_m,
        "zero": float(seen_s[0]) if crossing is None else crossing.time_in_s,
        "enlarged": enlarged(sighted),
        "unseen": unseen,
        "lights": [_light(sighted, index, float(seen_s[index])) for index in range(len(track))],
    }


def enlarged(sighted: Sighted) -> float:
    """Return by how much residuals are drawn larger than they are in the picture."""
    sizes = np.linalg.norm(sighted.residual_px[sighted.used], axis=1)
    large = float(np.percentile(sizes, 90.0)) if len(sizes) else 0.0
    if large <= 0.0:
        return 1.0
    return 1.0 / round_scale(large / LONG_PX)


def _light(sighted: Sighted, index: int, seen_s: float) -> dict[str, Any]:
    track, left = sighted.track, sighted.residual_px[index]
    out = bool(out_of(sighted)[index])
    state = "dismissed" if out else "used" if sighted.used[index] else "left out"
    x_m = float(sighted.x_m[index])
    return {
        "stamp": float(track.time_s[index]),
        "seen": seen_s,
        "x": x_m if np.isfinite(x_m) else None,
        "at": track.xy_px[index].tolist(),
        "state": state,
        "left": left.tolist() if np.isfinite(left).all() else None,
        "words": _words(sighted, index, state, left),
    }


def _words(sighted: Sighted, index: int, state: str, left: Floats) -> str:
    track = sighted.track
    told = {
        "used": "used",
        "left out": "left out by the solution: it lies too far from the flight, or off the course",
        "dismissed": "dismissed by hand: no solution uses it",
    }[state]
    lines = [
        f"Light {index + 1} of {len(track)}, frame {track.frame[index]} of {sighted.clip}",
        f"at {track.time_s[index]:.4f} s, ({track.xy_px[index, 0]:.2f}, "
        f"{track.xy_px[index, 1]:.2f}) px, x = {sighted.x_m[index]:.2f} m",
        told,
    ]
    if np.isfinite(left).all():
        lines.append(
            f"left over {left[0]:+.3f}, {left[1]:+.3f} px, {sighted.normalised[index]:.1f} times "
            f"its own uncertainty; drawn {enlarged(sighted):g} times as long"
        )
    return "\n".join(lines)
