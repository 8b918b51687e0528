"""Results read again: the same to the last bit, and only where they still hold."""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace

import numpy as np
import pytest
from made_up import outcome

from vidspeed.record.readback import outcome_kept
from vidspeed.record.summary import json_bytes, sensitivities, summary
from vidspeed.values import Heights, InputFile


@pytest.fixture
def kept(tmp_path):
    """Write the two files of results, of a session whose inputs are there, and return both."""
    (tmp_path / "session.toml").write_bytes(b"title = 1")
    (tmp_path / "clips").mkdir()
    (tmp_path / "clips" / "pass-1.mp4").write_bytes(b"a clip")
    made = outcome(tmp_path)
    inputs = tuple(
        InputFile(file=name, sha256=hashlib.sha256((tmp_path / name).read_bytes()).hexdigest())
        for name in ("session.toml", "clips/pass-1.mp4")
    )
    high = Heights(
        height_in_m=4.0, height_in_u_m=0.1, height_out_m=5.0, height_out_u_m=0.2, climb_m=1.0,
        climb_u_m=0.3, before_m=np.array([0.0, 7.0]), above_m=np.array([0.0, 0.1 + 0.2]),
        above_u_m=np.array([0.0, 0.05]),
    )  # fmt: skip
    first = replace(made.passes[0], heights=high)
    session = replace(made.session, inputs=inputs[:1], clips=made.session.clips[:1])
    made = replace(
        made, inputs=inputs, session=session, passes=(first, *made.passes[1:]), mark=None
    )
    results = tmp_path / "results"
    results.mkdir()
    (results / "summary.json").write_bytes(json_bytes(summary(made)))
    (results / "sensitivities.json").write_bytes(json_bytes(sensitivities(made)))
    return made


def test_what_was_written_comes_back(kept):
    found = outcome_kept(kept.session)
    assert found.covariance_labels == kept.covariance_labels
    assert np.array_equal(found.covariance, kept.covariance)
    assert [row.message for row in found.problems] == [row.message for row in kept.problems]
    for again, before in zip(found.passes, kept.passes, strict=True):
        for name in ("label", "flight", "setup", "clips", "status", "direction", "speed_mps",
                     "speed_u_mps", "speed_U95_mps", "coverage_factor", "dof", "method",
                     "interval95_mps", "stretch_m", "recorded"):  # fmt: skip
            assert getattr(again, name) == getattr(before, name), name
        assert [(row.clip, row.time_in_s) for row in again.crossings] == [
            (row.clip, row.time_in_s) for row in before.crossings
        ]
        assert [(row.owner, row.name, row.split_unknown) for row in again.inputs] == [
            (row.owner, row.name, row.split_unknown) for row in before.inputs
        ]
        if before.sensitivities_mps is None:
            assert again.sensitivities_mps is None
        else:
            assert np.array_equal(again.sensitivities_mps, before.sensitivities_mps)
    high, before = found.passes[0].heights, kept.passes[0].heights
    assert np.array_equal(high.above_m, before.above_m)
    assert high.height_out_m == before.height_out_m
    assert found.passes[1].heights is None


def test_other_inputs_than_those_measured_do_not_hold(kept, tmp_path):
    changed = (InputFile(file="session.toml", sha256="00" * 32),)
    assert outcome_kept(replace(kept.session, inputs=changed)) is None
    more = (*kept.session.inputs, InputFile(file="markers.csv", sha256="00" * 32))
    assert outcome_kept(replace(kept.session, inputs=more)) is None
    (tmp_path / "clips" / "pass-1.mp4").write_bytes(b"another clip")
    assert outcome_kept(kept.session) is None


def test_an_archive_without_its_clips_still_answers(kept, tmp_path):
    (tmp_path / "clips" / "pass-1.mp4").unlink()
    assert outcome_kept(kept.session) is not None


@pytest.mark.parametrize(
    "spoil",
    [
        lambda data: data.pop("covariance"),
        lambda data: data["covariance"].update(matrix=[[1.0]]),
        lambda data: data["covariance"].update(matrix=[[None] * 3] * 3),
        lambda data: data["passes"][0].pop("heights"),
        lambda data: data["passes"].append("pass"),
        lambda data: data.update(tool_version="0.0.1"),
    ],
)
def test_what_is_not_whole_is_not_believed(kept, tmp_path, spoil):
    path = tmp_path / "results" / "summary.json"
    data = json.loads(path.read_bytes())
    spoil(data)
    path.write_text(json.dumps(data), encoding="utf-8")
    assert outcome_kept(kept.session) is None


def test_no_results_at_all(kept, tmp_path):
    (tmp_path / "results" / "sensitivities.json").unlink()
    assert outcome_kept(kept.session) is None
    (tmp_path / "results" / "summary.json").write_bytes(b"\xff")
    assert outcome_kept(kept.session) is None
