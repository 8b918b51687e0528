"""The commands that answer: from results that still hold, or measured anew."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from tests.answer.days import flown
from tests.tiny import CLIP, command, tree_of
from vidspeed.assembly.reading import read_session
from vidspeed.cli import app
from vidspeed.compare import compare
from vidspeed.errors import SessionError, VidspeedError
from vidspeed.mark import known_passes, mark, opened
from vidspeed.motion.budget import covariance
from vidspeed.values import Outcome

COMMANDS = tree_of(app).commands


def never(session):
    raise AssertionError("results are there and hold")


class Measured:
    """Counts how often it is asked, and gives an evening of passes of two set-ups."""

    def __init__(self, setups=("tail 3", "tail 4")):
        self.asked = 0
        self.setups = setups

    def __call__(self, session) -> Outcome:
        self.asked += 1
        passes = [
            flown(
                f"{number}-{at}",
                100.0 + 2.0 * number + 0.1 * (at % 3),
                "forward" if at % 2 else "reverse",
                setup=setup,
            )
            for number, setup in enumerate(self.setups)
            for at in range(8)
        ]
        labels, matrix = covariance(passes)
        return Outcome(
            session=session,
            inputs=(),
            cameras=(),
            clips=(),
            passes=tuple(passes),
            covariance_labels=labels,
            covariance=matrix,
            mark=None,
            problems=(),
        )


def touched(folder):
    """Change what session.toml says, so that its results hold no longer."""
    path = folder / "session.toml"
    path.write_text(path.read_text(encoding="utf-8") + "\n# changed\n", encoding="utf-8")
    return folder


def test_results_that_hold_are_taken(tiny):
    found = known_passes(opened(tiny), never)
    written = json.loads((tiny / "results" / "summary.json").read_text(encoding="utf-8"))
    assert [row.speed_mps for row in found.passes] == [
        row["speed_mps"] for row in written["passes"]
    ]
    assert found.passes[0].heights is not None


def test_a_changed_session_is_measured_again(tiny):
    measure = Measured()
    assert mark(touched(tiny), measure).mark.selected_from == (8, 8)
    assert measure.asked == 1


def test_two_setups_of_one_session(tiny):
    measure = Measured()
    found = compare(touched(tiny), None, measure)
    assert (found.first.name, found.second.name) == ("tail 3", "tail 4")
    assert found.verdict == "faster"
    assert found.difference_mps == pytest.approx(2.0)
    assert measure.asked == 1
    back = compare(tiny, tiny, measure, setups=("tail 4", "tail 3"))
    assert back.verdict == "slower"


@pytest.mark.parametrize(
    ("setups", "asked", "said"),
    [
        ((None,), (None, None), "passes of 0 setups"),
        (("a", "b", "c"), (None, None), "3 setups: a, b, c"),
        (("a", "b"), ("a", "z"), "no pass is of setup 'z'; there are a, b"),
        ((None,), ("a", None), "no clip has a setup"),
        (("a", "b"), ("a", None), "on both sides"),
    ],
)
def test_setups_that_are_not_there(tiny, setups, asked, said):
    with pytest.raises(VidspeedError, match=said):
        compare(touched(tiny), None, Measured(setups), setups=asked)


def test_two_sessions_of_one_title_keep_their_names_apart(tiny, tmp_path):
    import shutil

    other = shutil.copytree(tiny, tmp_path / "second")
    found = compare(touched(tiny), touched(other), Measured())
    assert found.first.name.endswith("(session)")
    assert found.second.name.endswith("(second)")
    assert found.verdict == "not shown"


def test_mark_on_the_command_line(tiny):
    said = command("mark", tiny)
    assert said.status == 0
    assert said.out.splitlines()[-1].startswith("No mark: it needs one measured pass each way")


def test_clips_on_another_disk_are_those_that_results_rest_on(tiny, tmp_path):
    card = tmp_path / "card"
    card.mkdir()
    (tiny / CLIP).rename(card / "pass-1.mp4")
    assert len(known_passes(opened(tiny, card), never).passes) == 1
    (card / "pass-1.mp4").write_bytes(b"another")
    measured = Measured()
    known_passes(opened(tiny, card), measured)
    assert measured.asked == 1
    assert known_passes(opened(tiny), never).passes  # that clip is not looked at


def test_mark_tells_what_was_decided_and_looks_for_clips_where_it_is_told(tiny, tmp_path):
    card = tmp_path / "card"
    card.mkdir()
    (touched(tiny) / CLIP).rename(card / "pass-1.mp4")
    log = tmp_path / "log.jsonl"
    said = command("mark", tiny, "--clips", card, "--verbose", "--log-json", log)
    assert said.status == 0, said.err
    assert "[motion.choose]" in said.err
    rows = [json.loads(line) for line in log.read_text(encoding="utf-8").splitlines()]
    assert "vidspeed.motion.choose" in {row["where"] for row in rows}
    said = command("mark", tiny, "--clips", tmp_path / "none")
    assert said.status == 1 and "name the one that holds the clips" in said.err


@pytest.mark.parametrize("name", ["run", "mark", "compare", "picture", "annotate"])
def test_what_reads_clips_knows_where_else_they_lie_and_tells_what_it_decides(name):
    options = {option for row in COMMANDS[name].params for option in row.opts}
    assert {"--clips", "--verbose", "--log-json"} <= options


@pytest.mark.parametrize("name", ["watch", "recheck"])
def test_what_measures_tells_what_it_decides(name):
    options = {option for row in COMMANDS[name].params for option in row.opts}
    assert {"--verbose", "--log-json"} <= options


def test_compare_on_the_command_line(tiny, tmp_path):
    plot = tmp_path / "plot.png"
    said = command("compare", tiny, "--out", plot)
    assert said.status == 1
    assert "name them with --setup-a and --setup-b" in said.err
    assert not plot.exists()


def test_a_second_session_that_is_not_there_is_said_before_the_first_is_measured(tiny, tmp_path):
    measured = Measured()
    with pytest.raises(SessionError, match=r"nosuch: no session\.toml there"):
        compare(touched(tiny), tmp_path / "nosuch", measured)
    assert measured.asked == 0


def test_compare_prints_and_draws(tiny, tmp_path, monkeypatch):
    from vidspeed.cli import marks

    monkeypatch.setattr(marks, "measure", Measured())
    plot = tmp_path / "plot.png"
    said = command("compare", touched(tiny), "--out", plot, "--unit", "mps")
    assert said.status == 0
    assert said.out.splitlines()[-1].startswith("tail 4 is faster than tail 3 by 2.00 m/s")
    assert plot.read_bytes().startswith(b"\x89PNG")
    said = command("compare", tiny, "--json", "--out", plot)
    assert json.loads(said.out)["verdict"] == "faster"
    said = command("compare", tiny, "--out", tmp_path / "no" / "plot.png")
    assert said.status == 1
    assert "cannot be written" in said.err


def test_mark_prints_rules_and_ends_with_the_mark(tiny, monkeypatch):
    from vidspeed.cli import marks

    path = tiny / "session.toml"
    rules = '\n[mark]\nearlier_kmh = 300.0\nflights = "same"\nwithin_min = 30.0\n'
    path.write_text(path.read_text(encoding="utf-8") + rules, encoding="utf-8")
    assert read_session(tiny).mark.within_s == 1800.0
    monkeypatch.setattr(marks, "measure", Measured())
    said = command("mark", tiny)
    assert said.status == 0
    assert "within 30 min" in said.out
    last = said.out.splitlines()[-1]
    assert last.startswith("Mark 367.")
    assert "0 of 2 rules met; cannot be decided" in last
    assert "The mark is above the earlier 300.00 km/h at 95 %" in last
    assert "luck alone lifts it by" in said.out


def test_a_clip_that_failed_is_told_by_the_status(tiny, monkeypatch):
    from vidspeed.cli import marks
    from vidspeed.values import Problem

    broken = Problem(level="error", where="b.mp4", message="cannot be read")
    measure = Measured()
    monkeypatch.setattr(
        marks, "measure", lambda session: replace(measure(session), problems=(broken,))
    )
    said = command("mark", touched(tiny))
    assert said.status == 3
    assert "error: b.mp4: cannot be read" in said.err
    said = command("compare", tiny, "--out", tiny / "plot.png")
    assert said.status == 3
    assert "error: b.mp4: cannot be read" in said.err
    assert "tail 4 is faster than tail 3" in said.out
    said = command("compare", tiny, "--json", "--out", tiny / "plot.png")
    assert (said.status, json.loads(said.out)["problems"][0]["where"]) == (3, "b.mp4")


def test_a_mark_of_nothing_is_no_part_of_a_success(tiny, monkeypatch):
    from vidspeed.cli import marks
    from vidspeed.values import Problem

    broken = Problem(level="error", where="b.mp4", message="cannot be read")
    measure = Measured()
    monkeypatch.setattr(
        marks, "measure", lambda session: replace(measure(session), passes=(), problems=(broken,))
    )
    said = command("mark", touched(tiny))
    assert said.status == 1
    assert "error: b.mp4: cannot be read" in said.err
