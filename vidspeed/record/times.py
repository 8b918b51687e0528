"""What the terminal and programs get of the account of a clip's time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from rich.table import Table
from rich.text import Text

from vidspeed.values import jsonable
from vidspeed.values.timed import ClipTimes

SCHEMA = "vidspeed.times/1"
MOST_SEGMENTS = 6


def times_json(rows: Sequence[ClipTimes], problems: Sequence[str] = ()) -> Any:
    """Return the accounts as a plain structure for JSON."""
    files = [jsonable(asdict(row)) for row in rows]
    return {"schema": SCHEMA, "files": files, "problems": list(problems)}


def times_table(row: ClipTimes) -> Table:
    """Return the account of one clip as a table of item and value."""
    table = Table(title=Text(row.file), title_justify="left", show_header=False)
    table.add_column("item", no_wrap=True)
    table.add_column("value")
    for item, value in times_rows(row):
        table.add_row(item, Text(value))
    return table


def verdict_line(row: ClipTimes) -> str:
    """Return the verdict in one line."""
    return _one_line(f"{row.file}: {row.verdict}; {row.origin}")


def times_rows(row: ClipTimes) -> list[tuple[str, str]]:
    """Return item and value of each line of the account of one clip."""
    return [(item, _one_line(value)) for item, value in _rows(row)]


def _rows(row: ClipTimes) -> list[tuple[str, str]]:
    return [
        ("codec", f"{row.codec} in {row.container}, {_levels(row)}"),
        ("picture", _picture(row)),
        ("frames", _frames(row)),
        ("time base", f"{row.time_base} s, first stamp {row.first_stamp_s:.6f} s"),
        ("interval", _interval(row)),
        ("missing, repeated", f"{row.dropped} missing by the stamps, {row.repeated} repeated"),
        ("stamps that go back", _backward(row)),
        ("rates by the stamps", _segments(row)),
        ("rate", _rate(row)),
        ("capture-rate tags", _tags(row)),
        ("edit list", _edits(row)),
        ("sound", _sound(row)),
        ("origin", f"{row.origin}: {'; '.join(row.origin_reasons)}"),
        *(("note", reason) for reason in row.reasons),
        ("verdict", row.verdict),
    ]


def _levels(row: ClipTimes) -> str:
    kind = "full range" if row.full_range else "video range"
    return f"{row.bit_depth} bits, {kind}{', interlaced' if row.interlaced else ''}"


def _picture(row: ClipTimes) -> str:
    width, height = row.size_px
    mirrored = ", mirrored" if row.mirrored else ""
    return f"{width} x {height} as shown, turned {row.rotation_deg} degrees{mirrored}"


def _frames(row: ClipTimes) -> str:
    announced = f" of {row.frames_announced} announced" if row.frames_announced else ""
    damaged = f", {row.damaged} damaged or resting on damaged ones" if row.damaged else ""
    return f"{row.frames}{announced}, {row.duration_s:.3f} s{damaged}{_cut(row)}"


def _cut(row: ClipTimes) -> str:
    return ", cut short" if row.cut_short else ""


def _interval(row: ClipTimes) -> str:
    if row.interval_s is None or row.spread_s is None:
        return "one frame only"
    assert row.shortest_s is not None
    assert row.longest_s is not None
    return (
        f"median {1e3 * row.interval_s:.4f} ms, spread {1e3 * row.spread_s:.4f} ms, "
        f"from {1e3 * row.shortest_s:.4f} to {1e3 * row.longest_s:.4f} ms"
    )


def _backward(row: ClipTimes) -> str:
    put_right = ", in the order of storing: put right" if row.reordered else ""
    return f"{row.backward}{put_right}"


def _segments(row: ClipTimes) -> str:
    shown = [
        f"{1.0 / part.interval_s:.3f} frames a second from frame {part.first}"
        for part in row.segments[:MOST_SEGMENTS]
    ]
    more = len(row.segments) - MOST_SEGMENTS
    return ", ".join([*shown, *([f"{more} more"] if more > 0 else [])]) or "none"


def _rate(row: ClipTimes) -> str:
    if row.real_hz is None:
        return "not known"
    named = "not named" if row.nominal_hz is None else f"named {row.nominal_hz:.6f}"
    factor = "" if row.rate_factor is None else f", factor {row.rate_factor:.6f}"
    return f"{named}, real {row.real_hz:.6f} frames a second{factor}"


def _tags(row: ClipTimes) -> str:
    return (
        ", ".join(
            f"{tag.key} = {tag.rate_hz:g} ({'agrees' if tag.agrees else 'contradicts the stamps'})"
            for tag in row.capture_tags
        )
        or "none"
    )


def _edits(row: ClipTimes) -> str:
    shown = [
        f"{edit.duration_s:.3f} s of nothing"
        if edit.media_s is None
        else f"{edit.duration_s:.3f} s from {edit.media_s:.3f} s at rate {edit.rate:g}"
        for edit in row.edits[:MOST_SEGMENTS]
    ]
    more = len(row.edits) - MOST_SEGMENTS
    return ", ".join([*shown, *([f"{more} more"] if more > 0 else [])]) or "none"


def _sound(row: ClipTimes) -> str:
    if row.sound is None:
        return "none"
    lasts = "" if row.sound.duration_s is None else f", {row.sound.duration_s:.3f} s"
    return f"{row.sound.codec}, {row.sound.rate_hz} Hz, {row.sound.channels} channels{lasts}"


def _one_line(text: str) -> str:
    """Return the text without line breaks and control characters."""
    return "".join(char if char.isprintable() else " " for char in text)
