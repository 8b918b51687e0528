"""The files of results/: every name of the contract, floats to the last bit, nothing hostile."""

from __future__ import annotations

import csv
import io
import json
import math
from dataclasses import replace
from itertools import groupby
from pathlib import Path

import numpy as np
import pytest
from made_up import measured, outcome, sighted, view

from vidspeed.errors import ResultsError, VidspeedError
from vidspeed.motion.budget import covariance
from vidspeed.record.columns import TRACK_COLUMNS
from vidspeed.record.files import result_files, write_results
from vidspeed.record.names import clip_folders, legal_name
from vidspeed.values import InputFile

HOSTILE = "<script>alert(1)</script>\"'&{{ 7*7 }} $x_1$ [red]=1+1"


@pytest.fixture(scope="module")
def files(made_files) -> dict[str, bytes]:
    return made_files


def strict(data: bytes):
    def refuse(text):
        raise AssertionError(f"{text} is not JSON")

    return json.loads(data.decode("utf-8"), parse_constant=refuse)


def rows(data: bytes) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(data.decode("utf-8"), newline="")))


def test_files_and_folders(files):
    assert set(files) == {
        "summary.json",
        "sensitivities.json",
        "passes.csv",
        "report.html",
        "contents.sha256",
        "calibration/north.png",
        "calibration/south.png",
        "north-pass-1/track.csv",
        "north-pass-2/track.csv",
        "south-south-2/track.csv",
        "north-pass-3/track.csv",
        *both(
            "course",
            "north-pass-1/track",
            "north-pass-1/space-time",
            "north-pass-1/speed",
            "north-pass-2/track",
            "north-pass-2/speed",
            "south-south-2/track",
            "south-south-2/space-time",
            "north-pass-3/track",
            "north-pass-3/speed",
            "north-dark/track",
        ),
    }


def both(*names: str) -> set[str]:
    """Return a picture's name as PNG and as SVG."""
    return {f"{name}.{kind}" for name in names for kind in ("png", "svg")}


def test_summary_has_every_key(files):
    summary = strict(files["summary.json"])
    assert list(summary) == [
        "schema", "tool_version", "session", "inputs", "cameras", "passes", "covariance",
        "mark", "no_mark", "proof", "problems", "advice", "clips", "measured_with",
    ]  # fmt: skip
    assert summary["schema"] == "vidspeed.summary/1"
    assert summary["inputs"][1] == {"file": "clips/pass-1.mp4", "sha256": "22" * 32}
    first, second, third, empty = summary["passes"]
    assert set(first) >= {
        "pass", "flight", "clips", "direction", "status", "speed_mps", "speed_u_mps",
        "speed_U95_mps", "coverage_factor", "dof", "method", "interval95_mps", "stretch_m",
        "time_in_s", "time_out_s", "profile", "budget", "checks", "cross_checks",
    }  # fmt: skip
    assert set(first["budget"][0]) == {
        "source", "owner", "kind", "assumed", "input_u", "unit", "contribution_mps", "share",
    }  # fmt: skip
    assert set(first["profile"][0]) == {"x_m", "speed_mps", "speed_u_mps"}
    assert set(first["checks"][0]) == {"name", "status", "detail"}
    assert set(first["cross_checks"][0]) == {"name", "speed_mps", "speed_u_mps", "e_n"}
    assert "crossings" not in first
    assert [row["clip"] for row in second["crossings"]] == ["clips/pass-2.mp4", "clips/south-2.mp4"]
    assert third["status"] == "partial"
    assert empty["status"] == "none"
    assert all(
        empty[key] is None
        for key in ("speed_mps", "speed_u_mps", "speed_U95_mps", "dof", "time_in_s", "stretch_m")
    )
    assert set(summary["cameras"][0]) == {
        "name", "position_m", "position_u_m", "focal_px", "focal_u_px", "rms_px",
        "check_rms_m", "markers", "problems",
    }  # fmt: skip
    assert set(summary["mark"]) == {
        "passes", "speed_mps", "speed_u_mps", "speed_U95_mps", "coverage_factor",
        "speed_from_mean_time_mps", "selected_from", "left_out", "beats_probability",
        "beats_at_95", "pair_probability", "speed_from_mean_time_u_mps", "rules", "luck", "wind",
    }  # fmt: skip
    assert set(summary["problems"][0]) == {"level", "where", "message"}


def test_numbers_are_those_of_the_outcome_to_the_last_bit(files):
    made = outcome("unused")
    summary = strict(files["summary.json"])
    assert summary["passes"][0]["speed_u_mps"] == made.passes[0].speed_u_mps
    assert summary["passes"][1]["profile"][3]["speed_mps"] == made.passes[1].profile.speed_mps[3]
    assert summary["covariance"]["labels"] == ["1", "2", "3"]
    assert summary["covariance"]["matrix"] == made.covariance.tolist()


