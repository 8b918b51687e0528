"""Make a new session folder: commented files to fill in, and a sheet to print."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable
from importlib import resources
from pathlib import Path

from vidspeed.errors import SessionError
from vidspeed.session.clock import read_clock
from vidspeed.session.keys import SESSION_KEYS, TABLES, TOP, Key, Table, keys_of
from vidspeed.session.lens import read_lens
from vidspeed.session.rules import LINE
from vidspeed.session.tables import read_markers

SHELF_ROOMS = {
    ("camera", "lens"): "lenses",
    ("camera", "clock"): "clocks",
    ("course", "markers"): "sites",
}  # which key the files of a folder of the shelf serve
FILLED = {("course", "markers"), ("camera", "name"), ("camera", "picks")}
WANTED = {
    ("course", "length_m"),
    ("course", "length_u_m"),
    *(("flight_line", name) for name in LINE),
}
_LEFT_OPEN = (
    "tape",
    "air",
    "craft",
    "clip",
    "sync",
    "proof",
    "log",
    "mark",
)  # tables that are written as comments
_HEAD = """\
## A session: one day at one course. Lines that begin with ## explain; take away the "# "
## before another line to state it. Every figure with _u in its name is a standard
## uncertainty: "95 % sure of +/- a" is a / 2, "certain of +/- a" is a / 1.73.
## Write figures without quotation marks or units and with a decimal point, paths
## relative to this folder and with forward slashes.
"""
_MARKERS = (
    "# A row for each marker, without the # in front; eight or more, some off the line, some high.",
    "# A1,0.0,-5.0,0.0,0.02,fit",
    "# A2,80.0,-5.0,2.0,0.02,fit",
    "# C1,40.0,6.0,0.0,0.02,check",
)
_PICKS = (
    "# A row for each marker that this camera sees, picked on a still of the clip's own size.",
    "# A1,412.5,803.0,0.5",
    "# A2,1500.0,780.5,0.5",
)


def new_session(folder: Path, *, shelf: Path | None = None) -> tuple[Path, ...]:
    """Write a session folder with commented files and a sheet to print.

    Parameters
    ----------
    folder
        Where; it may exist, the files in it may not.
    shelf
        A folder with `lenses`, `clocks` and `sites`, whose files are copied into the session
        and named in session.toml, as comments, each below the key that it serves.

    Returns
    -------
    tuple of Path
        The files that were written.

    Raises
    ------
    SessionError
        Where a file is there already (nothing is written then), the folder cannot be written,
        or the shelf holds no such files or a wrong one.
    """
    copies = {} if shelf is None else _from_shelf(Path(shelf))
    contents = {
        "session.toml": session_text(copies).encode("utf-8"),
        "markers.csv": _csv_text("markers.csv", _MARKERS).encode("utf-8"),
        "picks-north.csv": _csv_text("picks", _PICKS).encode("utf-8"),
        "course-sheet.html": course_sheet().encode("utf-8"),
        **{name: path.read_bytes() for name, path in copies.items()},
    }
    return _write_new(Path(folder), contents)


def _write_new(folder: Path, contents: dict[str, bytes]) -> tuple[Path, ...]:
    """Write files that are not there yet; nothing where one of them is."""
    taken = [name for name in contents if (folder / name).exists()]
    if taken:
        raise SessionError(
            *(f"{folder / name}: is there already and was left as it is" for name in taken),
            f"{folder}: nothing was written; name a new folder, or move these files away",
        )
    written = []
    try:
        for name, data in contents.items():
            path = folder / name
            path.parent.mkdir(parents=True, exist_ok=True)
            with path.open("xb") as file:
                file.write(data)
            written.append(path)
    except OSError as error:
        raise SessionError(f"{folder}: cannot be written: {error.strerror}") from None
    return tuple(written)


def _from_shelf(shelf: Path) -> dict[str, Path]:
    """Return the shelf's files by the name that they get in the session; each must read well."""
    found = {
        f"{room}/{path.name}": path
        for room in SHELF_ROOMS.values()
        if (shelf / room).is_dir()
        for path in sorted((shelf / room).iterdir())
        if path.is_file() and path.name[0] != "." and path.stem.upper() != "README"
    }
    if not found:
        rooms = ", ".join(SHELF_ROOMS.values())
        raise SessionError(f"{shelf}: no files in {rooms} there; give the folder of the shelf")
    for name, path in found.items():
        if name.startswith("lenses/"):
            read_lens(path)
        elif name.startswith("clocks/"):
            read_clock(path)
        elif name.startswith("sites/"):
            read_markers(path)
    return found


