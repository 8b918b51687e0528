"""Lamps held still at surveyed places: what `[[proof]]` states, and what must hold of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import PurePosixPath

import numpy as np

from vidspeed.session.check import Faults, Taken, shown
from vidspeed.session.rules import clip_name
from vidspeed.session.tables import nearest
from vidspeed.values import Clip, Proof


def check_proofs(proofs: Sequence[Taken], clips: Sequence[Taken], faults: Faults) -> None:
    """Check that each proof names a clip that is filmed and holds no pass."""
    known = {name: clip for clip in clips if (name := clip_name(clip)) is not None}
    for number, proof in enumerate(proofs):
        where = f"session.toml: proof {number + 1}"
        if "clip" not in proof.values:
            continue
        name = PurePosixPath(proof.values["clip"]).as_posix()
        proof.values["clip"] = name
        if name not in known:
            hint = nearest(name, list(known)) if known else "there is no clip"
            faults.add(where, f"clip names {shown(name)}, which is no [[clip]]; {hint}")
        elif "file" not in known[name].given:
            faults.add(where, f"clip {shown(name)} is a track; the lamp is looked for in a file")
        elif known[name].given & {"pass", "choose", "track"}:
            faults.add(
                where,
                f"clip {shown(name)} is said to hold a pass; film the lamp that stands still in a "
                "clip of its own",
            )


def proofs_of(tables: Sequence[Taken]) -> tuple[Proof, ...]:
    """Return the proofs of checked tables."""
    return tuple(_proof(taken.values) for taken in tables)


def _proof(values: dict[str, object]) -> Proof:
    by_hand = [values[name] for name in ("x_px", "y_px") if name in values]
    return Proof(
        clip=str(values["clip"]),
        place_m=np.array([values[name] for name in ("x_m", "y_m", "z_m")], dtype=np.float64),
        u_m=float(str(values["u_m"])),
        time_s=None if values.get("time_s") is None else float(str(values["time_s"])),
        xy_px=np.array(by_hand, dtype=np.float64) if len(by_hand) == 2 else None,
    )


def without_passes(clips: Sequence[Clip], proofs: Sequence[Proof]) -> tuple[Clip, ...]:
    """Return the clips, those that proofs name as clips in which no pass is expected."""
    still = {proof.clip for proof in proofs}
    return tuple(replace(clip, expect_none=True) if clip.name in still else clip for clip in clips)
