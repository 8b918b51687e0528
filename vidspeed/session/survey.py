"""Read how the course was measured: markers, or tapes and levels, or satellites."""

from __future__ import annotations

import unicodedata
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from vidspeed.errors import SessionError
from vidspeed.session.cells import Row, read_rows
from vidspeed.session.check import Faults, Refused, Taken, missing, shown
from vidspeed.session.draft import Draft
from vidspeed.session.keys import keys_of
from vidspeed.session.paths import Files
from vidspeed.session.tables import nearest, parse_markers, refuse_doubles
from vidspeed.values import (
    Course,
    Floats,
    Level,
    Marker,
    Measured,
    SatelliteFix,
    Tape,
    Taped,
)

WHERE = "session.toml: [course]"
WAYS = ("markers", "tapes", "gnss")
ASSUMED_SCALE_U_PPM = 300.0  # of a tape of which nothing is stated
USUAL_TAPE = "tape"  # name of the one tape where neither rows nor tables name any


def take_survey(draft: Draft, files: Files, faults: Faults) -> None:
    """Read the files of the survey into the draft: markers, and what they follow from."""
    for course in draft.tables["course"]:
        _check_ways(course, faults)
        way = next((name for name in WAYS if name in course.values), None)
        both = way == "tapes" and "gnss" in course.values
        if way is None or (way == "tapes" and not both and "levels" not in course.values):
            continue
        try:
            if way == "markers":
                _take_markers(course, draft, files)
            elif way == "tapes" and not both:
                _take_tapes(course, draft, files, faults)
            else:
                _take_fixes(course, draft, files)
            if both:
                _take_tapes_beside(course, draft, files, faults)
        except Refused as refusal:
            faults.add(WHERE, str(refusal))
        except SessionError as error:
            faults.messages.extend(error.messages)


def course_of(taken: Taken) -> Course:
    """Return the course; not a number where it follows from a survey that is not adjusted yet."""
    if "markers" in taken.values:
        return Course(length_m=taken.values["length_m"], length_u_m=taken.values["length_u_m"])
    return Course(length_m=float("nan"), length_u_m=float("nan"))


def _check_ways(course: Taken, faults: Faults) -> None:
    """Check that the course was measured in one way, and that what it needs is stated."""
    keys = keys_of("course")
    given = [name for name in WAYS if name in course.given]
    if given == ["tapes"] and "levels" not in course.given:
        faults.add(WHERE, "tapes is given without levels; state both or neither, or gnss beside it")
    if "gnss" in given and "levels" in course.given:
        faults.add(WHERE, "gnss and levels are given; heights come from the satellites; keep one")
    if len(given) > 1 and given != ["tapes", "gnss"]:
        faults.add(WHERE, f"{' and '.join(given)} are given; the markers come from one; keep one")
    if not given:
        faults.add(WHERE, f"{missing(keys['markers'])}; or tapes with levels, or gnss")
    if given in ([], ["markers"]):
        for name in ("length_m", "length_u_m"):
            if name not in course.given:
                faults.add(WHERE, missing(keys[name]))


def _read(course: Taken, key: str, files: Files) -> tuple[str, bytes]:
    """Return the name of a file of the course and what it holds."""
    file = str(course.values[key])
    try:
        return file, files.read(file)
    except Refused as refusal:
        raise Refused(f"{key} {refusal}") from None


def _take_markers(course: Taken, draft: Draft, files: Files) -> None:
    file, data = _read(course, "markers", files)
    draft.markers = parse_markers(data, file)
    if "covariance" in course.values:
        file, data = _read(course, "covariance", files)
        draft.covariance_m2 = parse_covariance(data, file, draft.markers)


