"""A slice of what `tests/bench/killed.py` does fifty times: a killed run is taken up again."""

import os
import shutil

import numpy as np
import pytest

from tests.bench import killed
from tests.tiny import files_of


@pytest.mark.skipif(os.name != "posix", reason="kills by a signal")
def test_a_killed_run_leaves_earlier_results_and_the_next_one_ends_it(tiny, tmp_path):
    new = files_of(tiny / "results")
    shutil.rmtree(tiny / "results")
    earlier = {"summary.json": b"of another day", "north-pass-1/track.csv": b"1"}
    ground = killed.Ground(session=tiny, status=0, took_s=2.0, earlier=earlier, new=new)
    tally = killed.Tally()
    killed.case(ground, tmp_path / "case", 1, np.random.default_rng(3), tally)
    assert tally.faults == []
    assert (tally.killed, tally.decoded) == (1, [0])  # its clip was kept
