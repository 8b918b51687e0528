"""The list of clips, the clips that are added, and a measurement that is cancelled."""

import json
import os
import shutil
import threading
import time
import tomllib

import pytest

from tests.tiny import CLIP, files_of, render_tiny
from vidspeed.desk.clips import Accounts, add_clip, clip_list
from vidspeed.desk.runs import Run, Runner, Step
from vidspeed.errors import SessionError, VidspeedError

SUMMARY = {
    "passes": [
        {"pass": "1", "clips": [CLIP], "status": "measured", "speed_mps": 100.0,
         "speed_U95_mps": 0.5},
    ],
    "clips": [{"clip": CLIP}],
    "problems": [],
}  # fmt: skip


@pytest.fixture(scope="module")
def tiny(tmp_path_factory):
    return render_tiny(tmp_path_factory.mktemp("desk") / "tiny")


def test_the_list_says_how_each_clip_stands(tiny, tmp_path):
    folder = shutil.copytree(tiny, tmp_path / "s")
    add_clip(folder, "clips/gone.mp4", "north")
    states = [(row.name, row.state) for row in clip_list(folder)]
    assert states == [(CLIP, "not measured yet"), ("clips/gone.mp4", "not there")]
    (folder / "results").mkdir()
    (folder / "results" / "summary.json").write_text(json.dumps(SUMMARY), encoding="utf-8")
    first, second = clip_list(folder)
    assert (first.state, first.kind) == ("measured", "ok")
    assert first.passes == ("1: 360.0 ± 1.8 km/h",)
    assert second.kind == "fail"
    os.utime(folder / CLIP, ns=(0, 2**62))
    assert clip_list(folder)[0].state == "not measured yet"


def test_clips_that_are_added_at_once_are_all_there(tiny, tmp_path):
    folder = shutil.copytree(tiny, tmp_path / "s")
    names = [f"clips/{number}.mp4" for number in range(6)]
    threads = [threading.Thread(target=add_clip, args=(folder, name, "north")) for name in names]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    text = (folder / "session.toml").read_text(encoding="utf-8")
    rows = tomllib.loads(text)["clip"]
    assert {row["file"] for row in rows[1:]} == set(names) and len(rows) == 7
    assert rows[0]["exposure_ms"] > 0


def test_a_session_that_is_no_toml_is_said_and_left(tmp_path):
    (tmp_path / "session.toml").write_text("[clip", encoding="utf-8")
    with pytest.raises(SessionError, match=r"a closing \] is missing; write \[clip\]"):
        add_clip(tmp_path, "clips/a.mp4", "north")
    assert (tmp_path / "session.toml").read_text(encoding="utf-8") == "[clip"


def test_the_account_of_a_clips_time_is_that_of_the_command(tiny):
    accounts = Accounts(tiny)
    rows = dict(accounts.of(CLIP))
    assert rows["verdict"] == "steady" and rows["picture"].startswith("480 x 270")
    with pytest.raises(VidspeedError, match="leads out"):
        accounts.of("../x.mp4")


def test_rate_and_time_left_follow_from_the_frames_that_are_done():
    run = Run(state="running", began_s=8.0, looking_s=10.0, clips=2)
    assert run.progress(12.0) == (0.0, "4 s so far")
    run.steps["clips/a.mp4"] = Step(done=50, total=100)
    share, words = run.progress(12.0)
    assert share == pytest.approx(0.25) and "25 frames a second, about 6 s left" in words
    run.steps["clips/a.mp4"] = run.steps["clips/b.mp4"] = Step(done=100, total=100)
    run.steps["solving"] = Step()
    assert run.progress(14.0) == (1.0, "solving, 6 s so far")


def test_a_cancelled_measurement_leaves_everything_as_it_was(tiny, tmp_path):
    folder = shutil.copytree(tiny, tmp_path / "s")
    before = files_of(folder)
    runner = Runner(folder)
    assert runner.start(None, 1) and not runner.start(None, 1)
    deadline = time.monotonic() + 300.0
    while not runner.run.steps and runner.run.state == "running" and time.monotonic() < deadline:
        time.sleep(0.01)
    runner.cancel()
    assert runner.run.state == "cancelled"
    while runner.working and time.monotonic() < deadline:
        time.sleep(0.01)
    assert not runner.working
    after = files_of(folder)
    assert {name: after[name] for name in before} == before
    assert not any(name.startswith("results") for name in after)
