"""Clips measured as they arrive, never half of one."""

import shutil
import threading
import time

import pytest

import vidspeed.watch as watched
from tests.tiny import CLIP, edit, render_tiny
from vidspeed.errors import SessionError
from vidspeed.spread.executor import Inline
from vidspeed.watch import complete, watch

SETTLED_S = 0.4
WAIT_S = 300.0


@pytest.fixture
def stop():
    """Give an event that is set at the end, and in any case after a while."""
    event = threading.Event()
    timer = threading.Timer(WAIT_S, event.set)
    timer.start()
    yield event
    event.set()
    timer.cancel()


@pytest.fixture(scope="module")
def rendered(tmp_path_factory):
    return render_tiny(tmp_path_factory.mktemp("watched") / "day")


def copied_slowly(source, target, pieces, pause_s):
    """Write a file piece by piece, as a card reader does."""
    content = source.read_bytes()
    size = -(-len(content) // pieces)
    with target.open("wb") as file:
        for at in range(0, len(content), size):
            file.write(content[at : at + size])
            file.flush()
            time.sleep(pause_s)


@pytest.fixture
def soon(monkeypatch):
    """Give what does something in another thread, once the watch has begun."""
    begun, plain = threading.Event(), watched.changes

    def changes(*words, **options):
        begun.set()
        return plain(*words, **options)

    def do(work, *words):
        def then():
            assert begun.wait(WAIT_S)
            work(*words)

        thread = threading.Thread(target=then, daemon=True)
        thread.start()
        return thread

    monkeypatch.setattr(watched, "changes", changes)
    return do


def test_half_a_file_is_never_given_out(rendered, tmp_path, stop, soon):
    folder = tmp_path / "day"
    (folder / "clips").mkdir(parents=True)
    target, whole = folder / "clips" / "new.mp4", (rendered / CLIP).stat().st_size
    # The second pause is longer than a copy may pause: the index is still missing then.
    writer = soon(copied_slowly, rendered / CLIP, target, 3, 2.0 * SETTLED_S)
    found = next(complete(folder, stop=stop, settled_s=SETTLED_S))
    assert found == target.resolve()
    assert found.stat().st_size == whole
    writer.join()


def test_what_is_there_already_and_what_is_no_clip_is_left_alone(rendered, tmp_path, stop, soon):
    folder = tmp_path / "day"
    for place in ("clips", "results", ".hidden"):
        (folder / place).mkdir(parents=True)
    shutil.copy(rendered / CLIP, folder / "clips" / "old.mp4")

    def bring():
        for name in ("results/a.mp4", ".hidden/b.mp4", "clips/.c.mp4", "clips/d.txt"):
            shutil.copy(rendered / CLIP, folder / name)
        shutil.copy(rendered / CLIP, folder / "clips" / "wanted.MP4")

    arriving = complete(folder, stop=stop, settled_s=SETTLED_S)
    soon(bring)
    assert next(arriving).name == "wanted.MP4"


def test_a_listed_clip_and_one_in_its_cameras_folder_are_measured(rendered, tmp_path, stop, soon):
    folder = tmp_path / "day"
    shutil.copytree(rendered, folder)
    first = folder / CLIP
    aside = tmp_path / "aside.mp4"
    first.rename(aside)
    arriving = watch(folder, pool=Inline(), stop=stop, settled_s=SETTLED_S)
    soon(copied_slowly, aside, first, 1, 0.3)
    came = next(arriving)
    assert (came.clip, came.listed, came.fault) == (CLIP, True, None)
    assert came.outcome.passes[0].status == "measured"
    soon(copied_slowly, aside, folder / "clips" / "north" / "pass-9.mp4", 1, 0.3)
    came = next(arriving)
    assert came.clip == "clips/north/pass-9.mp4" and not came.listed
    own = [row for row in came.outcome.passes if came.clip in row.clips]
    assert own[0].speed_mps == pytest.approx(came.outcome.passes[0].speed_mps)
    soon(copied_slowly, aside, folder / "clips" / "pass-10.mp4", 1, 0.3)
    came = next(arriving)
    assert came.outcome is None and "add a [[clip]] for it" in came.fault


def test_a_wrong_session_is_said_at_once(rendered, tmp_path, stop):
    folder = tmp_path / "day"
    shutil.copytree(rendered, folder)
    edit(folder / "session.toml", "length_m = 40.0", "length_m = -1.0")
    with pytest.raises(SessionError, match="length_m"):
        next(watch(folder, pool=Inline(), stop=stop))
