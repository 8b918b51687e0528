"""The rules by which pages are judged: each finds its fault, and leaves a good page alone."""

from __future__ import annotations

from tests.accessible import faults
from tests.browser import in_browser, opened

EMPTY, SCREEN = "about:blank", {"width": 800, "height": 600}
HINT = "".join(["place", "holder"])  # the grey words in a field that is empty
FRAME = '<!doctype html><html lang="en"><head><title>A page</title></head><body>{}</body></html>'
GOOD = """<h1>Evening</h1><h2>Passes</h2>
<p style="color: #767676">Grey at 4.54 : 1, and <a href="#x">a link</a>.</p>
<p style="color: #bbb; background: #222">Light on <b style="opacity: .9">dark</b></p>
<table><thead><tr><th scope="col">Pass</th></tr></thead><tbody><tr><td>1</td></tr></tbody></table>
<dl><div><dt>Speed</dt><dd>400</dd></div></dl><ul><li>one</li></ul>
<img src="data:," alt="The course" width="20" height="20"><img src="data:," alt="" width="9">
<svg role="img" aria-label="Speed along the course" width="20" height="20"><rect width="9"
height="9"/></svg>
<label>Length <input value="80"></label> <label for="h">Height</label> <input id="h">
<button aria-label="Undo"><svg width="30" height="30"></svg></button>
<button disabled style="color: #eee">Solve</button>
<details><summary>More</summary><p>Folded away</p></details>
<div style="overflow: auto; width: 90px" tabindex="0"><p style="width: 300px">wide</p></div>
<span role="checkbox" aria-checked="true" tabindex="0"
style="display: inline-block; padding: 12px">Used</span>"""
BAD = {
    "contrast": '<p style="color: #777; background: #fff">Grey at 4.48 : 1</p>',
    "contrast ": '<p style="color: #000; opacity: .5">Half there</p>',
    "contrast  ": "<details><summary>More</summary><p style='color: #ccc'>Folded</p></details>",
    "contrast   ": '<svg role="img" aria-label="x" width="90" height="30"><text y="20" '
    'fill="#aaa">words</text></svg>',
    "hint": f'<label>x <input {HINT}="80"></label><style>::{HINT} {{ color: #ccc }}</style>',
    "id used twice": '<p id="a">one</p><p id="a">two</p>',
    "heading order": "<h3>Straight to three</h3>",
    "empty heading": "<h2><img src='data:,' alt='' width='20' height='20'></h2>",
    "table without headers": "<table><tr><td>1</td></tr></table>",
    "empty header": '<table><tr><th scope="col">a</th><th><img alt="" src="data:," width="9">'
    "</th></tr></table>",
    "list holds": "<ul><p>no item</p></ul>",
    "item of no list": "<div><li>one</li></div>",
    "picture without words": '<img src="data:," width="9" height="9">',
    "picture without words ": '<svg width="9" height="9"><rect width="9" height="9"/></svg>',
    "without a name": "<input>",
    "without a name ": f'<input {HINT}="length">',
    "without a name  ": "<button><svg width='30' height='30'></svg></button>",
    "frame without a title": "<iframe></iframe>",
    "tabindex above 0": '<button tabindex="3">Solve</button>',
    "hidden but reached by keys": '<div aria-hidden="true"><button>Solve</button></div>',
    "one control in another": '<a href="#x" style="padding: 9px">Go <button>Solve</button></a>',
    "no key reaches": '<div role="button">Solve</div>',
    "scrolls, and no key reaches it": '<div style="overflow: auto; width: 90px">'
    '<p style="width: 300px">wide</p></div>',
    "too small a target": '<button style="font-size: 6px; padding: 0">a</button>'
    '<button style="font-size: 6px; padding: 0">b</button>',
    "link told by its colour alone": '<p>See <a href="#x" style="text-decoration: none">it</a></p>',
    "points nowhere": '<label for="lost">Height</label>',
    "no such attribute": '<p aria-lable="Height">x</p>',
    "state not told": '<span role="switch" tabindex="0" style="padding: 15px">On</span>',
    "cannot be enlarged": '<meta name="viewport" content="width=device-width, user-scalable=no">',
}


@in_browser
def test_a_good_page_has_no_fault():
    with opened(EMPTY, viewport=SCREEN) as page:
        page.set_content(FRAME.format(GOOD))
        assert faults(page) == []
        assert page.evaluate("document.querySelectorAll('details[open]').length") == 0


@in_browser
def test_every_rule_finds_its_fault_and_no_other():
    with opened(EMPTY, viewport=SCREEN) as page:
        for rule, body in BAD.items():
            page.set_content(FRAME.format(f"<h1>Evening</h1>{body}"))
            found = faults(page)
            assert found, rule
            assert all(rule.strip() in row for row in found), (rule, found)


@in_browser
def test_a_page_without_title_language_or_heading_is_told():
    with opened(EMPTY, viewport=SCREEN) as page:
        page.set_content("<html><body><p>words</p></body></html>")
        assert [row.split(":")[0] for row in faults(page)] == ["title", "language", "no heading"]


@in_browser
def test_a_text_on_the_browsers_own_dark_ground_is_judged_by_it():
    with opened(EMPTY, viewport=SCREEN) as page:
        page.emulate_media(color_scheme="dark")
        dark = "<style>:root { color-scheme: dark } p { color: #333 }</style><h1>x</h1><p>words</p>"
        page.set_content(FRAME.format(dark))
        assert [row.split(":")[0] for row in faults(page)] == ["contrast"]
