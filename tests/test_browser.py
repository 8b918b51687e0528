"""A browser that stops answering neither stops the tests nor fails them."""

from __future__ import annotations

import psutil
import pytest

from tests.browser import Silent, in_browser, opened

PAGE = "data:text/html,<title>here</title>"


def halt_browser() -> None:
    for process in psutil.Process().children(recursive=True):
        if "node" in process.name() or "chrom" in process.name():
            process.suspend()


@in_browser
def test_a_browser_that_falls_silent_is_ended():
    with pytest.raises(Silent, match="after 6 s"), opened(PAGE, within_s=6.0) as page:
        assert page.title() == "here"
        halt_browser()
        page.evaluate("1")
    assert not [each for each in psutil.Process().children(recursive=True) if "node" in each.name()]


def test_the_test_is_then_gone_through_once_more():
    answers = []

    @in_browser
    def test():
        answers.append(len(answers))
        if len(answers) == 1:
            raise Silent

    test()
    assert answers == [0, 1]