@pytest.mark.usefixtures("no_drawing")
def test_nothing_that_is_not_a_number_gets_into_the_json():
    made = outcome("unused")
    broken = replace(made.passes[0], dof=math.inf, speed_u_mps=float("nan"))
    data = result_files(replace(made, passes=(broken,), mark=None))["summary.json"]
    row = strict(data)["passes"][0]
    assert row["dof"] is None
    assert row["speed_u_mps"] is None
    assert strict(data)["mark"] is None


def whose(row) -> tuple[str, str]:
    return ("session" if row["split_unknown"] else row["owner"], row["name"])


def test_sensitivities_form_the_covariance_again(files):
    passes = strict(files["sensitivities.json"])["passes"]
    made = outcome("unused")
    matrix = np.zeros((3, 3))
    for i, one in enumerate(passes):
        for j, other in enumerate(passes):
            theirs = {whose(row): row["sensitivity_mps"] for row in other["inputs"]}
            matrix[i, j] = sum(
                row["sensitivity_mps"] * theirs.get(whose(row), 0.0) for row in one["inputs"]
            )
    assert [row["pass"] for row in passes] == ["1", "2", "3"]
    np.testing.assert_allclose(matrix, made.covariance, rtol=1e-12)
    np.testing.assert_allclose(matrix, covariance(made.passes)[1], rtol=1e-12)
    assert passes[0]["inputs"][1]["sensitivity_mps"] < 0.0
    assert set(passes[0]["inputs"][0]) == {
        "owner", "name", "source", "kind", "assumed", "split_unknown", "input_u", "unit",
        "sensitivity_mps",
    }  # fmt: skip


def test_track_reads_back_bit_for_bit(files):
    seen = outcome("unused").passes[0].sightings[0]
    data = files["north-pass-1/track.csv"]
    assert data.splitlines()[0].decode("ascii").split(",") == list(TRACK_COLUMNS)
    table = rows(data)
    assert len(table) == len(seen.track)
    assert [float(row["time_s"]) for row in table] == seen.track.time_s.tolist()
    assert [float(row["x_px"]) for row in table] == seen.track.xy_px[:, 0].tolist()
    assert [float(row["y_px"]) for row in table] == seen.track.xy_px[:, 1].tolist()
    assert [float(row["cov_xy_px2"]) for row in table] == seen.track.cov_px2[:, 0, 1].tolist()
    assert [row["used"] for row in table] == [str(int(used)) for used in seen.used]
    assert table[0]["streak_px"] == table[0]["fill"] == ""
    assert [float(row["fill"]) for row in table[3:]] == seen.track.fill[3:].tolist()
    assert float(table[5]["u_x_px"]) ** 2 == pytest.approx(seen.track.cov_px2[5, 0, 0], rel=1e-15)


@pytest.mark.usefixtures("no_drawing")
def test_passes_csv_in_the_readers_unit():
    made = outcome("unused")
    table = rows(result_files(made, unit="kn")["passes.csv"])
    assert [row["status"] for row in table] == ["measured", "measured", "partial", "none"]
    assert float(table[0]["speed_kn"]) == pytest.approx(111.7 * 3600 / 1852)
    assert float(table[0]["speed_mps"]) == 111.7
    assert table[3]["speed_mps"] == ""
    assert table[0]["largest_source"] == "flight-line offset"


@pytest.mark.usefixtures("no_drawing")
def test_numbers_of_numpy_are_written_as_plain_numbers():
    made = outcome("unused")
    solved = replace(measured("1", 100.0, "forward"), speed_mps=np.float64(100.25))
    text = result_files(replace(made, passes=(solved,)))["passes.csv"].decode("utf-8")
    assert ",100.25," in text
    assert "np." not in text


@pytest.mark.usefixtures("no_drawing")
def test_unknown_unit_is_refused():
    with pytest.raises(VidspeedError, match="kmh, mph, kn, mps"):
        result_files(outcome("unused"), unit="furlongs")


@pytest.mark.usefixtures("no_drawing")
def test_passes_of_one_clip_share_its_track_file_under_their_labels():
    made = outcome("unused")
    clip = ("clips/long.mp4",)
    passes = (
        measured("a", 100.0, "forward", clips=clip),
        measured("b", 99.0, "reverse", clips=clip),
    )
    files = result_files(replace(made, passes=passes, clips=(view(clip[0], "north"),)))
    assert {name for name in files if name.startswith("north-long/")} == {
        "north-long/track.csv",
        *both("north-long/track", "north-long/track-2", "north-long/speed", "north-long/speed-2"),
    }
    rows = list(csv.DictReader(io.StringIO(files["north-long/track.csv"].decode())))
    assert [label for label, _ in groupby(row["pass"] for row in rows)] == ["a", "b"]


