"""Lamps held still, or driven along the course: what `[[proof]]` states and what must hold."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import PurePosixPath

import numpy as np

from vidspeed.errors import SessionError
from vidspeed.session.check import Faults, Refused, Taken, missing, shown
from vidspeed.session.keys import keys_of
from vidspeed.session.logs import parse_log
from vidspeed.session.paths import Files
from vidspeed.session.rules import clip_name
from vidspeed.session.tables import nearest
from vidspeed.values import Clip, Log, Proof

STILL_ONLY = ("x_m", "time_s", "x_px", "y_px")
SAME_LINE = ("y_m", "z_m", "u_m", "log_u_percent")  # of all clips of one drive


def check_proofs(
    proofs: Sequence[Taken], clips: Sequence[Taken], files: Files, faults: Faults
) -> None:
    """Check that each proof names a clip that is filmed and holds no pass, and read its log."""
    known = {name: clip for clip in clips if (name := clip_name(clip)) is not None}
    _check_same_line(proofs, faults)
    for number, proof in enumerate(proofs):
        where = f"session.toml: proof {number + 1}"
        if proof.values.get("kind") == "drive":
            _check_drive(proof, where, files, faults)
        else:
            _check_still(proof, where, faults)
        if "clip" not in proof.values:
            continue
        name = PurePosixPath(proof.values["clip"]).as_posix()
        proof.values["clip"] = name
        if name not in known:
            hint = nearest(name, list(known)) if known else "there is no clip"
            faults.add(where, f"clip names {shown(name)}, which is no [[clip]]; {hint}")
        else:
            _check_clip(proof, known[name], where, faults)


def _check_same_line(proofs: Sequence[Taken], faults: Faults) -> None:
    """Refuse clips of one drive, which have one log, that state different lines of its lamp."""
    first: dict[str, int] = {}
    for number, proof in enumerate(proofs):
        log = proof.values.get("log")
        if not isinstance(log, str):
            continue
        other = proofs[first.setdefault(log, number)]
        for name in SAME_LINE:
            if proof.values.get(name) != other.values.get(name):
                faults.add(
                    f"session.toml: proof {number + 1}",
                    f"{name} is {shown(proof.values.get(name))}, in proof {first[log] + 1} with "
                    f"the same log it is {shown(other.values.get(name))}; one drive has one line: "
                    "state the same, or give each drive a log of its own",
                )


def _check_clip(proof: Taken, clip: Taken, where: str, faults: Faults) -> None:
    """Refuse a clip that cannot show the lamp alone."""
    name = shown(proof.values["clip"])
    if proof.values.get("kind") == "drive":
        if "pass" in clip.given:
            faults.add(where, f"clip {name} has a pass label; a drive is no pass: leave it out")
    elif "file" not in clip.given:
        faults.add(where, f"clip {name} is a track; the lamp is looked for in a file")
    elif clip.given & {"pass", "choose", "track"}:
        faults.add(
            where,
            f"clip {name} is said to hold a pass; film the lamp that stands still in a clip of "
            "its own",
        )


def _check_still(proof: Taken, where: str, faults: Faults) -> None:
    """Check what a lamp that is held still needs."""
    if "x_m" not in proof.given:
        faults.add(where, missing(keys_of("proof")["x_m"]))
    if "log" in proof.given:
        faults.add(where, 'log belongs to a lamp that is driven; state kind = "drive"')


def _check_drive(proof: Taken, where: str, files: Files, faults: Faults) -> None:
    """Check what a drive needs, and put its log in the place of its file's name."""
    for name in STILL_ONLY:
        if name in proof.given:
            faults.add(where, f'{name} belongs to a lamp that is held still, not to kind = "drive"')
    if "log" not in proof.given:
        faults.add(where, missing(keys_of("proof")["log"]))
    file = proof.values.get("log")
    if file is None:
        return
    try:
        log = parse_log(files.read(file), file)
    except Refused as refusal:
        faults.add(where, f"log {refusal}")
        return
    except SessionError as error:
        faults.messages.extend(error.messages)
        return
    common_u = proof.values.get("log_u_percent", 0.0) / 100.0
    if not (common_u or _has_u(log)):
        faults.add(
            where,
            f"nothing says how far {shown(file)} may be wrong; state log_u_percent, or give it a "
            f"column {'time_u_s or x_u_m' if log.x_m is not None else 'speed_u_mps'}",
        )
    proof.values["log"] = replace(log, common_u=common_u)


def _has_u(log: Log) -> bool:
    """Tell whether a log's rows state how far they may be wrong."""
    if log.x_m is not None:
        return bool(np.any(log.x_u_m > 0.0) or np.any(log.time_u_s > 0.0))
    return bool(np.any(log.speed_u_mps > 0.0))


def proofs_of(tables: Sequence[Taken]) -> tuple[Proof, ...]:
    """Return the proofs of checked tables."""
    return tuple(_proof(taken.values) for taken in tables)


def _proof(values: dict[str, object]) -> Proof:
    by_hand = [values[name] for name in ("x_px", "y_px") if name in values]
    log = values.get("log")
    place = [values.get("x_m", np.nan), values["y_m"], values["z_m"]]
    return Proof(
        clip=str(values["clip"]),
        place_m=np.array(place, dtype=np.float64),
        u_m=float(str(values["u_m"])),
        time_s=None if values.get("time_s") is None else float(str(values["time_s"])),
        xy_px=np.array(by_hand, dtype=np.float64) if len(by_hand) == 2 else None,
        log=log if isinstance(log, Log) else None,
    )


def without_passes(clips: Sequence[Clip], proofs: Sequence[Proof]) -> tuple[Clip, ...]:
    """Return the clips, those that proofs name as clips in which no pass is expected."""
    still = {proof.clip for proof in proofs}
    return tuple(replace(clip, expect_none=True) if clip.name in still else clip for clip in clips)
