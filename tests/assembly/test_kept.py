"""Nothing is decoded twice, and nothing that is kept is believed blindly."""

from dataclasses import replace
from importlib import resources
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from tests.tiny import CLIP, edit, render_tiny
from vidspeed.assembly import agree, gather, kept
from vidspeed.assembly.gather import Keeping
from vidspeed.assembly.reading import read_session
from vidspeed.measure import run, run_session
from vidspeed.spread.executor import Inline
from vidspeed.values import Strip


@pytest.fixture(scope="module")
def rendered(tmp_path_factory):
    return render_tiny(tmp_path_factory.mktemp("kept") / "session")


@pytest.fixture
def searches(monkeypatch):
    """Count how often a clip is decoded and searched."""
    calls = []
    plain = gather.scan

    def counted(path, **how):
        calls.append(path)
        return plain(path, **how)

    monkeypatch.setattr(gather, "scan", counted)
    return calls


def speeds(folder, **how):
    return [row.speed_mps for row in run(folder, keeping=Keeping(folder=folder, **how)).passes]


def test_a_clip_is_decoded_once_and_the_figures_are_the_same(rendered, searches):
    first = speeds(rendered)
    assert len(searches) == 1
    assert speeds(rendered) == first
    assert len(searches) == 1
    assert speeds(rendered, fresh=True) == first
    assert len(searches) == 2


def test_a_changed_survey_solves_again_without_decoding(rendered, searches):
    before = speeds(rendered)
    del searches[:]
    edit(rendered / "session.toml", "length_m = 40.0", "length_m = 40.1")
    after = speeds(rendered)
    edit(rendered / "session.toml", "length_m = 40.1", "length_m = 40.0")
    assert not searches
    assert after != before


def test_a_search_for_slow_playback_is_kept_as_well(rendered, monkeypatch):
    calls, plain = [], agree.scan

    def counted(path, **how):
        calls.append(path)
        return plain(path, **how)

    monkeypatch.setattr(agree, "scan", counted)
    fast = replace(read_session(rendered).craft, speed_mps=(400.0, 500.0))
    idle = replace(read_session(rendered), craft=fast)
    for _ in range(2):
        run_session(idle, pool=Inline(), keeping=Keeping(folder=rendered))
        assert len(calls) == 1


def test_another_part_of_the_picture_or_another_rate_decodes_again(rendered, searches):
    speeds(rendered)
    del searches[:]
    edit(rendered / "session.toml", "height_m = 3.0", "height_m = 7.0")
    run(rendered, keeping=Keeping(folder=rendered))
    edit(rendered / "session.toml", "height_m = 7.0", "height_m = 3.0")
    assert len(searches) == 1


def test_another_exposure_decodes_again(rendered, searches):
    before = speeds(rendered)
    del searches[:]
    edit(rendered / "session.toml", "exposure_u_ms = 0.1", "exposure_u_ms = 0.12")
    assert speeds(rendered) == speeds(rendered)
    assert len(searches) == 1
    edit(rendered / "session.toml", "exposure_u_ms = 0.12", "exposure_u_ms = 0.1")
    assert speeds(rendered) == before
    assert len(searches) == 1


@pytest.fixture(scope="module")
def good(rendered):
    """Return the speeds of the session with nothing kept."""
    return speeds(rendered, fresh=True)


@pytest.mark.parametrize("harm", ["cut", "flipped", "emptied", "another"])
def test_what_is_damaged_costs_a_decode_and_nothing_else(rendered, good, searches, harm):
    home = rendered / kept.KEPT
    for path in home.iterdir():
        content = bytearray(path.read_bytes())
        if harm == "cut":
            path.write_bytes(content[: len(content) // 2])
        elif harm == "flipped":
            content[len(content) // 2] ^= 0xFF
            path.write_bytes(content)
        elif harm == "emptied":
            path.write_bytes(b"")
        else:
            np.savez(path, value=np.frombuffer(b'{"value": "Path", "fields": {}}', dtype=np.uint8))
    del searches[:]
    assert speeds(rendered) == good
    assert len(searches) == 1


def test_a_folder_that_cannot_be_written_keeps_nothing(tmp_path, monkeypatch):
    (tmp_path / kept.KEPT).write_text("in the way", encoding="utf-8")
    found = SimpleNamespace(facts=SimpleNamespace(sha256="ab" * 32))
    monkeypatch.setattr(kept, "value_bytes", lambda value: b"x")
    monkeypatch.setattr(kept, "KeptScan", lambda **fields: fields)
    scanned = kept.scan_once(
        tmp_path, tmp_path / CLIP, rate_hz=None, strip=None, search=lambda: found
    )
    assert scanned is found


def test_no_more_than_a_few_searches_of_a_clip_are_kept(rendered):
    scan = gather.scan(rendered / CLIP)
    sha256 = scan.facts.sha256
    for number in range(7):
        square = np.array([[0.0, 0.0], [100.0, 0.0], [100.0, 50.0], [0.0, 50.0]])
        place = Strip(polygon_px=square + 200.0 * number, speed_px_s=(10.0, 20.0))
        kept.scan_once(
            rendered, rendered / CLIP, rate_hz=None, strip=place, search=lambda: replace(scan)
        )
    held = list((rendered / kept.KEPT).glob(f"{sha256[:20]}-*"))
    assert len(held) == kept.MOST_A_CLIP


def test_a_change_of_any_module_that_searches_decodes_again():
    """Those of the rooms within a room, too."""
    room = Path(kept.__file__).parents[1] / "clip"
    known = {Path(str(entry)) for entry in kept._modules(resources.files("vidspeed.clip"))}
    assert known == set(room.rglob("*.py"))
    assert room / "spots" / "follow.py" in known
