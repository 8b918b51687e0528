"""Spoilt sessions: a good one of bare tracks, and every way we could think of to write it wrong.

What is done to its files is drawn by Hypothesis; what the command would answer is judged by the
contract alone: a status of 0, 1 or 3, words for every fault, and results that can be written.
"""

from __future__ import annotations

import json
import math
import tempfile
import traceback
import warnings
from dataclasses import dataclass
from pathlib import Path

from hypothesis import strategies as st

from tests.evidence.packed import write_session
from vidspeed.session.keys import SESSION_KEYS

TOML, MARKERS, PICKS = "session.toml", "markers.csv", "picks-north.csv"
TRACKS = ("hand/out.csv", "hand/back.csv")
LOG = "log.csv"
MORE = """
[air]
temperature_c = 14.0
pressure_hpa = 1009.0
humidity_pct = 60.0
wind_along_mps = 1.0

[mark]
earlier_kmh = 290.0
earlier_u_kmh = 1.0
margin_percent = 1.0
within_min = 30.0

[[log]]
file = "log.csv"
time_column = "t"
speed_column = "v"
passes = ["out"]
"""
ODD = (
    "-1", "0", "1e-300", "1e308", "nan", "-inf", "inf", "true", '"text"', '"262 ft"', "[]", "[1]",
    "[1, 2]", "[[1, 2], 3]", "{}", "{a = 1}", "9" * 400, "2026-09-12", "07:32:00", '"north"',
    "2026-09-12T10:00:00Z", "9999-12-31T23:59:59-23:59", '""', '"."', '".."', '"/"', "'C:'", "''",
    '"\\u0000"', '"a\\nb"', '"session.toml"', '"markers.csv"', '"hand/out.csv"', '"log.csv"', "=",
    '"results/x.csv"', '"' + "x" * 300 + '"', "[" * 50, '["clips/out.mp4"]', "\ufeff", "#", "1_000",
)  # fmt: skip
CELLS = (
    "", "-1", "0", "nan", "inf", "1e400", "1e-300", "-1e30", "1,5", "1.5.2", "1.234,5", "80 m", '"',
    "A1", "B2", "\t", ";", "#", "é", "fit", "check", "1" * 99, "2026-09-12", "12:00", "0x10",
)  # fmt: skip
FACTORS = (-1.0, 0.0, 1e-9, 1e-3, 0.5, 0.999, 1.01, 2.0, 10.0, 1e3, 1e9, 1e30)
CODES = ("utf-8", "utf-8-sig", "utf-16", "latin-1", "utf-32")


@dataclass(frozen=True, slots=True)
class Spoilt:
    """A session as it is written: the bytes of each of its files."""

    files: dict[str, bytes]
    how: tuple[str, ...]


def good_files() -> dict[str, str]:
    """Return the session that is spoilt, as text."""
    with tempfile.TemporaryDirectory() as name:
        folder = write_session(Path(name) / "s")
        found = {
            file: (folder / file).read_text(encoding="utf-8")
            for file in (TOML, MARKERS, PICKS, *TRACKS)
        }
    found[TOML] += MORE
    found[LOG] = "t,v\n" + "".join(
        f"{0.1 * row:.1f},{83.0 + 0.1 * (row % 3)}\n" for row in range(8)
    )
    return found


GOOD = good_files()


@st.composite
def spoilt_sessions(draw: st.DrawFn) -> Spoilt:
    """Draw a session that was changed in one to three ways."""
    texts, how = dict(GOOD), []
    for _ in range(draw(st.integers(1, 3))):
        file = draw(st.sampled_from((TOML, TOML, TOML, MARKERS, PICKS, *TRACKS, LOG)))
        ways = LINES_OF_TOML if file == TOML else LINES_OF_CSV
        way = draw(st.sampled_from(sorted(ways)))
        texts[file] = ways[way](draw, texts[file])
        how.append(f"{file}: {way}")
    files = {file: text.encode("utf-8", "replace") for file, text in texts.items()}
    if draw(st.integers(0, 9)) == 0:
        file, way = draw(st.sampled_from(sorted(files))), draw(st.sampled_from(sorted(WHOLE)))
        files[file] = WHOLE[way](draw, texts[file], files[file])
        how.append(f"{file}: {way}")
    if draw(st.integers(0, 19)) == 0:
        file = draw(st.sampled_from(sorted(files)))
        del files[file]
        how.append(f"{file}: is gone")
    return Spoilt(files, tuple(how))


