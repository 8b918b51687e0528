"""A proof that was written comes back as it was."""

import json

import numpy as np

from vidspeed.record.proofview import proof_row, proof_view, proven_of
from vidspeed.record.units import UNITS
from vidspeed.values import Proven, ProvenDistance, ProvenDrive, ProvenPlace, jsonable


def place(x_m):
    return ProvenPlace(
        clips=("clips/pole.mp4",),
        cameras=("north", "south"),
        place_m=np.array([x_m, 0.0, 4.0]),
        found_m=np.array([x_m + 0.01, 0.02, 3.99]),
        error_m=np.array([0.01, 0.02, -0.01]),
        error_u_m=np.array([0.02, 0.1, 0.03]),
        normalised=0.7,
    )


PROVEN = Proven(
    places=(place(10.0), place(40.0), place(70.0)),
    distances=(
        ProvenDistance(
            first=0, second=2, distance_m=60.0, error_percent=0.1 + 0.2, error_u_percent=0.05,
            normalised=2.0,
        ),
    ),
    drives=(
        ProvenDrive(
            clips=("clips/cart.mp4",), cameras=("north",), log="logs/cart.csv", speed_mps=8.01,
            speed_u_mps=0.02, log_speed_mps=8.0, log_speed_u_mps=0.01, error_percent=0.125,
            error_u_percent=0.3, normalised=0.4,
        ),
    ),
)  # fmt: skip


def test_a_proof_of_the_summary_is_read_again_to_the_last_bit():
    row = json.loads(json.dumps(jsonable(proof_row(PROVEN))))
    found = proven_of(row)
    assert jsonable(proof_row(found)) == row
    assert proof_view(found, UNITS["kmh"]) == proof_view(PROVEN, UNITS["kmh"])
    assert (found.distances[0].first, found.distances[0].second) == (0, 2)


def test_nothing_proved_is_nothing_proved():
    assert proven_of(proof_row(None)) is None
