"""One bad clip harms no other, whatever it does to the process that looks at it."""

from __future__ import annotations

import os
import shutil

import pytest

from tests import jobs
from tests.tiny import CLIP, command
from vidspeed import chance, measure
from vidspeed.assembly import looking
from vidspeed.assembly.cameras import fit_all
from vidspeed.assembly.gather import Keeping, look
from vidspeed.assembly.passes import seen_of
from vidspeed.assembly.reading import read_session
from vidspeed.cli.passes import exit_status
from vidspeed.measure import run
from vidspeed.motion.choose import best_status, solve_tracks
from vidspeed.spread.executor import executor
from vidspeed.values import Outcome
from vidspeed.values.base import jsonable

BAD = {
    "dies": "the decoder died on this clip (SIGKILL); copy it from the camera again",
    "hangs": "the decoder hung on this clip (no sign of life for 10 s), or the drive it lies on",
    "greedy": "more memory is needed for this clip than there is for it",
    "strange": "ZeroDivisionError: by nothing; this is a fault of vidspeed",
}


def with_clips(folder, names):
    with (folder / "session.toml").open("a", encoding="utf-8") as file:
        for name in names:
            shutil.copy(folder / CLIP, folder / f"clips/{name}.mp4")
            file.write(
                f'\n[[clip]]\nfile = "clips/{name}.mp4"\ncamera = "north"\npass = "{name}"\n'
            )
    return folder


def told(outcome: Outcome):
    """Return all that was found, pictures left out."""
    return jsonable(
        [
            outcome.covariance,
            [[row.label, row.status, row.speed_mps, row.speed_U95_mps] for row in outcome.passes],
            [[row.level, row.where, row.message] for row in outcome.problems],
            [
                [track.time_s, track.xy_px, track.cov_px2]
                for row in outcome.clips
                for track in row.tracks
            ],
            [[row.file, row.sha256] for row in outcome.inputs],
        ]
    )


def test_the_same_results_whoever_looks(tiny):
    with_clips(tiny, ["second"])
    assert told(run(tiny)) == told(run(tiny, workers=2))


def test_doubts_about_the_picks_hold_no_clip_up(tiny, monkeypatch):
    order: list[str] = []
    plain = measure.with_doubts

    def doubted(*given):
        order.append("doubts")
        return plain(*given)

    monkeypatch.setattr(measure, "with_doubts", doubted)
    run(
        tiny,
        keeping=Keeping(folder=tiny),
        looking=lambda: order.append("looking"),
        progress=lambda what, *_: order.append(what),
    )
    assert order.index("clips") < order.index("looking") < order.index("doubts")


def test_whether_a_clip_shows_a_pass_is_told_without_scipy(tiny, monkeypatch):
    """It is asked where a clip was decoded, and importing would keep the run waiting."""
    session = read_session(tiny)
    cameras = fit_all(session)
    seen = seen_of(cameras, look(session, cameras, session.clips[0], None))
    monkeypatch.delattr(chance, "_special")
    assert best_status(session, seen) == "measured"
    with pytest.raises(NameError, match="_special"):
        solve_tracks(session, [seen], seen.tracks[:1], "1")


def test_it_is_said_when_all_clips_are_looked_at(tiny):
    order: list[str] = []
    run(
        tiny,
        keeping=Keeping(folder=tiny),
        looked=lambda: order.append("looked"),
        progress=lambda what, *_: order.append(what),
    )
    assert order.index("clips") < order.index("looked") < order.index("solving")


@pytest.mark.skipif(os.name != "posix", reason="kills by a signal")
def test_bad_clips_are_problems_of_their_own(tiny, monkeypatch):
    good = run(tiny)
    with_clips(tiny, [*BAD, "second"])
    monkeypatch.setattr(looking, "look_within_bounds", jobs.look_badly)
    with executor(2, patience_s=10.0) as pool:
        outcome = run(tiny, pool=pool)
    assert exit_status(outcome) == 3
    passes = {row.label: row for row in outcome.passes}
    for label in ("1", "second"):
        assert passes[label].speed_mps == pytest.approx(good.passes[0].speed_mps, rel=1e-12)
    problems = {row.where: row.message for row in outcome.problems if row.level == "error"}
    for name, words in BAD.items():
        assert words in problems[f"clips/{name}.mp4"]


@pytest.mark.skipif(os.name != "posix", reason="kills by a signal")
def test_the_command_outlives_its_only_clip(tiny, monkeypatch):
    shutil.move(tiny / CLIP, tiny / "clips/dies.mp4")
    text = (tiny / "session.toml").read_text(encoding="utf-8").replace(CLIP, "clips/dies.mp4")
    (tiny / "session.toml").write_text(text, encoding="utf-8")
    monkeypatch.setattr(looking, "look_within_bounds", jobs.look_badly)
    said = command("run", tiny, "--jobs", "1", apart=True)
    assert said.status == 1
    assert "clips/dies.mp4: the decoder died on this clip (SIGKILL)" in said.err
    assert "Traceback" not in said.err


@pytest.mark.skipif(os.name != "posix", reason="kills by a signal")
def test_an_account_of_time_outlives_a_clip_too(tiny, monkeypatch):
    monkeypatch.setattr("vidspeed.clip.times.times", jobs.die_over)
    said = command("times", tiny / CLIP, apart=True)
    assert said.status == 1
    assert "pass-1.mp4: the decoder died on this clip (SIGKILL); copy it" in said.err
