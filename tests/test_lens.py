"""The command from a clip and from stills of a chart to a lens file."""

from __future__ import annotations

import json

import cv2
import numpy as np
import pytest

from tests.desk.daylight import session_without_picks
from tests.geometry.charted import developed, held, paint, sheet
from tests.tiny import invoked
from vidspeed.assembly.reading import read_session
from vidspeed.clip.write import even_stamps, write_clip
from vidspeed.errors import CalibrationError, SessionError
from vidspeed.geometry.chart import chart_boxes
from vidspeed.session.lens import read_lens
from vidspeed.values import Chart

SIZE = (640, 360)
LENS = np.array([520.0, 520.0, 322.0, 176.0, -0.1, 0.0, 0.0, 0.0, 0.0])
CHART = Chart(columns=5, rows=4, square_m=0.03)
PLACES = 7


def pictures(places=PLACES, each=5, seed=3, lens=LENS, **how):
    """Yield frames of a chart that is held still in places and moved quickly between them."""
    rng = np.random.default_rng(seed)
    bitmap = sheet(chart_boxes(CHART), (0.18, 0.15), 4000, 0.012)
    for _ in range(places):
        turn, shift = held(rng, lens, SIZE, np.array([0.09, 0.075]), board_m=0.18, **how)
        for frame in range(each):
            away = 0.008 * (frame == 0)  # still moving in the first frame
            signal = np.full(SIZE[::-1], 0.25)
            place = shift + np.array([away, 0.0, 0.0])
            if frame < 2:
                paint(signal, bitmap, 4000, np.array([-0.012, -0.012]), turn, place, lens, 0.7)
                drawn = signal
            yield developed(drawn, rng, 1.5)


def run(*words):
    return invoked([str(word) for word in words])


BOARD = ("--board", "5x4", "--square-mm", "30")


@pytest.fixture(scope="module")
def clip(tmp_path_factory):
    path = tmp_path_factory.mktemp("chart") / "chart.avi"
    write_clip(path, pictures(), stamps=even_stamps(PLACES * 5, 30), codec="ffv1")
    return path


def test_a_clip_of_a_chart_gives_a_lens_file(clip, tmp_path):
    out = tmp_path / "lens.json"
    done = run("lens", clip, *BOARD, "--out", out, "--focus", "field")
    assert done.exit_code == 0, done.output
    lens = read_lens(out)
    assert (lens.image_size_px, lens.focus) == (SIZE, "field")
    u = np.sqrt(np.diag(lens.factor @ lens.factor.T))
    assert u[0] < 5.0
    assert np.all(np.abs(lens.parameters - LENS)[[0, 2, 3]] < 4.0 * u[[0, 2, 3]])
    assert 6 <= json.loads(out.read_text(encoding="utf-8"))["views"] <= 15
    assert "corners seen in each part of the picture" in done.output
    assert done.output.strip().splitlines()[-1] == str(out)


def test_stills_of_another_size_and_files_without_the_chart_are_refused(clip, tmp_path):
    frames = list(pictures(places=3, each=3, seed=4))
    for number, picture in enumerate([frames[2], frames[5], np.zeros((180, 320), np.uint8)]):
        (tmp_path / f"{number}.png").write_bytes(cv2.imencode(".png", picture)[1].tobytes())
    out = tmp_path / "lens.json"
    done = run("lens", tmp_path / "0.png", tmp_path / "2.png", *BOARD, "--out", out)
    assert done.exit_code == 1
    assert "different picture sizes (640 x 360: 0.png; 320 x 180: 2.png)" in done.output
    done = run("lens", tmp_path / "0.png", tmp_path / "1.png", *BOARD, "--out", out)
    assert done.exit_code == 1
    assert "found in 2 sharp, still views of 2 pictures" in done.output
    done = run("lens", tmp_path / "0.png", "--board", "54", "--out", out)
    assert done.exit_code == 2 and "9x6" in done.output
    done = run("lens", tmp_path / "absent.mp4", *BOARD, "--out", out)
    assert done.exit_code == 1 and "absent.mp4: there is no such file" in done.output
    assert not out.exists()


def test_charts_and_boards_are_written(tmp_path):
    done = run("chart", "--out", tmp_path / "chart.svg", "--chart", "charuco", "--paper", "Letter")
    assert done.exit_code == 0, done.output
    assert (tmp_path / "chart.svg").read_text(encoding="utf-8").count("<path") == 1
    done = run("boards", "--codes", "0-2,7", "--out", tmp_path / "boards.pdf")
    assert done.exit_code == 0, done.output
    assert b"/Count 4" in (tmp_path / "boards.pdf").read_bytes()
    for words in (
        ("boards", "--codes", "0-2", "--out", tmp_path / "boards.svg"),
        ("boards", "--codes", "zero"),
        ("boards", "--codes", "99"),
        ("chart", "--out", tmp_path / "chart.png"),
        ("chart", "--square-mm", "0"),
        ("chart", "--paper", "B5"),
        ("chart", "--chart", "charuco", "--family", "none"),
    ):
        assert run(*words).exit_code == 2, words


def test_the_desk_measures_the_lens_of_a_camera_and_names_it(clip, tmp_path):
    lenses = pytest.importorskip("vidspeed.desk.lenses", reason="without the extra `desk`")
    folder = session_without_picks(tmp_path)
    path = folder / "session.toml"
    text = path.read_text(encoding="utf-8").replace("[1280, 720]", "[640, 360]")
    path.write_text(text, encoding="utf-8")
    with pytest.raises(CalibrationError, match="drop a clip"):
        lenses.measure_lens(folder, 0, CHART, "field")
    home = folder / lenses.filmed_place("north")
    home.mkdir(parents=True)
    (home / "chart.avi").write_bytes(clip.read_bytes())
    said = lenses.measure_lens(folder, 0, lenses.chart_of("5x4", "30", coded=False), "field")
    assert said[0].startswith("lens-north.json is the lens of north")
    camera = read_session(folder, unpicked=True).cameras[0]
    assert camera.lens.parameters[0] == pytest.approx(520.0, rel=0.02)
    text = path.read_text(encoding="utf-8")
    assert 'lens = "lens-north.json"\n' in text and "# focal_px = 960.0\n" in text
    with pytest.raises(SessionError, match="no longer there"):
        lenses.measure_lens(folder, 7, CHART, "field")
