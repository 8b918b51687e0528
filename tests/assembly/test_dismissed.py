"""Lights that were dismissed by hand: no solution uses them, everything shows them."""

import csv
import json

import numpy as np
import pytest

from tests.tiny import CLIP, command, edit
from vidspeed.assembly import faint
from vidspeed.assembly.cameras import calibrate_all
from vidspeed.assembly.gather import Keeping
from vidspeed.assembly.looking import look_within_bounds
from vidspeed.assembly.reading import read_session
from vidspeed.measure import run

ENTRY = 'pass = "1"\n'


def dismiss(folder, *lights):
    rows = ", ".join(f"{{time_s = {t}, x_px = {x}, y_px = {y}}}" for t, x, y in lights)
    edit(folder / "session.toml", ENTRY, f"{ENTRY}dismiss = [{rows}]\n")


def lights_of(folder):
    path = folder / "results" / "north-pass-1" / "track.csv"
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def summary_of(folder):
    return json.loads((folder / "results" / "summary.json").read_text(encoding="utf-8"))


def speed_of(folder):
    return summary_of(folder)["passes"][0]["speed_mps"]


def as_track(folder):
    """Let the session rest on the track of its results alone."""
    (folder / "hand.csv").write_bytes((folder / "results/north-pass-1/track.csv").read_bytes())
    edit(folder / "session.toml", f'file = "{CLIP}"', 'track = "hand.csv"')


def test_a_dismissed_light_is_left_out_shown_said_and_packed(tiny, tmp_path):
    before = lights_of(tiny)
    light = before[12]
    dismiss(tiny, (light["time_s"], float(light["x_px"]) + 1.5, float(light["y_px"]) - 1.0))
    assert command("run", tiny).status == 0
    after = lights_of(tiny)
    assert [row["x_px"] for row in after] == [row["x_px"] for row in before]
    assert [row["dismissed"] for row in after] == [
        "1" if n == 12 else "" for n in range(len(after))
    ]
    assert after[12]["used"] == "0" and after[12]["residual_x_px"] == ""
    assert float(after[12]["x_m"]) == pytest.approx(float(light["x_m"]), abs=0.05)
    check = next(
        row for row in summary_of(tiny)["passes"][0]["checks"] if row["name"] == "dismissed"
    )
    assert check["status"] == "warn"
    assert "1 light was dismissed by hand" in check["detail"] and CLIP in check["detail"]
    assert "with them it would be" in check["detail"]
    report = (tiny / "results" / "report.html").read_text(encoding="utf-8")
    assert "1 light was dismissed by hand" in report
    assert f"{len(after) - 1} of {len(after)} used, 1 dismissed by hand" in report
    drawn = (tiny / "results" / "north-pass-1" / "track.svg").read_text(encoding="utf-8")
    assert "light dismissed by hand (1)" in drawn
    from_clip = summary_of(tiny)["passes"][0]
    assert command("pack", tiny, "--out", tmp_path / "p.zip", "--clips", "hash").status == 0
    said = command("recheck", tmp_path / "p.zip")
    assert said.status == 0, said.out + said.err
    as_track(tiny)
    from_track = run(tiny).passes[0]
    assert from_track.speed_mps == pytest.approx(from_clip["speed_mps"], rel=1e-9)
    assert from_track.speed_u_mps == pytest.approx(from_clip["speed_u_mps"], rel=1e-9)
    assert from_track.sightings[0].dismissed.sum() == 1


