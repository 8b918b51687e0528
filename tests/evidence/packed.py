"""A measured session of bare tracks, and packs made of it by hand: honest, forged and hostile.

The camera looks along y without any turn, so that its picture is written down in one line.
"""

from __future__ import annotations

import hashlib
import json
import zlib
from pathlib import Path

from vidspeed.evidence.form import Entry, local_header, tail
from vidspeed.evidence.manifest import Row, made, manifest_bytes
from vidspeed.measure import run
from vidspeed.record.contents import CONTENTS, contents_bytes
from vidspeed.record.files import write_results
from vidspeed.values import InputFile

LENGTH_M, SPEED_MPS, FOCAL_PX = 40.0, 83.0, 280.0
CENTRE_PX, STAND_M = (239.5, 134.5), (20.0, -30.0, 1.6)
MARKERS = (
    ("A1", 0.0, 0.0, 0.2, "fit"), ("A2", 40.0, 0.0, 0.2, "fit"), ("B1", 0.0, 6.0, 2.0, "fit"),
    ("B2", 40.0, 6.0, 2.0, "fit"), ("D1", 15.0, -12.0, 0.0, "fit"), ("D2", 28.0, 12.0, 5.0, "fit"),
    ("C1", 22.0, 3.0, 1.0, "check"),
)  # fmt: skip
SESSION = """\
title = "A short afternoon"
date = 2026-08-22
place = "Low Moor airstrip"

[course]
length_m = 40.0
length_u_m = 0.02
markers = "markers.csv"

[flight_line]
offset_m = 0.0
offset_u_m = 0.2
height_m = 3.0
height_u_m = 0.2

[craft]
name = "Skein 2"

[[camera]]
name = "north"
image_size_px = [480, 270]
picks = "picks-north.csv"
focal_px = 280.0
focal_u_px = 3.0
centre_px = [239.5, 134.5]
centre_u_px = 3.0
k1 = 0.0
k1_u = 0.01
readout_ms = 0.0
readout_u_ms = 0.5

[[clip]]
file = "clips/out.mp4"
camera = "north"
pass = "out"
track = "hand/out.csv"

[[clip]]
file = "clips/back.mp4"
camera = "north"
pass = "back"
track = "hand/back.csv"
"""


def seen(x_m: float, y_m: float, z_m: float) -> tuple[float, float]:
    range_m = y_m - STAND_M[1]
    return (
        CENTRE_PX[0] + FOCAL_PX * (x_m - STAND_M[0]) / range_m,
        CENTRE_PX[1] - FOCAL_PX * (z_m - STAND_M[2]) / range_m,
    )


def track(forward: bool) -> str:
    """Return a pass as a track file, with a scatter that is no one's but its own."""
    rows = ["frame,time_s,x_px,y_px,u_x_px,u_y_px"]
    for frame in range(36):
        time_s = frame / 60.0
        along_m = -5.0 + SPEED_MPS * time_s
        x_px, y_px = seen(along_m if forward else LENGTH_M - along_m, 0.0, 3.0)
        off = 0.2 * ((frame * 7919 % 13) / 6.0 - 1.0)
        rows.append(f"{frame},{time_s!r},{x_px + off!r},{y_px - off!r},0.2,0.2")
    return "\n".join(rows) + "\n"


def write_session(folder: Path) -> Path:
    """Write the session into a new folder."""
    (folder / "hand").mkdir(parents=True)
    (folder / "clips").mkdir()
    markers = "".join(f"{n},{x},{y},{z},0.02,{use}\n" for n, x, y, z, use in MARKERS)
    picks = "".join("{},{!r},{!r},0.3\n".format(n, *seen(x, y, z)) for n, x, y, z, _ in MARKERS)
    texts = {
        "session.toml": SESSION,
        "markers.csv": "name,x_m,y_m,z_m,u_m,use\n" + markers,
        "picks-north.csv": "name,x_px,y_px,u_px\n" + picks,
        "hand/out.csv": track(True),
        "hand/back.csv": track(False),
    }
    for name, text in texts.items():
        (folder / name).write_text(text, encoding="utf-8", newline="")
    return folder


def measured(folder: Path) -> Path:
    """Measure the session in a folder and write its results."""
    write_results(run(folder))
    return folder


def sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def zipped(files: list[tuple[str, bytes]]) -> bytes:
    """Return files as a ZIP of the form of a pack, whatever they are called."""
    pieces, entries, at = [], [], 0
    for name, content in files:
        entry = Entry(file=name, bytes=len(content), crc=zlib.crc32(content), at=at)
        pieces += [local_header(entry), content]
        at += len(pieces[-2]) + len(content)
        entries.append(entry)
    return b"".join([*pieces, tail(entries)])


def files_of_pack(data: bytes) -> dict[str, bytes]:
    """Return every file of a pack but the manifest."""
    import io
    import zipfile

    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        names = archive.namelist()
        return {name: archive.read(name) for name in names if name != "manifest.json"}


def with_manifest(files: dict[str, bytes], absent: tuple[Row, ...] = ()) -> bytes:
    """Return a pack of these files, with a manifest that fits."""
    rows = [Row(file=n, bytes=len(c), sha256=sha256(c)) for n, c in files.items()]
    manifest = manifest_bytes(made("whole", rows, absent))
    return zipped([("manifest.json", manifest), *sorted(files.items())])


def sealed(files: dict[str, bytes], absent: tuple[Row, ...] = ()) -> bytes:
    """Return a pack whose list of contents, report and manifest fit: only measuring can tell."""
    files = dict(files)
    results = {
        name.removeprefix("results/"): content
        for name, content in files.items()
        if name.startswith("results/")
    }
    given = [
        InputFile(file=name, sha256=sha256(content))
        for name, content in files.items()
        if not name.startswith("results/")
    ]
    given += [InputFile(file=row.file, sha256=row.sha256) for row in absent]
    old, new = files[f"results/{CONTENTS}"], contents_bytes(results, given)
    report = files["results/report.html"]
    seal = sha256(old).encode()
    files["results/report.html"] = report.replace(seal, sha256(new).encode())
    files[f"results/{CONTENTS}"] = new
    return with_manifest(files, absent)


def edited(data: bytes, change) -> bytes:
    """Return a JSON file after a change of what it holds."""
    value = json.loads(data)
    change(value)
    return json.dumps(value, ensure_ascii=False, indent=1).encode() + b"\n"
