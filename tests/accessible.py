"""What keeps people from using a page: faults that a program can find, by rules of our own.

They follow the Web Content Accessibility Guidelines 2.2 (W3C, 2023) at level AA: contrast of text
(1.4.3, at 4.5 : 1 for every text, the large one too), text alternatives (1.1.1), tables, lists and
headings that are real (1.3.1), names of whatever can be worked (4.1.2), language (3.1.1), title
(2.4.2), enlarging (1.4.4), keyboard (2.1.1, 2.4.3), size of targets (2.5.8), links told by more
than their colour (1.4.1). What lies in folded `details` is looked at too.

    from tests.accessible import faults
    assert faults(page) == []

`page` is a Playwright page of Chromium, as it is shown at that moment: call it again after each
dialog or tab, with `color_scheme` light and dark, and at the widths that matter.
"""

from __future__ import annotations

from pathlib import Path

LEAST_CONTRAST = 4.5
RULES = Path(__file__).with_name("accessible.js").read_text(encoding="utf-8")


def faults(page, least_contrast: float = LEAST_CONTRAST) -> list[str]:
    """Return a line for each fault: the rule, the element and its first words."""
    return list(page.evaluate(RULES, least_contrast))
