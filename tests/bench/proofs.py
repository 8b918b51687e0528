"""Is what a proof on the ground says of the course as sure as it says?

`python tests/bench/proofs.py --seed 1 --draws 200`: lamps held still at surveyed places and lamps
driven past with a log, in the small world of the tests; survey, lens, picks, lamps, line, clocks
and logs are drawn from what is stated of them. RMS of the normalised errors, with the 99 % range
that a perfect tool would show, and how often |z| is below 1.96.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
from scipy import stats

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
TAIL = 0.005
COVERED = 0.95


def main(arguments: list[str] | None = None) -> int:
    """Run the bench; 0 where every figure is inside, 1 otherwise."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--draws", type=int, default=200, help="of each kind")
    options = parser.parse_args(arguments)
    seeds = range(1000 * options.seed, 1000 * options.seed + options.draws)
    good = True
    for cameras in (1, 2):
        for name, trials in (("held still", still), ("driven past", driven)):
            good &= told(f"{name}, {cameras} camera(s)", trials, seeds, cameras)
    return 0 if good else 1


def told(
    what: str,
    trials: Callable[[range, int], Iterator[float | None]],
    seeds: range,
    cameras: int,
) -> bool:
    """Print the figures of one kind of proof; say whether they are inside."""
    found = list(trials(seeds, cameras))
    z = np.array([value for value in found if value is not None])
    count, lost = len(z), len(found) - len(z)
    low, high = np.sqrt(stats.chi2.ppf([TAIL, 1.0 - TAIL], count) / count)
    rms, covered = float(np.sqrt(np.mean(z**2))), int(np.sum(np.abs(z) < stats.norm.isf(0.025)))
    least, most = stats.binom.ppf([TAIL, 1.0 - TAIL], count, COVERED)
    good = bool(low <= rms <= high and least <= covered <= most and not lost)
    print(
        f"{what}: n {count}, RMS z {rms:.3f} [{low:.3f}, {high:.3f}], covered "
        f"{100.0 * covered / count:.1f} % [{100.0 * least / count:.1f}, "
        f"{100.0 * most / count:.1f}], lost {lost}: {'ok' if good else 'OUT'}",
        flush=True,
    )
    return good


def still(seeds: range, cameras: int) -> Iterator[float | None]:
    """Yield z of the distance of two places that a lamp was held at."""
    from tests.assembly.test_proof import PLACES_M, U_M, seen, stands
    from tests.motion.flown import evening
    from vidspeed.assembly.ground import located

    for seed in seeds:
        scene = evening(seed, cameras=cameras)
        found = located(scene.session, PLACES_M, np.full(3, U_M), seen(scene, stands(scene)))
        along = np.zeros(9)
        along[0], along[6] = -1.0, 1.0
        yield float(along @ found.error_m.ravel() / np.sqrt(along @ found.covariance_m2 @ along))


def driven(seeds: range, cameras: int) -> Iterator[float | None]:
    """Yield z of a drive against its log, forward and reverse in turn."""
    from tests.assembly.test_drive import filmed
    from tests.motion.flown import evening
    from vidspeed.assembly.proof import prove

    for seed in seeds:
        found = prove(*filmed(evening(seed, cameras=cameras), forward=seed % 2 == 0)).proven
        yield None if found is None else found.drives[0].normalised


if __name__ == "__main__":
    sys.exit(main())
