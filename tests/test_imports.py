"""What is slow to import is imported where it is used: `DEVELOPERS.md` lists it, with reasons."""

import subprocess
import sys
from pathlib import Path

LATE = (
    "filterpy", "jinja2", "matplotlib", "pyproj", "rich", "scipy.interpolate", "scipy.linalg",
    "scipy.ndimage", "scipy.optimize", "scipy.signal", "scipy.stats",
)  # fmt: skip
HOUSE = Path(__file__).parents[1]


def _late(imports, late=LATE):
    """Return what of `late` is there after an import."""
    code = f"import sys, {imports}\nprint(*(name for name in {late!r} if name in sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return done.stdout.split()


def test_nothing_slow_stands_before_the_first_clip():
    assert _late("vidspeed.measure, vidspeed.assembly.looking") == []


def test_nothing_of_scipy_stands_before_the_first_clip_is_handed_out():
    assert _late("vidspeed.measure", ("scipy",)) == []


def test_who_looks_at_clips_has_nothing_that_reads_sessions_or_draws():
    elsewhere = ("vidspeed.session.read", "vidspeed.geometry.tapes", "vidspeed.record.canvas")
    assert _late("vidspeed.assembly.looking", elsewhere) == []


def test_who_looks_at_clips_needs_no_scipy_until_they_are_scanned():
    assert _late("vidspeed.assembly.looking", ("scipy",)) == []


def test_the_developers_page_lists_what_is_imported_late():
    page = (HOUSE / "DEVELOPERS.md").read_text(encoding="utf-8")
    told = page.split("**Late imports.**")[1].split("\n\n")[0]
    assert [name for name in LATE if f"`{name}`" not in told] == []
