"""Search frame after frame for lights, follow them, and fit those of each chain that has ended.

A frame is first looked at in few passes over small integers (`background.py`); only where
something stands out is a patch cut out and measured (`finder.py`), and only the patches of what
moved like a craft are fitted (`lamp.py`), beside the search in a thread of its own. Chains are kept
in the order in which they end, so that threads change no result.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextvars import copy_context
from dataclasses import replace
from functools import partial
from types import TracebackType
from typing import Self, TypeVar

import numpy as np

from vidspeed.clip.background import SIGMAS, Backdrop, halved
from vidspeed.clip.coding import ALONE
from vidspeed.clip.footage import Flown, Recorder
from vidspeed.clip.ground.astray import Astray
from vidspeed.clip.ground.sway import SwayMeter
from vidspeed.clip.light.lamp import Light, as_scattered
from vidspeed.clip.light.wide import lights_of_any
from vidspeed.clip.medians import SAMPLES, middle_in_bands
from vidspeed.clip.overview import Overview
from vidspeed.clip.read import Frame, Header
from vidspeed.clip.spots.finder import Finder, Look
from vidspeed.clip.spots.follow import Follower
from vidspeed.clip.spots.lights import Spot, emptied
from vidspeed.clip.spots.moves import Limits, limits_of, stride_of
from vidspeed.clip.window import Pane, window_of
from vidspeed.spread.progress import alive
from vidspeed.values import Footage, Picture, Strip, Sway

R = TypeVar("R")

LEAST_FRAMES = 4
AT_ONCE = 2  # of the frames that waited
SHOT_S = 2.5  # brightest values are gathered anew after so long without a flight
SOON_S = 0.27  # over which the first samples are spread, since the frames of that time wait
MOST_WAITING = 40 << 20  # bytes of the frames that wait for the first background


class Search:
    """Takes the frames of a clip one by one; use it with `with`, so that its thread ends."""

    def __init__(
        self, header: Header, strip: Strip | None, exposure_s: tuple[float, float] | None = None
    ) -> None:
        self.limits: Limits | None = None
        self.stride = 1  # every so many frames lights are looked for
        self.sigmas = SIGMAS  # of the noise by which a light stands out, at the end
        self._header = header
        self._strip = strip
        self._exposure_s = exposure_s  # that was stated, and its u
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
        self._flown: list[Flown] = []
        self._recorder = None if strip is None else Recorder(header.size_px)
        self._shot_s: float | None = None  # since when the brightest values are gathered apart

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._fitting.shutdown(wait=True, cancel_futures=True)

    def take(self, frames: Sequence[Frame]) -> None:
        """Take the next frames, which are worked through together."""
        for number, frame in enumerate(frames):
            if self._backdrop is not None:
                self._work(frames[number:])
                return
            self._waiting.append((self._window.cut(frame, copied=True), halved(frame.luma)))
            self._begin()

    def _work(self, frames: Sequence[Frame]) -> None:
        """Search frames, and look up the pieces of the background in them."""
        news = self._look([self._window.cut(frame) for frame in frames])
        for frame, new in zip(frames, news, strict=True):
            if new and self._meter is not None:
                self._meter.take_whole(frame.time_s, frame.luma)
                lost = self._meter.astray
                self._astray.take(frame.time_s, partial(halved, frame.luma), lost=lost)
                assert self._backdrop is not None
                self._backdrop.shakes(self._meter.reach)

    def record(self, overview: Overview) -> None:
        """Keep for the pictures what was filmed of flights that have ended."""
        flown, self._flown = self._flown, []
        if self._recorder is None or self._follower is None:
            return
        if self._shot_s is not None:
            for flight in flown:
                self._recorder.keep(flight, overview.shot, self._shot_s)
            if self._last_s - self._shot_s > SHOT_S or not self._follower.busy:
                self._shot_s = None
                overview.end_shot()
        if self._shot_s is None and self._follower.busy:
            self._shot_s = self._recorder.time_s(overview.begin_shot())

    @property
    def rows(self) -> tuple[int, int] | None:
        """Return the rows of the picture, from and to, that are searched; None: all."""
        return None if self._strip is None else (2 * self._window.top, 2 * self._window.bottom)

    def footage(self) -> tuple[Footage, ...]:
        """Return what was kept for the pictures."""
        return () if self._recorder is None else self._recorder.footage()

    def finish(self, overview: Overview) -> None:
        """Work through what still waits, end the chains, and let go of what only searches."""
        if self._backdrop is None and len(self._waiting) >= LEAST_FRAMES:
            self._begin(short=True)
        if self._finder is not None and self._follower is not None:
            for time_s, spots in self._finder.rest():
                self._fit(self._follower.offer(time_s, spots))
            self._fit(self._follower.finish())
        self.record(overview)
        if self._backdrop is not None:
            self.sigmas = self._backdrop.sigmas
        self._backdrop, self._finder, self._follower = None, None, None
        if self._recorder is not None:
            self._recorder.let_go()

    def lamps(self, stamp_u_s: float, sway: Sway | None) -> list[list[Light]]:
        """Return the lights of every chain, once they are all fitted.

        `stamp_u_s` is of the stamps, `sway` of the background.
        """
        alone = self._header.codec in ALONE
        return [
            as_scattered(future.result(), sway, alone=alone, stamp_u_s=stamp_u_s)
            for future in self._fitted
        ]

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
        pane, half = self._waiting[0]
        room = MOST_WAITING // ((pane.luma.nbytes + half.nbytes) * (SAMPLES - 1))
        soon = round(SOON_S / (SAMPLES - 1) / interval_s)
        apart = max(1, min(soon, room))  # the first samples; later ones need no room
        if not short and len(self._waiting) <= (SAMPLES - 1) * apart:
            return
        backdrop = Backdrop(interval_s, self._window.inside)
        if short:
            apart = backdrop.spacing = max(1, (len(self._waiting) - 1) // (SAMPLES - 1))
        turns = [turn * apart % len(self._waiting) for turn in range(SAMPLES)]
        samples = [self._waiting[turn] for turn in turns]
        backdrop.begin([(pane.luma, pane.half) for pane, _ in samples])
        halves = [half for _, half in samples]
        self._meter = SwayMeter(middle_in_bands(halves), halves)
        self.limits = limits_of(self._header.size_px, interval_s, self._strip)
        self.stride = stride_of(self.limits, interval_s)
        self._backdrop, self._finder = backdrop, Finder(backdrop)
        self._follower = Follower(self.limits)
        self._begin_to_follow(self._meter)
        backdrop.shakes(self._meter.reach)
        del samples, halves, pane, half  # each frame is let go as soon as it is worked through
        while self._waiting:
            some, self._waiting = self._waiting[:AT_ONCE], self._waiting[AT_ONCE:]
            self._look([pane for pane, _ in some])

    def _begin_to_follow(self, meter: SwayMeter) -> None:
        """Look up the pieces of the background in the frames that wait."""
        last_s = -np.inf
        for pane, half in self._waiting:
            if pane.time_s > last_s:
                last_s = pane.time_s
                meter.take(pane.time_s, half)
                self._astray.take(pane.time_s, half.view, lost=meter.astray)
        meter.settle()

    def _look(self, panes: Sequence[Pane]) -> list[bool]:
        """Search some frames; say which are new. Each enters the background in its turn.

        The few passes over each picture come first, then what they found: each is done fastest
        while it is done again and again. Where the exposure jumps the background goes along at
        once.
        """
        assert self._backdrop is not None
        backdrop, news = self._backdrop, []
        if self._recorder is not None:
            self._recorder.take(panes)
        looks: list[Look] = []
        for pane in panes:
            apart = backdrop.apart(pane.half)
            flood = apart.flooded
            news.append(pane.time_s > self._last_s)
            if news[-1]:
                if pane.frame % self.stride == 0:
                    looks.append(Look(self._numbered(pane), apart, backdrop.ring))
                self._last_s = pane.time_s
            if flood:
                self._follow(looks)
                looks = []
            backdrop.offer(pane.frame, pane.luma, pane.half, None if flood else apart)
        self._follow(looks)
        return news

    def _numbered(self, pane: Pane) -> Pane:
        """Return a window whose frames are numbered as they are looked at, one by one."""
        return pane if self.stride == 1 else replace(pane, frame=pane.frame // self.stride)

    def _follow(self, looks: Sequence[Look]) -> None:
        """Follow what stands out in some frames."""
        assert self._finder is not None and self._follower is not None
        for time_s, spots in self._finder.spots(looks):
            self._fit(self._follower.offer(time_s, spots))

    def beside(self, work: Callable[[], R]) -> Future[R]:
        """Have something done in the thread that fits, before what it is given later."""
        return self._fitting.submit(copy_context().run, work)

    def _fit(self, chains: Sequence[Sequence[Spot]]) -> None:
        """Fit the lights of chains that have ended; their pixels are then let go."""
        self._flown += [_flown(spots) for spots in chains]
        for spots in chains:
            self._fitted.append(self.beside(partial(self._lights, spots)))

    def _lights(self, spots: Sequence[Spot]) -> list[Light]:
        alive()
        lights = lights_of_any(
            spots,
            self._header.size_px,
            full_range=self._header.full_range,
            stated_s=self._exposure_s,
        )
        return [replace(light, spot=self._emptied(light.spot)) for light in lights]

    def _emptied(self, spot: Spot) -> Spot:
        """Return a spot without its pixels, with the number of its frame in the clip."""
        return replace(emptied(spot), frame=spot.frame * self.stride)


def _flown(spots: Sequence[Spot]) -> Flown:
    """Return when and where the spots of a chain were."""
    return Flown(
        np.array([spot.time_s for spot in spots]),
        np.array([spot.xy_px for spot in spots]),
        spots[0].darker,
    )
