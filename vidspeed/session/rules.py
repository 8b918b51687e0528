"""What must hold between keys, tables and files of a session."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import PurePosixPath
from typing import Any

from vidspeed.errors import SessionError
from vidspeed.session.check import Faults, Refused, Taken, missing, shown
from vidspeed.session.clock import clock_of
from vidspeed.session.draft import Draft
from vidspeed.session.keys import keys_of
from vidspeed.session.labels import check_labels
from vidspeed.session.lens import lens_of
from vidspeed.session.paths import Files
from vidspeed.session.tables import nearest, parse_picks
from vidspeed.session.units import ROUNDLY, too_long
from vidspeed.values import Pick

LINE = ("offset_m", "offset_u_m", "height_m", "height_u_m")
FEWEST = 4  # markers with use = fit that must be picked


def check_single(tables: dict[str, list[Taken]], faults: Faults) -> None:
    """Check the tables of which there is one each."""
    for taken in tables["course"]:
        _below(taken, "length_u_m", "length_m", "session.toml: [course]", faults)
    several = len(tables["camera"]) > 1
    for taken in tables["flight_line"]:
        _check_flight_line(taken, several, faults)
    for taken in tables["craft"]:
        _check_craft(taken, faults)
    for taken in tables["mark"]:
        _check_mark(taken, tables["air"], faults)


def _below(taken: Taken, small: str, large: str, where: str, faults: Faults) -> None:
    """Refuse an uncertainty that is larger than what it belongs to."""
    low, high = taken.values.get(small), taken.values.get(large)
    if low is not None and high is not None and low > high:
        faults.add(where, f"{small} is {low:g}, larger than {large} ({high:g}); check both")


def _check_flight_line(taken: Taken, several: bool, faults: Faults) -> None:
    where = "session.toml: [flight_line]"
    if not several or taken.given & set(LINE):
        for name in LINE:
            if name not in taken.given:
                faults.add(where, missing(keys_of("flight_line")[name]))
    _below(taken, "offset_shared_u_m", "offset_u_m", where, faults)
    _below(taken, "height_shared_u_m", "height_u_m", where, faults)


def _check_craft(taken: Taken, faults: Faults) -> None:
    where = "session.toml: [craft]"
    expected = taken.values.get("expected_kmh")
    low, high = taken.values.get("speed_kmh", (0.0, 1e9))
    if low >= high:
        faults.add(where, f"speed_kmh is [{low:g}, {high:g}], the lower speed must stand first")
    elif expected is not None and not low <= expected <= high:
        faults.add(
            where, f"expected_kmh is {expected:g}, outside speed_kmh [{low:g}, {high:g}]; mend one"
        )


def _check_mark(taken: Taken, air: Sequence[Taken], faults: Faults) -> None:
    where = "session.toml: [mark]"
    low, high = taken.values.get("height_m", (0.0, 1.0))
    if low >= high:
        faults.add(where, f"height_m is [{low:g}, {high:g}], the lower height must stand first")
    given = air[0].given if air else frozenset()
    lacking = [name for name in ("temperature_c", "pressure_hpa") if name not in given]
    if "density_kgm3" in taken.given and lacking:
        faults.add(
            where,
            f"density_kgm3 is given without {' and '.join(lacking)} of [air]; the density of the "
            "day follows from them: state both or leave density_kgm3 out",
        )


def check_camera(
    camera: Taken, earlier: Sequence[Taken], where: str, draft: Draft, files: Files, faults: Faults
) -> None:
    """Check one camera and the files that it names; puts lens, clock, picks into the draft."""
    for other in earlier:
        for key, what in (("name", "name"), ("picks", "picks file")):
            ours, theirs = camera.values.get(key), other.values.get(key)
            if ours is not None and theirs is not None and ours.casefold() == theirs.casefold():
                faults.add(
                    where,
                    f"{key} is {shown(ours)}, the {what} of another camera too; "
                    "each camera needs its own",
                )
    draft.lenses.append(lens_of(camera, where, files, faults))
    draft.clocks.append(clock_of(camera, where, files, faults))
    draft.picks.append(_picks(camera, where, draft, files, faults))
    check_planned(camera, where, faults)
    reference = camera.values.get("reference")
    if reference is not None:
        try:
            files.read(reference)
        except Refused as refusal:
            faults.add(where, f"reference {refusal}")


def _picks(
    camera: Taken, where: str, draft: Draft, files: Files, faults: Faults
) -> tuple[Pick, ...]:
    file = camera.values.get("picks")
    if file is None:
        if not camera.given & {"picks", "planned"}:
            faults.add(where, missing(keys_of("camera")["picks"]))
        return ()
    if draft.unpicked and not (files.folder / file).is_file():
        return ()
    try:
        rows = parse_picks(files.read(file), file)
    except Refused as refusal:
        faults.add(where, f"picks {refusal}")
        return ()
    except SessionError as error:
        faults.messages.extend(error.messages)
        return ()
    size = camera.values.get("image_size_px")
    for number, pick in rows:
        _check_inside(pick, size, f"{file}: row {number}", faults)
    picks = tuple(pick for _, pick in rows)
    if draft.markers:
        _check_known(rows, file, draft, faults)
        use = {marker.name: marker.use for marker in draft.markers}
        fit = sum(use.get(pick.name) == "fit" for pick in picks)
    else:
        fit = len(picks)
    if fit < FEWEST and not draft.unpicked:
        checks = "" if fit == len(picks) else "; check markers do not count"
        faults.add(
            where,
            f"{fit} {'marker' if fit == 1 else 'markers'} picked, at least {FEWEST} needed; "
            f"pick more ({file}{checks})",
        )
    return picks


def _check_inside(pick: Pick, size: tuple[int, int] | None, where: str, faults: Faults) -> None:
    """Refuse a pick outside the picture: it was made on a still of another size."""
    for axis, name in enumerate(("x_px", "y_px")):
        if size is not None and not -0.5 <= pick.xy_px[axis] <= size[axis] - 0.5:
            faults.add(
                where,
                f"{name} is {pick.xy_px[axis]:g}, outside the picture of {shown(size)} pixels; "
                "pick on a still of the clip's own size",
            )


def _check_known(rows: Sequence[tuple[int, Pick]], file: str, draft: Draft, faults: Faults) -> None:
    names = [marker.name for marker in draft.markers]
    for number, pick in rows:
        if pick.name not in names:
            faults.add(
                f"{file}: row {number}",
                f"no marker is named {shown(pick.name)}; {nearest(pick.name, names)}",
            )


def check_planned(camera: Taken, where: str, faults: Faults) -> None:
    """Check the room in which a planned camera may be moved, and its exposure."""
    planned = camera.values.get("planned", {})
    exposure_ms, rate_hz = planned.get("exposure_ms"), camera.values.get("rate_hz")
    if exposure_ms is not None and rate_hz is not None and exposure_ms > ROUNDLY * 1e3 / rate_hz:
        faults.add(f"{where}: planned", too_long(exposure_ms, 1e3 / rate_hz, by_rate=True))
    low, high = planned.get("from_m"), planned.get("to_m")
    if low is not None and high is not None and any(a > b for a, b in zip(low, high, strict=True)):
        faults.add(
            f"{where}: planned",
            f"from_m is {shown(low)}, to_m {shown(high)}; each of from_m must be the lower",
        )


def check_clips(
    clips: Sequence[Taken], cameras: Sequence[Taken], top: Taken, faults: Faults
) -> None:
    """Check each clip, and the clips against the cameras and against each other."""
    names = [str(camera.values["name"]) for camera in cameras if "name" in camera.values]
    seen: dict[str, str] = {}
    placed: list[tuple[str, dict[str, Any]]] = []
    for number, clip in enumerate(clips):
        where = f"session.toml: clip {shown(clip_name(clip) or number + 1)}"
        _check_clip(clip, names, where, faults)
        for key in ("file", "track"):
            path = clip.values.get(key)
            if path is not None and path in seen:
                faults.add(where, f"{key} {shown(path)} is named by another clip too; keep one")
            seen.setdefault(str(path), where)
        placed.append((where, clip.values))
    check_labels(placed, faults)
    _check_moments(clips, top, faults)


def clip_name(clip: Taken) -> str | None:
    """Return the file by which a clip is named, None where it names none."""
    name = clip.values.get("file", clip.values.get("track"))
    return None if name is None else str(name)


def _check_clip(clip: Taken, cameras: list[str], where: str, faults: Faults) -> None:
    values = clip.values
    if not clip.given & {"file", "track"}:
        keys = keys_of("clip")
        faults.add(where, f"{missing(keys['file'])}; or track, {keys['track'].meaning}")
    camera = values.get("camera")
    if camera is not None and camera not in cameras and cameras:
        faults.add(where, f"no camera is named {shown(camera)}; {nearest(camera, cameras)}")
    if "expect" in values and clip.given & {"pass", "choose"}:
        faults.add(where, 'expect = "none" says no pass is there, pass or choose says one is')
    for light in values.get("dismiss", ()):
        if light in values.get("choose", ()):
            faults.add(
                where,
                f"choose and dismiss both name the light at {shown(light.get('time_s'))} s; take "
                "it out of one of them",
            )


def _check_moments(clips: Sequence[Taken], top: Taken, faults: Faults) -> None:
    """Refuse times with and without an offset side by side: they cannot be compared."""
    moments = [clip.values["recorded"] for clip in clips if "recorded" in clip.values]
    bare = [moment for moment in moments if moment.tzinfo is None]
    if bare and len(bare) < len(moments) and "timezone" not in top.given:
        faults.add(
            "session.toml",
            f"recorded = {shown(bare[0])} has no offset, others have; "
            'add offsets, or timezone before the first table, for example "Europe/London"',
        )


def check_syncs(syncs: Sequence[Taken], clips: Sequence[Taken], faults: Faults) -> None:
    """Check each sync: two clips or more, known, once each, with a time for each."""
    names = [name for name in map(clip_name, clips) if name is not None]
    for number, sync in enumerate(syncs):
        where = f"session.toml: sync {number + 1}"
        if "clips" not in sync.values:
            continue
        listed = tuple(PurePosixPath(name).as_posix() for name in sync.values["clips"])
        sync.values["clips"] = listed
        if len(listed) < 2 or len(set(listed)) < len(listed):
            faults.add(where, f"clips is {shown(listed)}, two different clips or more are needed")
        for name in listed:
            if name not in names:
                known = nearest(name, names) if names else "there is no clip"
                faults.add(where, f"clips names {shown(name)}, which is no clip; {known}")
        for key in ("time_s", "time_u_s"):
            if key in sync.values and len(sync.values[key]) != len(listed):
                faults.add(
                    where,
                    f"{key} has {len(sync.values[key])} numbers for {len(listed)} clips; "
                    "one for each is needed",
                )
