from concurrent.futures import ThreadPoolExecutor

import pytest

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
