"""Lights drawn from the tracker's own model, and what its filter says of them, spot by spot."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace

import numpy as np

from vidspeed.clip.spots import follow
from vidspeed.clip.spots.lights import Spot
from vidspeed.values import Floats

WIDTH_PX, RATE_HZ, COUNT = 1920.0, 60.0, 40


@dataclass(kw_only=True)
class Log:
    """What a filter said, spot by spot: `nis` of each innovation, and its state after that."""

    frame: list[int] = field(default_factory=list)
    nis: list[float] = field(default_factory=list)
    state: list[Floats] = field(default_factory=list)
    spread: list[Floats] = field(default_factory=list)


def drawn(rng: np.random.Generator, *, rough: float = 1.0) -> tuple[Log, float]:
    """Follow a light whose acceleration and places are drawn as the filter believes they are.

    The NEES is taken at the last spot alone, so that runs are independent of each other. `rough`
    is by how much the places scatter more than is said.
    """
    speed, turn = rng.uniform(300.0, 1500.0), rng.uniform(-0.3, 0.3)
    velocity = speed * np.array([np.cos(turn), np.sin(turn)])
    truth = np.array([100.0, velocity[0], 300.0, velocity[1]])
    snr = float(rng.uniform(6.0, 60.0))
    logs: list[Log] = []
    with logged(logs):
        spots = []
        for frame in range(follow.CONFIRM_SPOTS):
            spots.append(_spot(frame, truth, snr, rng, rough))
            truth = _moved(truth, _young(speed), rng)
        chain = follow._Chain(spots, WIDTH_PX)
        for frame in range(follow.CONFIRM_SPOTS, COUNT):
            spot = _spot(frame, truth, snr, rng, rough)
            chain.predict(spot.time_s)
            chain.add(spot)
            before, truth = truth, _moved(truth, chain._bending(), rng)
    (log,) = logs
    error = before - log.state[-1]
    nees = float(error @ np.linalg.solve(log.spread[-1], error))
    return log, nees


def _young(speed: float) -> Floats:
    """Return the covariance (2, 2) of the acceleration of a light along x, before it is a chain."""
    along = follow.bend_px_s2(speed, WIDTH_PX)
    return np.diag([along, follow.SIDEWAYS * along]) ** 2


def _moved(state: Floats, bending: Floats, rng: np.random.Generator) -> Floats:
    """Move a state (4,) on by a frame, under an acceleration that is constant meanwhile."""
    step = 1.0 / RATE_HZ
    pull = np.linalg.cholesky(bending + 1e-9 * np.eye(2)) @ rng.normal(size=2)
    x, vx, y, vy = state
    return np.array([
        x + vx * step + 0.5 * pull[0] * step**2, vx + pull[0] * step,
        y + vy * step + 0.5 * pull[1] * step**2, vy + pull[1] * step,
    ])  # fmt: skip


def _spot(frame: int, truth: Floats, snr: float, rng: np.random.Generator, rough: float) -> Spot:
    pixels = np.zeros((2, 2), np.uint8)
    spot = Spot(
        frame=frame, time_s=frame / RATE_HZ, xy_px=truth[[0, 2]], half_px=np.zeros(2),
        sigma_px=1.3, peak=2.0 * snr, snr=snr, corner_px=(0, 0), luma=pixels, past=pixels[None],
        own=np.ones((2, 2), bool), cut=False,
    )  # fmt: skip
    noise = np.linalg.cholesky(follow._noise_px2(spot)) @ rng.normal(size=2)
    return replace(spot, xy_px=spot.xy_px + rough * noise)


@contextmanager
def logged(logs: list[Log]) -> Iterator[None]:
    """Log every chain that is followed within, each in its own log."""
    begin, take = follow._Chain.__init__, follow._Chain.add
    own: dict[int, Log] = {}

    def begun(chain: follow._Chain, spots: Sequence[Spot], width_px: float) -> None:
        own[id(chain)] = Log()
        logs.append(own[id(chain)])
        begin(chain, spots, width_px)

    def taken(chain: follow._Chain, spot: Spot) -> None:
        kalman, log = chain._filter, own[id(chain)]
        spread = kalman.H @ kalman.P @ kalman.H.T + follow._noise_px2(spot)
        off = spot.xy_px - kalman.x[[0, 2], 0]
        take(chain, spot)
        if len(chain.spots) > follow.CONFIRM_SPOTS:
            log.frame.append(spot.frame)
            log.nis.append(float(off @ np.linalg.solve(spread, off)))
            log.state.append(kalman.x[:, 0].copy())
            log.spread.append(kalman.P.copy())

    follow._Chain.__init__, follow._Chain.add = begun, taken  # type: ignore[method-assign]
    try:
        yield
    finally:
        follow._Chain.__init__, follow._Chain.add = begin, take  # type: ignore[method-assign]