def test_a_clip_given_as_a_track_has_a_picture_without_video():
    made = outcome("unused")
    no_video = replace(view("hand/pass-1.csv", "north"), facts=None, brightest=None, still=None)
    one = replace(made.passes[0], sightings=(sighted("hand/pass-1.csv", "north"),))
    files = result_files(replace(made, passes=(one,), clips=(no_video,)))
    assert files["north-pass-1/track.png"].startswith(b"\x89PNG")


@pytest.mark.usefixtures("no_drawing")
def test_write_results(tmp_path, files):
    made = outcome(tmp_path)
    assert write_results(made) == tmp_path / "results"
    assert [path.name for path in tmp_path.iterdir()] == ["results"]
    found = {
        path.relative_to(tmp_path / "results").as_posix()
        for path in (tmp_path / "results").rglob("*")
        if path.is_file()
    }
    assert found == set(files)


@pytest.mark.usefixtures("no_drawing")
def test_inputs_that_lie_in_results_outlive_the_swap(tmp_path):
    kept = tmp_path / "results" / "old-track" / "track.csv"
    kept.parent.mkdir(parents=True)
    kept.write_bytes(b"frame,time_s\n")
    made = outcome(tmp_path)
    archived = InputFile(file="results/old-track/track.csv", sha256="33" * 32)
    write_results(replace(made, inputs=(*made.inputs, archived)))
    assert kept.read_bytes() == b"frame,time_s\n"
    assert (tmp_path / "results" / "summary.json").is_file()


@pytest.mark.usefixtures("no_drawing")
def test_a_lost_input_in_results_stops_the_writing(tmp_path):
    (tmp_path / "results").mkdir()
    made = outcome(tmp_path)
    archived = InputFile(file="results/lost.csv", sha256="33" * 32)
    with pytest.raises(ResultsError, match=r"results/lost\.csv.*move it out of results/"):
        write_results(replace(made, inputs=(archived,)))
    assert [path.name for path in tmp_path.iterdir()] == ["results"]


def hostile_outcome(folder: Path | str):
    made = outcome(folder)
    passes = tuple(replace(result, label=HOSTILE, flight=HOSTILE) for result in made.passes)
    marker = replace(made.cameras[0].markers[0], name=HOSTILE)
    fit = replace(made.cameras[0], markers=(marker,))
    problem = replace(made.problems[0], message=HOSTILE + "\udce4\n\x1b[31m")
    return replace(
        made,
        session=replace(made.session, title=HOSTILE, place="Łódź 漢字 \u202e"),
        passes=passes,
        cameras=(fit,),
        problems=(problem,),
    )


def test_hostile_labels_stay_text(tmp_path):
    write_results(hostile_outcome(tmp_path))
    summary = strict((tmp_path / "results" / "summary.json").read_bytes())
    assert summary["passes"][0]["pass"] == HOSTILE
    page = (tmp_path / "results" / "report.html").read_text(encoding="utf-8")
    assert "<script" not in page
    assert "&lt;script&gt;" in page
    assert "{{ 7*7 }}" in page
    assert not set("\u202e\x1b\udce4") & set(page)


@pytest.mark.usefixtures("no_drawing")
def test_a_label_that_is_a_formula_is_not_one_in_the_spreadsheet():
    made = outcome("unused")
    named = replace(made.passes[0], label="=HYPERLINK(1)", flight="-3")
    table = rows(result_files(replace(made, passes=(named,)))["passes.csv"])
    assert table[0]["pass"] == "'=HYPERLINK(1)"
    assert table[0]["flight"] == "-3"


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("../../etc/passwd", "_.._etc_passwd"),
        ("a\x00b\nc", "a_b_c"),
        ("LPT1", "LPT1_"),
        ("com¹.txt", "com¹_.txt"),
        ("  trailing. . ", "trailing"),
        ("", "_"),
        ("e\u0301t\u00e9", "été"),
        ("a\u202eb", "a_b"),
    ],
)
def test_legal_names(text, expected):
    assert legal_name(text) == expected


def test_long_names_fit_every_file_system():
    assert len(legal_name("漢" * 300).encode("utf-8")) <= 200


def test_folders_differ_where_capitals_do_not_count():
    clips = [("north", "a/IMG_1.MOV"), ("north", "b/img_1.mov"), ("south", "a/IMG_1.MOV")]
    folders = clip_folders([*clips, clips[0]])
    assert folders[clips[0]] == "north-IMG_1"
    assert folders[clips[1]] == "north-img_1-2"
    assert folders[clips[2]] == "south-IMG_1"
