"""Read a session folder: session.toml and the files that it names, checked once, to values.

First everything is checked and every fault collected; only a session without a fault is built.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from vidspeed.errors import SessionError
from vidspeed.session.build import build
from vidspeed.session.cells import decoded
from vidspeed.session.check import Faults, Refused, Taken, meant, shown, take, unknown
from vidspeed.session.draft import Draft
from vidspeed.session.heardfile import read_heard
from vidspeed.session.keys import TABLES, TOP, Table, keys_of
from vidspeed.session.onboard import check_logs, take_logs
from vidspeed.session.paths import Files, inside
from vidspeed.session.proofs import check_proofs
from vidspeed.session.rules import check_camera, check_clips, check_single, check_syncs
from vidspeed.session.survey import take_survey
from vidspeed.session.tomlfile import parsed, session_keys
from vidspeed.values import Measured, Session

NAME = "session.toml"
SURVEY = ("course", "tape")  # tables that the survey is read from
LIGHTS = ("choose", "dismiss")  # keys of a clip that list lights


def read_session(
    folder: Path, *, unpicked: bool = False, instead: Mapping[str, bytes] | None = None
) -> Session:
    """Read and check the session in a folder.

    Clips and tracks need not be there: one that is missing is a problem of that clip alone. With
    `unpicked`, cameras may have few picks or none yet. `instead` holds what files of the session
    are to be taken for, by name: whether a change would do is asked before it is written.

    Raises
    ------
    SessionError
        With one message for each fault: file, key or row, what was found, what is needed.
    """
    folder = Path(folder)
    files = Files(folder, instead)
    raw = _toml(folder, files)
    faults = Faults()
    draft = _draft(raw, files, faults, unpicked)
    if faults:
        raise SessionError(*faults.messages)
    return build(draft, folder, files.inputs())


def read_measured(folder: Path, *, instead: Mapping[str, bytes] | None = None) -> Measured | None:
    """Read the survey alone: the session around it may be unfinished. None: markers are stated.

    Raises
    ------
    SessionError
        With one message for each fault of the survey.
    """
    folder = Path(folder)
    files, faults = Files(folder, instead), Faults()
    raw = _toml(folder, files)
    tables = {table.name: _taken(raw, table, faults) for table in TABLES if table.name in SURVEY}
    if not tables["course"]:
        faults.add(NAME, "[course] is missing; it names the files of the survey")
    _resolve_paths(tables, files, faults)
    draft = Draft(top=Taken({}, frozenset()), tables=tables)
    take_survey(draft, files, faults)
    if faults:
        raise SessionError(*faults.messages)
    return draft.measured


def _toml(folder: Path, files: Files) -> dict[str, Any]:
    """Return what session.toml holds."""
    if folder.is_file():
        raise SessionError(f"{folder}: is a file; give the folder that session.toml is in")
    if not files.holds(NAME) and not (folder / NAME).is_file():
        raise SessionError(f"{folder}: no {NAME} there; vidspeed new {folder} makes one")
    try:
        text = decoded(files.read(inside(folder, NAME)), NAME)
    except Refused as refusal:
        raise SessionError(f"{NAME}: {refusal}") from None
    return parsed(text, NAME, session_keys())


def _draft(
    raw: Mapping[str, object], files: Files, faults: Faults, unpicked: bool = False
) -> Draft:
    """Check every table and every file that is named."""
    top = _top(raw, faults)
    tables = {table.name: _taken(raw, table, faults) for table in TABLES}
    names = [*keys_of(TOP), *(table.name for table in TABLES)]
    said = {name for name in raw if raw[name]} | meant(raw, names)  # what is wrong with them
    for each in TABLES:
        if each.required and not tables[each.name] and each.name not in said:
            faults.add(NAME, f"{_brackets(each)} is missing; {each.meaning}")
    cameras = tables["camera"]
    if not tables["flight_line"] and len(cameras) < 2 and "flight_line" not in said:
        faults.add(NAME, "[flight_line] is missing; with one camera it must be stated")
    _resolve_paths(tables, files, faults)
    draft = Draft(top=top, tables=tables, unpicked=unpicked)
    check_single(tables, faults)
    take_survey(draft, files, faults)
    for number, camera in enumerate(cameras):
        where = place("camera", number, camera.values)
        check_camera(camera, cameras[:number], where, draft, files, faults)
    check_clips(tables["clip"], cameras, top, faults)
    _check_heard(tables["clip"], files, faults)
    check_syncs(tables["sync"], tables["clip"], faults)
    check_proofs(tables["proof"], tables["clip"], files, faults)
    check_logs(tables["log"], tables["clip"], faults)
    draft.onboard = take_logs(tables["log"], files, faults)
    return draft


def _check_heard(clips: Sequence[Taken], files: Files, faults: Faults) -> None:
    """Refuse files of what was heard that are none."""
    for number, clip in enumerate(clips):
        name = clip.values.get("heard")
        if name is None:
            continue
        try:
            read_heard(files.read(name))
        except Refused as refusal:
            faults.add(place("clip", number, clip.values), f"heard {shown(name)}: {refusal}")


def place(table: str, number: int, values: Mapping[str, object]) -> str:
    """Return how messages name one of several tables: by its name or file, else by its number."""
    name = values.get("name") or values.get("file") or values.get("track")
    return f"{NAME}: {table} {shown(name) if isinstance(name, str) else number + 1}"


def _top(raw: Mapping[str, object], faults: Faults) -> Taken:
    """Check the keys before the first table, and that every table is known."""
    keys = keys_of(TOP)
    known = [*keys, *(table.name for table in TABLES)]
    for name in raw:
        if name not in known:
            what = "table" if isinstance(raw[name], (dict, list)) else "key"
            faults.add(NAME, unknown(what, name, known))
    top = take(TOP, {name: raw[name] for name in keys if name in raw}, NAME, faults)
    zone = top.values.get("timezone")
    if zone is not None and not _is_zone(zone):
        faults.add(
            NAME, f'timezone is {shown(zone)}, an IANA name is needed, for example "Europe/London"'
        )
    return top


def _is_zone(name: str) -> bool:
    try:
        ZoneInfo(name)
    except (LookupError, ValueError, OSError):
        return False
    return True


def _taken(raw: Mapping[str, object], table: Table, faults: Faults) -> list[Taken]:
    """Check the tables of one name: none, one, or for `many` several."""
    found = raw.get(table.name, [] if table.many else None)
    if found is None:
        return []
    items = found if table.many else [found]
    if not isinstance(items, list) or not all(isinstance(item, dict) for item in items):
        faults.add(NAME, f"{table.name} is {shown(found)}; write it as {_brackets(table)}")
        return []
    taken = []
    for number, item in enumerate(items):
        where = place(table.name, number, item) if table.many else f"{NAME}: [{table.name}]"
        taken.append(take(table.name, item, where, faults))
        if "planned" in taken[-1].values:
            planned = taken[-1].values["planned"]
            taken[-1].values["planned"] = take(
                "camera.planned", planned, f"{where}: planned", faults
            ).values
        for key in set(LIGHTS) & taken[-1].values.keys():
            taken[-1].values[key] = _lights(key, taken[-1].values[key], where, faults)
    return taken


def _lights(
    key: str, items: list[dict[str, object]], where: str, faults: Faults
) -> list[dict[str, Any]]:
    """Check the tables of `choose` or `dismiss`."""
    return [
        take(f"clip.{key}", item, f"{where}: {key} {number + 1}", faults).values
        for number, item in enumerate(items)
    ]


def _brackets(table: Table) -> str:
    return f"[[{table.name}]]" if table.many else f"[{table.name}]"


def _resolve_paths(tables: dict[str, list[Taken]], files: Files, faults: Faults) -> None:
    """Replace every path by the same relative to the session folder; refuse those that leave."""
    for name, items in tables.items():
        paths = [key.name for key in keys_of(name).values() if key.kind == "path"]
        for number, taken in enumerate(items):
            single = f"{NAME}: [{name}]"
            where = single if name == "course" else place(name, number, taken.values)
            for key in paths:
                if key in taken.values:
                    try:
                        taken.values[key] = inside(files.folder, taken.values[key])
                    except Refused as refusal:
                        faults.add(where, f"{key} {refusal}")
                        del taken.values[key]
