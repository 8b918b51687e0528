"""Turn a session that was checked into values: units to SI, and what is taken where left out."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from vidspeed.session.check import Taken
from vidspeed.session.clock import with_clock
from vidspeed.session.draft import Draft
from vidspeed.session.keys import keys_of
from vidspeed.session.labels import told_apart
from vidspeed.session.proofs import proofs_of, without_passes
from vidspeed.session.survey import course_of
from vidspeed.values import (
    Air,
    Camera,
    Choice,
    Clip,
    Clock,
    Craft,
    FlightLine,
    Floats,
    InputFile,
    Lens,
    MarkRules,
    Pick,
    Planned,
    Session,
    Sync,
)

_NOTHING = Taken({}, frozenset())
_LINE_U = 2.0  # drift and climb in metres where no flight line is stated
_READOUT_U = 0.25  # of readout_ms where readout_u_ms is left out
_EXPOSURE_U = 0.1  # of exposure_ms where exposure_u_ms is left out


def build(draft: Draft, folder: Path, inputs: tuple[InputFile, ...]) -> Session:
    """Return the session of a draft in which no fault was found."""
    top, tables = draft.top.values, draft.tables
    cameras = zip(tables["camera"], draft.lenses, draft.picks, draft.clocks, strict=True)
    zone = top.get("timezone")
    proofs = proofs_of(tables["proof"])
    return Session(
        folder=str(folder),
        title=top.get("title", folder.resolve().name),
        date=top.get("date"),
        place=top.get("place"),
        timezone=zone,
        course=course_of(tables["course"][0]),
        markers=draft.markers,
        flight_line=_flight_line(*(tables["flight_line"] or [_NOTHING])),
        air=_air(tables["air"][0]) if tables["air"] else None,
        craft=_craft(*(tables["craft"] or [_NOTHING])),
        cameras=tuple(
            _camera(taken, lens, picks, clock)
            for taken, lens, picks, clock in cameras
            if lens is not None
        ),
        clips=without_passes(
            told_apart(_clip(taken.values, zone) for taken in tables["clip"]), proofs
        ),
        proofs=proofs,
        onboard=draft.onboard,
        syncs=tuple(_sync(taken.values) for taken in tables["sync"]),
        mark=_mark(tables["mark"][0].values) if tables["mark"] else None,
        wanted_U95_percent=top["wanted_U95_percent"],
        use_sound=top.get("use_sound", False),
        inputs=inputs,
        measured=draft.measured,
        covariance_m2=draft.covariance_m2,
    )


def _kmh(value: float) -> float:
    """Return metres a second."""
    return value / 3.6


def _ms(value: float) -> float:
    """Return seconds."""
    return value / 1000.0


def _default(table: str, name: str) -> Any:
    return keys_of(table)[name].default


def _flight_line(taken: Taken) -> FlightLine:
    values = taken.values
    stated = "offset_m" in taken.given
    return FlightLine(
        offset_m=values.get("offset_m", 0.0),
        offset_u_m=values.get("offset_u_m", 0.0),
        height_m=values.get("height_m", 0.0),
        height_u_m=values.get("height_u_m", 0.0),
        drift_u_m=values.get("drift_u_m", values.get("offset_u_m", _LINE_U)),
        climb_u_m=values.get("climb_u_m", values.get("height_u_m", _LINE_U)),
        weave_u_m=values.get("weave_u_m", _default("flight_line", "weave_u_m")),
        accel_u_mps2=np.array(values.get("accel_u_mps2", _default("flight_line", "accel_u_mps2"))),
        offset_shared_u_m=values.get("offset_shared_u_m"),
        height_shared_u_m=values.get("height_shared_u_m"),
        stated=stated,
        assumed=taken.left_out("drift_u_m", "climb_u_m", "weave_u_m", "accel_u_mps2"),
    )


def _air(taken: Taken) -> Air:
    return Air(
        **taken.values,
        assumed=taken.left_out(
            "temperature_u_c", "pressure_u_hpa", "humidity_u_pct", "wind_along_mps", "wind_u_mps"
        ),
    )


def _craft(taken: Taken) -> Craft:
    values = taken.values
    low, high = values.get("speed_kmh", _default("craft", "speed_kmh"))
    expected = values.get("expected_kmh")
    return Craft(
        name=values.get("name"),
        speed_mps=(_kmh(low), _kmh(high)),
        expected_mps=None if expected is None else _kmh(expected),
        lamp_u_m=values.get("lamp_u_m", _default("craft", "lamp_u_m")),
        assumed=taken.left_out("speed_kmh", "lamp_u_m"),
    )


def _camera(taken: Taken, lens: Lens, picks: tuple[Pick, ...], clock: Clock | None) -> Camera:
    taken = with_clock(taken, clock)
    values = taken.values
    readout_ms = values.get("readout_ms")
    readout_u_ms = values.get("readout_u_ms", _READOUT_U * (readout_ms or 0.0))
    exact = readout_ms == 0.0  # a global shutter has nothing to be assumed
    assumed = {"readout"} if taken.left_out("readout_ms", "readout_u_ms") and not exact else set()
    position = values.get("position_m")
    late_u_ms = values.get("sound_late_u_ms")
    return Camera(
        name=values["name"],
        image_size_px=values["image_size_px"],
        lens=lens,
        picks=picks,
        readout_s=None if readout_ms is None else _ms(readout_ms),
        readout_u_s=_ms(readout_u_ms),
        clock_u_ppm=values["clock_u_ppm"],
        clock_ppm=values.get("clock_ppm", 0.0),
        reference=values.get("reference"),
        position_m=None if position is None else np.array(position),
        position_u_m=values.get("position_u_m"),
        rate_hz=values.get("rate_hz"),
        picks_file=values.get("picks"),
        clock_file=values.get("clock"),
        planned=_planned(values["planned"]) if "planned" in values else None,
        sound_late_s=_ms(values.get("sound_late_ms", 0.0)),
        sound_late_u_s=None if late_u_ms is None else _ms(late_u_ms),
        assumed=frozenset(assumed | ({"clock"} if taken.left_out("clock_u_ppm") else set())),
    )


def _planned(values: dict[str, Any]) -> Planned:
    exposure_ms = values.get("exposure_ms")
    return Planned(
        position_m=np.array(values["position_m"]),
        aim_m=_place(values, "aim_m"),
        from_m=_place(values, "from_m"),
        to_m=_place(values, "to_m"),
        exposure_s=None if exposure_ms is None else _ms(exposure_ms),
        pick_u_px=values["pick_u_px"],
        light_u_px=values["light_u_px"],
    )


def _place(values: dict[str, Any], name: str) -> Floats | None:
    return np.array(values[name]) if name in values else None


def _clip(values: dict[str, Any], zone: str | None) -> Clip:
    exposure_ms = values.get("exposure_ms")
    exposure_u_ms = values.get("exposure_u_ms", _EXPOSURE_U * (exposure_ms or 0.0))
    return Clip(
        file=values.get("file"),
        camera=values["camera"],
        flight=values.get("flight"),
        pass_label=values.get("pass"),
        rate_hz=values.get("rate_hz"),
        exposure_s=None if exposure_ms is None else _ms(exposure_ms),
        exposure_u_s=None if exposure_ms is None else _ms(exposure_u_ms),
        recorded=_moment(values.get("recorded"), zone),
        setup=values.get("setup"),
        expect_none="expect" in values,
        choose=_lights(values.get("choose", ())),
        dismiss=_lights(values.get("dismiss", ())),
        track=values.get("track"),
        heard=values.get("heard"),
    )


def _lights(items: Iterable[Mapping[str, float]]) -> tuple[Choice, ...]:
    """Return the lights that a list of tables names."""
    return tuple(
        Choice(time_s=item["time_s"], xy_px=np.array([item["x_px"], item["y_px"]]))
        for item in items
    )


def _moment(moment: datetime | None, zone: str | None) -> datetime | None:
    """Return a time with its offset where one is known."""
    if moment is None or moment.tzinfo is not None or zone is None:
        return moment
    return moment.replace(tzinfo=ZoneInfo(zone))


def _sync(values: dict[str, Any]) -> Sync:
    return Sync(
        clips=values["clips"],
        time_s=np.array(values["time_s"]),
        time_u_s=np.array(values["time_u_s"]),
        kind=values["kind"],
    )


def _mark(values: dict[str, Any]) -> MarkRules:
    earlier, within_min = values.get("earlier_kmh"), values.get("within_min")
    return MarkRules(
        earlier_mps=None if earlier is None else _kmh(earlier),
        earlier_u_mps=_kmh(values["earlier_u_kmh"]),
        margin_percent=values["margin_percent"],
        passes=values.get("passes"),
        setup=values.get("setup"),
        flights=values["flights"],
        within_s=None if within_min is None else 60.0 * within_min,
        height_m=values.get("height_m"),
        most_dive_m=values.get("most_dive_m"),
        approach_m=values.get("approach_m"),
        most_wind_mps=values.get("most_wind_mps"),
        density_kgm3=values.get("density_kgm3"),
    )