def _a_line(draw: st.DrawFn, lines: list[str]) -> int:
    return draw(st.integers(0, len(lines) - 1))


def _dropped(draw: st.DrawFn, text: str) -> str:
    lines = text.splitlines() or [""]
    at = _a_line(draw, lines)
    del lines[at : at + draw(st.sampled_from([1, 1, 1, 3, 12]))]
    return "\n".join([*lines, ""])


def _doubled(draw: st.DrawFn, text: str) -> str:
    lines = text.splitlines() or [""]
    at = _a_line(draw, lines)
    lines[at:at] = lines[at : at + draw(st.sampled_from([1, 1, 4]))]
    return "\n".join([*lines, ""])


def _moved(draw: st.DrawFn, text: str) -> str:
    lines = text.splitlines() or [""]
    lines.append(lines.pop(_a_line(draw, lines)))
    return "\n".join([*lines, ""])


def _noise(draw: st.DrawFn, text: str) -> str:
    lines = text.splitlines() or [""]
    lines[_a_line(draw, lines)] += draw(st.text(max_size=6))
    return "\n".join([*lines, ""])


def _odd_value(draw: st.DrawFn, text: str) -> str:
    lines = text.splitlines() or [""]
    at = _a_line(draw, lines)
    lines[at] = f"{lines[at].split(' = ')[0]} = {draw(st.sampled_from(ODD))}"
    return "\n".join([*lines, ""])


def _scaled_value(draw: st.DrawFn, text: str) -> str:
    lines = text.splitlines() or [""]
    at = _a_line(draw, lines)
    name, equals, value = lines[at].partition(" = ")
    lines[at] = name + equals + _scaled(draw, value)
    return "\n".join([*lines, ""])


def _scaled(draw: st.DrawFn, value: str) -> str:
    """Multiply a number, or those of a list, by something; anything else stays."""
    factor = draw(st.sampled_from(FACTORS))
    try:
        found = json.loads(value)
        many = [float(row) * factor for row in (found if isinstance(found, list) else [found])]
    except (ValueError, TypeError):
        return value
    return json.dumps(many if isinstance(found, list) else many[0])


def _added_key(draw: st.DrawFn, text: str) -> str:
    """Put a known key where it belongs, with its example or something odd."""
    key = draw(st.sampled_from(SESSION_KEYS))
    value = draw(st.sampled_from([key.example, key.example, *ODD]))
    line = f"{key.name} = {value}"
    head = next((head for head in (f"[{key.table}]", f"[[{key.table}]]") if head in text), None)
    if key.table == "":
        return f"{line}\n{text}"
    if head is None:
        return f"{text}\n[[{key.table}]]\n{line}\n"
    return text.replace(head, f"{head}\n{line}", 1)


def _mistyped(draw: st.DrawFn, text: str) -> str:
    lines = text.splitlines() or [""]
    at = _a_line(draw, lines)
    place = draw(st.integers(0, max(0, len(lines[at]) - 1)))
    lines[at] = lines[at][:place] + lines[at][place + 1 :]
    return "\n".join([*lines, ""])


def _odd_cell(draw: st.DrawFn, text: str) -> str:
    return _cell(draw, text, draw(st.sampled_from(CELLS)))


def _scaled_cell(draw: st.DrawFn, text: str) -> str:
    return _cell(draw, text, None)


def _cell(draw: st.DrawFn, text: str, new: str | None) -> str:
    lines = text.splitlines() or [""]
    at = _a_line(draw, lines)
    cells = lines[at].split(",")
    place = draw(st.integers(0, len(cells) - 1))
    cells[place] = _scaled(draw, cells[place]) if new is None else new
    lines[at] = ",".join(cells)
    return "\n".join([*lines, ""])


def _one_column(draw: st.DrawFn, text: str) -> str:
    """Let a whole column be one thing."""
    lines = [line.split(",") for line in text.splitlines()] or [[""]]
    place, new = draw(st.integers(0, len(lines[0]) - 1)), draw(st.sampled_from(CELLS))
    for cells in lines[1:]:
        if place < len(cells):
            cells[place] = new
    return "\n".join([*(",".join(cells) for cells in lines), ""])


def _no_column(draw: st.DrawFn, text: str) -> str:
    lines = [line.split(",") for line in text.splitlines()] or [[""]]
    place = draw(st.integers(0, len(lines[0]) - 1))
    return "\n".join([*(",".join(row[:place] + row[place + 1 :]) for row in lines), ""])