def session_text(copied: Iterable[str] = ()) -> str:
    """Return session.toml with every key of the table of keys, explained, to be filled in."""
    files = list(copied)
    blocks = [_HEAD, *(_lines_of_key(key, open_=True) for key in keys_of(TOP).values())]
    for table in TABLES:
        blocks.append(_head_of_table(table))
        is_open = table.name in _LEFT_OPEN
        for key in keys_of(table.name).values():
            blocks.append(_lines_of_key(key, open_=is_open) + _from_the_shelf(key, files))
    return "\n".join(blocks)


def _head_of_table(table: Table) -> str:
    """Return a table's header with its comments."""
    header = f"[[{table.name}]]" if table.many else f"[{table.name}]"
    comment = "# " if table.name in _LEFT_OPEN else ""
    optional = "" if table.required or table.name == "flight_line" else " (optional)"
    several = f"; one {header} for each" if table.many else ""
    return f"{_comment(f'---- {table.meaning}{several}{optional}')}\n{comment}{header}\n"


def _from_the_shelf(key: Key, copied: list[str]) -> str:
    """Return lines that name the copied files which this key can use, each as a comment."""
    room = SHELF_ROOMS.get((key.table, key.name))
    names = [name for name in copied if room is not None and name.startswith(f"{room}/")]
    if not names:
        return ""
    instead = ', and put "# " before the line that it takes the place of'
    use = f'take away the "# " before a line to use it{instead * ((key.table, key.name) in FILLED)}'
    return "\n".join(
        [_comment(f"from the shelf: {use}"), *(f'# {key.name} = "{name}"' for name in names), ""]
    )


def _lines_of_key(key: Key, *, open_: bool) -> str:
    """Return a key with its meaning: filled, to be filled in, or as a comment with an example."""
    meaning = f"{key.meaning} ({key.unit})" if key.unit else key.meaning
    if (key.table, key.name) in FILLED:
        return f"{_comment(meaning)}\n{key.name} = {key.example}\n"
    if not open_ and (key.required or (key.table, key.name) in WANTED):
        return f"{_comment(f'FILL IN: {meaning}; for example {key.example}')}\n# {key.name} =\n"
    rest = "; needed" if key.required else ""
    rest += f"; left out: {key.left_out}" if key.left_out else ""
    rest += f"; together with {key.beside}" if key.beside else ""
    return f"{_comment(meaning + rest)}\n# {key.name} = {key.example}\n"


def _comment(text: str) -> str:
    """Return a text as comment lines that begin with ##, so that one "# " can be taken away."""
    return textwrap.fill(text, 92, initial_indent="## ", subsequent_indent="## ")


def _csv_text(table: str, rows: Iterable[str]) -> str:
    """Return the header row of a CSV file and rows below it."""
    return "\n".join([",".join(keys_of(table)), *rows, ""])


def course_sheet() -> str:
    """Return the sheet to print, one HTML file that needs nothing else."""
    from jinja2 import Environment, StrictUndefined

    source = resources.files("vidspeed.session").joinpath("course-sheet.html")
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True)
    template = environment.from_string(source.read_text(encoding="utf-8"))
    return template.render(
        once=_blanks(("course", "flight_line", "air", "craft")),
        each_camera=_blanks(("camera",)),
        marker=list(keys_of("markers.csv").values()),
    )


def _blanks(tables: Iterable[str]) -> list[tuple[Key, str]]:
    """Return the figures that are noted on the day, each with the key of its uncertainty or ""."""
    blanks: list[tuple[Key, str]] = []
    for key in SESSION_KEYS:
        if key.table in tables and key.kind in ("number", "whole"):
            before = blanks[-1] if blanks else None
            if before and key.name == _u_name(before[0]):
                blanks[-1] = (before[0], key.name)
            else:
                blanks.append((key, ""))
    return blanks


def _u_name(key: Key) -> str:
    """Return the name that the uncertainty of a figure has: length_m, length_u_m; k1, k1_u."""
    stem, bar, unit = key.name.rpartition("_")
    stem = stem.removesuffix("_along")
    return f"{stem}_u_{unit}" if bar else f"{unit}_u"
