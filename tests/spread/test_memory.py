import ctypes
import gc
import weakref

import pytest

from vidspeed.spread.memory import collected_at_its_end, give_back


class Ring:
    """An object that holds itself."""

    def __init__(self) -> None:
        self.itself = self


@pytest.mark.parametrize("before", [True, False])
def test_garbage_of_a_block_is_gone_at_its_end_and_not_looked_for_within(before):
    was = gc.isenabled()
    (gc.enable if before else gc.disable)()
    try:
        with collected_at_its_end():
            assert not gc.isenabled()
            left = weakref.ref(Ring())
            assert left() is not None
        assert left() is None
        assert gc.isenabled() == before
        with pytest.raises(ValueError, match="no"), collected_at_its_end():
            raise ValueError("no")
        assert gc.isenabled() == before
    finally:
        (gc.enable if was else gc.disable)()


@pytest.mark.parametrize(
    "fault", [TypeError("argument of type 'NoneType' is not iterable"), OSError(), AttributeError()]
)
def test_where_no_c_library_gives_back_what_is_free_nothing_is_the_worse_for_it(monkeypatch, fault):
    """Windows has no library without a name: `ctypes.CDLL(None)` is a TypeError there."""

    def none_such(name: str | None) -> None:
        raise fault

    monkeypatch.setattr(ctypes, "CDLL", none_such)
    give_back()
