"""Search frame after frame for lights, follow them, and fit those of each chain that has ended.

A frame is first looked at in few passes over small integers (`background.py`); only where
something stands out is a patch cut out and measured (`lights.py`), and only the patches of what
moved like a craft are fitted (`lamp.py`), beside the search in a thread of its own. Chains are kept
in the order in which they end, so that threads change no result.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextvars import copy_context
from dataclasses import replace
from types import TracebackType
from typing import Self

import numpy as np

from vidspeed.clip.astray import Astray
from vidspeed.clip.background import SIGMAS, Backdrop, halved
from vidspeed.clip.follow import Follower
from vidspeed.clip.lamp import Light, lights_of
from vidspeed.clip.lights import Finder, Spot, flooded
from vidspeed.clip.medians import SAMPLES, middle_of_nine
from vidspeed.clip.moves import Limits, limits_of
from vidspeed.clip.read import Frame, Header
from vidspeed.clip.sway import SwayMeter
from vidspeed.clip.window import Pane, window_of
from vidspeed.values import Picture, Strip, Sway
from vidspeed.worker import alive

LEAST_FRAMES = 4
MOST_WAITING = 48 << 20  # bytes of the frames that wait for the first background


class Search:
    """Takes the frames of a clip one by one; use it with `with`, so that its thread ends."""

    def __init__(self, header: Header, strip: Strip | None) -> None:
        self.limits: Limits | None = None
        self._header = header
        self._strip = strip
        self._window = window_of(header.size_px, strip)
        self._waiting: list[tuple[Pane, Picture]] = []
        self._backdrop: Backdrop | None = None
        self._finder: Finder | None = None
        self._follower: Follower | None = None
        self._meter: SwayMeter | None = None
        self._astray = Astray()
        self._last_s = -np.inf
        self._fitting = ThreadPoolExecutor(max_workers=1)
        self._fitted: list[Future[list[Light]]] = []

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._fitting.shutdown(wait=True, cancel_futures=True)

    def take(self, frame: Frame) -> None:
        """Take the next frame."""
        if self._backdrop is None:
            self._waiting.append((self._window.cut(frame, copied=True), halved(frame.luma)))
            self._begin()
            return
        pane = self._window.cut(frame)
        if self._look(pane) and self._meter is not None:
            self._meter.take_whole(pane.time_s, frame.luma)
            lost = self._meter.astray
            self._astray.take(pane.time_s, lambda: halved(frame.luma), lost=lost)

    def finish(self) -> None:
        """Work through what still waits and end the chains."""
        if self._backdrop is None and len(self._waiting) >= LEAST_FRAMES:
            self._begin(short=True)
        if self._follower is not None:
            self._fit(self._follower.finish())

    @property
    def sigmas(self) -> float:
        """Return how many standard deviations of the noise a light stands out now."""
        return SIGMAS if self._backdrop is None else self._backdrop.sigmas

    def lamps(self) -> list[list[Light]]:
        """Return the lights of every chain, once they are all fitted."""
        return [future.result() for future in self._fitted]

    def sway(self) -> Sway | None:
        """Return how the background moved, None where nothing was searched."""
        if self._meter is None:
            return None
        return replace(self._meter.sway(), later=self._astray.sways())

    def _begin(self, short: bool = False) -> None:
        """Make the first background as soon as enough frames are waiting for it."""
        times = [pane.time_s for pane, _ in self._waiting[:SAMPLES]]
        if len(times) < SAMPLES and not short:
            return
        interval_s = max(float(np.median(np.diff(times))), 1e-6)
        backdrop = Backdrop(interval_s, self._window.inside)
        pane, half = self._waiting[0]
        room = MOST_WAITING // ((pane.luma.nbytes + half.nbytes) * (SAMPLES - 1))
        backdrop.spacing = min(backdrop.spacing, max(1, room))
        if not short and len(self._waiting) <= (SAMPLES - 1) * backdrop.spacing:
            return
        if short:
            backdrop.spacing = max(1, (len(self._waiting) - 1) // (SAMPLES - 1))
        turns = [turn * backdrop.spacing % len(self._waiting) for turn in range(SAMPLES)]
        samples = [self._waiting[turn] for turn in turns]
        backdrop.begin([(pane.luma, pane.half) for pane, _ in samples])
        halves = [half for _, half in samples]
        self._meter = SwayMeter(middle_of_nine(halves), halves)
        self.limits = limits_of(self._header.size_px, interval_s, self._strip)
        self._backdrop, self._finder = backdrop, Finder(backdrop)
        self._follower = Follower(self.limits)
        for pane, half in self._waiting:
            if self._look(pane):
                self._meter.take(pane.time_s, half)
                self._astray.take(pane.time_s, half.view, lost=self._meter.astray)
        self._waiting.clear()

    def _look(self, pane: Pane) -> bool:
        """Search a frame, then let it enter the background in its turn; say whether it is new."""
        assert self._backdrop is not None
        assert self._finder is not None and self._follower is not None
        apart = self._backdrop.apart(pane.half)
        new = pane.time_s > self._last_s
        if new:
            spots = self._finder.spots(pane, apart)
            self._fit(self._follower.offer(pane.time_s, spots))
            self._last_s = pane.time_s
        learnt = None if flooded(apart) else apart
        self._backdrop.offer(pane.frame, pane.luma, pane.half, learnt)
        return new

    def _fit(self, chains: Sequence[Sequence[Spot]]) -> None:
        """Fit the lights of chains that have ended; their pixels are then let go."""
        for spots in chains:
            job = self._fitting.submit(copy_context().run, self._lights, spots)
            self._fitted.append(job)

    def _lights(self, spots: Sequence[Spot]) -> list[Light]:
        alive()
        return lights_of(spots, self._header.size_px, full_range=self._header.full_range)
