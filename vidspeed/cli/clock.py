"""The command for a camera's clock: its rate, its read-out, and how late its sound is."""

from __future__ import annotations

from datetime import date as Date
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from vidspeed.cli.shell import above_zero, app, guarded
from vidspeed.errors import OptionError

if TYPE_CHECKING:
    from vidspeed.clock import Reading

NumberOption = float | None


@app.command()
@guarded
def clock(
    clip: Annotated[Path, typer.Argument(help="A clip of a lamp that flashes at a known rate.")],
    hz: Annotated[NumberOption, typer.Option(help="Flashes a second.")] = None,
    hz_u: Annotated[
        NumberOption,
        typer.Option(help="Standard uncertainty of --hz; left out: 30 millionths, a quartz."),
    ] = None,
    mains: Annotated[
        bool,
        typer.Option(
            "--mains", help="Read-out alone, from mains lamps: --hz 100 or 120, or both are tried."
        ),
    ] = False,
    rate_hz: Annotated[
        NumberOption, typer.Option(help="True capture rate of a clip stored for slow playback.")
    ] = None,
    out: Annotated[
        Path | None, typer.Option(help="Clock file to write; clock-CLIP.toml beside the clip.")
    ] = None,
    age_u_ppm: Annotated[
        float, typer.Option(help="How far the clock may wander until it is used.", min=0.0)
    ] = 5.0,
    date: Annotated[
        datetime | None,
        typer.Option(help="Day of the filming; today if left out.", formats=["%Y-%m-%d"]),
    ] = None,
    clap_distance_m: Annotated[
        NumberOption,
        typer.Option(
            min=0.0, help="Instead: how late the sound is, by a flash and bang so far away."
        ),
    ] = None,
    clap_distance_u_m: Annotated[
        float, typer.Option(help="Standard uncertainty of the distance.", min=0.0)
    ] = 0.1,
    temperature_c: Annotated[
        float, typer.Option(help="Air, for the speed of sound.", min=-60.0, max=60.0)
    ] = 15.0,
    temperature_u_c: Annotated[
        float, typer.Option(help="Its standard uncertainty.", min=0.0, max=60.0)
    ] = 2.0,
    seen_s: Annotated[
        NumberOption, typer.Option(help="When the clap is seen, if no lamp flashes with it.")
    ] = None,
    seen_u_s: Annotated[float, typer.Option(min=0.0, help="Its standard uncertainty.")] = 0.01,
    exposure_ms: Annotated[
        NumberOption, typer.Option(min=0.0, help="Exposure, for the clap.")
    ] = None,
) -> int:
    """Measure a camera's clock and read-out from a flashing lamp, and write a clock file."""
    if clap_distance_m is not None:
        seen = None if seen_s is None else (seen_s, seen_u_s)
        warmth = (temperature_c, temperature_u_c)
        return _clap(clip, (clap_distance_m, clap_distance_u_m), warmth, seen, exposure_ms)
    above_zero("--rate-hz", rate_hz, below=1e6)
    if hz is None and not mains:
        raise OptionError(
            "the lamp's rate is not stated; give --hz, --mains for a lamp on the mains, or "
            "--clap-distance-m for a clap"
        )
    from vidspeed.clock import clock as measure
    from vidspeed.clock import clock_of, flicker, write_clock

    if mains or hz is None:
        reading = flicker(clip, hz, rate_hz=rate_hz)
    else:
        reading = measure(clip, hz, hz_u=hz_u, rate_hz=rate_hz)
    for line in reading_lines(reading):
        typer.echo(line)
    day = Date.today() if date is None else date.date()
    target = out or clip.with_name(f"clock-{clip.stem}.toml")
    write_clock(target, clock_of(reading, date=day, age_u_ppm=age_u_ppm))
    typer.echo(target)
    return 0


def reading_lines(reading: Reading) -> list[str]:
    """Return what a person reads of a reading."""
    fit, rate = reading.fit, reading.true_rate_hz
    lines = []
    if fit.edges:
        lines.append(f"edges: {fit.edges}, {fit.used} of them within an exposure")
    if fit.ramp_s is not None:
        lines.append(
            f"exposure (or flash): {1e3 * fit.ramp_s:.2f} ms, standard uncertainty "
            f"{1e3 * fit.ramp_u_s:.2f} ms"
        )
    if reading.clock_ppm is not None and rate is not None:
        assumed = ", assumed" if reading.hz_u_assumed else ""
        way = "slow" if reading.clock_ppm > 0 else "fast"
        lines += [
            f"clock: {reading.clock_ppm:+.3f} ppm, standard uncertainty "
            f"{reading.clock_u_ppm:.3f} ppm (the clip {fit.clock_u_ppm:.3f}, the lamp "
            f"{reading.lamp_u_ppm:.3f}{assumed}): it runs {way}",
            f"rate: {rate:.6f} frames a second, by its stamps {reading.stamped_rate_hz:.6f}",
        ]
    if fit.drift_ppm_per_min is not None:
        lines.append(
            f"drift: {fit.drift_ppm_per_min:+.3f} ppm a minute, "
            f"standard uncertainty {fit.drift_u_ppm_per_min:.3f}"
        )
    if fit.readout_s is None:
        lines.append("read-out: not told by this lamp; film a fast one that fills the picture")
    else:
        lines.append(
            f"read-out: {1e3 * fit.readout_s:.3f} ms, "
            f"standard uncertainty {1e3 * fit.readout_u_s:.3f} ms (lamp of {reading.hz:g} Hz)"
        )
    return [*lines, *(f"note: {note}" for note in fit.notes)]


def _clap(
    clip: Path,
    distance_m: tuple[float, float],
    temperature_c: tuple[float, float],
    seen: tuple[float, float] | None,
    exposure_ms: float | None,
) -> int:
    from vidspeed.clip.clap import Moment, sound_offset

    found = sound_offset(
        clip,
        distance_m=distance_m[0],
        distance_u_m=distance_m[1],
        temperature_c=temperature_c[0],
        temperature_u_c=temperature_c[1],
        seen=None if seen is None else Moment(time_s=seen[0], u_s=seen[1]),
        exposure_s=None if exposure_ms is None else exposure_ms / 1000.0,
    )
    typer.echo(f"seen at {found.seen.time_s:.4f} s, standard uncertainty {found.seen.u_s:.4f} s")
    typer.echo(f"heard at {found.heard.time_s:.4f} s, standard uncertainty {found.heard.u_s:.4f} s")
    typer.echo(
        f"on its way for {found.travel_s:.4f} s, standard uncertainty {found.travel_u_s:.4f} s"
    )
    late = "late" if found.late_s > 0 else "early"
    typer.echo(
        f"the sound track is {abs(1e3 * found.late_s):.1f} ms {late}, "
        f"standard uncertainty {1e3 * found.late_u_s:.1f} ms"
    )
    return 0
