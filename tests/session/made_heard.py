"""Something that was heard, made up."""

import numpy as np

from vidspeed.values import Flyby, Heard, Told


def a_heard():
    root = np.random.default_rng(1).normal(size=(8, 8))
    return Heard(
        flyby=Flyby(speed_mps=100.1, distance_m=30.2, moment_s=1.25),
        covariance=root @ root.T,
        tones_hz=np.array([1500.0, 3000.0]),
        time_s=np.zeros(0),
        seen_hz=np.zeros((0, 2)),
        used=np.zeros((0, 2), bool),
        fit_hz=np.zeros((0, 2)),
        scatter=1.1,
        level_db=14.0,
        heard_s=(0.4, 2.2),
        told=Told(
            at=np.array([4.6, 3.4, 1.25, 0.4, 0.0, 0.0, 343.2]),
            information=root[:7] @ root[:7].T,
            slope=root[0, :7].copy(),
            half_s=0.9,
            dof=61.5,
        ),
    )
