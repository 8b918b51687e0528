"""The demonstration, whole: what it measures is what is true, within what it states."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.tiny import undrawn
from vidspeed.demo import demo
from vidspeed.errors import SceneError


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    steps = []
    with undrawn():
        outcome = demo(
            tmp_path_factory.mktemp("demo") / "evening",
            workers=1,
            progress=lambda what, done, total: steps.append((what, done, total)),
        )
    return outcome, steps


def test_every_pass_is_measured_and_near_the_truth(made):
    outcome = made[0]
    assert [row.direction for row in outcome.rows] == ["forward", "reverse"] * 2
    for row in outcome.rows:
        assert row.result is not None
        assert row.result.status == "measured"
        assert row.result.direction == row.direction
        low, high = row.result.interval95_mps
        assert low < row.true_mps < high
        assert 400.0 < 3.6 * row.true_mps < 500.0
        assert row.result.speed_U95_mps < 0.002 * row.true_mps
    assert outcome.outcome.mark is not None


def test_the_report_is_where_it_says(made):
    outcome = made[0]
    assert outcome.report.is_file()
    assert (outcome.folder / "truth.json").is_file()


def test_the_readme_shows_these_figures(made):
    readme = Path(__file__).resolve().parent.parent / "README.md"
    table = [line for line in readme.read_text(encoding="utf-8").splitlines() if line[:1] == "│"]
    for line, row in zip(table, made[0].rows, strict=True):
        _, label, _, measured, *_ = (cell.strip() for cell in line.split("│"))
        value, wide = (float(part) / 3.6 for part in measured.split("±"))
        assert label == row.label
        assert value == pytest.approx(row.result.speed_mps, abs=0.15 * row.result.speed_U95_mps)
        assert wide == pytest.approx(row.result.speed_U95_mps, rel=0.15)


def test_it_says_what_it_does(made):
    whats = [what for what, _, _ in made[1]]
    assert whats[0] == "rendering"
    assert "solving" in whats


def test_a_session_that_somebody_wrote_is_left_alone(tmp_path):
    (tmp_path / "session.toml").write_text("title = 'mine'\n", encoding="utf-8")
    with pytest.raises(SceneError, match="not rendered"):
        demo(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["session.toml"]
