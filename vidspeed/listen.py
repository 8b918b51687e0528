"""Listen to a clip, without a session: `vidspeed listen`."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from vidspeed.agreement.doppler import around_of
from vidspeed.agreement.hearing import hear
from vidspeed.clip.sound import read_sound
from vidspeed.spread.progress import report
from vidspeed.values import Air, Listened


def listen(
    clip: Path, *, air: Air | None = None, between_s: tuple[float, float] | None = None
) -> Listened:
    """Look in a clip's sound for craft that fly by: how fast, how near, when.

    Without a temperature in `air` it is 15 °C to 10 °C, without wind 0 to 4 m/s. `between_s`
    bounds when a craft is heard to be closest, by the clip's time.

    Raises
    ------
    ClipError
        Where the clip cannot be read or has no sound.
    """
    report(clip.name, 0, 0)
    sound = read_sound(clip)
    found = hear(
        sound.samples,
        sound.rate_hz,
        sound.start_s,
        around=around_of(air),
        within_s=between_s,
        file=clip.name,
    )
    return replace(found, notes=sound.notes)
