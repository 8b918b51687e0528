"""What draws is imported without help on Matplotlib's classes, and draws all the same."""

import subprocess
import sys

CODE = """
from matplotlib import artist
plain = artist.kwdoc
from vidspeed.record import imported
imported.import_writing()
assert artist.kwdoc is plain
from matplotlib.lines import Line2D
print("markersize" in Line2D.set.__doc__)
line = Line2D([0.0], [0.0])
line.set(markersize=7.0)
print(line.get_markersize())
"""


def test_help_is_left_out_and_nothing_else():
    done = subprocess.run([sys.executable, "-c", CODE], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["False", "7.0"]