def _otherwise(draw: st.DrawFn, text: str) -> str:
    """Write it as another spreadsheet does, or half so."""
    sign = draw(st.sampled_from([";", "\t", " , ", "|"]))
    if draw(st.booleans()):
        text = text.replace(",", ";").replace(".", ",").replace(";", sign)
    else:
        text = text.replace(",", sign)
    return text.replace("\n", draw(st.sampled_from(["\n", "\r\n", "\r"])))


LINES_OF_TOML = {
    "dropped": _dropped, "doubled": _doubled, "moved": _moved, "noise": _noise, "key": _added_key,
    "odd": _odd_value, "scaled": _scaled_value, "scaled more": _scaled_value, "typo": _mistyped,
}  # fmt: skip
LINES_OF_CSV = {
    "dropped": _dropped, "doubled": _doubled, "moved": _moved, "noise": _noise, "odd": _odd_cell,
    "scaled": _scaled_cell, "scaled more": _scaled_cell, "column": _one_column,
    "no column": _no_column, "otherwise": _otherwise, "typo": _mistyped,
}  # fmt: skip


def _recoded(draw: st.DrawFn, text: str, data: bytes) -> bytes:
    return text.encode(draw(st.sampled_from(CODES)), "replace")


def _cut(draw: st.DrawFn, text: str, data: bytes) -> bytes:
    return data[: draw(st.integers(0, len(data)))]


def _bytes(draw: st.DrawFn, text: str, data: bytes) -> bytes:
    at = draw(st.integers(0, len(data)))
    return data[:at] + draw(st.binary(max_size=20)) + data[at:]


def _nothing_left(draw: st.DrawFn, text: str, data: bytes) -> bytes:
    return b""


WHOLE = {"recoded": _recoded, "cut": _cut, "bytes": _bytes, "emptied": _nothing_left}


def verdict(case: Spoilt) -> str:
    """Run a spoilt session as the command does; words that begin with a capital are failures."""
    from vidspeed.cli.passes import exit_status
    from vidspeed.errors import VidspeedError
    from vidspeed.measure import run
    from vidspeed.record.columns import passes_csv
    from vidspeed.record.summary import json_bytes, sensitivities, summary
    from vidspeed.record.units import unit_named

    with tempfile.TemporaryDirectory() as name, warnings.catch_warnings(record=True) as warned:
        warnings.simplefilter("always")
        folder = _written(Path(name), case.files)
        try:
            outcome = run(folder)
            made = json.loads(json_bytes(summary(outcome)))
            json.loads(json_bytes(sensitivities(outcome)))
            passes_csv(outcome, unit_named("kmh"))
        except VidspeedError as error:
            lines = error.messages
            told = bool(lines) and all(line.strip() and "\n" not in line for line in lines)
            return "refused" if told else f"WORDS {lines!r}"
        except Exception:
            return "FAULT " + traceback.format_exc()
        if warned:
            return "WARNED " + "; ".join(
                f"{row.category.__name__}: {row.message}" for row in warned
            )
        return _measured(exit_status(outcome), made)


def _written(home: Path, files: dict[str, bytes]) -> Path:
    folder = home / "s"
    for file, data in files.items():
        (folder / file).parent.mkdir(parents=True, exist_ok=True)
        (folder / file).write_bytes(data)
    return folder


def _measured(status: int, made: dict[str, list[dict[str, object]]]) -> str:
    """Judge what was measured: by status and by what the files say."""
    rows = [row for row in made["passes"] if row["speed_mps"] is not None]
    if status == 1:
        return "nothing measured" if not rows and made["problems"] else "SILENT"
    if status not in (0, 3):
        return f"STATUS {status}"
    for row in rows:
        speed, u, wide = row["speed_mps"], row["speed_u_mps"], row["speed_U95_mps"]
        if not all(isinstance(value, float) and math.isfinite(value) for value in (speed, u, wide)):
            return f"NOT A FIGURE {row['pass']}: {speed} {u} {wide}"
        assert isinstance(speed, float) and isinstance(u, float) and isinstance(wide, float)
        if not (speed > 0.0 and 0.0 < u <= wide):
            return f"NO UNCERTAINTY {row['pass']}: {speed} {u} {wide}"
    if status == 3 and not any(row["level"] == "error" for row in made["problems"]):
        return "SILENT"
    return "measured" if status == 0 else "partly measured"
