from concurrent.futures import ThreadPoolExecutor

import pytest

from vidspeed.errors import ResultsError
from vidspeed.record import spool as module
from vidspeed.record.spool import Spool


@pytest.mark.parametrize("most_held", [1, 1000, 1 << 20])
def test_what_several_threads_put_comes_back_whole(monkeypatch, most_held):
    monkeypatch.setattr(module, "MOST_HELD", most_held)
    wanted = {f"a/{number}.png": bytes([number]) * number for number in range(200)}
    spool = Spool()
    with ThreadPoolExecutor(4) as pool:
        list(pool.map(spool.put, wanted, wanted.values()))
    assert dict(spool) == wanted
    assert len(spool) == len(wanted)
    assert "a/7.png" in spool
    assert "a/7.svg" not in spool
    with pytest.raises(KeyError):
        spool["a/7.svg"]


def test_what_is_put_again_takes_the_place_of_what_was_put():
    spool = Spool()
    for content in (b"first", b"second", b"x"):
        spool.put("track.csv", content)
    assert dict(spool) == {"track.csv": b"x"}


def test_a_full_disk_of_temporary_files_is_named(monkeypatch, tmp_path):
    class Full:
        def seek(self, _):
            pass

        def write(self, _):
            raise OSError(28, "No space left on device")

        def close(self):
            pass

    monkeypatch.setattr(module, "SpooledTemporaryFile", lambda **_: Full())
    monkeypatch.setattr(module, "gettempdir", lambda: str(tmp_path))
    with pytest.raises(ResultsError, match=r"No space left.*TMPDIR") as caught:
        Spool().put("track.png", b"1")
    assert str(tmp_path) in str(caught.value)
