"""A day that was flown: passes each way in two set-ups, given as tracks, so that it runs fast."""

import csv
import io
import json

FLOWN = (
    ("a", 1.0, False), ("a", 1.004, True), ("a", 0.998, False), ("a", 1.002, True),
    ("b", 0.93, False), ("b", 0.935, True),
)  # fmt: skip
TIMES = ("time_s", "interval_s", "time_u_s")


def fly_day(folder, setups):
    """Put six passes in the place of the one of the tiny session; `setups` names a and b."""
    path = folder / "results" / "north-pass-1" / "track.csv"
    rows = list(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8"))))
    text = (folder / "session.toml").read_text(encoding="utf-8").partition("[[clip]]")[0]
    text += "[mark]\nearlier_kmh = 290.0\nheight_m = [1.5, 20.0]\n"
    for number, (setup, slower, back) in enumerate(FLOWN, start=1):
        _write(folder / f"hand-{number}.csv", rows, slower, back)
        named = json.dumps(setups[setup], ensure_ascii=False)
        text += f'\n[[clip]]\ntrack = "hand-{number}.csv"\ncamera = "north"\n'
        text += f'pass = "{number}"\nsetup = {named}\n'
    (folder / "session.toml").write_text(text, encoding="utf-8")


def _write(path, rows, slower, back):
    """Write a track whose times are longer by a factor, flown the other way for `back`."""
    places = rows[::-1] if back else rows
    kept = ("time_s", "frame", "interval_s", "time_u_s")
    made = []
    for row, place in zip(rows, places, strict=True):
        new = {**place, **{name: row[name] for name in kept}, "pass": ""}
        made.append({**new, **{name: repr(slower * float(row[name])) for name in TIMES}})
    stream = io.StringIO(newline="")
    writer = csv.DictWriter(stream, list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(made)
    path.write_text(stream.getvalue(), encoding="utf-8")
