"""The sheet for witnesses: what was measured beside the hash of the pack, with lines to sign.

A pack cannot hold its own hash, so this is a file beside it, to be printed.
"""

from __future__ import annotations

import os
from importlib.resources import files
from pathlib import Path
from typing import Any

from jinja2 import Environment, StrictUndefined

from vidspeed import __version__
from vidspeed.errors import PackError
from vidspeed.record.swap import explain
from vidspeed.record.units import Unit, bare_speed_text, unit_named
from vidspeed.record.words import visible


def write_sheet(
    pack: Path,
    sha256: str,
    size: int,
    contents_sha256: str,
    summary: dict[str, Any],
    *,
    unit: str = "kmh",
) -> Path:
    """Write `NAME-witness.html` beside a pack and return its path.

    Raises PackError where it cannot be written.
    """
    spoken = unit_named(unit)
    environment = Environment(autoescape=True, undefined=StrictUndefined, finalize=visible)
    source = files("vidspeed.evidence").joinpath("witness.html").read_text(encoding="utf-8")
    text = environment.from_string(source).render(
        **_view(summary, spoken),
        name=pack.name,
        size=size,
        sha256=sha256,
        contents=contents_sha256,
        version=__version__,
    )
    sheet = pack.with_name(f"{pack.stem}-witness.html")
    work = sheet.with_name(f".{sheet.name}-{os.getpid()}.part")
    try:
        work.write_bytes((text + "\n").encode("utf-8", errors="xmlcharrefreplace"))
        work.replace(sheet)
    except OSError as fault:
        raise PackError(explain(fault, sheet.parent, {})) from fault
    finally:
        work.unlink(missing_ok=True)
    return sheet


def _view(summary: dict[str, Any], unit: Unit) -> dict[str, Any]:
    """Return what the sheet says of the session, as texts."""
    session, mark = summary["session"], summary["mark"]
    length = f"course {session['length_m']:g} m, u {session['length_u_m']:.2g} m"
    facts = (session["date"], session["place"], session["craft"], length)
    return {
        "title": session["title"],
        "facts": [text for text in facts if text],
        "unit": unit.label,
        "mark": "No mark" if mark is None else f"Mark {_speed(mark, unit)} {unit.label} (95 %)",
        "passes": [
            {
                "label": row["pass"],
                "direction": row["direction"] or "–",
                "status": row["status"],
                "speed": _speed(row, unit),
            }
            for row in summary["passes"]
        ],
        "errors": [
            f"{row['where']}: {row['message']}"
            for row in summary["problems"]
            if row["level"] == "error"
        ],
    }


def _speed(row: dict[str, Any], unit: Unit) -> str:
    """Return "402.31 ± 0.76", a dash where nothing was measured."""
    speed, wide = row["speed_mps"], row["speed_U95_mps"]
    return "–" if speed is None or wide is None else bare_speed_text(speed, wide, unit)