def parse_covariance(data: bytes, where: str, markers: Sequence[Marker]) -> Floats:
    """Return the covariance (3 m, 3 m) of markers: u_m squared, and the rows of the file.

    A pair stands in the file once; what is not in it is zero.
    """
    at = {
        (marker.name, axis): 3 * number + along
        for number, marker in enumerate(markers)
        for along, axis in enumerate("xyz")
    }
    matrix = np.diag(np.repeat([marker.u_m**2 for marker in markers], 3))
    faults, seen = Faults(), set()
    for row in read_rows(data, where, "covariance.csv"):
        pair = [
            at.get((_plain(row, name), row.values[axis]))
            for name, axis in (("marker", "axis"), ("other", "other_axis"))
        ]
        for place, name in zip(pair, ("marker", "other"), strict=True):
            if place is None:
                known = nearest(_plain(row, name), [marker.name for marker in markers])
                found = shown(row.values[name])
                faults.add(f"{where}: row {row.number}", f"no marker is named {found}; {known}")
        if pair[0] is None or pair[1] is None:
            continue
        if frozenset(pair) in seen:
            faults.add(f"{where}: row {row.number}", "this pair is there already; keep one")
        seen.add(frozenset(pair))
        matrix[pair[0], pair[1]] = matrix[pair[1], pair[0]] = row.values["cov_m2"]
    if faults:
        raise SessionError(*faults.messages[:12])
    if float(np.linalg.eigvalsh(matrix)[0]) < -1e-9 * float(np.max(np.abs(np.diag(matrix)))):
        raise SessionError(
            f"{where}: no quantities can have these covariances (the matrix has a negative "
            "eigenvalue); a covariance is at most the product of the two uncertainties; "
            "compare with u_m of the markers"
        )
    return np.asarray(matrix)


def _take_tapes(course: Taken, draft: Draft, files: Files, faults: Faults) -> None:
    file, data = _read(course, "levels", files)
    levels = _levels(read_rows(data, file, "levels.csv"), file)
    names = [level.name for level in levels]
    taped, tapes = _distances(course, draft, files, faults, names)
    reached = {name for row in taped for name in (row.start, row.end)}
    for name in names:
        if name not in reached:
            file = str(course.values["tapes"])
            faults.add(file, f"no distance leads to point {shown(name)}; at least two are needed")
    draft.measured = Measured(
        start_post=_post(course, "start_post", names),
        finish_post=_post(course, "finish_post", names),
        taped=taped,
        levels=levels,
        tapes=tapes,
        stated_length_m=course.values.get("length_m"),
        stated_length_u_m=course.values.get("length_u_m"),
    )
    draft.markers = tuple(_to_come(level.name, level.use) for level in levels)


def _take_tapes_beside(course: Taken, draft: Draft, files: Files, faults: Faults) -> None:
    """Add the distances that were taped between points by satellite."""
    assert draft.measured is not None
    names = [fix.name for fix in draft.measured.fixes]
    taped, tapes = _distances(course, draft, files, faults, names)
    draft.measured = replace(draft.measured, taped=taped, tapes=tapes)


def _distances(
    course: Taken, draft: Draft, files: Files, faults: Faults, names: list[str]
) -> tuple[tuple[Taped, ...], tuple[Tape, ...]]:
    """Return the distances between the points of these names, and the tapes that they need."""
    tables = [taken.values for taken in draft.tables["tape"] if "name" in taken.values]
    stated = [
        Tape(name=values["name"], scale_u_ppm=values["scale_u_ppm"])
        for values in tables
        if "scale_u_ppm" in values
    ]
    for name, count in Counter(tape.name for tape in stated).items():
        if count > 1:
            faults.add(f"session.toml: tape {shown(name)}", "is there twice; keep one")
    file, data = _read(course, "tapes", files)
    rows = read_rows(data, file, "tapes.csv")
    taped = _taped(rows, file, names, stated)
    known = {tape.name for tape in stated}
    used = dict.fromkeys(row.tape for row in taped)
    assumed = [
        Tape(name=name, scale_u_ppm=ASSUMED_SCALE_U_PPM, assumed=True)
        for name in used
        if name not in known
    ]
    return taped, (*(tape for tape in stated if tape.name in used), *assumed)


