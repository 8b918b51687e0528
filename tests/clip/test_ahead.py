"""A thread that works ahead gives the same as none: items in order, errors, and an end."""

from __future__ import annotations

import threading
import time

import pytest

from vidspeed.clip.ahead import ahead

PATIENCE_S = 20.0


def counted(upto, made=None, ended=None):
    try:
        for k in range(upto):
            if made is not None:
                made.append(k)
            yield k
    finally:
        if ended is not None:
            ended.append(threading.current_thread())


def until(true):
    end = time.monotonic() + PATIENCE_S
    while not true() and time.monotonic() < end:
        time.sleep(0.001)
    return true()


@pytest.mark.parametrize("most", [0, 1, 3])
def test_everything_comes_in_order(most):
    assert list(ahead(counted(50), most)) == list(range(50))


def test_no_more_is_made_than_may_wait():
    made = []
    items = ahead(counted(50, made), 3)
    assert next(items) == 0
    assert until(lambda: len(made) == 5)  # one taken, three that wait, one in the hand
    assert next(items) == 1
    assert until(lambda: len(made) == 6)
    items.close()
    assert len(made) == 6


@pytest.mark.parametrize("most", [0, 2])
def test_what_is_raised_comes_after_what_was_made_before(most):
    def failing():
        yield from range(5)
        raise OSError("the card was pulled")

    items = ahead(failing(), most)
    assert [next(items) for _ in range(5)] == list(range(5))
    with pytest.raises(OSError, match="the card was pulled"):
        next(items)


@pytest.mark.parametrize("taken", [0, 1, 7])
def test_who_leaves_early_leaves_no_thread_behind(taken):
    before, ended = threading.active_count(), []
    items = ahead(counted(1000, ended=ended), 2)
    for _ in range(taken):
        next(items)
    items.close()
    assert threading.active_count() == before
    assert len(ended) == (1 if taken else 0)
