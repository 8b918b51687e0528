"""Clock files: how fast a camera's clock runs and how long its picture is read out."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np

from vidspeed.errors import SessionError
from vidspeed.session.cells import decoded
from vidspeed.session.check import Faults, Refused, Taken, shown, take
from vidspeed.session.keys import TOP, keys_of
from vidspeed.session.paths import Files, read_whole
from vidspeed.session.tomlfile import parsed
from vidspeed.values import Clock

SCHEMA = "vidspeed.clock/1"
_READOUT = {"readout_ms", "readout_u_ms"}


def read_clock(path: Path) -> Clock:
    """Read a clock file.

    Raises
    ------
    SessionError
        Where the file cannot be read, a key is missing, unknown or wrong, or nothing was measured.
    """
    return parse_clock(read_whole(path), path.name)


def parse_clock(data: bytes, where: str) -> Clock:
    """Turn the bytes of a clock file into a clock; `where` names the file."""
    raw = parsed(decoded(data, where), where, {TOP: keys_of("clock file")})
    faults = Faults()
    values = take("clock file", raw, where, faults).values
    if not faults and not {"clock_ppm", "readout_ms"} & values.keys():
        faults.add(where, "neither clock_ppm nor readout_ms is there; vidspeed clock writes them")
    if faults:
        raise SessionError(*faults.messages)
    return _clock(values)


def _clock(values: dict[str, Any]) -> Clock:
    values = {name: value for name, value in values.items() if name != "schema"}
    readout_ms, readout_u_ms = values.pop("readout_ms", None), values.pop("readout_u_ms", 0.0)
    return Clock(
        **values,
        readout_s=None if readout_ms is None else readout_ms / 1000.0,
        readout_u_s=readout_u_ms / 1000.0,
    )


def clock_of(camera: Taken, where: str, files: Files, faults: Faults) -> Clock | None:
    """Return the clock that `[[camera]]` names, None where it names none or a wrong one."""
    file = camera.values.get("clock")
    if file is None:
        return None
    try:
        clock = parse_clock(files.read(file), file)
    except Refused as refusal:
        faults.add(where, f"clock {refusal}")
        return None
    except SessionError as error:
        faults.messages.extend(error.messages)
        return None
    if clock.clock_ppm is not None and "clock_u_ppm" in camera.given:
        faults.add(where, "clock and clock_u_ppm are given; keep the file or the figure")
    size = camera.values.get("image_size_px")
    used = clock.readout_s is not None and not camera.given & _READOUT
    if used and size is not None and clock.image_size_px != size:
        faults.add(
            where,
            f"image_size_px is {shown(size)}, but the read-out in {file} is of a picture of "
            f"{shown(clock.image_size_px)}; a read-out holds for its own video mode only: "
            "state readout_ms, or film the lamp again in this mode",
        )
    return clock


def with_clock(camera: Taken, clock: Clock | None) -> Taken:
    """Return a camera's table with what its clock file says and the table itself leaves out.

    The rate's uncertainty is the root of the squares of that of the day and what has come since.
    """
    if clock is None:
        return camera
    found: dict[str, Any] = {}
    if clock.clock_ppm is not None:
        found["clock_ppm"] = clock.clock_ppm
        found["clock_u_ppm"] = float(np.hypot(clock.clock_u_ppm, clock.age_u_ppm))
    if clock.readout_s is not None and not camera.given & _READOUT:
        found["readout_ms"] = 1000.0 * clock.readout_s
        found["readout_u_ms"] = 1000.0 * clock.readout_u_s
    return Taken({**camera.values, **found}, camera.given | found.keys())


def clock_text(clock: Clock) -> str:
    """Return a clock file as text; reading it gives the same clock."""
    lines = [
        "# How fast a camera's clock runs, and how long its read-out takes, in one video mode.",
        "# clock_ppm: true seconds in a million seconds of the stamps, less a million.",
        f'schema = "{SCHEMA}"',
        f"date = {clock.date.isoformat()}",
        f"image_size_px = [{clock.image_size_px[0]}, {clock.image_size_px[1]}]",
    ]
    rows: list[tuple[str, str | float | None]] = [
        ("note", clock.note),
        ("clip", clock.clip),
        ("stamped_rate_hz", clock.stamped_rate_hz),
    ]
    if clock.clock_ppm is not None:
        rows += [("clock_ppm", clock.clock_ppm), ("clock_u_ppm", clock.clock_u_ppm)]
        rows += [("age_u_ppm", clock.age_u_ppm)]
    if clock.drift_ppm_per_min is not None:
        rows += [("drift_ppm_per_min", clock.drift_ppm_per_min)]
        rows += [("drift_u_ppm_per_min", clock.drift_u_ppm_per_min)]
    if clock.readout_s is not None:
        rows += [("readout_ms", 1000.0 * clock.readout_s)]
        rows += [("readout_u_ms", 1000.0 * clock.readout_u_s)]
    lines += [f"{name} = {_toml(value)}" for name, value in rows if value is not None]
    return "\n".join([*lines, ""])


def _toml(value: str | float) -> str:
    """Return a value as TOML; JSON's strings and finite numbers are TOML's too.

    The name of a clip may hold what is no text, or cannot be seen, and would not be read again.
    """
    if not isinstance(value, str):
        return repr(float(value))
    plain = "".join(sign if sign.isprintable() else "?" for sign in value)
    return json.dumps(plain, ensure_ascii=False)