def test_without_a_dismissed_light_the_speed_is_that_of_a_track_that_never_had_it(tiny):
    as_track(tiny)
    rows = (tiny / "hand.csv").read_text(encoding="utf-8").splitlines()
    spoilt = rows[-1].split(",")
    spoilt[2] = str(float(spoilt[2]) + 0.4)
    (tiny / "hand.csv").write_text("\n".join([*rows[:-1], ",".join(spoilt)]), encoding="utf-8")
    wrong = run(tiny).passes[0]
    dismiss(tiny, (spoilt[1], spoilt[2], spoilt[3]))
    mended = run(tiny).passes[0]
    assert mended.speed_mps != wrong.speed_mps
    detail = next(row.detail for row in mended.checks if row.name == "dismissed")
    assert f"with them it would be {3.6 * wrong.speed_mps:.2f} km/h" in detail
    (tiny / "hand.csv").write_text("\n".join(rows[:-1]), encoding="utf-8")
    never = run(tiny)
    assert never.passes[0].speed_mps == mended.speed_mps
    assert never.passes[0].speed_u_mps == mended.speed_u_mps
    assert "dismiss 1" in next(row.message for row in never.problems)


def test_a_dismissal_that_meets_no_light_says_so_and_changes_nothing(tiny):
    before_mps = speed_of(tiny)
    light = lights_of(tiny)[5]
    as_track(tiny)
    dismiss(tiny, (light["time_s"], float(light["x_px"]) + 9.0, light["y_px"]), (77.0, 1.0, 1.0))
    outcome = run(tiny)
    first, second = (row.message for row in outcome.problems if row.where == "hand.csv")
    assert first.startswith("dismiss 1: no light lies within 5 pixels")
    assert f"the nearest is at ({float(light['x_px']):.1f}" in first
    assert second.startswith("dismiss 2")
    assert "no light at all was found in that frame" in second
    assert outcome.passes[0].speed_mps == pytest.approx(before_mps, rel=1e-9)
    assert outcome.passes[0].sightings[0].dismissed is None


def test_dismissing_nearly_all_lights_leaves_no_pass(tiny):
    lights = [(row["time_s"], row["x_px"], row["y_px"]) for row in lights_of(tiny)]
    as_track(tiny)
    dismiss(tiny, *lights[:-3])
    outcome = run(tiny)
    assert outcome.passes[0].status == "none"
    assert "no light moves along the course like the craft" in outcome.problems[0].message
    assert outcome.problems[-1].message.startswith(f"{len(lights) - 3} lights were dismissed")


def test_what_is_dismissed_leads_to_no_second_look_for_faint_lights(tiny, monkeypatch):
    lights = [(row["time_s"], row["x_px"], row["y_px"]) for row in lights_of(tiny)]
    dismiss(tiny, *lights[:-3])
    session = read_session(tiny)
    monkeypatch.setattr(faint, "faint_tracks", None)
    clip = session.clips[0]
    looked = look_within_bounds(session, calibrate_all(session), clip, Keeping(folder=tiny))
    assert not looked.problems and not looked.view.tracks
    assert [int(row.out.sum()) for row in looked.parted] == [len(lights) - 3]


def test_a_rival_that_was_dismissed_away_is_told_of(tiny):
    rows = (tiny / "results/north-pass-1/track.csv").read_text(encoding="utf-8").splitlines()
    head = rows[0].split(",")
    cells = [dict(zip(head, row.split(","), strict=True)) for row in rows[1:]]
    rival = [{**row, "pass": "2", "y_px": str(float(row["y_px"]) - 30.0)} for row in cells]
    as_track(tiny)
    text = "\n".join(",".join(row.values()) for row in (*cells, *rival))
    (tiny / "hand.csv").write_text(f"{rows[0]}\n{text}\n", encoding="utf-8")
    dismiss(tiny, *((row["time_s"], row["x_px"], row["y_px"]) for row in rival))
    result = run(tiny).passes[0]
    detail = next(row.detail for row in result.checks if row.name == "dismissed")
    assert detail == f"{len(rival)} lights were dismissed by hand of other tracks in hand.csv"
    assert result.sightings[0].dismissed is None


def test_a_time_that_was_written_short_means_the_nearest_frame(tiny):
    light = lights_of(tiny)[5]
    as_track(tiny)
    dismiss(tiny, (round(float(light["time_s"]), 2), light["x_px"], light["y_px"]))
    assert np.flatnonzero(run(tiny).passes[0].sightings[0].dismissed).tolist() == [5]