def _levels(rows: list[Row], where: str) -> tuple[Level, ...]:
    if not rows:
        raise SessionError(f"{where}: no point yet; write a row for each, the posts too")
    refuse_doubles(rows, where, "point")
    return tuple(
        Level(
            name=_plain(row, "name"),
            height_m=row.values["height_m"],
            u_m=row.values["u_m"],
            side=row.values["side"],
            use=row.values["use"],
        )
        for row in rows
    )


def _taped(
    rows: list[Row], where: str, names: list[str], tapes: Sequence[Tape]
) -> tuple[Taped, ...]:
    """Return the distances; every point needs its height or its fix."""
    faults, taped = Faults(), []
    for row in rows:
        start, end = _plain(row, "from"), _plain(row, "to")
        place = f"{where}: row {row.number}"
        for name in (start, end):
            if name not in names:
                mend = f"write its height there; {nearest(name, names)}"
                faults.add(
                    place, f"point {shown(name)} has no row in the file of levels or gnss; {mend}"
                )
        if start == end:
            faults.add(place, f"from and to are both {shown(start)}; two points are needed")
        taped.append(
            Taped(
                start=start,
                end=end,
                distance_m=row.values["distance_m"],
                u_m=row.values["u_m"],
                tape=_tape_name(row, place, tapes, faults),
            )
        )
    if faults:
        raise SessionError(*faults.messages[:12])
    return tuple(taped)


def _tape_name(row: Row, place: str, tapes: Sequence[Tape], faults: Faults) -> str:
    """Return the tape of a row; where tapes are stated, it is one of them."""
    name = row.values["tape"]
    if name is None and len(tapes) > 1:
        known = ", ".join(shown(tape.name) for tape in tapes)
        faults.add(place, f"tape is blank, but there are {known}; name the one it was read from")
    if name is None:
        return tapes[0].name if tapes else USUAL_TAPE
    if tapes and name not in {tape.name for tape in tapes}:
        known = nearest(name, [tape.name for tape in tapes])
        faults.add(place, f"no [[tape]] is named {shown(name)}; {known}")
    return str(name)


def _take_fixes(course: Taken, draft: Draft, files: Files) -> None:
    file, data = _read(course, "gnss", files)
    rows = read_rows(data, file, "gnss.csv")
    if not rows:
        raise SessionError(f"{file}: no point yet; write a row for each, the posts too")
    refuse_doubles(rows, file, "point")
    fixes = tuple(_fix(row) for row in rows)
    names = [fix.name for fix in fixes]
    draft.measured = Measured(
        start_post=_post(course, "start_post", names),
        finish_post=_post(course, "finish_post", names),
        fixes=fixes,
        stated_length_m=course.values.get("length_m"),
        stated_length_u_m=course.values.get("length_u_m"),
    )
    draft.markers = tuple(_to_come(fix.name, fix.use) for fix in fixes)


def _fix(row: Row) -> SatelliteFix:
    values = row.values
    up = values["u_up_m"]
    return SatelliteFix(
        name=_plain(row, "name"),
        latitude_deg=values["latitude_deg"],
        longitude_deg=values["longitude_deg"],
        height_m=values["height_m"],
        u_m=values["u_m"],
        u_up_m=2.0 * values["u_m"] if up is None else up,
        use=values["use"],
    )


def _post(course: Taken, key: str, names: list[str]) -> str:
    """Return the point at a gate, which must be among those measured."""
    name = unicodedata.normalize("NFC", str(course.values[key]))
    if name not in names:
        raise Refused(
            f"{key} is {shown(name)}, but no point of the survey has that name; "
            f"{nearest(name, names)}; state {key}, or rename the point"
        )
    other = course.values["finish_post" if key == "start_post" else "start_post"]
    if name == other:
        raise Refused(f"start_post and finish_post are both {shown(name)}; two are needed")
    return name


def _to_come(name: str, use: str) -> Marker:
    """Return a marker whose place follows from a survey that is not adjusted yet."""
    place = np.full(3, np.nan)
    return Marker(name=name, xyz_m=place, u_m=np.nan, use="check" if use == "check" else "fit")


def _plain(row: Row, key: str) -> str:
    return unicodedata.normalize("NFC", row.values[key])
